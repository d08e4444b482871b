slow_drift "x" {
  covers {
    kinds = ["spring"]
  }
  change = "0.5 degC"
  per    = "1 h"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
