condition "mine" {
  covers {
    kinds = ["raceway", "deep trough"]
  }
  when = flow < "28 L/min"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
