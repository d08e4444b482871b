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
  quantity = "temperature"
  at       = "stack 1"
  topic    = "alderfork/stack-1/temperature"
  unit     = "gpm"
  every    = "0.2 s"
  plausible {
    low  = "25 degC"
    high = 0
  }
}
probe "stack 1 oxygen" {
  quantity = "oxygen"
  at       = "stack 1"
  topic    = "alderfork/stack-1/oxygen"
  unit     = "% saturation"
  every    = "1 minuet"
  plausible {
    low  = "14 mg/L"
    high = "20% saturation"
  }
}
probe "stack 1 flow" {
  quantity = "flow"
  at       = "stack 1"
  topic    = "alderfork/stack-1/flow"
  plausible {
    low  = "100 L/min"
    high = "10 L/min"
  }
}
