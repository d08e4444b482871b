# What the starter rules must make of probes and chores that fail.

scenario "a probe falls silent" {
  begin = "2026-11-20 22:00"
  during "30 min" {}
  during "30 min" {
    probe "trough 7 temperature" {
      silent = true
    }
  }
  during "10 min" {}
  expect "silent_probe/trough 7 temperature" {
    not_before = "44 min"
    by         = "46 min"
    over_by    = "62 min"
  }
  nothing_else = true
}

scenario "the spring's flow probe falls silent" {
  begin = "2026-11-20 22:00"
  during "30 min" {}
  during "30 min" {
    probe "spring flow" {
      silent = true
    }
  }
  expect "silent_probe/spring/spring flow" {
    not_before = "37 min"
    by         = "39 min"
    calls      = true
  }
  never = ["low_flow/spring"]
}

scenario "a probe lies dry in a warm room" {
  begin = "2026-11-20 22:00"
  during "30 min" {}
  during "1 h" {
    probe "stack 4 temperature" {
      says = "12 degC"
    }
  }
  expect "temperature_from_spring/stack 4" {
    not_before = "40 min"
    by         = "43 min"
    calls      = true
  }
}

scenario "cleaning was forgotten" {
  begin = "2026-11-21 08:00"
  during "30 min" {
    done "intake clearing" {
      by = "kim"
    }
    done "cleaning" {
      at = ["trough 1", "trough 2"]
      by = "kim"
    }
  }
  during "3 h" {}
  expect "missed_chore/trough 4" {
    not_before = "150 min"
    by         = "151 min"
    calls      = false
  }
  never = ["missed_chore/trough 1", "missed_chore/intake clearing"]
}
