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
  email = "rowan@alderfork.example"
}
call_out {
  holidays = ["2031-04-14"]
}
watch "days" {
  people = ["kim"]
  days   = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
}
watch "holidays" {
  days   = ["holiday"]
  from   = "08:00"
  people = ["rowan"]
}
