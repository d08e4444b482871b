condition "mine" {
  covers {
    kinds = ["trough"]
  }
  when    = unit["spring"].flow < "2000 L/min" && unit["spring"].temperature > "9 degC"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
