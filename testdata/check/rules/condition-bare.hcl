condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when  = flow < 28 && 12 < temperature
  until = flow > "30"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
