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
person "lee" {
  mobile = "+44 7700 900123"
}
person "sam" {
  email = "sam@alderfork.example"
}
call_out {
  people   = ["kim", "rowan", "lee"]
  fallback = []
}
watch "nights" {
  people = ["kim", "rowen", "sam", "lee"]
}
watch "days" {
  people = []
}
watch "nobody" {
}
swap "sam for lee" {
  from = "2026-12-01 19:00"
  to   = "2026-12-02 07:00"
  off  = "sam"
  on   = "lee"
}
