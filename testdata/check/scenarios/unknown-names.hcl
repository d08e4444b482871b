scenario "names" {
  during "10 min" {
    probe "trough 1 flw" {
      says = "5 L/min"
    }
    clean "trough 11" {}
    done "cleanin" {}
    done "cleaning" {
      at = ["stack 1"]
    }
  }
  expect "low_flow/t/trough 1 fow" {
    by = "5 min"
  }
  never = ["low_oxigen/raceway 1"]
}
