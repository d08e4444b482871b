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
  develops "eyed" {
  }
  develops "hatch" {
    form = "belehradek"
    a    = 10.4
    b    = "2.0"
    c    = 1e9
    low  = "2"
    high = "50 degC"
  }
  develops "swim_up" {
    form   = "exponential"
    a      = 5.99
    b      = 0.150
    c      = 1.0
    low    = "12 degC"
    high   = "5 degC"
    source = ""
  }
  develops "swim-up" {
    form = "linear"
    a    = 5.99
    b    = 0.150
    c    = 1.0
    low  = "5 degC"
    high = "12 degC"
  }
}
species "brown trout" {
  # The sign of b is lost.
  develops "eyed" {
    form = "power"
    a    = -20.0
    b    = 11.0
    c    = -80.0
    low  = "2 degC"
    high = "12 degC"
  }
  # c is written as if the form were the other one.
  develops "hatch" {
    form = "belehradek"
    a    = 10.404
    b    = 2.043
    c    = -7.575
    low  = "5 degC"
    high = "12 degC"
  }
  develops "swim-up" {
    form = "exponential"
    a    = 900
    b    = 0.1
    low  = "5 degC"
    high = "12 degC"
  }
}
species "lake trout" {
  # log10 in place of ln, and the other way round.
  develops "eyed" {
    form = "exponential"
    a    = 1.7
    b    = 0.150
    low  = "5 degC"
    high = "12 degC"
  }
  develops "hatch" {
    form = "exponential"
    a    = 20
    b    = 0.150
    low  = "5 degC"
    high = "12 degC"
  }
  develops "swim-up" {
    form = "exponential"
    a    = 5.99
    b    = 0.150
    low  = "12 degC"
    high = "5 degC"
  }
}
