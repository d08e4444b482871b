from_sister "x" {
  covers {
    kinds = ["spring", "stack"]
  }
  departure = "1 degC"
  sisters   = "mean"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
