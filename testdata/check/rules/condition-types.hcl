condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when = flow < "8.5 degC"
  until = "8.5 degC" < flow && flow > temperature && flow < oxygen
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
