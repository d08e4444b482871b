condition "mine" {
  covers {
    kinds = ["raceway", "deep trough"]
  }
  when    = oxygen < "6 mg/L"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
