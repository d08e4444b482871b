temperature_from_spring "spring" {
  covers {
    units = ["spring"]
  }
  departure  = "1 degC"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
