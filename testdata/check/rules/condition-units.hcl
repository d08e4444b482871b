condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when  = flow < "28 Lmin" || flow < "3 m" || flow < "5 min" || flow < ""
  until = flow > "many L/min" && temperature > -"1 degC" && -temperature < "3 degC" && !flow
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
