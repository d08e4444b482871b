package rules_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

// nearLots are lots with something due within the night, for notices.
func nearLots(s *site.Site) {
	for i, units := range []measure.DegreeDays{184, 186.7, 189.1, 191.3, 194} {
		s.Lots = append(s.Lots, lot.Lot{
			ID: string(rune('B' + i)), Species: "brook trout", EggTake: rulestest.Start.AddDate(0, 0, -30), Start: lot.Green, StartUnits: units, Eggs: 1000,
			Path: []lot.Stay{{Unit: "stack 2", From: rulestest.Start.Add(-time.Hour)}},
		})
	}
}

// passed ticks at the whole seconds after from and before to, every one or only
// those from Due on, and counts what was not skipped.
func passed(e *rules.Engine, from, to time.Time, every bool, took func([]alarm.Transition)) (ticks int) {
	for at := from.Truncate(time.Second).Add(time.Second); at.Before(to); at = at.Add(time.Second) {
		if due := e.Due(); !every && due.After(at) {
			if at = due.Truncate(time.Second); at.Before(due) {
				at = at.Add(time.Second)
			}
			if !at.Before(to) {
				break
			}
		}
		ticks++
		if every {
			e.Wake()
		}
		took(e.Tick(at))
	}
	return ticks
}

// unruly are the kinds that judge probes, with limits that calm's wild water goes
// over now and then.
var unruly = block("stuck_probe", "s", "all = true\nexcept = [\"head box\"]", `longer_than = "2 h"`) +
	block("jumping_probe", "j", `kinds = ["trough", "raceway"]`+"\n"+`quantities = ["temperature"]`, `change = "3 degC"; within = "2 min"; times = 3`) +
	block("impossible_value", "i", "all = true\nexcept = [\"head box\"]", `on_delay = "2 min"`) +
	block("probe_in_air", "a", `kinds = ["stack"]`, `departure = "3 degC"; on_delay = "5 min"; off_delay = "5 min"`)

// An engine that is ticked only from Due on goes the way of one that is ticked
// at every second, to the byte: the clock stepping, parts failing, chores done
// and lots coming near included. Each seed takes other hours of its night.
func TestTicksMaySleepUntilDue(t *testing.T) {
	lots := rulestest.Site()
	nearLots(lots)
	lots.Chores[0].By = []int{10*60 + 7, 19*60 + 23}
	for _, tt := range []struct {
		name  string
		site  *site.Site
		rules string
		life  func(rnd *rand.Rand, s *site.Site) []happening
		least int // bytes of transitions
	}{
		{"wild water", lots, everything + unruly + byHour + unitFlow, func(rnd *rand.Rand, s *site.Site) []happening { return dry(calm(rnd, s)) }, 10_000},
		{"bad probes", rulestest.Site(), probeFaults, func(rnd *rand.Rand, _ *site.Site) []happening { return faulty(rnd) }, 500},
	} {
		for seed := range fewer(2) {
			t.Run(fmt.Sprintf("%s/%d", tt.name, seed), func(t *testing.T) { sleepUntilDue(t, tt.site, tt.rules, tt.life, seed, tt.least) })
		}
	}
}

func sleepUntilDue(t *testing.T, s *site.Site, text string, life func(*rand.Rand, *site.Site) []happening, seed uint64, least int) {
	t.Helper()
	from := rulestest.Start.Add(time.Duration(seed*7%30) * time.Hour)
	to := from.Add(150 * time.Minute)
	run := func(every bool) (out []byte, ticks int) {
		rnd := rand.New(rand.NewPCG(seed, 11))
		e := rules.New(s, program(t, s, text))
		if _, err := e.Rebuild(from, rules.Past{WatchingSince: rulestest.Start}); err != nil {
			t.Fatal(err)
		}
		var j journal
		took := func(trs []alarm.Transition) { j.transitions = append(j.transitions, trs...) }
		last, off := from, time.Duration(0)
		for _, h := range life(rnd, s) {
			if h.at.Before(from) || h.at.After(to) || h.r == nil && h.done == nil && !h.ack && h.act == nil && h.part == "" {
				continue // a tick
			}
			if seed%2 == 1 && rnd.IntN(4000) == 0 { // a step leaves the lots to be counted anew
				by := time.Duration(rnd.Int64N(int64(4*time.Hour))) - 2*time.Hour
				e.Shift(by)
				off, last = off+by, last.Add(by)
			}
			h.at = h.at.Add(off)
			if h.r != nil {
				r := *h.r
				r.At, r.ArrivedAt = r.At.Add(off), r.ArrivedAt.Add(off)
				h.r = &r
			}
			if h.act != nil {
				a := *h.act
				a.At = a.At.Add(off)
				if !a.Until.IsZero() {
					a.Until = a.Until.Add(off)
				}
				h.act = &a
			}
			ticks += passed(e, last, h.at, every, took)
			apply(t, e, &j, h)
			last = h.at
		}
		out, err := json.Marshal(j.transitions)
		if err != nil {
			t.Fatal(err)
		}
		return out, ticks
	}
	every, n := run(true)
	due, m := run(false)
	if d := cmp.Diff(string(every), string(due)); d != "" {
		t.Fatalf("not the same (-every second +from Due):\n%s", d)
	}
	if len(every) < least || m > n/5 {
		t.Errorf("%d bytes of transitions, %d ticks of %d", len(every), m, n)
	}
	t.Logf("%d bytes, %d of %d ticks", len(every), m, n)
}

// A clock that goes back without a word still gets its ticks.
func TestTickAfterTheClockWentBack(t *testing.T) {
	e := engine(t, rulestest.Site(), silent)
	e.Tick(rulestest.Start)
	e.Tick(rulestest.Start.Add(-time.Hour))
	if due := e.Due(); due.After(rulestest.Start) {
		t.Errorf("next due %v after the clock went back an hour", due.Sub(rulestest.Start))
	}
}
