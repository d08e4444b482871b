low_flow "spring" {
  covers {
    units = ["spring"]
  }
  setpoint   = "100 L/min"
  priority   = "note"
  can_happen = "Everything goes dry."
  to_do      = "Look at the intake."
  latch      = true
  re_alarm   = "1 h"
}

low_flow "troughs" {
  covers {
    kinds = ["trough"]
  }
  setpoint   = "20 L/min"
  priority   = "call-out"
  can_happen = "Fry suffocate."
  to_do      = "Look at the screen."
  latch      = "yes"
  re_alarm   = "1 min"
}
