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
watch "always" {
  people = ["kim"]
}
swap "past" {
  from = "2026-10-01 19:00"
  to   = "2026-10-02 07:00"
  off  = "kim"
  on   = "rowan"
}
swap "backwards" {
  from = "2026-12-02 07:00"
  to   = "2026-12-01 19:00"
  off  = "kim"
  on   = "rowan"
}
swap "himself" {
  from = "2026-12-03 19:00"
  to   = "2026-12-04 07:00"
  off  = "kim"
  on   = "kim"
}
swap "never on watch" {
  from = "2026-12-05 19:00"
  to   = "2026-12-06 07:00"
  off  = "rowan"
  on   = "kim"
}
swap "once" {
  from = "2026-12-07 19:00"
  to   = "2026-12-09 07:00"
  off  = "kim"
  on   = "rowan"
}
swap "twice" {
  from = "2026-12-09 06:00"
  to   = "2026-12-10 07:00"
  off  = "kim"
  on   = "rowan"
}
swap "nothing" {
}
swap "who" {
  from = "tomorrow"
  to   = "2026-12-20"
  off  = "kimm"
  on   = ""
}
