temperature_band "eggs" {
  covers {
    kinds = ["stack"]
  }
  low        = "4"
  high       = "11 degC"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
