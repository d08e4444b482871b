condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when  = flwo < "28 L/min" && here.flow < "28 L/min" && pond
  until = unit["sprig"].flow > "28 L/min" && probe["trough 1 flo"] > "28 L/min" && unit["spring"].flux > "28 L/min"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
