scenario "nothing to expect" {
  during "10 min" {}
}

scenario "no time" {
  nothing_else = true
}

scenario "times" {
  during "10 min" {}
  expect "low_flow/trough 1" {}
  expect "low_flow/trough 1" {
    by      = "11 min"
    over_by = "9 min"
  }
  expect "low_flow/trough 1" {
    not_before = "8 min"
    by         = "7 min"
  }
  expect {
    by = "7 min"
  }
}

scenario "too long" {
  during "61 d" {}
  during "50 d" {}
  nothing_else = true
}

scenario "twice" {
  during "1 min" {}
  nothing_else = false
}

scenario "twice" {
  during "1 min" {}
  nothing_els = true
}
