high_flow "x" {
  covers {
    units = ["spring"]
  }
  share_of_design_flow = "140%"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
