low_flow "troughs" {
  covers {
    kinds = ["trough"]
  }
  setpoint   = "28 L/min"
  priority   = "callout"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
