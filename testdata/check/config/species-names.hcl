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
species {
}
species "arctic" "char" {
}
species "brook trout" {
  fry_weight = "0.12 g"
}
species "brook trout" {
}
species "Brook Trout" {
  fry_weight = "0.09 g"
}
# No figures, so the lot knows nothing by it.
species "arctic char" {
  fry_weight = "0.06 g"
}
species "splake" {
  needs {
    hatch = ["430 degree-days", "480 degree-days"]
  }
}
lot "2026-A" {
  species  = "arctic char"
  egg_take = "2026-10-14 09:30"
  eggs     = 24000
  unit     = "stack 1"
}
lot "2026-B" {
  species  = "Splake"
  egg_take = "2026-10-14 09:30"
  eggs     = 24000
  unit     = "stack 1"
}
lot "2026-C" {
  species  = "splak"
  egg_take = "2026-10-14 09:30"
  eggs     = 24000
  unit     = "stack 1"
}
# An equation is enough to foretell by.
species "tiger trout" {
  develops "hatch" {
    form = "exponential"
    a    = 5.1
    b    = 0.150
    low  = "5 degC"
    high = "12 degC"
  }
}
lot "2026-D" {
  species  = "tiger trout"
  egg_take = "2026-10-14 09:30"
  eggs     = 24000
  unit     = "stack 1"
}
# Of this one an equation is published, but no sum.
lot "2026-E" {
  species  = "Atlantic salmon"
  egg_take = "2026-10-14 09:30"
  eggs     = 24000
  unit     = "stack 1"
}
