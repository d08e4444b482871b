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
call_out {
  climb    = "30 s"
  spare    = "1 d"
  all_well = "yes"
  holidays = ["2026-02-30", "12-25", "Christmas"]
}
watch "nights" {
  days   = ["mon", "Tus", "holidays"]
  from   = "24:00"
  to     = 7
  people = ["kim"]
}
watch "days" {
  days   = []
  from   = "07:00"
  people = ["kim"]
  until  = "18:00"
}
