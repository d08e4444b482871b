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
person "kim" {
  mobile = "+44 7700 900123"
}
person "rowan" {
  mobile = "07700 900123"
}
person "lee" {
  mobile = "00447700900124"
}
person "sam" {
  mobile = "+44 (0)7700 900125"
}
person "ash" {
  mobile = "+44 7700 900 126 ext. 2"
}
person "fern" {
  mobile = "+44 77"
}
person "moss" {
  mobile = "+44 7700 900123 4567"
}
person "reed" {
  mobile = "+44-7700-(900123)"
}
person "wren" {
  mobile = ""
}
