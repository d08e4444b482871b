site "Alder Fork" {
  altitude = "42000 m"
  pressure = "1013 hPa"
  timezone = "Mars/Crater"
  show {
    temperature = "gpm"
    flow        = "lpn"
    depth       = "m"
  }
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
site "Alder Creek" {
}
