high_flow "x" {
  covers {
    kinds = ["trough"]
  }
  setpoint   = "110 gpm"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
