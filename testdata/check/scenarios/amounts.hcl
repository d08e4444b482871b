scenario "amounts" {
  during "10" {
    probe "trough 1 flow" {
      says = 5
    }
    probe "trough 1 temperature" {
      says = "5 L/min"
    }
    probe "spring flow" {
      to = "5 L/min"
    }
    probe "spring temperature" {
      says   = "8 degC"
      silent = true
    }
    probe "spring oxygen" {}
  }
  during {
  }
  during "0 min" {
  }
  usual "stack 1 flow" {}
  nothing_else = true
}
