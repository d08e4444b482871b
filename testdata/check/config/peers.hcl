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
alive {
  topic = "alderfork/alive"
  every = "1 h"
}
peer "ourselves" {
  topic = "alderfork/alive"
}
peer "lower fork" {
  topic        = "lower-fork/alive"
  silent_after = "1 s"
}
peer "upper fork" {
  topic = "lower-fork/alive"
}
peer "everybody" {
  topic = "+/alive"
}
peer "nowhere" {
}
