water_balance "x" {
  covers {
    kinds = ["trough"]
  }
  source       = "spring"
  allowed_loss = "10%"
  deadband     = "5%"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
