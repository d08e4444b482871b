# What the starter rules must make of trouble with the water. Run it after every
# change of the rules:
#
#   weirkeeper try --site alderfork.hcl scenarios/water.hcl

scenario "a quiet night" {
  begin = "2026-11-20 20:00"
  during "12 h" {}
  nothing_else = true
}

scenario "leaves on the intake screen" {
  begin = "2026-11-20 22:00"
  during "30 min" {}
  # Not further than to what the units take, who feel nothing of it here.
  during "25 min" {
    probe "spring flow" {
      says = "2300 L/min"
      to   = "2050 L/min"
    }
  }
  during "35 min" {
    probe "spring flow" {
      says = "2050 L/min"
    }
  }
  during "30 min" {}
  # 2100 L/min after 20 minutes of the fall, and a minute of on-delay.
  expect "low_flow/spring" {
    not_before = "50 min"
    by         = "55 min"
    over_by    = "97 min"
    calls      = true
  }
  nothing_else = true
}

scenario "just on the setpoint is right" {
  begin = "2026-11-20 22:00"
  during "1 h" {
    probe "trough 3 flow" {
      says = "26.6 L/min"
    }
  }
  never = ["low_flow/trough 3"]
}

scenario "one bad reading is not enough" {
  begin = "2026-11-20 22:00"
  during "10 min" {}
  during "1 min" {
    probe "trough 3 flow" {
      says = "5 L/min"
    }
  }
  during "20 min" {}
  never = ["low_flow/trough 3"]
}

scenario "a standpipe left up at night" {
  begin = "2026-11-20 23:00"
  during "10 min" {}
  during "20 min" {
    probe "trough 3 flow" {
      says = "0 L/min"
    }
  }
  during "15 min" {}
  expect "low_flow/troughs/trough 3 flow" {
    not_before = "11 min"
    by         = "13 min"
    over_by    = "34 min"
    calls      = true
  }
  nothing_else = true
}

scenario "cleaning is no alarm, a standpipe left up after it is" {
  begin = "2026-11-21 09:00"
  during "10 min" {
    done "intake clearing" {
      by = "rowan"
    }
  }
  during "15 min" {
    clean "trough 5" {
      by = "kim"
    }
    probe "trough 5 flow" {
      says = "0 L/min"
    }
  }
  during "10 min" {
    probe "trough 5 flow" {
      says = "0 L/min"
    }
  }
  during "10 min" {}
  expect "low_flow/trough 5" {
    by      = "13 min"
    over_by = "40 min"
    calls   = true
  }
}

scenario "cleaning and back in time calls nobody" {
  begin = "2026-11-21 08:00"
  during "10 min" {}
  during "15 min" {
    clean "trough 5" {
      by = "kim"
    }
    probe "trough 5 flow" {
      says = "0 L/min"
    }
  }
  during "30 min" {}
  expect "low_flow/trough 5" {
    by      = "13 min"
    over_by = "30 min"
    calls   = false
  }
  nothing_else = true
}

scenario "too many fish for the oxygen" {
  begin = "2026-11-20 22:00"
  during "1 h" {}
  during "2 h" {
    probe "raceway 2 oxygen" {
      says = "9 mg/L"
      to   = "4 mg/L"
    }
  }
  # 6 mg/L after 72 minutes of the fall.
  expect "low_oxygen/raceway 2" {
    not_before = "132 min"
    by         = "137 min"
    calls      = true
  }
  never = ["low_oxygen/raceway 1", "low_flow/raceway 2"]
}

scenario "the room warms a stack that stands still" {
  begin = "2026-11-20 22:00"
  during "1 h" {}
  during "2 h" {
    probe "stack 2 temperature" {
      says = "8 degC"
      to   = "12.5 degC"
    }
  }
  expect "temperature_from_spring/stack 2" {
    not_before = "110 min"
    by         = "118 min"
  }
  expect "temperature_band/stack 2" {
    by = "160 min"
  }
}

scenario "a pipe leaks before the raceways" {
  begin = "2026-11-20 23:00"
  during "10 min" {}
  during "40 min" {
    probe "raceway 1 flow" {
      says = "290 L/min"
    }
    probe "raceway 2 flow" {
      says = "290 L/min"
    }
  }
  during "30 min" {}
  # Neither raceway is below its own setpoint of 280 L/min.
  expect "water_balance/spring and units/spring flow" {
    not_before = "20 min"
    by         = "25 min"
    over_by    = "70 min"
    calls      = true
  }
  nothing_else = true
}

scenario "the spring warms within the hour" {
  begin = "2026-11-20 23:00"
  during "30 min" {}
  during "40 min" {
    probe "spring temperature" {
      says = "8 degC"
      to   = "11 degC"
    }
  }
  expect "fast_change/temperature of spring and stacks/spring temperature" {
    not_before = "55 min"
    by         = "63 min"
    calls      = true
  }
}
