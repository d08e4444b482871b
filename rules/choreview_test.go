package rules_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

// How a chore stands: due, missed, done late for the hour that was missed, done
// early for the next. It is due at 16h of the night, 10:00, and a day later at 40h.
func TestChoresView(t *testing.T) {
	at := func(d time.Duration) time.Time { return rulestest.Start.Add(d) }
	for _, tt := range []struct {
		name  string
		lots  []lot.Lot
		done  time.Duration // 0 for never
		at    time.Duration
		wants string
	}{
		{"to be done", nil, 0, 2 * time.Hour, "due 16h0m0s"},
		{"missed", nil, 0, 17 * time.Hour, "missed 16h0m0s"},
		{"done early", nil, 3 * time.Hour, 4 * time.Hour, "due 40h0m0s, done 3h0m0s"},
		{"done late", nil, 17 * time.Hour, 18 * time.Hour, "due 40h0m0s, done 17h0m0s"},
		{"nothing lies there now", []lot.Lot{{ID: "x", Species: "brook trout", EggTake: at(-200 * time.Hour), Start: lot.SwimUp, Eggs: 1000, Path: []lot.Stay{{Unit: "trough 1", From: at(-2 * time.Hour)}, {Unit: "trough 2", From: at(-time.Hour)}}}}, 0, 2 * time.Hour, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := rulestest.Site()
			s.Lots, s.Chores[0].EvenEmpty = tt.lots, false
			e := engine(t, s, block("missed_chore", "c", `units = ["trough 1"]`, `chore = "cleaning"`))
			e.Tick(at(0))
			if tt.done > 0 {
				e.Tick(at(tt.done - time.Minute))
				e.ChoreDone(at(tt.done), site.ChoreDone{Chore: "cleaning", Unit: "trough 1", By: "kim", At: at(tt.done)})
			}
			e.Tick(at(tt.at))
			var got []string
			for _, c := range e.Chores(at(tt.at)) {
				if c.Chore.Name != "cleaning" || c.Unit != "trough 1" {
					t.Errorf("a chore that no rule watches: %s at %s", c.Chore.Name, c.Unit)
				}
				words := "due"
				if c.Missed {
					words = "missed"
				}
				got = append(got, fmt.Sprintf("%s %s", words, c.Due.Sub(at(0))))
				if !c.Done.IsZero() {
					got = append(got, "done "+c.Done.Sub(at(0)).String())
				}
			}
			if s := strings.Join(got, ", "); s != tt.wants {
				t.Errorf("got %q, want %q", s, tt.wants)
			}
		})
	}
}

// An alarm that stands says what to do and, once answered, by whom and when, also
// after what it follows from was answered.
func TestStandingSaysWho(t *testing.T) {
	e := engine(t, rulestest.Site(), block("missed_chore", "c", `units = ["trough 1"]`, `chore = "cleaning"`))
	at := func(d time.Duration) time.Time { return rulestest.Start.Add(d) }
	e.Tick(at(0))
	e.Tick(at(17 * time.Hour))
	all := e.Standing(at(17 * time.Hour))
	if len(all) != 1 || all[0].ToDo != "Look." || all[0].By != "" || all[0].State != alarm.Unacknowledged {
		t.Fatalf("got %+v", all)
	}
	if _, err := e.Acknowledge(at(18*time.Hour), all[0].Key, "kim"); err != nil {
		t.Fatal(err)
	}
	all = e.Standing(at(19 * time.Hour))
	if len(all) != 1 || all[0].By != "kim" || !all[0].MovedAt.Equal(at(18*time.Hour)) {
		t.Errorf("got %+v", all)
	}
}
