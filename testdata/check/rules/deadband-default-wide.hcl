temperature_from_spring "stacks" {
  covers {
    kinds = ["stack"]
  }
  departure  = "0.3 degF"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
