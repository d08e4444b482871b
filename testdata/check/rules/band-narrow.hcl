temperature_band "eggs" {
  covers {
    kinds = ["stack"]
  }
  low        = "7 degC"
  high       = "8 degC"
  deadband   = "0.6 degC"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
