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
unti "trough 1" {
  kind = "trough"
}
unit "trough 2" {
  kind     = "trough"
  volum    = "300 L"
  desginflow = "30 L/min"
  needs {
  }
}
brokr {
}
