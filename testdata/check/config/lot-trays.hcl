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
  kind = "trough"
}
lot "2026-A" {
  species  = "brook trout"
  source   = ""
  egg_take = "2026-10-14 09:30"
  eggs     = 24000
  unit     = "trough 1"
  trays    = "1-4"
}
lot "2026-B" {
  species  = "brook trout"
  source   = 7
  egg_take = "2026-10-14 09:30"
  eggs     = 24000
  unit     = "stack 1"
  trays    = 4
}
