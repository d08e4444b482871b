stuck_probe "impatient" {
  covers {
    kinds = ["stack"]
  }
  longer_than = "5 min"
  priority    = "morning"
  can_happen  = "Nobody sees the water change."
  to_do       = "Compare with the hand thermometer."
}
stuck_probe "patient" {
  covers {
    kinds = ["stack"]
  }
  longer_than = "5 d"
  priority    = "morning"
  can_happen  = "Nobody sees the water change."
  to_do       = "Compare with the hand thermometer."
}
jumping_probe "zero" {
  covers {
    kinds = ["stack"]
  }
  change     = "0 degC"
  priority   = "morning"
  can_happen = "Nobody sees the water change."
  to_do      = "Look at the plug."
}
jumping_probe "two" {
  covers {
    kinds = ["stack"]
  }
  change     = "2 degC"
  times      = 2
  priority   = "morning"
  can_happen = "Nobody sees the water change."
  to_do      = "Look at the plug."
}
jumping_probe "oxygen in a stack" {
  covers {
    kinds = ["stack"]
  }
  change     = "2 mg/L"
  priority   = "morning"
  can_happen = "Nobody sees the water change."
  to_do      = "Look at the plug."
}
jumping_probe "too short" {
  covers {
    kinds = ["stack"]
  }
  change     = "2 degC"
  within     = "10 s"
  priority   = "morning"
  can_happen = "Nobody sees the water change."
  to_do      = "Look at the plug."
}
jumping_probe "no unit" {
  covers {
    kinds = ["stack"]
  }
  change     = 2
  priority   = "morning"
  can_happen = "Nobody sees the water change."
  to_do      = "Look at the plug."
}
probe_in_air "narrow" {
  covers {
    units = ["stack 1", "deep 1"]
  }
  departure  = "0.5 degC"
  margin     = "40% saturation"
  priority   = "morning"
  can_happen = "Nobody sees the water change."
  to_do      = "Put it back."
}
impossible_value "wrong unit" {
  covers {
    kinds = ["stack"]
  }
  on_delay   = "5 degC"
  priority   = "morning"
  can_happen = "Nobody sees the water change."
  to_do      = "Look at the cable."
}
jumping_probe "twice said" {
  covers {
    kinds = ["stack"]
  }
  change               = "5 L/min"
  share_of_design_flow = "40%"
  priority             = "morning"
  can_happen           = "Nobody sees the water change."
  to_do                = "Look at the plug."
}
jumping_probe "no share" {
  covers {
    kinds = ["stack"]
  }
  share_of_design_flow = "140%"
  priority             = "morning"
  can_happen           = "Nobody sees the water change."
  to_do                = "Look at the plug."
}
jumping_probe "no design flow" {
  covers {
    units = ["spring"]
  }
  share_of_design_flow = "40%"
  priority             = "morning"
  can_happen           = "Nobody sees the water change."
  to_do                = "Look at the plug."
}
