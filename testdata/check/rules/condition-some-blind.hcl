condition "mine" {
  covers {
    kinds = ["trough"]
  }
  when    = flow < "28 L/min" && temperature > "12 degC"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
