package rules_test

import (
	"fmt"
	"testing"
	"time"

	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
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
