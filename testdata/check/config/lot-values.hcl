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
lot "2026-A" {
  species     = "brook trout"
  egg_take    = "14.10.2026"
  start       = "hatched"
  start_units = "180 degC"
  eggs        = 24000.5
  unit        = "stack 2"
  base        = "32 degC"
}
lot "2026-B" {
  species  = "brook trout"
  egg_take = "2027-10-14 09:30"
  placed   = "2026-10-14 09:30"
  eggs     = "24000"
  unit     = "spring intake"
}
lot "2026-C" {
  species  = "brook trout"
  egg_take = "2026-10-14 09:30"
  placed   = "2026-10-13 09:30"
  start    = "eyed"
  eggs     = 24000
  unit     = "stack 1"
}
