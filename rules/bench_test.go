package rules_test

import (
	"fmt"
	"testing"
	"time"

	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

// benchSite has n flow probes, each with a unit of its own, and as many low-flow
// rules: one on each probe, or all of them on the first.
func benchSite(n int, onOne bool) (*site.Site, *lang.Program) {
	s := rulestest.Site()
	s.Units, s.Probes, s.Lots = nil, nil, nil
	prog := &lang.Program{}
	for i := range n {
		unit := fmt.Sprintf("trough %d", i)
		id := reading.ProbeID(unit + " flow")
		s.Units = append(s.Units, site.Unit{Name: unit, Kind: site.Trough})
		s.Probes = append(s.Probes, site.Probe{ID: id, Quantity: reading.Flow, At: unit, High: 400, Every: time.Minute})
		on := id
		if onOne {
			on = s.Probes[0].ID
		}
		prog.Rules = append(prog.Rules, lang.Rule{
			Kind: alarm.LowFlow, Name: unit, Priority: alarm.CallOut, OnDelay: time.Minute, OffDelay: 2 * time.Minute, Deadband: 2,
			Watches: []lang.Watch{{Unit: unit, Probe: on, Setpoint: 28}},
		})
	}
	return s, prog
}

var sink int

func benchReadings(b *testing.B, n int, onOne bool) {
	b.Helper()
	s, prog := benchSite(n, onOne)
	e := rules.New(s, prog)
	rs := make([]reading.Reading, len(s.Probes))
	for i := range rs {
		rs[i] = rulestest.Reading(s.Probes[i].ID, rulestest.Start, 38)
		if onOne {
			rs[i].Probe = s.Probes[0].ID
		}
	}
	now := rulestest.Start
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		r := &rs[i%len(rs)]
		now = now.Add(time.Millisecond)
		r.At, r.ArrivedAt = now, now
		sink += len(e.Reading(now, r))
	}
}

// BenchmarkReading is the cost of one reading by the number of rules: spread
// over as many probes, and, the worst case, all on the probe that speaks. The
// floor is the same loop, lookup of the probe included, without rules.
func BenchmarkReading(b *testing.B) {
	b.Run("floor", func(b *testing.B) {
		s, _ := benchSite(1000, false)
		byID := make(map[reading.ProbeID]*site.Probe)
		rs := make([]reading.Reading, len(s.Probes))
		for i := range rs {
			byID[s.Probes[i].ID] = &s.Probes[i]
			rs[i] = rulestest.Reading(s.Probes[i].ID, rulestest.Start, 38)
		}
		var kept reading.Reading
		now := rulestest.Start
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			r := &rs[i%len(rs)]
			now = now.Add(time.Millisecond)
			r.At, r.ArrivedAt = now, now
			if p := byID[r.Probe]; p != nil && r.Current() {
				kept = *r
			}
		}
		sink += int(kept.Value)
	})
	for _, n := range []int{1, 100, 1000} {
		b.Run(fmt.Sprintf("rules=%d/spread", n), func(b *testing.B) { benchReadings(b, n, false) })
		b.Run(fmt.Sprintf("rules=%d/one-probe", n), func(b *testing.B) { benchReadings(b, n, true) })
	}
	b.Run("drift", func(b *testing.B) {
		s := rulestest.Site()
		e := engine(b, s, drift)
		r := rulestest.Reading("spring temperature", rulestest.Start, 8)
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			r.At = r.At.Add(time.Second)
			r.Value = 8 + float64(i%17)/100
			sink += len(e.Reading(r.At, &r))
		}
	})
}

// BenchmarkTick is the cost of one tick of the clock over 1000 low-flow checks
// that are well, and over 1000 silence checks, which it has to judge.
func BenchmarkTick(b *testing.B) {
	for _, kind := range []alarm.Kind{alarm.LowFlow, alarm.SilentProbe} {
		b.Run(string(kind), func(b *testing.B) {
			s, prog := benchSite(1000, false)
			for i := range prog.Rules {
				prog.Rules[i].Kind = kind
				prog.Rules[i].Watches[0].After = 1000 * time.Hour
			}
			e := rules.New(s, prog)
			now := rulestest.Start
			b.ReportAllocs()
			for b.Loop() {
				now = now.Add(time.Millisecond)
				sink += len(e.Tick(now))
			}
		})
	}
}

