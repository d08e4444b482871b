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
person "rowan" {
  mobile = "+44 7700 900123"
}
person "lee" {
  mobile = "+44 7700 900124"
  reach  = ["sms"]
}
person "sam" {
  email  = "sam@alderfork.example"
  mobile = "+44 7700 900125"
}
