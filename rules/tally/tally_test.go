package tally_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/tally"
)

var from = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)

func at(minutes float64) time.Time { return from.Add(time.Duration(minutes * float64(time.Minute))) }

// step is a transition of an alarm of rule "r" unless the key says more.
func step(key string, n uint64, a, b alarm.State, minutes float64, change ...func(*alarm.Transition)) alarm.Transition {
	tr := alarm.Transition{Key: alarm.Key(key), Kind: alarm.LowFlow, Rule: "r", RuleAt: "rules.hcl:3", Priority: alarm.CallOut, Occurrence: n, From: a, To: b, At: at(minutes), Since: at(minutes)}
	for _, c := range change {
		c(&tr)
	}
	return tr
}

const (
	normal, unack, ack, returned = alarm.Normal, alarm.Unacknowledged, alarm.Acknowledged, alarm.ReturnedUnacknowledged
)

// Counted by hand.
func TestOf(t *testing.T) {
	to := at(3 * 24 * 60)
	hidden := func(tr *alarm.Transition) { tr.Hidden = "being cleaned" }
	followed := func(tr *alarm.Transition) { tr.Cause = "spring" }
	journal := []alarm.Transition{
		// a: raised before the span, answered in it, returned after an hour.
		step("a", 1, normal, unack, -30), step("a", 1, unack, ack, 10), step("a", 1, ack, normal, 60),
		// then raised, answered after 4 min, re-alarmed and answered again, returned at 200.
		step("a", 2, normal, unack, 100), step("a", 2, unack, ack, 104), step("a", 2, ack, unack, 164), step("a", 2, unack, ack, 170), step("a", 2, ack, normal, 200),
		// b: answered after 10 min; c: nobody answered; d hidden; e followed.
		step("b", 1, normal, unack, 300), step("b", 1, unack, ack, 310), step("b", 1, ack, normal, 320),
		step("c", 1, normal, unack, 400), step("c", 1, unack, returned, 405), step("c", 1, returned, normal, 500),
		step("d", 1, normal, unack, 600, hidden), step("d", 1, unack, returned, 610, hidden),
		step("e", 1, normal, unack, 700, followed), step("e", 1, unack, ack, 730), step("e", 1, ack, normal, 731),
		// f stands for two days and a half.
		step("f", 1, normal, unack, 720),
		// A notice of a lot and a note of the past are no alarms; what is after the span is not looked at.
		step("lot", 1, normal, unack, 790, func(tr *alarm.Transition) { tr.Kind = alarm.LotDue }), step("past/a", 0, normal, normal, 800), step("a", 3, normal, unack, 3*24*60+1),
	}
	acts := []act.Act{
		{Kind: act.MarkedFalse, Alarm: "c", Occurrence: 1},
		{Kind: act.MarkedFalse, Alarm: "c", Occurrence: 1},
		{Kind: act.MarkedFalse, Alarm: "a", Occurrence: 1}, // raised before the span
		{Kind: act.Shelved, Alarm: "b", Occurrence: 1},
	}
	want := tally.Tally{
		From: from, To: to, Raised: 6, CallOuts: 4,
		Rules: []tally.Rule{{
			Kind: alarm.LowFlow, Name: "r", At: "rules.hcl:3", Priority: alarm.CallOut,
			Raised: 6, Hidden: 1, Followed: 1, False: 1, Answered: 3, Unanswered: 2,
			Median: 10 * time.Minute, Worst: 30 * time.Minute, Standing: 1, StandingLong: 1,
			Active: (60 + 100 + 20 + 5 + 10 + 31 + 3*24*60 - 720) * time.Minute,
		}},
	}
	if d := cmp.Diff(want, tally.Of(journal, acts, from, to)); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
	// A journal that begins in the middle of an alarm.
	if got := tally.Of(journal[1:3], nil, from, to); len(got.Rules) != 0 {
		t.Errorf("nothing was raised in the span: %+v", got.Rules)
	}
	if got := tally.Of(nil, nil, from, to); got.Raised != 0 || got.Rules != nil || got.Floods != nil {
		t.Errorf("nothing at all: %+v", got)
	}
	// An even number of answers: the middle of the two.
	if got := tally.Of(journal[3:11], nil, from, to).Rules[0].Median; got != 7*time.Minute {
		t.Errorf("median %v", got)
	}
}

func TestChattering(t *testing.T) {
	for _, tt := range []struct {
		name    string
		minutes []float64
		want    int
	}{
		{"twice", []float64{0, 5}, 0},
		{"three in exactly half an hour", []float64{0, 10, 30}, 1},
		{"three in a little more", []float64{0, 10, 30.1}, 0},
		{"later three in short", []float64{0, 60, 65, 70}, 1},
		{"counted once", []float64{0, 5, 10, 15, 20, 200, 201, 202}, 1},
	} {
		var journal []alarm.Transition
		for i, m := range tt.minutes {
			journal = append(journal, step("a", uint64(i+1), normal, unack, m), step("a", uint64(i+1), unack, returned, m+0.05), step("a", uint64(i+1), returned, normal, m+0.06))
		}
		if got := tally.Of(journal, nil, from, at(1000)).Rules[0].Chattering; got != tt.want {
			t.Errorf("%s: %d, want %d", tt.name, got, tt.want)
		}
	}
}

// More than 10 in 10 minutes begins it, fewer than 5 ends it (free text quoting
// the standard).
func TestFloods(t *testing.T) {
	flood := func(minutes ...float64) []tally.Flood {
		var journal []alarm.Transition
		for i, m := range minutes {
			journal = append(journal, step(fmt.Sprint("alarm ", i), 1, normal, unack, m))
		}
		note := step("flood", 1, normal, unack, 1) // is not counted itself
		note.Kind, note.Rule = alarm.DaemonHealth, tally.FloodRule
		journal = append(journal, note)
		return tally.Of(journal, nil, from, at(1000)).Floods
	}
	every := func(n int, begin, step float64) (out []float64) {
		for i := range n {
			out = append(out, begin+float64(i)*step)
		}
		return out
	}
	if got := flood(every(10, 0, 0.9)...); got != nil {
		t.Errorf("ten in ten minutes: %v", got)
	}
	if got := flood(every(11, 0, 1)...); got != nil {
		t.Errorf("eleven in exactly ten minutes and the eleventh outside: %v", got)
	}
	// Eleven at minutes 0 to 9; the fifth last is at 5.4, so from 15.4 on there
	// are four.
	want := []tally.Flood{{From: at(0), To: at(15.4), Alarms: 11}}
	if d := cmp.Diff(want, flood(every(11, 0, 0.9)...)); d != "" {
		t.Errorf("eleven (-want +got):\n%s", d)
	}
	// It goes on with one every two minutes, for five are always there.
	got := flood(append(every(11, 0, 0.9), every(10, 11, 2)...)...)
	if len(got) != 1 || got[0].Alarms != 21 || !got[0].To.Equal(at(31)) {
		t.Errorf("going on: %+v", got)
	}
	// Two floods an hour apart.
	if got := flood(append(every(12, 0, 0.5), every(12, 60, 0.5)...)...); len(got) != 2 || got[0].Alarms != 12 || got[1].Alarms != 12 {
		t.Errorf("two: %+v", got)
	}
	// One that goes on at the end of the span.
	if got := flood(every(12, 990, 0.5)...); len(got) != 1 || !got[0].To.IsZero() {
		t.Errorf("at the end: %+v", got)
	}
}
