# Alder Fork hatchery, an invented place: one spring, a hatch house with six
# incubator stacks, a trough room, and raceways with their deep troughs.
# The same hatchery as alderfork.hcl, in US units.

site "Alder Fork" {
  altitude = "1380 ft"
  timezone = "UTC"
  show {
    temperature = "degF"
    flow        = "gpm"
    oxygen      = "mg/L"
  }
}

# People, and how they are reached: the first way first, the next as well when
# nobody answers.

person "kim" {
  mobile = "+44 7700 900123"
  email  = "kim@alderfork.example"
}

person "rowan" {
  mobile = "+44 7700 900456"
  email  = "rowan@alderfork.example"
  reach  = ["email", "sms"] # this telephone is loud for mail
}

mail {
  host = "mail.alderfork.example"
  from = "weirkeeper@alderfork.example"
}

# A modem with a SIM, on a serial port. Ask by weirkeeper drill, with the internet
# unplugged, whether it wakes you.

sms {
  device   = "/dev/ttyUSB2"
  per_hour = 30
}

# Who is called first, and who next when nobody answers.

watch "week" {
  days   = ["Mon", "Tue", "Wed", "Thu", "Fri"]
  people = ["kim", "rowan"]
}

watch "weekend" {
  days   = ["Sat", "Sun"]
  people = ["rowan", "kim"]
}

drill {
  days = ["Wed"]
  at   = "14:00"
}

call_out {
  people  = ["kim", "rowan"]
  repeat  = "15 min"
  gather  = "2 min"
  morning = "07:00"

  climb    = "10 min"
  all_well = true
}

# Where the water runs.

section "hatch house" {
}

section "trough room" {
}

section "raceways" {
}

unit "spring" {
  kind        = "spring"
  design_flow = "605 gpm"
}

unit "head box" {
  kind   = "head box"
  volume = "650 gal"
}

unit "stack 1" {
  kind        = "stack"
  section     = "hatch house"
  trays       = 8
  volume      = "16 gal"
  design_flow = "4.25 gpm"
}

unit "stack 2" {
  kind        = "stack"
  section     = "hatch house"
  trays       = 8
  volume      = "16 gal"
  design_flow = "4.25 gpm"
}

unit "stack 3" {
  kind        = "stack"
  section     = "hatch house"
  trays       = 8
  volume      = "16 gal"
  design_flow = "4.25 gpm"
}

unit "stack 4" {
  kind        = "stack"
  section     = "hatch house"
  trays       = 8
  volume      = "16 gal"
  design_flow = "4.25 gpm"
}

unit "stack 5" {
  kind        = "stack"
  section     = "hatch house"
  trays       = 8
  volume      = "16 gal"
  design_flow = "4.25 gpm"
}

unit "stack 6" {
  kind        = "stack"
  section     = "hatch house"
  trays       = 8
  volume      = "16 gal"
  design_flow = "4.25 gpm"
}

unit "trough 1" {
  kind        = "trough"
  section     = "trough room"
  volume      = "80 gal"
  design_flow = "10 gpm"
}

unit "trough 2" {
  kind        = "trough"
  section     = "trough room"
  volume      = "80 gal"
  design_flow = "10 gpm"
}

unit "trough 3" {
  kind        = "trough"
  section     = "trough room"
  volume      = "80 gal"
  design_flow = "10 gpm"
}

unit "trough 4" {
  kind        = "trough"
  section     = "trough room"
  volume      = "80 gal"
  design_flow = "10 gpm"
}

unit "trough 5" {
  kind        = "trough"
  section     = "trough room"
  volume      = "80 gal"
  design_flow = "10 gpm"
}

unit "trough 6" {
  kind        = "trough"
  section     = "trough room"
  volume      = "80 gal"
  design_flow = "10 gpm"
}

unit "trough 7" {
  kind        = "trough"
  section     = "trough room"
  volume      = "80 gal"
  design_flow = "10 gpm"
}

