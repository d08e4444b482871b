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
unit "trough 1" {
  kind = "trough"
}
horn "house" {
  topic    = "alderfork/spring/temperature"
  on       = "OFF"
  feedback = "alderfork/+/state"
  within   = "1 h"
  longest  = "1 s"
}
horn "yard" {
  topic    = "alderfork/yard"
  feedback = "alderfork/yard"
  after    = "2 d"
  silent   = "1 s"
}
horn "light" {
  topic  = "alderfork/yard"
  within = "5 s"
  silent = "1 h"
}
horn "gate" {
  topic    = "alderfork/gate"
  feedback = "alderfork/gate/state"
}
horn "lamp" {
  topic = "alderfork/gate/state"
}
horn "nowhere" {
}
button "quiet" {
  topic    = "alderfork/quiet"
  silences = "horn hose"
}
button "quiet too" {
  topic    = "alderfork/quiet-too"
  silences = "house"
  at       = "trough 1"
}
button "clean" {
  topic = "alderfork/yard"
  at    = "trough 1"
}
