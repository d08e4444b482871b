condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when  = mean(flow, temperature) > "3 L/min" && saturation_of(flow, temperature) < "70%" && turnover(volume, flow) < 2
  until = silent("8 degC") && abs(temperature) > "2 degC" && max(flow > "3 L/min", flow > "4 L/min") > "2 L/min" && closed(flow)
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
