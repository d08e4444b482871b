low_flow "all water" {
  covers {
    units = ["spring", "stack 1"]
  }
  share_of_design_flow = "70%"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
