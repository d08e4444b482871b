site "Alder Fork" {
  altitude = 420 m
}
unit "spring intake {
  kind = "spring"
}
unit "stack 1" { kind = "stack" trays = 8 }
unit "trough 1" {
  kind = trough
  volume = 'much'
  design_flow = "30 L/min
}
probe "spring temperature" {
  quantity = "temperature"
  at       = "spring intake"
  topic    = "alderfork/spring/temperature"
  unit       "degC"
}
