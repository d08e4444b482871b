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
  accuracy = 0.2
}
probe "b" {
  quantity = "temperature"
  at       = "stack 1"
  topic    = "b"
  accuracy = "0 degF"
}
probe "c" {
  quantity = "temperature"
  at       = "stack 1"
  topic    = "c"
  accuracy = "32 degC"
}
probe "d" {
  quantity = "flow"
  at       = "stack 1"
  topic    = "d"
  accuracy = "0.2 L/min"
}
probe "e" {
  quantity = "temperature"
  at       = "stack 1"
  topic    = "e"
  accuracy = "2%"
}
probe "f" {
  quantity = "temprature"
  at       = "stack 1"
  topic    = "f"
  accuracy = "2%"
}