unit "trough 8" {
  kind        = "trough"
  section     = "trough room"
  volume      = "80 gal"
  design_flow = "10 gpm"
}

unit "trough 9" {
  kind        = "trough"
  section     = "trough room"
  volume      = "80 gal"
  design_flow = "10 gpm"
}

unit "trough 10" {
  kind        = "trough"
  section     = "trough room"
  volume      = "80 gal"
  design_flow = "10 gpm"
}

unit "raceway 1" {
  kind        = "raceway"
  section     = "raceways"
  volume      = "4750 gal"
  design_flow = "105 gpm"
}

unit "deep trough 1A" {
  kind        = "deep trough"
  section     = "raceways"
  volume      = "290 gal"
  design_flow = "20 gpm"
}

unit "deep trough 1B" {
  kind        = "deep trough"
  section     = "raceways"
  volume      = "290 gal"
  design_flow = "20 gpm"
}

unit "raceway 2" {
  kind        = "raceway"
  section     = "raceways"
  volume      = "4750 gal"
  design_flow = "105 gpm"
}

unit "deep trough 2A" {
  kind        = "deep trough"
  section     = "raceways"
  volume      = "290 gal"
  design_flow = "20 gpm"
}

unit "deep trough 2B" {
  kind        = "deep trough"
  section     = "raceways"
  volume      = "290 gal"
  design_flow = "20 gpm"
}

unit "raceway 3" {
  kind        = "raceway"
  section     = "raceways"
  volume      = "4750 gal"
  design_flow = "105 gpm"
}

unit "deep trough 3A" {
  kind        = "deep trough"
  section     = "raceways"
  volume      = "290 gal"
  design_flow = "20 gpm"
}

unit "deep trough 3B" {
  kind        = "deep trough"
  section     = "raceways"
  volume      = "290 gal"
  design_flow = "20 gpm"
}

# The spring's logger sends all it measures in one JSON message, such as
#   {"at":"2026-11-20T18:00:12.5Z","water":{"flow":604.31,"oxygen":10.01,"temperature":47.17}}

probe "spring temperature" {
  quantity    = "temperature"
  at          = "spring"
  topic       = "alderfork/spring"
  format      = "json"
  value_path  = "water.temperature"
  time_path   = "at"
  time_format = "rfc3339"
  unit        = "degF"
  every       = "30 s"
  stand_in    = "head box temperature"
}

probe "spring flow" {
  quantity    = "flow"
  at          = "spring"
  topic       = "alderfork/spring"
  format      = "json"
  value_path  = "water.flow"
  time_path   = "at"
  time_format = "rfc3339"
  unit        = "gpm"
  every       = "30 s"
}

probe "spring oxygen" {
  quantity    = "oxygen"
  at          = "spring"
  topic       = "alderfork/spring"
  format      = "json"
  value_path  = "water.oxygen"
  time_path   = "at"
  time_format = "rfc3339"
  unit        = "mg/L"
  every       = "30 s"
}

probe "head box temperature" {
  quantity = "temperature"
  at       = "head box"
  topic    = "alderfork/head-box/temperature"
  unit     = "degF"
}

# A relay at the fuse box that the mains holds closed, read by a battery-backed
# logger. It belongs to the whole site, so it stands at no unit.

probe "mains" {
  quantity = "contact"
  topic    = "alderfork/mains"
}

# Stacks: temperature as a bare number, flow as JSON such as
#   {"flow":4.23,"t":1795197601.25}

probe "stack 1 temperature" {
  quantity = "temperature"
  at       = "stack 1"
  topic    = "alderfork/stack-1/temperature"
  unit     = "degF"
  accuracy = "0.36 degF"
  stand_in = "head box temperature"
}

probe "stack 1 flow" {
  quantity    = "flow"
  at          = "stack 1"
  topic       = "alderfork/stack-1/flow"
  format      = "json"
  value_path  = "flow"
  time_path   = "t"
  time_format = "unix"
  unit        = "gpm"
}

