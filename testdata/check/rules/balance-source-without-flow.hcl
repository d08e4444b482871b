water_balance "x" {
  covers {
    kinds = ["trough"]
  }
  source       = "head box"
  allowed_loss = "10%"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
