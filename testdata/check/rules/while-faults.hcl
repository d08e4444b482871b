low_flow "troughs" {
  covers {
    kinds = ["trough"]
  }
  setpoint   = "28 L/min"
  priority   = "call-out"
  can_happen = "Fry suffocate."
  to_do      = "Look at the flow."
  while {
    holding  = ["eggs"]
    setpoint = "7 degC"
  }
  while {
    holding  = ["eyed eggs"]
    setpoint = "20 L/min"
  }
  while {
    from     = "22:00"
    setpoint = "20 L/min"
  }
  while {
    from     = "22:00"
    to       = "22:00"
    setpoint = "20 L/min"
  }
  while {
    setpoint = "20 L/min"
  }
  while {
    holding = ["empty"]
  }
  while "empty" {
    holding = ["empty"]
    off     = true
  }
}
