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
  quantity   = "temperature"
  at         = "stack 1"
  topic      = "a"
  value_path = "temperature"
  record     = "x"
}
probe "b" {
  quantity  = "temperature"
  at        = "stack 1"
  topic     = "b"
  format    = "json"
  time_path = "at"
}
probe "c" {
  quantity    = "temperature"
  at          = "stack 1"
  topic       = "c"
  format      = "json"
  value_path  = "water..temperature"
  time_path   = "at"
  time_format = "unix seconds"
}
probe "d" {
  quantity = "temperature"
  at       = "stack 1"
  topic    = "d"
  format   = "xml"
}
# What belongs to a format is not judged while the format is misspelt.
probe "e" {
  quantity   = "temperature"
  at         = "stack 1"
  topic      = "c"
  format     = "jsn"
  value_path = "temperature"
}
probe "f" {
  quantity = "temperature"
  at       = "stack 1"
  topic    = "f"
  format   = "senmll"
  record   = "x"
}
