condition "mine" {
  covers {
    units = ["raceway 1"]
  }
  when    = oxygen < "6 mg/L" && turnover(design_flow, volume) < 2 && unit["spring"].volume > "2 L"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