probe "stack 2 temperature" {
  quantity = "temperature"
  at       = "stack 2"
  topic    = "alderfork/stack-2/temperature"
  unit     = "degF"
  accuracy = "0.36 degF"
  stand_in = "head box temperature"
}

probe "stack 2 flow" {
  quantity    = "flow"
  at          = "stack 2"
  topic       = "alderfork/stack-2/flow"
  format      = "json"
  value_path  = "flow"
  time_path   = "t"
  time_format = "unix"
  unit        = "gpm"
}

probe "stack 3 temperature" {
  quantity = "temperature"
  at       = "stack 3"
  topic    = "alderfork/stack-3/temperature"
  unit     = "degF"
  accuracy = "0.36 degF"
  stand_in = "head box temperature"
}

probe "stack 3 flow" {
  quantity    = "flow"
  at          = "stack 3"
  topic       = "alderfork/stack-3/flow"
  format      = "json"
  value_path  = "flow"
  time_path   = "t"
  time_format = "unix"
  unit        = "gpm"
}

probe "stack 4 temperature" {
  quantity = "temperature"
  at       = "stack 4"
  topic    = "alderfork/stack-4/temperature"
  unit     = "degF"
  accuracy = "0.36 degF"
  stand_in = "head box temperature"
}

probe "stack 4 flow" {
  quantity    = "flow"
  at          = "stack 4"
  topic       = "alderfork/stack-4/flow"
  format      = "json"
  value_path  = "flow"
  time_path   = "t"
  time_format = "unix"
  unit        = "gpm"
}

probe "stack 5 temperature" {
  quantity = "temperature"
  at       = "stack 5"
  topic    = "alderfork/stack-5/temperature"
  unit     = "degF"
  accuracy = "0.36 degF"
  stand_in = "head box temperature"
}

probe "stack 5 flow" {
  quantity    = "flow"
  at          = "stack 5"
  topic       = "alderfork/stack-5/flow"
  format      = "json"
  value_path  = "flow"
  time_path   = "t"
  time_format = "unix"
  unit        = "gpm"
}

probe "stack 6 temperature" {
  quantity = "temperature"
  at       = "stack 6"
  topic    = "alderfork/stack-6/temperature"
  unit     = "degF"
  accuracy = "0.36 degF"
  stand_in = "head box temperature"
}

probe "stack 6 flow" {
  quantity    = "flow"
  at          = "stack 6"
  topic       = "alderfork/stack-6/flow"
  format      = "json"
  value_path  = "flow"
  time_path   = "t"
  time_format = "unix"
  unit        = "gpm"
}

# Troughs: bare numbers; a thermometer in every second trough.

probe "trough 1 flow" {
  quantity = "flow"
  at       = "trough 1"
  topic    = "alderfork/trough-1/flow"
  unit     = "gpm"
}

probe "trough 1 temperature" {
  quantity = "temperature"
  at       = "trough 1"
  topic    = "alderfork/trough-1/temperature"
  unit     = "degF"
  stand_in = "head box temperature"
}

probe "trough 2 flow" {
  quantity = "flow"
  at       = "trough 2"
  topic    = "alderfork/trough-2/flow"
  unit     = "gpm"
}

probe "trough 3 flow" {
  quantity = "flow"
  at       = "trough 3"
  topic    = "alderfork/trough-3/flow"
  unit     = "gpm"
}

probe "trough 3 temperature" {
  quantity = "temperature"
  at       = "trough 3"
  topic    = "alderfork/trough-3/temperature"
  unit     = "degF"
  stand_in = "head box temperature"
}

probe "trough 4 flow" {
  quantity = "flow"
  at       = "trough 4"
  topic    = "alderfork/trough-4/flow"
  unit     = "gpm"
}

probe "trough 5 flow" {
  quantity = "flow"
  at       = "trough 5"
  topic    = "alderfork/trough-5/flow"
  unit     = "gpm"
}

