package lang_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

// What rules on probes and contacts watch, and their starting values.
func TestProbeFaultRules(t *testing.T) {
	s := rulestest.Site()
	s.Probes = append(s.Probes, site.Probe{ID: "mains", Quantity: reading.Contact, Topic: "mains", High: 1, Every: time.Hour})
	p := good(t, s, `
stuck_probe "all" {
  covers {
    units = ["trough 1", "raceway 1"]
  }`+words+`}
stuck_probe "some" {
  covers {
    units      = ["raceway 1", "deep 1"]
    quantities = ["oxygen"]
    probes     = ["spring oxygen"]
  }
  longer_than = "3 h"`+words+`}
jumping_probe "degF" {
  covers {
    units = ["stack 1"]
  }
  change = "3.6 degF"`+words+`}
jumping_probe "share" {
  covers {
    kinds = ["stack"]
  }
  share_of_design_flow = "40%"
  within = "3 min"
  times  = 4`+words+`}
probe_in_air "air" {
  covers {
    units = ["raceway 1"]
  }
  departure = "5.4 degF"`+words+`}
impossible_value "i" {
  covers {
    units = ["trough 2"]
  }`+words+`}
contact "mains" {
  covers {
    probes = ["mains"]
  }
  alarm_when = "closed"
  means      = "on the generator."`+words+`}
`)
	type rule struct {
		kind              alarm.Kind
		watches           []lang.Watch
		onDelay, offDelay time.Duration
	}
	want := map[string]rule{
		"all":   {alarm.StuckProbe, []lang.Watch{{Unit: "trough 1", Probe: "trough 1 temperature", After: 12 * time.Hour}, {Unit: "trough 1", Probe: "trough 1 flow", After: 2 * time.Hour}, {Unit: "raceway 1", Probe: "raceway 1 temperature", After: 12 * time.Hour}, {Unit: "raceway 1", Probe: "raceway 1 oxygen", After: 2 * time.Hour}}, 0, 10 * time.Minute},
		"some":  {alarm.StuckProbe, []lang.Watch{{Unit: "raceway 1", Probe: "raceway 1 oxygen", After: 3 * time.Hour}, {Unit: "deep 1", Probe: "deep 1 saturation", After: 3 * time.Hour}, {Unit: "spring", Probe: "spring oxygen", After: 3 * time.Hour}}, 0, 10 * time.Minute},
		"degF":  {alarm.JumpingProbe, []lang.Watch{{Unit: "stack 1", Probe: "stack 1 temperature", Setpoint: 2, After: 2 * time.Minute}}, 0, 10 * time.Minute},
		"share": {alarm.JumpingProbe, []lang.Watch{{Unit: "stack 1", Probe: "stack 1 flow", Setpoint: 6.4, After: 3 * time.Minute}, {Unit: "stack 2", Probe: "stack 2 flow", Setpoint: 6.4, After: 3 * time.Minute}}, 0, 10 * time.Minute},
		"air":   {alarm.ProbeInAir, []lang.Watch{{Unit: "raceway 1", Probe: "raceway 1 temperature"}, {Unit: "raceway 1", Probe: "raceway 1 oxygen"}}, 10 * time.Minute, 30 * time.Minute},
		"i":     {alarm.ImpossibleValue, []lang.Watch{{Unit: "trough 2", Probe: "trough 2 flow"}}, 5 * time.Minute, 0},
		"mains": {alarm.Contact, []lang.Watch{{Probe: "mains"}}, time.Minute, 0},
	}
	got := make(map[string]rule)
	for _, r := range p.Rules {
		got[r.Name] = rule{r.Kind, r.Watches, r.OnDelay, r.OffDelay}
		switch r.Name {
		case "degF":
			if r.Times != 5 {
				t.Errorf("jumping: %d times", r.Times)
			}
		case "air":
			if r.Departure < 2.999 || r.Departure > 3.001 || r.Margin != 3 {
				t.Errorf("in the air: %v, %v", r.Departure, r.Margin)
			}
		case "mains":
			if r.AlarmWhen != reading.Closed || r.Means != "on the generator" {
				t.Errorf("contact: %v, %q", r.AlarmWhen, r.Means)
			}
		}
	}
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(rule{}), cmpopts.EquateApprox(0, 1e-9)); diff != "" {
		t.Errorf("rules (-want +got):\n%s", diff)
	}
}
