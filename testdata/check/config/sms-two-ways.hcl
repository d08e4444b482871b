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
person "kim" {
  mobile = "+44 7700 900123"
}
sms {
  device = "/dev/ttyUSB2"
  baud   = 9600
  run    = ["/usr/local/bin/send-text", "--to", "0"]
  pin {
    file = "sim.pin"
    env  = "SIM PIN"
  }
}
