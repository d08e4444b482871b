package rules_test

import (
	"fmt"
	"testing"
	"time"

	"weirkeeper/rules"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

// A chore at a unit in which nothing lies is not missed. It is due at 16h of the
// night, 10:00.
func TestChoresOfEmptyUnits(t *testing.T) {
	const key = "missed_chore/c/trough 1"
	at := func(d time.Duration) time.Time { return rulestest.Start.Add(d) }
	lotIn := func(unit string, from time.Duration) lot.Lot {
		return lot.Lot{ID: unit, Species: "brook trout", EggTake: at(-200 * time.Hour), Start: lot.SwimUp, Eggs: 1000, Path: []lot.Stay{{Unit: unit, From: at(from)}}}
	}
	moved := func(from, to string, d time.Duration) book.Entry {
		return book.Entry{Seq: 1, ID: "m", Lot: from, Kind: book.Moved, At: at(d), By: "kim", Unit: from, To: to}
	}
	for _, tt := range []struct {
		name      string
		lots      []lot.Lot
		entry     *book.Entry
		evenEmpty bool
		script    string
		want      string
	}{
		{"no lots recorded at all", nil, nil, false, "16h tick", "[16h0m0s raised KEY]"},
		{"a lot lies there", []lot.Lot{lotIn("trough 1", -time.Hour)}, nil, false, "16h tick", "[16h0m0s raised KEY]"},
		{"a lot lies elsewhere, none ever lay there", []lot.Lot{lotIn("trough 2", -time.Hour)}, nil, false, "16h tick", "[16h0m0s raised KEY]"},
		{"left before the hour, but even so", []lot.Lot{lotIn("trough 1", -time.Hour)}, &book.Entry{}, true, "16h tick", "[16h0m0s raised KEY]"},
		{"came at the hour", []lot.Lot{lotIn("trough 1", 16*time.Hour)}, nil, false, "16h tick", "[16h0m0s raised KEY]"},
		{"came after the hour: due the next day", []lot.Lot{lotIn("trough 1", 16*time.Hour+time.Minute)}, nil, false, "16h..40h tick every 1m", "[40h0m0s raised KEY]"},
		{"left before the hour", []lot.Lot{lotIn("trough 1", -time.Hour)}, &book.Entry{}, false, "16h..40h tick every 1m", "[]"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := rulestest.Site()
			s.Lots, s.Chores[0].EvenEmpty = tt.lots, tt.evenEmpty
			e := engine(t, s, block("missed_chore", "c", `units = ["trough 1"]`, `chore = "cleaning"`))
			if tt.entry != nil {
				e.SetBook(book.New(append(book.FromSite(tt.lots[0]), moved("trough 1", "trough 2", 15*time.Hour)), e.BookOptions()))
			}
			if got := fmt.Sprint(briefs(play(t, e, tt.script))); got != named(tt.want, key) {
				t.Errorf("got %s, want %s", got, named(tt.want, key))
			}
		})
	}

	t.Run("missed, and then emptied", func(t *testing.T) {
		s := rulestest.Site()
		s.Lots, s.Chores[0].EvenEmpty = []lot.Lot{lotIn("trough 1", -time.Hour)}, false
		e := engine(t, s, block("missed_chore", "c", `units = ["trough 1"]`, `chore = "cleaning"`))
		play(t, e, "16h tick")
		e.SetBook(book.New(append(book.FromSite(s.Lots[0]), moved("trough 1", "trough 2", 17*time.Hour)), e.BookOptions()))
		got := play(t, e, "17h tick")
		if len(got) != 1 || brief(got[0]) != "17h0m0s returned, not acknowledged "+key || got[0].Detail != "nothing lies there now" {
			t.Errorf("got %+v", got)
		}
	})
}

// The source's chores are done whatever lies where.
func TestChoresOfTheSpring(t *testing.T) {
	s := rulestest.Site()
	before := lot.Stay{Unit: "stack 2", From: s.Lots[0].Path[0].From.Add(-time.Hour)}
	s.Lots[0].Path = append([]lot.Stay{before}, s.Lots[0].Path...) // it is empty now
	s.Chores = append(s.Chores, site.Chore{Name: "clearing", Units: []string{"spring", "stack 2"}, By: []int{600}})
	e := engine(t, s, block("missed_chore", "c", "", `chore = "clearing"`))
	if got := fmt.Sprint(briefs(play(t, e, "16h tick"))); got != "[16h0m0s raised missed_chore/c/spring]" {
		t.Errorf("got %s", got)
	}
}

// Days of the week and holidays, live and after a restart.
func TestChoreDays(t *testing.T) {
	s := rulestest.Site() // the night begins on a Friday
	s.Chores[0].Weekdays = []time.Weekday{time.Saturday, time.Monday, time.Tuesday}
	s.Chores[0].Holidays = []site.Date{{Month: time.November, Day: 23}} // the Monday
	text := block("missed_chore", "c", `units = ["trough 1"]`, `chore = "cleaning"`)
	const day = 24 * time.Hour
	e := engine(t, s, text)
	script := "16h tick\n17h done cleaning @ trough 1\n17h..112h tick every 1h"
	raise := "88h0m0s raised " + "missed_chore/c/trough 1" // Tuesday
	got := briefs(play(t, e, script))
	if len(got) != 3 || got[2] != raise {
		t.Errorf("got %q", got)
	}
	again := rules.New(s, program(t, s, text))
	done := site.ChoreDone{Chore: "cleaning", Unit: "trough 1", At: rulestest.Start.Add(17 * time.Hour)}
	if _, err := again.Rebuild(rulestest.Start.Add(2*day), rules.Past{WatchingSince: rulestest.Start, ChoresDone: []site.ChoreDone{done}}); err != nil {
		t.Fatal(err)
	}
	if got := briefs(play(t, again, "48h..112h tick every 1h")); len(got) != 1 || got[0] != raise {
		t.Errorf("after a restart: %q", got)
	}
}
