site "Alder Fork" {
}
unit "spring intake" {
  kind = "spring"
probe "spring temperature" {
  quantity = "temperature"
  at       = "spring intake"
  topic    = "alderfork/spring/temperature"
}
