package rules_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/rulestest"
)

func latchRules(extra string) string {
	return `
low_flow "t" {
  covers { units = ["trough 1"] }
  setpoint   = "20 L/min"
  deadband   = "1 L/min"
  on_delay   = "0 s"
  off_delay  = "0 s"
  priority   = "call-out"
  can_happen = "Fry suffocate."
  to_do      = "Look at the screen."
  ` + extra + `
}
`
}

// Every way from every state, with and without latch: low is a reading below the
// setpoint, right one above, then an answer, a reset, and two hours passing.
func TestStates(t *testing.T) {
	const key = alarm.Key("low_flow/t/trough 1 flow")
	const (
		normal, unack, ack = alarm.Normal, alarm.Unacknowledged, alarm.Acknowledged
		returned           = alarm.ReturnedUnacknowledged
		latchedU, latchedA = alarm.LatchedUnacknowledged, alarm.LatchedAcknowledged
	)
	tests := []struct {
		latch  bool
		events string // what brings it there
		state  alarm.State
		// what each further event leads to
		low, right, answer, reset, time alarm.State
	}{
		{false, "", normal, unack, normal, normal, normal, normal},
		{false, "low", unack, unack, returned, ack, unack, unack},
		{false, "low answer", ack, ack, normal, ack, ack, unack},
		{false, "low right", returned, unack, returned, normal, returned, returned},
		{true, "", normal, unack, normal, normal, normal, normal},
		{true, "low", unack, unack, latchedU, ack, unack, unack},
		{true, "low answer", ack, ack, latchedA, ack, ack, unack},
		{true, "low right", latchedU, unack, latchedU, latchedA, latchedU, latchedU},
		{true, "low answer right", latchedA, unack, latchedA, latchedA, normal, latchedA},
		{true, "low right answer", latchedA, unack, latchedA, latchedA, normal, latchedA},
	}
	for _, tt := range tests {
		for _, restart := range []bool{false, true} {
			next := map[string]alarm.State{"low": tt.low, "right": tt.right, "answer": tt.answer, "reset": tt.reset, "time": tt.time}
			for event, want := range next {
				extra := ""
				if tt.latch {
					extra = "latch = true"
				}
				e := engine(t, rulestest.Site(), latchRules(extra))
				now := rulestest.Start
				var standing []alarm.Transition
				occurrences := map[alarm.Key]uint64{}
				do := func(what string) {
					t.Helper()
					now = now.Add(time.Minute)
					var trs []alarm.Transition
					switch what {
					case "low", "right":
						r := rulestest.Reading("trough 1 flow", now, map[string]float64{"low": 5, "right": 30}[what])
						trs = e.Reading(now, &r)
					case "answer":
						trs, _ = e.Acknowledge(now, key, "kim")
					case "reset":
						trs, _ = e.Reset(now, key, "kim")
					case "time":
						for range 120 {
							now = now.Add(time.Minute)
							for _, tr := range e.Tick(now) {
								if tr.Key == key {
									trs = append(trs, tr)
								}
							}
						}
					}
					for _, tr := range trs {
						if tr.Key == key {
							standing = []alarm.Transition{tr}
							occurrences[key] = tr.Occurrence
						}
					}
				}
				state := func() alarm.State {
					for _, a := range e.Standing(now) {
						if a.Key == key {
							return a.State
						}
					}
					return normal
				}
				for _, what := range strings.Fields(tt.events) {
					do(what)
				}
				if restart {
					e = engine(t, rulestest.Site(), latchRules(extra))
					if len(standing) > 0 && standing[0].To == normal {
						standing = nil
					}
					if _, err := e.Rebuild(now, rules.Past{Standing: standing, Occurrences: occurrences, WatchingSince: rulestest.Start}); err != nil {
						t.Fatal(err)
					}
				}
				if got := state(); got != tt.state {
					t.Fatalf("latch %v, restart %v, after %q: %v, want %v", tt.latch, restart, tt.events, got, tt.state)
				}
				do(event)
				if got := state(); got != want {
					t.Errorf("latch %v, restart %v, %v, then %s: %v, want %v", tt.latch, restart, tt.state, event, got, want)
				}
			}
		}
	}
}

// An answer holds as long as the rule says, and not a second longer.
func TestReAlarm(t *testing.T) {
	e := engine(t, rulestest.Site(), latchRules(`re_alarm = "20 min"`))
	now := rulestest.Start
	r := rulestest.Reading("trough 1 flow", now, 5)
	e.Reading(now, &r)
	if _, err := e.Acknowledge(now, "low_flow/t/trough 1 flow", "kim"); err != nil {
		t.Fatal(err)
	}
	for _, step := range []struct {
		after time.Duration
		want  alarm.State
	}{{20*time.Minute - time.Second, alarm.Acknowledged}, {20 * time.Minute, alarm.Unacknowledged}} {
		e.Tick(now.Add(step.after))
		if got := e.Standing(now)[0].State; got != step.want {
			t.Errorf("after %v: %v, want %v", step.after, got, step.want)
		}
	}
}

func TestResetRefused(t *testing.T) {
	e := engine(t, rulestest.Site(), latchRules("latch = true"))
	const key = alarm.Key("low_flow/t/trough 1 flow")
	now := rulestest.Start
	var unknown *rules.UnknownAlarmError
	if _, err := e.Reset(now, key, "kim"); !errors.As(err, &unknown) {
		t.Errorf("normal: %v", err)
	}
	flow := func(v float64) {
		now = now.Add(time.Minute)
		r := rulestest.Reading("trough 1 flow", now, v)
		e.Reading(now, &r)
	}
	flow(5)
	for _, want := range []string{"its trouble is still there", "before somebody has answered it"} {
		var latched *rules.NotLatchedError
		if _, err := e.Reset(now, key, "kim"); !errors.As(err, &latched) || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
		flow(30)
	}
}