probe "trough 5 temperature" {
  quantity = "temperature"
  at       = "trough 5"
  topic    = "alderfork/trough-5/temperature"
  unit     = "degF"
  stand_in = "head box temperature"
}

probe "trough 6 flow" {
  quantity = "flow"
  at       = "trough 6"
  topic    = "alderfork/trough-6/flow"
  unit     = "gpm"
}

probe "trough 7 flow" {
  quantity = "flow"
  at       = "trough 7"
  topic    = "alderfork/trough-7/flow"
  unit     = "gpm"
}

probe "trough 7 temperature" {
  quantity = "temperature"
  at       = "trough 7"
  topic    = "alderfork/trough-7/temperature"
  unit     = "degF"
  stand_in = "head box temperature"
}

probe "trough 8 flow" {
  quantity = "flow"
  at       = "trough 8"
  topic    = "alderfork/trough-8/flow"
  unit     = "gpm"
}

probe "trough 9 flow" {
  quantity = "flow"
  at       = "trough 9"
  topic    = "alderfork/trough-9/flow"
  unit     = "gpm"
}

probe "trough 9 temperature" {
  quantity = "temperature"
  at       = "trough 9"
  topic    = "alderfork/trough-9/temperature"
  unit     = "degF"
  stand_in = "head box temperature"
}

probe "trough 10 flow" {
  quantity = "flow"
  at       = "trough 10"
  topic    = "alderfork/trough-10/flow"
  unit     = "gpm"
}

# Raceways: one SenML pack each. Its records carry their own units: Cel, m3/s
# and kg/m3.

probe "raceway 1 temperature" {
  quantity = "temperature"
  at       = "raceway 1"
  topic    = "alderfork/raceway-1"
  format   = "senml"
  record   = "raceway-1:temperature"
  stand_in = "spring temperature"
}

probe "raceway 1 flow" {
  quantity = "flow"
  at       = "raceway 1"
  topic    = "alderfork/raceway-1"
  format   = "senml"
  record   = "raceway-1:flow"
}

probe "raceway 1 oxygen" {
  quantity = "oxygen"
  at       = "raceway 1"
  topic    = "alderfork/raceway-1"
  format   = "senml"
  record   = "raceway-1:oxygen"
}

probe "raceway 2 temperature" {
  quantity = "temperature"
  at       = "raceway 2"
  topic    = "alderfork/raceway-2"
  format   = "senml"
  record   = "raceway-2:temperature"
  stand_in = "spring temperature"
}

probe "raceway 2 flow" {
  quantity = "flow"
  at       = "raceway 2"
  topic    = "alderfork/raceway-2"
  format   = "senml"
  record   = "raceway-2:flow"
}

probe "raceway 2 oxygen" {
  quantity = "oxygen"
  at       = "raceway 2"
  topic    = "alderfork/raceway-2"
  format   = "senml"
  record   = "raceway-2:oxygen"
}

probe "raceway 3 temperature" {
  quantity = "temperature"
  at       = "raceway 3"
  topic    = "alderfork/raceway-3"
  format   = "senml"
  record   = "raceway-3:temperature"
  stand_in = "spring temperature"
}

probe "raceway 3 flow" {
  quantity = "flow"
  at       = "raceway 3"
  topic    = "alderfork/raceway-3"
  format   = "senml"
  record   = "raceway-3:flow"
}

probe "raceway 3 oxygen" {
  quantity = "oxygen"
  at       = "raceway 3"
  topic    = "alderfork/raceway-3"
  format   = "senml"
  record   = "raceway-3:oxygen"
}

# Deep troughs: one JSON message each with a list of temperature, flow and
# oxygen, such as {"sent":1795197601250,"values":[47.05,19.97,8.64]}

