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
sms {
  device = "/dev/ttyUSB2"
}
hook "control room" {
  url = "https://alderfork.example/messages"
}
person "kim" {
  mobile = "+44 7700 900123"
  reach  = ["sms", "email", "hook control rom", "carrier"]
}
person "rowan" {
  reach = []
}
person "lee" {
  reach = ["hook control room", "sms"]
}
person "sam" {
  email = "sam@alderfork.example"
  reach = "email"
}
