package rules_test

import (
	"testing"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
)

// A logger that was cut off delivers an evening of low flow the next day: it is
// noted once for each stretch of trouble, and nobody is called.
func TestPastTroubleIsNoted(t *testing.T) {
	e := engine(t, rulestest.Site(), lowFlow+band+oxygenMgL)
	now := rulestest.Start.Add(24 * time.Hour)
	var all []alarm.Transition
	late := func(id reading.ProbeID, minute int, v float64) {
		r := rulestest.Reading(id, rulestest.Start.Add(time.Duration(minute)*time.Minute), v, reading.Late, reading.DeviceTimed)
		r.ArrivedAt = now
		all = append(all, e.Reading(now, &r)...)
	}
	for m := range 60 {
		v := 35.0
		if m >= 10 && m < 20 || m >= 40 && m < 50 {
			v = 5
		}
		late("trough 1 flow", m, v)
	}
	late("trough 1 flow", 70, 5) // one alone, shorter than the on-delay
	late("trough 1 flow", 71, 35)
	late("stack 1 temperature", 0, 13)
	late("stack 1 temperature", 5, 13)
	if len(all) != 3 {
		t.Fatalf("%d notes, want 3: %+v", len(all), all)
	}
	for _, tr := range all {
		if tr.Priority != alarm.Note || tr.To != alarm.Normal || tr.Raised() || tr.Returned() {
			t.Errorf("not a mere note: %+v", tr)
		}
	}
	if want := rulestest.Start.Add(10 * time.Minute); !all[0].Since.Equal(want) || all[0].Trouble != "Trough 1: low flow, in the past" {
		t.Errorf("first note: %+v", all[0])
	}
	if all[2].Trouble != "Stack 1: water too warm, in the past" {
		t.Errorf("third note: %+v", all[2])
	}
	if s := e.Standing(now); len(s) != 0 {
		t.Errorf("standing: %+v", s)
	}
}
