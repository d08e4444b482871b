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
species "brook trout" {
  needs {
    eyed    = ["220 degree-days", "200 degree-days"]
    hatch   = ["3200 degree-days", "3300 degree-days"]
    swim_up = "700 degree-days"
  }
  tender {
    from  = "48"
    until = "0 TU"
    to    = "eyed"
  }
  fry_weight          = "0.5 lb"
  condition           = "1.0"
  density_index_limit = 0
  flow_index_limit    = "1.5 lb"
  oxygen              = "trout"
}
species "arctic char" {
  tender {
    from  = "90 d"
    until = "4000 degree-days"
  }
  fry_weight = 0.12
  condition  = 36.1
}
