condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when  = flow == "0 L/min"
  until = (flow > "1 L/min") < (temperature > "3 degC")
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
