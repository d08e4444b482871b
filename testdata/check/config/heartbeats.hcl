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
heartbeat "both" {
  url   = "https://watcher.example/alder-fork"
  email = "watcher@alderfork.example"
}
heartbeat "neither" {
}
heartbeat "no mail" {
  email = "watcher@alderfork.example"
  every = "1 min"
}
heartbeat "often" {
  url     = "http://watcher.example/alder-fork"
  every   = "1 s"
}
heartbeat "slow" {
  url     = "https://watcher.example/alder-fork"
  every   = "20 s"
  timeout = "30 s"
}
heartbeat "where" {
  url = "watcher.example"
}
