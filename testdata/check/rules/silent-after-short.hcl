silent_probe "all" {
  covers {
    all = true
  }
  after      = "90 s"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
