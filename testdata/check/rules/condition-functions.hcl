condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when  = avg(flow) < "28 L/min" && means(flow, "10 min") < "28 L/min"
  until = mean_over(flow) > "28 L/min" && abs(flow, flow) > "2 L/min" && mean(flow) > "28 L/min" && min([flow]...) > "1 L/min"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
