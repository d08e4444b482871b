condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when  = flow < "28 L/min"
  until = flow > "200 L/min" && flow < "100 L/min" && 1 > 2
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
