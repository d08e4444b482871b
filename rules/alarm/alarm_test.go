package alarm_test

import (
	"encoding/json"
	"testing"

	"weirkeeper/rules/alarm"
)

// The journal holds states and priorities by name: every one comes back.
func TestNames(t *testing.T) {
	states := map[alarm.State]string{
		alarm.Normal: `"normal"`, alarm.Unacknowledged: `"unacknowledged"`, alarm.Acknowledged: `"acknowledged"`, alarm.ReturnedUnacknowledged: `"returned unacknowledged"`,
	}
	for s, want := range states {
		var back alarm.State
		b, err := json.Marshal(s)
		if err != nil || string(b) != want {
			t.Errorf("%v: %s, %v", s, b, err)
		}
		if err := json.Unmarshal(b, &back); err != nil || back != s {
			t.Errorf("%s came back as %v, %v", b, back, err)
		}
	}
	priorities := map[alarm.Priority]string{alarm.Note: `"note"`, alarm.Morning: `"morning"`, alarm.CallOut: `"call-out"`}
	for p, want := range priorities {
		var back alarm.Priority
		b, err := json.Marshal(p)
		if err != nil || string(b) != want {
			t.Errorf("%v: %s, %v", p, b, err)
		}
		if err := json.Unmarshal(b, &back); err != nil || back != p {
			t.Errorf("%s came back as %v, %v", b, back, err)
		}
	}
	if len(alarm.Priorities()) != len(priorities) {
		t.Errorf("priorities %v", alarm.Priorities())
	}
	var s alarm.State
	var p alarm.Priority
	if s.UnmarshalText([]byte("gone")) == nil || p.UnmarshalText([]byte("")) == nil || p.UnmarshalText([]byte("urgent")) == nil {
		t.Error("an unknown name was read")
	}
	if alarm.State(9).String() != "state(9)" || alarm.Priority(0).String() != "priority(0)" || alarm.Priority(9).String() != "priority(9)" {
		t.Error("numbers outside have no words")
	}
}

func TestTransitionKinds(t *testing.T) {
	const n, u, a, r = alarm.Normal, alarm.Unacknowledged, alarm.Acknowledged, alarm.ReturnedUnacknowledged
	for _, tt := range []struct {
		from, to         alarm.State
		raised, returned bool
	}{
		{n, u, true, false},
		{r, u, true, false},
		{u, a, false, false},
		{u, r, false, true},
		{u, n, false, true},
		{a, n, false, true},
		{r, n, false, false},
	} {
		tr := alarm.Transition{From: tt.from, To: tt.to}
		if tr.Raised() != tt.raised || tr.Returned() != tt.returned {
			t.Errorf("%v to %v: raised %v, returned %v", tt.from, tt.to, tr.Raised(), tr.Returned())
		}
	}
}
