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
  fallback = ["kim"]
  holidays = ["12-25"]
}
swap "kim away" {
  from = "2026-12-01 19:00"
  to   = "2026-12-02 07:00"
  off  = "kim"
  on   = "rowan"
}
