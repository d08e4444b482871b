high_flow "x" {
  covers {
    kinds = ["trough"]
  }
  setpoint   = "60 mg/L"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
