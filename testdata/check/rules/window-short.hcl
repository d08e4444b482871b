temperature_drift "stacks" {
  covers {
    kinds = ["stack"]
  }
  departure  = "1 degC"
  window     = "5 min"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
