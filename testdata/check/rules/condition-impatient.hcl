condition "mine" {
  covers {
    units = ["raceway 1"]
  }
  when    = mean_over(temperature, "10 min") > "12 degC"
  lasting = "30 s"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
