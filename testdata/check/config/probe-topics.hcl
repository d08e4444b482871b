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
probe "a" {
  quantity = "temperature"
  at       = "stack 1"
  topic    = "alderfork/+/temperature"
}
probe "b" {
  quantity = "temperature"
  at       = "stack 1"
  topic    = "$SYS/broker"
}
probe "c" {
  quantity = "temperature"
  at       = "stack 1"
  topic    = "alderfork/stack-1 "
}
probe "d" {
  quantity = "temperature"
  at       = "stack 1"
  topic    = ""
}
