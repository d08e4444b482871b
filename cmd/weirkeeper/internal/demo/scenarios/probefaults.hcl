# What the starter rules must make of probes that say wrong things, and of the
# mains.

scenario "a flow probe is stuck" {
  begin = "2026-11-20 22:00"
  during "30 min" {}
  during "3 h" {
    probe "trough 3 flow" {
      says = "38 L/min"
    }
  }
  expect "stuck_probe/flow and oxygen/trough 3 flow" {
    not_before = "149 min"
    by         = "152 min"
    calls      = true
  }
  nothing_else = true
}

scenario "a stuck probe on a trough that runs dry still calls out" {
  begin = "2026-11-20 22:00"
  during "30 min" {}
  during "3 h" {
    probe "trough 3 flow" {
      says = "1 L/min"
    }
  }
  expect "low_flow/troughs/trough 3 flow" {
    by    = "33 min"
    calls = true
  }
  expect "stuck_probe/flow and oxygen/trough 3 flow" {
    by = "152 min"
  }
}

scenario "a probe falls out of its water" {
  begin = "2026-11-20 22:00"
  during "30 min" {}
  during "1 h" {
    probe "stack 4 temperature" {
      says = "12.5 degC"
    }
  }
  during "1 h" {}
  expect "probe_in_air/all with a thermometer/stack 4 temperature" {
    not_before = "40 min"
    by         = "43 min"
    over_by    = "125 min"
    calls      = false
  }
}

scenario "the mains are lost" {
  begin = "2026-11-20 22:00"
  during "30 min" {}
  during "10 min" {
    probe "mains" {
      says = "open"
    }
  }
  during "10 min" {}
  expect "contact/mains/mains" {
    not_before = "31 min"
    by         = "34 min"
    over_by    = "43 min"
    calls      = true
  }
  nothing_else = true
}
