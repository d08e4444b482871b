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
  species  = "brook trout"
  egg_take = "2026-10-14 09:30"
  eggs     = 24000
  unit     = "stack 1"
  needs {
    eyed    = "220 degree-days"
    hatch   = ["450", "500 degree-day"]
    swim_up = ["800 degree-days", "700 degree-days"]
    fry     = ["900 degree-days", "950 degree-days"]
  }
}
lot "2026-B" {
  species  = "brook trout"
  egg_take = "2026-10-14 09:30"
  eggs     = 24000
  unit     = "stack 1"
  needs {
    eyed    = ["0 TU", "400 TU"]
    hatch   = ["450 degree-days", "500 degree-days"]
    swim_up = ["440 degree-days", "500 degree-days"]
  }
}
lot "2026-C" {
  species  = "broook trout"
  egg_take = "2026-10-14 09:30"
  eggs     = 24000
  unit     = "stack 1"
}
lot "2026-D" {
  species  = "arctic char"
  egg_take = "2026-10-14 09:30"
  eggs     = 24000
  unit     = "stack 1"
}
