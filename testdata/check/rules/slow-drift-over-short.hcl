slow_drift "x" {
  covers {
    kinds = ["spring"]
  }
  change = "0.5 degC"
  per    = "7 d"
  over   = "3 d"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
