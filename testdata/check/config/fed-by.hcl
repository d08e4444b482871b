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
unit "head box" {
  kind   = "head box"
  fed_by = "trough 2"
}
unit "trough 1" {
  kind   = "trough"
  fed_by = "hed box"
}
unit "trough 2" {
  kind   = "trough"
  fed_by = "stack 1"
}
unit "trough 3" {
  kind   = "trough"
  fed_by = "trough 3"
}
unit "bore" {
  kind   = "spring"
  fed_by = "spring intake"
}
unit "trough 4" {
  kind   = "trough"
  fed_by = "head box"
}
