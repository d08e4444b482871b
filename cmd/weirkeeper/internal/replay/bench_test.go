package replay_test

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/replay"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/ingest/series"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// historyStart is where the two years of ingest/series begin.
var historyStart = time.Date(2029, time.January, 1, 0, 0, 0, 0, time.UTC)

// hundred is a site of 100 temperature probes, one to a unit, and n rules over
// them, each on one probe: bands and, with mixed, silence, drift and departure
// from the spring too.
func hundred(n int, mixed bool) (*site.Site, *lang.Program) {
	s := &site.Site{Name: "Hundred", PressureHPa: 1013.25, Location: time.UTC, Show: site.Show{Temperature: measure.DegC, Flow: measure.LPM, Oxygen: measure.MgL}}
	for i := range 100 {
		u := site.Unit{Name: fmt.Sprintf("unit %d", i), Kind: site.Trough}
		if i == 0 {
			u.Kind = site.Spring
		}
		s.Units = append(s.Units, u)
		s.Probes = append(s.Probes, site.Probe{ID: reading.ProbeID(u.Name + " temperature"), Quantity: reading.Temperature, At: u.Name, Low: -1, High: 40, Every: time.Minute})
	}
	prog := &lang.Program{}
	for i := range n {
		r := lang.Rule{
			Kind: alarm.TemperatureBand, Name: fmt.Sprint("rule ", i), Priority: alarm.CallOut, OnDelay: 5 * time.Minute, OffDelay: 10 * time.Minute, Deadband: 0.3,
			Low: 4, High: 14, HasLow: true, HasHigh: true,
			Watches: []lang.Watch{{Unit: s.Units[i%100].Name, Probe: s.Probes[i%100].ID}},
		}
		if mixed {
			switch i % 4 {
			case 1:
				r.Kind, r.OnDelay, r.Watches[0].After = alarm.SilentProbe, 0, 15*time.Minute
			case 2:
				r.Kind, r.Departure, r.Window = alarm.TemperatureDrift, 2, 24*time.Hour
			case 3:
				r.Kind, r.Departure = alarm.FromSpring, 5
			}
		}
		prog.Rules = append(prog.Rules, r)
	}
	return s, prog
}

// count is what reading all streams in order of arrival costs without an engine.
func count(b *testing.B, streams []replay.Stream) (n int) {
	b.Helper()
	err := replay.Each(streams, func(*reading.Reading) { n++ })
	if err != nil {
		b.Fatal(err)
	}
	return n
}

// cpu is the processor time of this process so far, the collector's with it: on
// a machine that others use too, the time on the wall says nothing.
func cpu(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func bench(b *testing.B, s *site.Site, streams func(from, to time.Time) []replay.Stream, from, to time.Time) {
	b.Helper()
	rate := func(b *testing.B, run func() int) {
		b.Helper()
		b.ReportAllocs()
		n, began := 0, cpu(b)
		for b.Loop() {
			n += run()
		}
		b.ReportMetric(float64(n)/(cpu(b)-began).Seconds(), "readings/cpu-s")
		b.ReportMetric(float64(n)/float64(b.N), "readings/op")
	}
	b.Run("floor=each stream by itself", func(b *testing.B) {
		rate(b, func() (n int) {
			for _, st := range streams(from, to) {
				for _, err := range st {
					if err != nil {
						b.Fatal(err)
					}
					n++
				}
			}
			return n
		})
	})
	b.Run("floor=in order of arrival", func(b *testing.B) { rate(b, func() int { return count(b, streams(from, to)) }) })
	for _, mixed := range []bool{false, true} {
		for _, n := range []int{0, 100} {
			if n == 0 && mixed {
				continue
			}
			_, prog := hundred(n, mixed)
			b.Run(fmt.Sprintf("rules=%d/mixed=%v", n, mixed), func(b *testing.B) {
				rate(b, func() int {
					played, _, err := replay.Run(b.Context(), replay.Input{Site: s, From: from, To: to, Streams: streams}, false, prog)
					if err != nil {
						b.Fatal(err)
					}
					return played.Readings
				})
			})
		}
	}
}

// BenchmarkMemory replays a week of 100 probes at one reading a minute that lie
// in memory, through 100 rules.
func BenchmarkMemory(b *testing.B) {
	s, _ := hundred(0, false)
	rows := make([][]reading.Reading, len(s.Probes))
	from := historyStart
	to := from.AddDate(0, 0, 7)
	for i := range rows {
		rng := rand.New(rand.NewPCG(uint64(i), 1))
		for t := from; t.Before(to); t = t.Add(time.Minute) {
			at := t.Add(100*time.Millisecond + time.Duration(20e6*rng.NormFloat64())).Truncate(time.Microsecond)
			rows[i] = append(rows[i], reading.Reading{Probe: s.Probes[i].ID, At: at, ArrivedAt: at, Value: 9 + 0.04*rng.NormFloat64()})
		}
	}
	bench(b, s, func(_, _ time.Time) []replay.Stream {
		var all []replay.Stream
		for _, r := range rows {
			all = append(all, replay.Slice(r))
		}
		return all
	}, from, to)
}

// BenchmarkSealed replays a month of the sealed history that the benchmarks of
// ingest/series make (see there): 4.5 million readings of 100 probes.
func BenchmarkSealed(b *testing.B) {
	dir := os.Getenv("WEIRKEEPER_HISTORY")
	if dir == "" {
		b.Skip("WEIRKEEPER_HISTORY names no folder for two years of history")
	}
	st, err := series.Open(b.Context(), series.Options{
		Dir: filepath.Join(dir, "series"), Ledger: ledgertest.MustOpen(b), Period: series.Month, Now: func() time.Time { return historyStart.AddDate(2, 0, 0) }, Log: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		b.Fatal(err)
	}
	s, _ := hundred(0, false)
	ctx := context.WithoutCancel(b.Context())
	bench(b, s, func(from, to time.Time) []replay.Stream {
		var all []replay.Stream
		for i := range s.Probes {
			all = append(all, st.Readings(ctx, s.Probes[i].ID, from, to))
		}
		return all
	}, historyStart, historyStart.AddDate(0, 1, 0))
}
