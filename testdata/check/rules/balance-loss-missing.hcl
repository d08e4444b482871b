water_balance "x" {
  covers {
    kinds = ["trough"]
  }
  source       = "spring"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
