site "Alder Fork" {
}
unit "spring intake" {
  kind = "spring"
}
probe "spring temperature" {
  quantity = "temperature"
  at       = "spring intake"
  topic    = "alderfork/spring/temperature"
}
mail {
  host = "mail.alderfork.example"
  from = "weirkeeper@alderfork.example"
}
person "kim" {
  email = "kim@alderfork.example"
}
drill {
  days = []
}
