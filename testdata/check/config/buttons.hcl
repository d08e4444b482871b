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
chore "cleaning" {
  units = ["stack 1"]
  by    = "10:00"
}
chore "intake" {
  by = "08:00"
}
button "nowhere" {
}
button "on a probe" {
  topic = "alderfork/spring/temperature"
  at    = "stack 7"
}
button "wild" {
  topic = "alderfork/+/button"
  at    = "stack 1"
  chore = "clean"
}
button "one" {
  topic = "alderfork/button"
  at    = "stack 1"
}
button "two" {
  topic   = "alderfork/button"
  payload = "2"
  at      = "spring intake"
  chore   = "cleaning"
}
button "done" {
  topic = "alderfork/done"
  does  = "finish"
  chore = "cleaning"
  at    = "stack 1"
}
button "no chore" {
  topic = "alderfork/no-chore"
  does  = "done"
}
button "of no unit" {
  topic = "alderfork/of-no-unit"
  does  = "done"
  chore = "cleaning"
}
