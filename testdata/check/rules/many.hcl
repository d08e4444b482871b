# Eleven faults and a warning: all are told in one run.
low_flow "troughs" {
  covers {
    kinds  = ["trough"]
    except = ["stack 1"]
  }
  setpoint   = 28
  on_delay   = "1 minuit"
  priority   = "urgent"
  can_happen = "Fry use up the oxygen in minutes."
}

low_flow "stacks" {
  covers {
    kinds = ["stak"]
    unit  = ["stack 1"]
  }
  setpoint   = "12 mg/L"
  priority   = "call-out"
  can_happen = ""
  to_do      = "Open the valve."
}

low_oxgen "raceways" {
}

missed_chore "feeding" {
  chore      = "feeding"
  priority   = "morning"
  can_happen = "Hungry fish."
  to_do      = "Feed them."
  off_delay  = "1 min"
}
