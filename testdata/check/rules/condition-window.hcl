condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when  = mean_over(flow, "8 d") < "28 L/min" && min_over(flow, 10) < "28 L/min" && max_over(flow, "10 L/min") > "2 L/min"
  until = change_over(flow - unit["spring"].flow, "1 h") > "1 L/min" && mean_over(flow, "-1 h") > "3 L/min"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
