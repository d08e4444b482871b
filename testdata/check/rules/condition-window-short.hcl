condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when = mean_over(flow, "119 s") < "28 L/min"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
