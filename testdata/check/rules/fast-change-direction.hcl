fast_change "x" {
  covers {
    kinds = ["trough"]
  }
  change    = "10 L/min"
  within    = "1 h"
  direction = "fallen"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen first."
}
