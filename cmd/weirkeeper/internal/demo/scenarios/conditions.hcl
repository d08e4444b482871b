# What the starter rules must make of several signs together. Run it after every
# change of the rules:
#
#   weirkeeper try --site alderfork.hcl scenarios/conditions.hcl

scenario "a screen that clogs, and the fish feel it" {
  begin = "2026-11-20 22:00"
  during "10 min" {}
  # Neither is low enough by itself: 70% is 280 L/min, and oxygen calls at 6 mg/L.
  during "1 h" {
    probe "raceway 1 flow" {
      says = "330 L/min"
    }
    probe "raceway 1 oxygen" {
      says = "6.8 mg/L"
    }
  }
  during "1 h" {}
  expect "condition/raceway 1" {
    not_before = "20 min"
    by         = "22 min"
    over_by    = "77 min"
    calls      = true
  }
  nothing_else = true
}

scenario "less water that nobody feels" {
  begin = "2026-11-20 22:00"
  during "1 h" {
    probe "raceway 1 flow" {
      says = "330 L/min"
    }
  }
  never = ["condition/raceway 1"]
}

scenario "one wrong reading, and an oxygen probe that falls silent" {
  begin = "2026-11-20 22:00"
  during "5 min" {
    probe "raceway 1 flow" {
      says = "330 L/min"
    }
    probe "raceway 1 oxygen" {
      says = "6.8 mg/L"
    }
  }
  during "12 min" {
    probe "raceway 1 oxygen" {
      silent = true
    }
  }
  never = ["condition/raceway 1"]
}
