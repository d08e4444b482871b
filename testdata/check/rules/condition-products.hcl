condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when  = flow * volume > 3 && flow / volume > 2 && flow / 0 > "2 L/min" && oxygen * flow > 3
  until = flow + temperature > "2 L/min" && (flow > "1 L/min") + 2 > 3 && (flow > "1 L/min" ? flow : temperature) > "2 L/min" && (flow ? 1 : 2) > 1
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
