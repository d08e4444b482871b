condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when  = at_least(4, flow < "28 L/min", temperature > "12 degC", temperature < "3 degC")
  until = at_least("2", flow > "28 L/min", temperature < "12 degC") && at_least(1.5, flow > "28 L/min", temperature < "12 degC") && at_least(1, flow, temperature < "12 degC")
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
