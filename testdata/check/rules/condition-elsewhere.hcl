condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when  = unit.spring.flow < "28 L/min" && unit["spring"] && probe.flow > "2 L/min" && unit["head box"].flow < "9 L/min"
  until = unit["spring"].design_flow > flow && flow.mean > "3 L/min"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
