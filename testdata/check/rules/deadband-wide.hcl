temperature_drift "stacks" {
  covers {
    kinds = ["stack"]
  }
  departure  = "1 degC"
  deadband   = "1 degC"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
