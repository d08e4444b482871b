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
broker {
  listen = "127.0.0.1:1883"
  user "a" {
  }
  user "b" {
    password {
    }
  }
  user "c" {
    password {
      file = "broker.password"
      env  = "BROKER_PASSWORD"
    }
  }
  user "d" {
    password {
      env = "open sesame"
    }
  }
}
