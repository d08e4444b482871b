stuck_probe "pressure" {
  covers {
    kinds      = ["stack"]
    quantities = ["flw"]
  }
  priority   = "morning"
  can_happen = "Nobody sees the water change."
  to_do      = "Compare with the hand thermometer."
}
stuck_probe "no oxygen there" {
  covers {
    kinds      = ["stack"]
    quantities = ["oxygen"]
  }
  priority   = "morning"
  can_happen = "Nobody sees the water change."
  to_do      = "Compare with the hand meter."
}
low_flow "one quantity" {
  covers {
    kinds      = ["stack"]
    quantities = ["flow"]
  }
  setpoint   = "10 L/min"
  priority   = "morning"
  can_happen = "Eggs get stale water."
  to_do      = "Open the valve."
}
