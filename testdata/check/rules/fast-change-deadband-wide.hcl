fast_change "x" {
  covers {
    kinds = ["spring"]
  }
  change   = "1.8 degF"
  within   = "1 h"
  deadband = "1 degC"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
