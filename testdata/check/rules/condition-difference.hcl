condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when = temperature - unit["spring"].temperature > unit["spring"].temperature
  until = temperature + unit["spring"].temperature < "40 degC" || temperature * 2 < "20 degC"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
