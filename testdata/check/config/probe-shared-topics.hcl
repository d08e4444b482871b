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
  topic    = "alderfork/spring/temperature"
}
probe "b" {
  quantity   = "temperature"
  at         = "stack 1"
  topic      = "alderfork/stack-1"
  format     = "json"
  value_path = "temperature"
}
probe "c" {
  quantity = "flow"
  at       = "stack 1"
  topic    = "alderfork/stack-1"
  format   = "senml"
}
probe "d" {
  quantity   = "flow"
  at         = "stack 1"
  topic      = "alderfork/stack-1"
  format     = "json"
  value_path = "temperature"
}
probe "e" {
  quantity = "flow"
  at       = "stack 1"
  topic    = "alderfork/pack"
  format   = "senml"
}
probe "f" {
  quantity = "flow"
  at       = "stack 1"
  topic    = "alderfork/pack"
  format   = "senml"
}
