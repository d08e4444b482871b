from_sister "x" {
  covers {
    kinds = ["trough"]
  }
  departure = "5 L/min"
  sister    = "trough 2"
  sisters   = "median"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
