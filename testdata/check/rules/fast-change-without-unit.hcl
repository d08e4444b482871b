fast_change "x" {
  covers {
    kinds = ["spring"]
  }
  change = 1
  within = "1 h"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
