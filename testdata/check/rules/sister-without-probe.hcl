from_sister "x" {
  covers {
    units = ["trough 1"]
  }
  departure = "1 degC"
  sister    = "trough 2"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
