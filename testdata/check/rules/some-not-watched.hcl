temperature_band "water" {
  covers {
    all = true
  }
  high       = "11 degC"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
