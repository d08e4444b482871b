package lang_test

import (
	"testing"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
)

func TestWatchSilence(t *testing.T) {
	s := rulestest.Site()
	p := &lang.Program{Rules: []lang.Rule{
		{Kind: alarm.LowFlow, Name: "t", Priority: alarm.CallOut, Watches: []lang.Watch{{Unit: "trough 1", Probe: "trough 1 flow"}}},
		{Kind: alarm.SilentProbe, Name: "q", Priority: alarm.Note, Watches: []lang.Watch{{Unit: "trough 2", Probe: "trough 2 flow", After: time.Hour}}},
	}}
	got := map[reading.ProbeID]alarm.Priority{}
	for _, r := range lang.WatchSilence(p, s).Rules[2:] {
		for _, w := range r.Watches {
			if r.Kind != alarm.SilentProbe || w.After < 5*time.Minute {
				t.Errorf("%s watches %s after %v", r.Kind, w.Probe, w.After)
			}
			got[w.Probe] = r.Priority
		}
	}
	if got["trough 1 flow"] != alarm.CallOut {
		t.Errorf("the silence of a probe that a call-out goes by is %v", got["trough 1 flow"])
	}
	if _, ok := got["trough 2 flow"]; ok {
		t.Error("a silence that has its rule is watched twice")
	}
	if len(got) != len(s.Probes)-1 {
		t.Errorf("%d of %d probes are watched", len(got)+1, len(s.Probes))
	}
	for id, priority := range got {
		if id != "trough 1 flow" && priority != alarm.Morning {
			t.Errorf("%s: %v", id, priority)
		}
	}
	if len(p.Rules) != 2 {
		t.Error("the program given was changed")
	}
}
