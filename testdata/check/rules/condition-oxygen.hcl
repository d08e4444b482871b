condition "mine" {
  covers {
    units = ["raceway 1"]
  }
  when  = oxygen < "70% saturation"
  until = "70%" < oxygen
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
