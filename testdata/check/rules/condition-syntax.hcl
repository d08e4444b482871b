condition "mine" {
  covers {
    units = ["trough 1"]
  }
  when  = [for x in [1]: x] == unit["spring"].*.flow
  until = "${flow}" > "%{if true}a%{endif}" || unit[flow].flow > null || flow % 2 > 1
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