// manyLots is a site of ten years: 300 finished lots and 40 living ones, 6 or 7
// entries each, through three units of 40, counted from readings every hour.
func manyLots(b *testing.B) (e *rules.Engine, entries []book.Entry, now time.Time) {
	b.Helper()
	s := rulestest.Site()
	s.Units, s.Probes, s.Lots = nil, nil, nil
	for i := range 40 {
		unit, kind := fmt.Sprintf("unit %d", i), site.Stack
		if i >= 20 {
			kind = site.Trough
		}
		s.Units = append(s.Units, site.Unit{Name: unit, Kind: kind, VolumeL: 300, DesignFlowLPM: 40})
		p := site.Probe{ID: reading.ProbeID(unit + " temperature"), Quantity: reading.Temperature, At: unit, High: 30, Every: time.Hour}
		if i > 0 {
			p.StandIn = "unit 0 temperature"
		}
		s.Probes = append(s.Probes, p)
	}
	now = rulestest.Start
	e = rules.New(s, &lang.Program{})
	if _, err := e.Rebuild(now, rules.Past{Readings: sequence(nil), WatchingSince: now.AddDate(-10, 0, 0)}); err != nil {
		b.Fatal(err)
	}
	add := func(lotID string, day int, x book.Entry, took time.Time) {
		x.Seq = int64(len(entries) + 1)
		x.Lot, x.ID, x.By, x.At = lotID, fmt.Sprint("entry ", x.Seq), "kim", took.AddDate(0, 0, day)
		entries = append(entries, x)
	}
	for i := range 340 {
		took, days := now.AddDate(0, 0, -200-10*i), 200
		if i < 40 {
			took, days = now.AddDate(0, 0, -1-2*i), 1+2*i
		}
		id := fmt.Sprint("lot ", i)
		stack, next, trough := fmt.Sprintf("unit %d", i%20), fmt.Sprintf("unit %d", (i+1)%20), fmt.Sprintf("unit %d", 20+i%20)
		for _, x := range []struct {
			day int
			e   book.Entry
		}{
			{0, book.Entry{Kind: book.Opened, Unit: stack, Open: &book.Opening{Species: "rainbow trout", EggTake: took, Start: lot.Green, Count: book.Count{Method: book.Direct, Number: 10000}}}},
			{1, book.Entry{Kind: book.Moved, Unit: stack, To: next, Number: 4000}},
			{22, book.Entry{Kind: book.Eyed}},
			{23, book.Entry{Kind: book.Picked, Unit: stack, Number: 200}},
			{42, book.Entry{Kind: book.Hatched, Part: book.Half}},
			{60, book.Entry{Kind: book.Moved, Unit: next, To: trough}},
			{180, book.Entry{Kind: book.Shipped, Place: "Lower pond"}},
		} {
			if x.day < days {
				add(id, x.day, x.e, took)
			}
		}
	}
	e.SetBook(book.New(entries, e.BookOptions()))
	for range 2 {
		for _, src := range e.Sources() {
			to := src.To
			if to.IsZero() || to.After(now) {
				to = now
			}
			hourly := func(yield func(reading.Reading, error) bool) {
				for at := src.From; at.Before(to); at = at.Add(time.Hour) {
					if !yield(rulestest.Reading(src.Main, at, 10), nil) {
						return
					}
				}
			}
			if err := e.Recount(src.Span, hourly, hourly, nil); err != nil {
				b.Fatal(err)
			}
		}
		e.SetBook(book.New(entries, e.BookOptions()))
	}
	for _, l := range e.Lots(now) {
		if l.Counting || l.Units.DegreeDays < 9 {
			b.Fatalf("%s: %+v", l.Lot.ID, l.Units)
		}
	}
	return e, entries, now
}

// BenchmarkLots is what 40 living and 300 finished lots cost: a tick and the
// views that follow it every second, the tick that foretells anew (every ten
// minutes), and an entry: its check, and the book anew.
func BenchmarkLots(b *testing.B) {
	e, entries, now := manyLots(b)
	b.Logf("%d entries", len(entries))
	b.Run("tick and views", func(b *testing.B) {
		e.Tick(now)
		b.ReportAllocs()
		for b.Loop() {
			sink += len(e.Tick(now)) + len(e.Lots(now)) + len(e.Standing(now))
		}
	})
	b.Run("foretell", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			now = now.Add(10 * time.Minute)
			sink += len(e.Tick(now))
		}
	})
	b.Run("set book", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			e.SetBook(book.New(entries, e.BookOptions()))
		}
	})
	b.Run("tick after entry", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			e.SetBook(e.Book())
			sink += len(e.Tick(now))
		}
	})
	b.Run("check", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := e.Book().Check(book.Entry{ID: "x", Lot: "lot 5", Kind: book.Picked, Unit: "unit 5", Number: 5, At: now, By: "kim"}, now); err != nil {
				b.Fatal(err)
			}
		}
	})
}
