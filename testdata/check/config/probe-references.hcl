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
probe "stack 1 temperature" {
  quantity = "temperatur"
  at       = "stak 1"
  topic    = "alderfork/stack-1/temperature"
  stand_in = "sprng temperature"
}
probe "stack 1 flow" {
  quantity = "flow"
  at       = "hatch house"
  topic    = "alderfork/stack-1/flow"
  stand_in = "spring temperature"
}
