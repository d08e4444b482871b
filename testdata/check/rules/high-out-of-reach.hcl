temperature_band "eggs" {
  covers {
    kinds = ["stack"]
  }
  high       = "86 degF"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
