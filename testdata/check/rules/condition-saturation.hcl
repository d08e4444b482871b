condition "mine" {
  covers {
    units = ["deep 1"]
  }
  when  = saturation < "6 mg/L"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
