site "Alder Fork" {
}
unit "spring intake" {
  kind = "spring"
}
person "kim" {
  email = "kim@alderfork.example"
}
mail {
  host = "mail.alderfork.example"
  from = "weirkeeper@alderfork.example"
}
probe "mains" {
  quantity    = "contact"
  topic       = "alderfork/mains"
  unit        = "gpm"
  closed_when = "opem"
  plausible {
    low = "0 L/min"
  }
}
probe "float" {
  quantity = "contact"
  at       = "spring intake"
  topic    = "alderfork/float"
  format   = "senml"
}
probe "spring temperature" {
  quantity    = "temperature"
  topic       = "alderfork/spring"
  closed_when = "on"
}
