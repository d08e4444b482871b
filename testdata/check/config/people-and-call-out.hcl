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
person "rowan" {
  email = "Rowan <rowan@alderfork.example>"
}
person "sam" {
}
call_out {
  people  = ["kim", "rowen"]
  repeat  = "5"
  gather  = "2 h"
  morning = "7"
  expire  = "-1 h"
}
