package rules_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
)

// A probe gets stuck for some hours and hangs in the air for some. Its lot's
// units are those of the stand-in then, from when the trouble began, whether they
// are counted live, from the record, or after a restart.
func TestThermalUnitsLeaveOutASuspectProbe(t *testing.T) {
	s := rulestest.Site()
	begin := rulestest.Start
	s.Lots[0].EggTake, s.Lots[0].Path[0].From = begin, begin
	text := block("stuck_probe", "k", `units = ["stack 1"]`, `longer_than = "2 h"`) + airTemp
	e := engine(t, s, text)
	var j journal
	var rec record
	tell := func(probe reading.ProbeID, m int, v float64) {
		r := rulestest.Reading(probe, begin.Add(time.Duration(m)*time.Minute), v)
		rec = append(rec, r)
		apply(t, e, &j, happening{at: r.At, r: &r})
	}
	now := begin
	want := 0.0 // degree-days, by minutes
	for m := range 40 * 60 {
		now = begin.Add(time.Duration(m) * time.Minute)
		tell("spring temperature", m, 9.1)
		v := 9 + float64(m%3)/10
		switch h := m / 60; {
		case h >= 10 && h < 16:
			v = 12 // stuck
		case h >= 25 && h < 31:
			v = 14 + float64(m%3)/10 // in the air
		}
		tell("stack 1 temperature", m, v)
		want += 9.1 / (24 * 60)
		if m%600 == 0 {
			recount(t, e, rec)
		}
	}
	recount(t, e, rec)
	raised := make(map[alarm.Kind]int)
	for _, tr := range j.transitions {
		if tr.Raised() {
			raised[tr.Kind]++
		}
	}
	if diff := cmp.Diff(map[alarm.Kind]int{alarm.StuckProbe: 1, alarm.ProbeInAir: 1}, raised); diff != "" {
		t.Fatalf("raised (-want +got):\n%s", diff)
	}
	got := e.Lots(now)[0].Units
	if d := float64(got.DegreeDays) - want; d > 0.05 || d < -0.05 {
		t.Errorf("%.3f degree-days, want %.3f", got.DegreeDays, want)
	}
	if got.StandIn < 11*time.Hour || got.StandIn > 13*time.Hour {
		t.Errorf("%v by the stand-in, want 12 h", got.StandIn)
	}

	again := rules.New(s, program(t, s, text))
	if _, err := again.Rebuild(now, j.past(now, again.Memory())); err != nil {
		t.Fatal(err)
	}
	recount(t, again, rec)
	e.CountAgain()
	recount(t, e, rec)
	if diff := cmp.Diff(e.Lots(now)[0].Units, again.Lots(now)[0].Units, cmpopts.EquateApprox(1e-9, 1e-9)); diff != "" {
		t.Errorf("after a restart (-live +restarted):\n%s", diff)
	}
	if diff := cmp.Diff(got, again.Lots(now)[0].Units, cmpopts.EquateApprox(1e-9, 1e-9)); diff != "" {
		t.Errorf("counted as it went and from the record (-live +restarted):\n%s", diff)
	}
}

// The state of the probes says which are suspect, and stock does not go by them.
func TestSuspectIsShown(t *testing.T) {
	s := rulestest.Site()
	e := engine(t, s, block("impossible_value", "i", `units = ["stack 1"]`, ""))
	play(t, e, "0s stack 1 temperature = 9\n0s spring temperature = 8\n30s stack 1 temperature = 85 (out-of-range)")
	now := rulestest.Start.Add(time.Minute)
	for _, p := range e.Probes(now) {
		want := ""
		if p.Probe.ID == "stack 1 temperature" {
			want = "it says what cannot be"
		}
		if p.Suspect != want {
			t.Errorf("%s: suspect %q, want %q", p.Probe.ID, p.Suspect, want)
		}
	}
	if w := e.Stock(now)[0].Water; w.HaveTemp {
		t.Errorf("stock goes by %v", w.TempC)
	}
}
