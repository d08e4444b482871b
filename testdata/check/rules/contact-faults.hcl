contact "mains" {
  covers {
    probes = ["mains", "spring flow"]
  }
  alarm_when = "off"
  priority   = "call-out"
  can_happen = "Pumps and aerators stand still."
  to_do      = "Look at the fish first."
}
contact "head box level" {
  covers {
    units = ["head box"]
  }
  alarm_when = "closed"
  means      = "water low"
  priority   = "call-out"
  can_happen = "All units run dry."
  to_do      = "Clear the intake screen."
}
