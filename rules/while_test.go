package rules_test

import (
	"testing"
	"time"

	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/rulestest"
)

const whileRules = `
low_flow "trough" {
  covers { units = ["trough 1"] }
  setpoint   = "20 L/min"
  deadband   = "1 L/min"
  on_delay   = "0 s"
  off_delay  = "0 s"
  priority   = "call-out"
  can_happen = "Fry suffocate."
  to_do      = "Look at the screen."
  while {
    holding  = ["fry", "fingerlings"]
    setpoint = "30 L/min"
    deadband = "1 L/min"
  }
  while {
    holding = ["empty"]
    off     = true
  }
  while {
    holding  = ["fingerlings"]
    from     = "22:00"
    to       = "05:00"
    setpoint = "25 L/min"
    deadband = "1 L/min"
  }
}
`

// The setpoint follows what the trough holds by the book and the hour: at which
// flow is the alarm raised?
func TestSetpointFollowsContents(t *testing.T) {
	s := rulestest.Site()
	before := lot.Stay{Unit: "trough 1", From: s.Lots[0].Path[0].From.Add(-time.Hour)}
	s.Lots[0].Path = append([]lot.Stay{before}, s.Lots[0].Path...) // it is empty now
	evening := time.Date(2026, 11, 20, 21, 0, 0, 0, time.UTC)
	night := evening.Add(2 * time.Hour)
	neverThere := func(k *keeping) {
		k.entries = book.FromSite(rulestest.Site().Lots[0])
		k.SetBook(book.New(k.entries, k.BookOptions()))
	}
	into := func(k *keeping) {
		k.must(book.Entry{Lot: "2026-A", Kind: book.Moved, At: evening, To: "trough 1"}, evening)
	}
	eyed := func(k *keeping) {
		k.must(book.Entry{Lot: "2026-A", Kind: book.Eyed, At: evening.Add(-3 * time.Hour)}, evening)
	}
	hatched := func(k *keeping) {
		eyed(k)
		k.must(book.Entry{Lot: "2026-A", Kind: book.Hatched, Part: book.Half, At: evening.Add(-2 * time.Hour)}, evening)
	}
	swimming := func(k *keeping) {
		hatched(k)
		k.must(book.Entry{Lot: "2026-A", Kind: book.SwimUp, At: evening.Add(-time.Hour)}, evening)
		k.must(book.Entry{Lot: "2026-A", Kind: book.FirstFed, At: evening.Add(-time.Hour)}, evening)
	}
	weighed := func(k *keeping) {
		swimming(k)
		k.must(book.Entry{Lot: "2026-A", Kind: book.Weighed, At: evening, Sample: &book.Sample{Number: 10, WeightG: 25}}, evening)
	}
	for _, tt := range []struct {
		name     string
		do       []func(*keeping)
		at       time.Time
		setpoint float64 // 0: never raised
	}{
		{"empty", nil, evening, 0},
		{"never used: nothing is known", []func(*keeping){neverThere}, evening, 20},
		{"eggs: as written", []func(*keeping){into}, evening, 20},
		{"sac fry: as written", []func(*keeping){hatched, into}, evening, 20},
		{"fry", []func(*keeping){swimming, into}, evening, 30},
		{"fingerlings by day", []func(*keeping){weighed, into}, evening, 30},
		{"fingerlings by night", []func(*keeping){weighed, into}, night, 25},
		{"fry by night", []func(*keeping){swimming, into}, night, 30},
	} {
		t.Run(tt.name, func(t *testing.T) {
			for _, flow := range []float64{5, 19.9, 20, 24.9, 25, 29.9, 30} {
				k := &keeping{Engine: rules.New(s, program(t, s, whileRules)), t: t, site: s}
				for _, l := range s.Lots {
					k.entries = append(k.entries, book.FromSite(l)...)
				}
				for _, do := range tt.do {
					do(k)
				}
				r := rulestest.Reading("trough 1 flow", tt.at, flow)
				raised := false
				for _, tr := range k.Reading(tt.at, &r) {
					raised = raised || tr.Raised()
				}
				if want := flow < tt.setpoint; raised != want {
					t.Errorf("%g L/min: raised %v, want %v", flow, raised, want)
				}
			}
		})
	}
}