probe "deep trough 1A temperature" {
  quantity    = "temperature"
  at          = "deep trough 1A"
  topic       = "alderfork/deep-trough-1a"
  format      = "json"
  value_path  = "values.0"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "degF"
  stand_in    = "raceway 1 temperature"
}

probe "deep trough 1A flow" {
  quantity    = "flow"
  at          = "deep trough 1A"
  topic       = "alderfork/deep-trough-1a"
  format      = "json"
  value_path  = "values.1"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "gpm"
}

probe "deep trough 1A oxygen" {
  quantity    = "oxygen"
  at          = "deep trough 1A"
  topic       = "alderfork/deep-trough-1a"
  format      = "json"
  value_path  = "values.2"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "mg/L"
}

probe "deep trough 1B temperature" {
  quantity    = "temperature"
  at          = "deep trough 1B"
  topic       = "alderfork/deep-trough-1b"
  format      = "json"
  value_path  = "values.0"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "degF"
  stand_in    = "raceway 1 temperature"
}

probe "deep trough 1B flow" {
  quantity    = "flow"
  at          = "deep trough 1B"
  topic       = "alderfork/deep-trough-1b"
  format      = "json"
  value_path  = "values.1"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "gpm"
}

probe "deep trough 1B oxygen" {
  quantity    = "oxygen"
  at          = "deep trough 1B"
  topic       = "alderfork/deep-trough-1b"
  format      = "json"
  value_path  = "values.2"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "mg/L"
}

probe "deep trough 2A temperature" {
  quantity    = "temperature"
  at          = "deep trough 2A"
  topic       = "alderfork/deep-trough-2a"
  format      = "json"
  value_path  = "values.0"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "degF"
  stand_in    = "raceway 2 temperature"
}

probe "deep trough 2A flow" {
  quantity    = "flow"
  at          = "deep trough 2A"
  topic       = "alderfork/deep-trough-2a"
  format      = "json"
  value_path  = "values.1"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "gpm"
}

probe "deep trough 2A oxygen" {
  quantity    = "oxygen"
  at          = "deep trough 2A"
  topic       = "alderfork/deep-trough-2a"
  format      = "json"
  value_path  = "values.2"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "mg/L"
}

probe "deep trough 2B temperature" {
  quantity    = "temperature"
  at          = "deep trough 2B"
  topic       = "alderfork/deep-trough-2b"
  format      = "json"
  value_path  = "values.0"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "degF"
  stand_in    = "raceway 2 temperature"
}

probe "deep trough 2B flow" {
  quantity    = "flow"
  at          = "deep trough 2B"
  topic       = "alderfork/deep-trough-2b"
  format      = "json"
  value_path  = "values.1"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "gpm"
}

probe "deep trough 2B oxygen" {
  quantity    = "oxygen"
  at          = "deep trough 2B"
  topic       = "alderfork/deep-trough-2b"
  format      = "json"
  value_path  = "values.2"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "mg/L"
}

probe "deep trough 3A temperature" {
  quantity    = "temperature"
  at          = "deep trough 3A"
  topic       = "alderfork/deep-trough-3a"
  format      = "json"
  value_path  = "values.0"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "degF"
  stand_in    = "raceway 3 temperature"
}

probe "deep trough 3A flow" {
  quantity    = "flow"
  at          = "deep trough 3A"
  topic       = "alderfork/deep-trough-3a"
  format      = "json"
  value_path  = "values.1"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "gpm"
}

probe "deep trough 3A oxygen" {
  quantity    = "oxygen"
  at          = "deep trough 3A"
  topic       = "alderfork/deep-trough-3a"
  format      = "json"
  value_path  = "values.2"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "mg/L"
}

probe "deep trough 3B temperature" {
  quantity    = "temperature"
  at          = "deep trough 3B"
  topic       = "alderfork/deep-trough-3b"
  format      = "json"
  value_path  = "values.0"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "degF"
  stand_in    = "raceway 3 temperature"
}

