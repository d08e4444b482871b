missed_chore "cleaning" {
  covers {
    kinds = ["stack"]
  }
  chore      = "cleaning"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
