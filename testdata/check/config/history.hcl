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
history {
  keep                  = "30 d"
  drop_oldest_when_full = "yes"
  keeps                 = "1 d"
}