probe "deep trough 3B flow" {
  quantity    = "flow"
  at          = "deep trough 3B"
  topic       = "alderfork/deep-trough-3b"
  format      = "json"
  value_path  = "values.1"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "gpm"
}

probe "deep trough 3B oxygen" {
  quantity    = "oxygen"
  at          = "deep trough 3B"
  topic       = "alderfork/deep-trough-3b"
  format      = "json"
  value_path  = "values.2"
  time_path   = "sent"
  time_format = "unix-ms"
  unit        = "mg/L"
}

# The species. What is not stated here is taken from published figures, where
# there are any.

# Invented for the demo: all of it.
species "brook trout" {
  tender {
    from  = "48 h"
    until = "414 TU"
  }
  fry_weight          = "0.00317 oz"
  condition           = 1.05
  density_index_limit = 0.4
  flow_index_limit    = 1.5
}

# Nothing is published for this species. Invented for the demo: all of it, as if
# from the keeper's own lots.
species "arctic char" {
  needs {
    eyed    = ["360 TU", "432 TU"]
    hatch   = ["720 TU", "810 TU"]
    swim_up = ["1152 TU", "1296 TU"]
  }
  develops "hatch" {
    form   = "exponential"
    a      = 5.02
    b      = 0.130
    low    = "35.6 degF"
    high   = "50 degF"
    source = "own lots"
  }
  tender {
    from  = "36 h"
    until = "432 TU"
  }
  fry_weight          = "0.00247 oz"
  condition           = 0.95
  density_index_limit = 0.5
  flow_index_limit    = 1.5
}

# Lots. Weirkeeper came to Alder Fork on the evening of 20 November: what a lot
# had gathered by then is from the hatch house book.

lot "2026-A" {
  species     = "brook trout"
  strain      = "Alder Fork"
  source      = "own broodstock"
  egg_take    = "2026-09-28 09:30"
  start       = "eyed"
  start_units = "787 TU"
  eggs        = 24000
  unit        = "stack 1"
  trays       = "1-4"
  placed      = "2026-11-20 18:00"
}

lot "2026-B" {
  species     = "brook trout"
  strain      = "Alder Fork"
  source      = "own broodstock"
  egg_take    = "2026-10-14 10:00"
  start       = "eyed"
  start_units = "560 TU"
  eggs        = 22000
  unit        = "stack 2"
  trays       = "1-4"
  placed      = "2026-11-20 18:00"
}

lot "2026-C" {
  species     = "brook trout"
  strain      = "Upper Alder"
  source      = "bought as green eggs from Upper Alder"
  egg_take    = "2026-11-11 14:15"
  start       = "green"
  start_units = "140 TU"
  eggs        = 26000
  unit        = "stack 3"
  trays       = "1-5"
  placed      = "2026-11-20 18:00"
}

lot "2026-D" {
  species     = "arctic char"
  strain      = "Alder Fork"
  source      = "own broodstock"
  egg_take    = "2026-10-03 11:00"
  start       = "eyed"
  start_units = "713 TU"
  eggs        = 14000
  unit        = "stack 4"
  trays       = "1-3"
  placed      = "2026-11-20 18:00"
}

lot "2026-E" {
  species     = "arctic char"
  strain      = "Alder Fork"
  source      = "own broodstock"
  egg_take    = "2026-10-27 11:30"
  start       = "green"
  start_units = "358 TU"
  eggs        = 15000
  unit        = "stack 5"
  trays       = "1-3"
  placed      = "2026-11-20 18:00"
}

# Work that must be done each day.

chore "cleaning" {
  kinds = ["trough", "deep trough", "raceway"]
  by    = ["10:00"]
  # The fish that are there are not in the book of lots yet.
  even_empty = true
  # So long at the most its flow alarms call nobody, once somebody has said that
  # cleaning has begun (common practice, no source). Low oxygen calls all the same.
  suppress_for = "30 min"
}

chore "intake clearing" {
  by = ["09:00"]
}
