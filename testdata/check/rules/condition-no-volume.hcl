condition "mine" {
  covers {
    units = ["spring"]
  }
  when    = turnover(flow, volume) < 2
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
