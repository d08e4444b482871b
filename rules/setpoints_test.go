package rules_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
)

const setpointRules = `
low_flow "trough" {
  covers { units = ["trough 1"] }
  setpoint   = "20 L/min"
  priority   = "call-out"
  can_happen = "Fry suffocate."
  to_do      = "Look at the screen."
  while {
    from     = "22:00"
    to       = "05:00"
    setpoint = "25 L/min"
    deadband = "1 L/min"
  }
}
high_flow "trough" {
  covers { units = ["trough 1"] }
  setpoint   = "60 L/min"
  priority   = "morning"
  can_happen = "Fry are washed out."
  to_do      = "Close the valve a little."
}
temperature_band "trough" {
  covers { units = ["trough 1"] }
  low        = "2 degC"
  high       = "14 degC"
  priority   = "morning"
  can_happen = "Fry stop eating."
  to_do      = "Look at the spring."
}
low_oxygen "raceway" {
  covers { units = ["raceway 1"] }
  setpoint   = "70% saturation"
  priority   = "call-out"
  can_happen = "Fish suffocate."
  to_do      = "Start the aerator."
}
`

// Which setpoints a plot of a probe shows: those that hold at this hour.
func TestSetpointsOfProbes(t *testing.T) {
	e := engine(t, rulestest.Site(), setpointRules)
	evening := time.Date(2026, 11, 20, 21, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		at   time.Time
		flow float64
	}{{evening, 20}, {evening.Add(2 * time.Hour), 25}} {
		e.Tick(tt.at)
		got := make(map[reading.ProbeID][]rules.Setpoint)
		for _, v := range e.Probes(tt.at) {
			if v.Setpoints != nil {
				got[v.Probe.ID] = v.Setpoints
			}
		}
		want := map[reading.ProbeID][]rules.Setpoint{
			"trough 1 flow":        {{tt.flow, reading.Flow, true, "trough"}, {60, reading.Flow, false, "trough"}},
			"trough 1 temperature": {{2, reading.Temperature, true, "trough"}, {14, reading.Temperature, false, "trough"}},
			"raceway 1 oxygen":     {{70, reading.Saturation, true, "raceway"}},
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("at %s (-want +got):\n%s", tt.at, diff)
		}
	}
}
