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
unit "trough 1" {
  kind        = "troff"
  section     = "hatch house"
  volume      = 300
  design_flow = "30 degC"
}
unit "trough 2" {
  kind        = "trough"
  trays       = 8
  volume      = "0 L"
  design_flow = "900000 L/min"
}
unit "stack 2" {
  kind  = "stack"
  trays = 0
}
unit "stack 3" {
}
