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
  topic    = "a"
  stand_in = "b"
}
probe "b" {
  quantity = "temperature"
  at       = "stack 1"
  topic    = "b"
  stand_in = "c"
}
probe "c" {
  quantity = "temperature"
  at       = "stack 1"
  topic    = "c"
  stand_in = "b"
}
probe "d" {
  quantity = "temperature"
  at       = "stack 1"
  topic    = "d"
  stand_in = "d"
}
