condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when     = flow < "28 L/min"
  lasting  = "2 min"
  on_delay = "3 min"
  deadband = "2 L/min"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