// An alarm that stands goes by the new setpoint from the next reading; one whose
// unit was emptied ends, and says why.
func TestSetpointChangesUnderAnAlarm(t *testing.T) {
	s := rulestest.Site()
	before := lot.Stay{Unit: "trough 1", From: s.Lots[0].Path[0].From.Add(-time.Hour)}
	s.Lots[0].Path = append([]lot.Stay{before}, s.Lots[0].Path...)
	k := &keeping{Engine: rules.New(s, program(t, s, whileRules)), t: t, site: s}
	for _, l := range s.Lots {
		k.entries = append(k.entries, book.FromSite(l)...)
	}
	now := time.Date(2026, 11, 21, 12, 0, 0, 0, time.UTC)
	flow := func(v float64) []alarm.Transition {
		now = now.Add(time.Minute)
		r := rulestest.Reading("trough 1 flow", now, v)
		return append([]alarm.Transition(nil), k.Reading(now, &r)...)
	}
	if trs := flow(3); len(trs) != 0 {
		t.Fatalf("empty: %+v", trs)
	}
	k.must(book.Entry{Lot: "2026-A", Kind: book.Moved, At: now, To: "trough 1"}, now)
	if trs := flow(3); len(trs) != 1 || !trs[0].Raised() || trs[0].Detail != "3.0 L/min, setpoint 20.0 L/min" {
		t.Fatalf("stocked: %+v", trs)
	}
	k.must(book.Entry{Lot: "2026-A", Kind: book.Moved, At: now, Unit: "trough 1", To: "stack 1"}, now)
	trs := flow(3)
	if len(trs) != 1 || !trs[0].Returned() || trs[0].Detail != "not watched with what the unit holds now, or at this hour" {
		t.Errorf("emptied: %+v", trs)
	}
	if trs := flow(3); len(trs) != 0 {
		t.Errorf("still empty: %+v", trs)
	}
}

// The hour comes between two readings: a tick switches, and a restart finds the
// same.
func TestSetpointByTheHour(t *testing.T) {
	s := rulestest.Site()
	s.Lots = nil // nothing is known of what units hold: as written
	const byHour = `
low_flow "trough" {
  covers { units = ["trough 1"] }
  setpoint   = "20 L/min"
  deadband   = "1 L/min"
  on_delay   = "2 min"
  off_delay  = "0 s"
  priority   = "call-out"
  can_happen = "Fry suffocate."
  to_do      = "Look at the screen."
  while {
    from     = "22:00"
    to       = "05:00"
    setpoint = "10 L/min"
    deadband = "1 L/min"
  }
}
`
	e := rules.New(s, program(t, s, byHour))
	now := time.Date(2026, 11, 20, 21, 58, 30, 0, time.UTC)
	raisedAt := func(until time.Time) (at time.Time) {
		for ; now.Before(until); now = now.Add(time.Second) {
			trs := e.Tick(now)
			if now.Second() == 30 {
				r := rulestest.Reading("trough 1 flow", now, 15)
				trs = append(append([]alarm.Transition(nil), trs...), e.Reading(now, &r)...)
			}
			for _, tr := range trs {
				if tr.Raised() && at.IsZero() {
					at = now
				}
			}
		}
		return at
	}
	if at := raisedAt(time.Date(2026, 11, 21, 5, 0, 0, 0, time.UTC)); !at.IsZero() {
		t.Errorf("raised at %v, when 15 L/min was right again before the on-delay was over", at)
	}
	if at := raisedAt(time.Date(2026, 11, 21, 5, 10, 0, 0, time.UTC)); at.IsZero() || at.Before(time.Date(2026, 11, 21, 5, 2, 0, 0, time.UTC)) || at.After(time.Date(2026, 11, 21, 5, 3, 30, 0, time.UTC)) {
		t.Errorf("raised at %v, want two minutes after the first reading past 05:00", at)
	}
}
