# Alder Fork, metric units. us.hcl is the same site in US units.
site "Alder Fork" {
  altitude = "420 m"
  timezone = "Etc/GMT-1"
  show {
    temperature = "degC"
    flow        = "L/min"
    oxygen      = "mg/L"
  }
}

section "hatch house" {
}

unit "spring intake" {
  kind        = "spring"
  design_flow = "600 L/min"
}

unit "stack 1" {
  kind        = "stack"
  section     = "hatch house"
  trays       = 8
  volume      = "60 L"
  design_flow = "16 L/min"
}

unit "trough 1" {
  kind    = "trough"
  section = "hatch house"
}

probe "spring temperature" {
  quantity = "temperature"
  at       = "spring intake"
  topic    = "alderfork/spring/temperature"
  every    = "30 s"
}

probe "stack 1 temperature" {
  quantity    = "temperature"
  at          = "stack 1"
  topic       = "alderfork/stack-1"
  format      = "json"
  unit        = "degC"
  value_path  = "water.temperature"
  time_path   = "at"
  time_format = "rfc3339"
  stand_in    = "spring temperature"
  accuracy    = "0.2 degC"
  plausible {
    low  = "0 degC"
    high = "25 degC"
  }
}

probe "stack 1 flow" {
  quantity   = "flow"
  at         = "stack 1"
  topic      = "alderfork/stack-1"
  format     = "json"
  value_path = "water.flow"
}

probe "trough 1 oxygen" {
  quantity = "oxygen"
  at       = "trough 1"
  topic    = "alderfork/trough-1"
  format   = "senml"
  record   = "trough-1/oxygen"
}

probe "trough 1 saturation" {
  quantity = "oxygen"
  unit     = "% saturation"
  at       = "trough 1"
  topic    = "alderfork/trough-1"
  format   = "senml"
  record   = "trough-1/saturation"
}

species "Brook Trout" {
  needs {
    eyed  = ["220 degree-days", "250 degree-days"]
    hatch = ["440 degree-days", "500 degree-days"]
  }
  develops "hatch" {
    form   = "power"
    a      = 28.8392
    b      = -13.9306
    c      = -80.0
    low    = "2 degC"
    high   = "12 degC"
    source = "Crisp 1981, brown trout, from memory"
  }
  develops "swim-up" {
    form = "exponential"
    a    = 5.99
    b    = 0.150
    low  = "5 degC"
    high = "12.5 degC"
  }
  tender {
    from  = "36 h"
    until = "250 degree-days"
  }
  fry_weight          = "0.12 g"
  condition           = 1.05
  density_index_limit = 0.5
  flow_index_limit    = 1.5
}

lot "2026-A" {
  species     = "brook trout"
  strain      = "upper pond"
  source      = "own broodstock"
  egg_take    = "2026-10-14 09:30"
  placed      = "2026-10-14 14:00"
  start       = "eyed"
  start_units = "180 degree-days"
  eggs        = 24000
  unit        = "stack 1"
  trays       = "1-4"
  base        = "0 degC"
  needs {
    hatch   = ["450 degree-days", "500 degree-days"]
    swim_up = ["700 degree-days", "800 degree-days"]
  }
}

chore "cleaning" {
  kinds = ["trough"]
  units = ["stack 1"]
  by    = ["16:00", "10:00"]

  weekdays     = ["mon", "thu"]
  holidays     = ["2026-12-25", "01-01"]
  even_empty   = true
  suppress_for = "45 min"
}

chore "intake" {
  by = "07:30"
}

button "stack 1" {
  topic = "alderfork/stack-1/button"
  at    = "stack 1"
}

button "intake" {
  topic   = "alderfork/intake/button"
  payload = "pressed"
  chore   = "intake"
  does    = "done"
}

person "kim" {
  email  = "kim@alderfork.example"
  mobile = "+44 7700 900123"
}

person "rowan" {
  email = "rowan@alderfork.example"
}

call_out {
  people   = ["rowan", "kim", "lee"]
  repeat   = "10 min"
  climb    = "5 min"
  spare    = "90 s"
  gather   = "90 s"
  morning  = "06:45"
  all_well = true
  expire   = "12 h"
  holidays = ["2026-12-25", "01-01"]
  fallback = ["lee", "kim"]
}

mail {
  host    = "mail.alderfork.example"
  user    = "weirkeeper"
  from    = "weirkeeper@alderfork.example"
  timeout = "20 s"
  password {
    file = "mail.password"
  }
}

broker {
  url       = "mqtts://broker.alderfork.example"
  client_id = "hatch-house"
  user      = "weirkeeper"
  password {
    env = "WEIRKEEPER_BROKER_PASSWORD"
  }
  tls {
    ca_file     = "/etc/weirkeeper/ca.pem"
    server_name = "broker"
  }
}

web {
  listen    = "[::1]:8080"
  url       = "https://alderfork.example/weirkeeper"
  anonymous = "nobody"
  tls {
    cert_file = "page.crt"
    key_file  = "page.key"
  }
}

paths {
  data  = "/var/lib/weirkeeper"
  rules = ["rules.hcl", "night.hcl"]
}

button "quiet" {
  topic    = "alderfork/horn/button"
  silences = "horn house"
}

person "lee" {
  mobile = "+44 (7700) 900-789"
  reach  = ["hook control room", "sms"]
}

watch "nights" {
  days   = ["mon", "tue", "wed", "thu", "fri"]
  from   = "18:00"
  to     = "07:00"
  people = ["kim", "rowan"]
}

watch "days" {
  days   = ["Mon", "Tue", "Wed", "Thu", "Fri"]
  from   = "07:00"
  to     = "18:00"
  people = "rowan"
}

watch "weekend" {
  days   = ["sat", "sun", "holiday"]
  from   = "07:00"
  to     = "07:00"
  people = ["lee", "kim"]
}

swap "kim away" {
  from = "2026-12-01 19:00"
  to   = "2026-12-08 07:00"
  off  = "kim"
  on   = "lee"
}

sms {
  device   = "/dev/ttyUSB2"
  baud     = 9600
  timeout  = "45 s"
  per_hour = 20
  pin {
    file = "sim.pin"
  }
}

hook "control room" {
  url          = "https://alderfork.example/messages"
  method       = "PUT"
  content_type = "application/vnd.alderfork+json"
  body         = "{\"text\": {{json .Short}}, \"at\": \"{{.At.Format \"15:04\"}}\"{{if .Code}}, \"code\": {{json .Code}}{{end}}}"
  timeout      = "5 s"
  token {
    env = "WEIRKEEPER_HOOK_TOKEN"
  }
}

horn "house" {
  topic    = "alderfork/horn/set"
  on       = "1"
  off      = "0"
  feedback = "alderfork/horn/state"
  within   = "5 s"
  silent   = "2 h"
  after    = "1 min"
  longest  = "5 min"
}

heartbeat "watcher" {
  url     = "https://watcher.alderfork.example/alder-fork"
  every   = "5 min"
  timeout = "20 s"
}

heartbeat "mail" {
  email = "watcher@alderfork.example"
}

alive {
  topic = "alderfork/weirkeeper/alive"
  every = "20 s"
}

peer "lower fork" {
  topic        = "lower-fork/weirkeeper/alive"
  silent_after = "10 min"
}

drill {
  days        = ["wed"]
  at          = "10:00"
  every_weeks = 2
  within      = "30 min"
}
