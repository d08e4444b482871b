water_balance "x" {
  covers {
    all    = true
    except = ["deep 1", "raceway 1"]
  }
  source       = "spring"
  allowed_loss = "10%"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
