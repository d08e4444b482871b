site "Alder Fork" {
}
unit "spring intake" {
  kind = "spring"
}
unit "stack 1" {
  kind  = "stack"
  trays = 8
}
probe "spring temperature" {
  quantity = "temperature"
  at       = "spring intake"
  topic    = "alderfork/spring/temperature"
}
person "kim" {
  email = "kim@alderfork.example"
}
mail {
  host = "mail.alderfork.example"
  from = "weirkeeper@alderfork.example"
}
chore "cleaning" {
  units        = ["stack 1"]
  by           = "10:00"
  weekdays     = ["mon", "tues"]
  holidays     = ["2026-02-30", "25 Dec", "12-25", "13-01"]
  suppress_for = "3 h"
}
chore "picking" {
  units        = ["stack 1"]
  by           = "10:00"
  weekdays     = []
  suppress_for = 30
}
chore "intake" {
  by           = "08:00"
  even_empty   = true
  suppress_for = "20 min"
}
