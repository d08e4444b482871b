package ledger_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/rules/reading"
)

func snapshot(tb testing.TB, l *ledger.Ledger) int64 {
	tb.Helper()
	seq, err := l.Snapshot(tb.Context())
	ok(tb, err)
	return seq
}

// odd are values that a careless copy would change.
var odd = []float64{0, math.Copysign(0, -1), 5e-324, -2.2250738585072011e-308, 1e300, -math.MaxFloat64, 0.1, 1.0 / 3, 1 << 53, 7}

// exact makes readings comparable to the bit: 0 and -0 are equal floats.
func exact(rs []reading.Reading) []string {
	s := make([]string, len(rs))
	for i, r := range rs {
		s[i] = fmt.Sprintf("%x %+v", math.Float64bits(r.Value), r)
	}
	return s
}

func TestOddValuesKeepTheirBits(t *testing.T) {
	l := ledgertest.MustOpen(t)
	var all []reading.Reading
	for i, v := range odd {
		r := one("p", time.Duration(i)*time.Second, v)
		r.Flags = reading.ClockUntrusted | reading.DeviceTimed
		all = append(all, r)
	}
	commit(t, l, ledger.Batch{Readings: all})
	equal(t, "by time", exact(collect(t, l.Readings(t.Context(), "p", at(0), at(time.Hour)))), exact(all))
	equal(t, "by arrival", exact(collect(t, l.ReadingsByArrival(t.Context(), at(0)))), exact(all))
}

// held is a model of the readings in a ledger, in order of commit.
type held struct {
	rows []seqReading
	last int64
}

type seqReading struct {
	seq int64
	reading.Reading
}

func (h *held) commit(rs []reading.Reading) {
	for _, r := range rs {
		if !slices.ContainsFunc(h.rows, func(o seqReading) bool { return o.Probe == r.Probe && o.At.Equal(r.At) && o.Value == r.Value }) {
			h.last++
			h.rows = append(h.rows, seqReading{h.last, r})
		}
	}
}

func (h *held) period(probe reading.ProbeID, from, to time.Time, snapshot int64) []reading.Reading {
	var in []seqReading
	for _, r := range h.rows {
		if r.Probe == probe && !r.At.Before(from) && r.At.Before(to) && r.seq <= snapshot {
			in = append(in, r)
		}
	}
	slices.SortStableFunc(in, func(a, b seqReading) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.seq, b.seq)) })
	var rs []reading.Reading
	for _, r := range in {
		rs = append(rs, r.Reading)
	}
	return rs
}

func (h *held) drop(from, to time.Time, snapshot int64) int {
	before := len(h.rows)
	h.rows = slices.DeleteFunc(h.rows, func(r seqReading) bool {
		return !r.At.Before(from) && r.At.Before(to) && r.seq <= snapshot
	})
	return before - len(h.rows)
}

// TestPeriodsAgainstModel commits, drops and restarts at random and holds all
// that is read of periods against the same done in memory.
func TestPeriodsAgainstModel(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := ledgertest.MustOpenAt(t, path)
	var model held
	probes := []reading.ProbeID{"a", "b", "c"}
	minute := func() time.Time { return at(time.Duration(rng.IntN(100)) * time.Minute) }
	snapshots := []int64{0}
	for step := range 100 {
		switch rng.IntN(6) {
		case 0:
			from, to, s := minute(), minute(), snapshots[rng.IntN(len(snapshots))]
			n, err := l.DropPeriod(t.Context(), from, to, s)
			ok(t, err)
			equal(t, "dropped", n, model.drop(from, to, s))
			n, err = l.DropPeriod(t.Context(), from, to, s)
			ok(t, err)
			equal(t, "dropped again", n, 0)
		case 1:
			ok(t, l.Close())
			l = ledgertest.MustOpenAt(t, path)
		default:
			var rs []reading.Reading
			for range 1 + rng.IntN(8) {
				r := one(probes[rng.IntN(len(probes))], 0, odd[rng.IntN(len(odd))])
				r.At = minute()
				r.ArrivedAt = at(time.Duration(step) * time.Hour)
				rs = append(rs, r)
			}
			commit(t, l, ledger.Batch{Readings: rs})
			model.commit(rs)
			snapshots = append(snapshots, model.last)
		}
		equal(t, "snapshot", snapshot(t, l), model.last)
		from, to, s := minute(), minute(), snapshots[rng.IntN(len(snapshots))]
		var with []reading.ProbeID
		for _, p := range probes {
			want := model.period(p, from, to, s)
			equal(t, "period", exact(collect(t, l.PeriodReadings(t.Context(), p, from, to, s))), exact(want))
			if want != nil {
				with = append(with, p)
			}
		}
		got, err := l.PeriodProbes(t.Context(), from, to, s)
		ok(t, err)
		equal(t, "probes", got, with)
		first, last, any, err := l.Span(t.Context())
		ok(t, err)
		if any != (len(model.rows) > 0) {
			t.Fatalf("span of %d rows: %v", len(model.rows), any)
		}
		if any {
			byTime := func(a, b seqReading) int { return a.At.Compare(b.At) }
			equal(t, "first", first, slices.MinFunc(model.rows, byTime).At)
			equal(t, "last", last, slices.MaxFunc(model.rows, byTime).At)
		}
		if t.Failed() {
			t.Fatalf("at step %d", step)
		}
	}
}

// A dropped reading's place in the order is not given to another, even if all
// are dropped and the ledger is opened anew.
func TestDroppingAllKeepsTheOrder(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := ledgertest.MustOpenAt(t, path)
	var all []reading.Reading
	for i := range 10_000 { // more than two transactions of dropping
		all = append(all, one(reading.ProbeID(fmt.Sprint("p", i%7)), time.Duration(i)*time.Second, 1))
	}
	commit(t, l, ledger.Batch{Readings: all})
	n, err := l.DropPeriod(t.Context(), at(0), at(10_000*time.Second), 9_990)
	ok(t, err)
	equal(t, "dropped", n, 9_990)
	equal(t, "left", collect(t, l.ReadingsByArrival(t.Context(), at(0))), all[9_990:])
	n, err = l.DropPeriod(t.Context(), at(0), at(10_000*time.Second), math.MaxInt64)
	ok(t, err)
	equal(t, "dropped", n, 10)
	ok(t, l.Close())
	l = ledgertest.MustOpenAt(t, path)
	equal(t, "snapshot", snapshot(t, l), 10_000)
	if _, _, any, err := l.Span(t.Context()); any || err != nil {
		t.Errorf("span of nothing: %v, %v", any, err)
	}
	later := []reading.Reading{one("p1", 20_000*time.Second, 2), all[0]}
	equal(t, "committed", commit(t, l, ledger.Batch{Readings: later}), ledger.Committed{Stored: 2})
	equal(t, "snapshot", snapshot(t, l), 10_002)
	for i := range 2000 { // over a full block of arrivals
		later = append(later, one("q", time.Duration(30_000+i)*time.Second, 1))
	}
	commit(t, l, ledger.Batch{Readings: later[2:]})
	equal(t, "by arrival", collect(t, l.ReadingsByArrival(t.Context(), at(30_500*time.Second))), later[502:])
}

func TestDropHeedsItsContext(t *testing.T) {
	l := ledgertest.MustOpen(t)
	commit(t, l, ledger.Batch{Readings: []reading.Reading{one("p", 0, 1)}})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if n, err := l.DropPeriod(ctx, at(0), at(time.Hour), 1); n != 0 || !errors.Is(err, context.Canceled) {
		t.Errorf("dropped %d, error %v", n, err)
	}
	equal(t, "left", len(collect(t, l.Readings(t.Context(), "p", at(0), at(time.Hour)))), 1)
}

func TestCorrectClock(t *testing.T) {
	timed := one("p", time.Hour+2*time.Second, 7) // stays where another will come
	timed.Flags, timed.DeviceAt = reading.DeviceTimed, timed.At
	timedUnsure := one("p", 20*time.Second, 7)
	timedUnsure.Flags, timedUnsure.DeviceAt = reading.DeviceTimed|reading.ClockUntrusted, timedUnsure.At
	right := one("q", time.Hour+time.Second, 5) // came when the clock was right again
	unsure := func(probe reading.ProbeID, after time.Duration, v float64) reading.Reading {
		r := one(probe, after, v)
		r.Flags = reading.ClockUntrusted
		return r
	}
	future := unsure("p", 3*time.Second, 8)
	future.Flags, future.DeviceAt = future.Flags|reading.FutureTime, at(time.Hour)
	// From an earlier time without a clock, whose length is not known.
	before := []reading.Reading{one("p", 0, 7), unsure("q", 0, 7)}
	stay := append(slices.Clone(before), timed, timedUnsure, right)
	// Ten seconds of the same value, a second apart: each meets its
	// neighbour's old place on the way.
	var after []reading.Reading
	for i := 1; i <= 10; i++ {
		after = append(after, unsure("p", time.Duration(i)*time.Second, 7))
	}
	after = append(after, future, timed, timedUnsure, unsure("q", 1*time.Second, 5), right)

	tests := []struct {
		name string
		by   time.Duration
	}{{"forward", time.Hour}, {"by one step", time.Second}, {"back by one step", -time.Second}, {"years", 56 * 365 * 24 * time.Hour}, {"not at all", 0}}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l := ledgertest.MustOpen(t)
			commit(t, l, ledger.Batch{Readings: before})
			since := snapshot(t, l)
			commit(t, l, ledger.Batch{Readings: after})
			want := slices.Clone(before)
			for _, r := range after {
				if r.Flags.Has(reading.ClockUntrusted) && !r.Flags.Has(reading.DeviceTimed) {
					r.At, r.ArrivedAt = r.At.Add(tt.by), r.ArrivedAt.Add(tt.by)
					r.Flags = r.Flags&^reading.ClockUntrusted | reading.ClockCorrected
					// Its place may be taken by one that stays.
					if slices.ContainsFunc(stay, func(s reading.Reading) bool {
						return s.Probe == r.Probe && s.Value == r.Value && s.At.Equal(r.At)
					}) {
						r.At = r.At.Add(time.Microsecond)
					}
				}
				want = append(want, r)
			}
			n, err := l.CorrectClock(t.Context(), since, tt.by)
			ok(t, err)
			equal(t, "moved", n, 12)
			check := func() {
				t.Helper()
				equal(t, "by arrival", collect(t, l.ReadingsByArrival(t.Context(), time.Time{})), want)
				equal(t, "of p", len(collect(t, l.Readings(t.Context(), "p", at(-time.Hour), at(60*365*24*time.Hour)))), 14)
			}
			check()
			n, err = l.CorrectClock(t.Context(), since, tt.by)
			ok(t, err)
			equal(t, "moved again", n, 0)
			check()
		})
	}
}

// After the clock was put right, what arrived is found by its new times.
func TestCorrectedArrivalsAreFound(t *testing.T) {
	l := ledgertest.MustOpen(t)
	const n = 3000
	var rs []reading.Reading
	for i := range n {
		r := one("p", time.Duration(i)*time.Second, float64(i))
		r.Flags = reading.ClockUntrusted
		rs = append(rs, r)
	}
	commit(t, l, ledger.Batch{Readings: rs})
	_, err := l.CorrectClock(t.Context(), 1500, 1000*time.Hour)
	ok(t, err)
	for _, since := range []time.Duration{0, 1600 * time.Second, 1000 * time.Hour, 1000*time.Hour + 2000*time.Second, 1000*time.Hour + n*time.Second} {
		want := 0
		for i := range rs {
			arrived := time.Duration(i) * time.Second
			if i >= 1500 {
				arrived += 1000 * time.Hour
			}
			if arrived >= since {
				want++
			}
		}
		equal(t, "since "+since.String(), len(collect(t, l.ReadingsByArrival(t.Context(), at(since)))), want)
	}
}

// TestBackupWhileWriting copies the ledger over and over while it is written:
// each copy is sound, and holds the readings up to one moment and no others.
func TestBackupWhileWriting(t *testing.T) {
	l := ledgertest.MustOpen(t)
	var writer sync.WaitGroup
	stop := make(chan struct{})
	writing := make(chan struct{}, 1)
	writer.Go(func() {
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			default:
			}
			rs := []reading.Reading{one("p", time.Duration(i)*time.Second, float64(i)), one("q", time.Duration(i)*time.Second, float64(i))}
			if _, err := l.Commit(context.Background(), ledger.Batch{Readings: rs}); err != nil {
				t.Errorf("commit: %v", err)
				return
			}
			select {
			case writing <- struct{}{}:
			default:
			}
		}
	})
	defer writer.Wait()
	defer close(stop)
	previous := 0
	for i := range 5 {
		<-writing
		<-writing
		path := filepath.Join(t.TempDir(), fmt.Sprint(i))
		least := snapshot(t, l)
		ok(t, l.Backup(t.Context(), path))
		most := snapshot(t, l)
		fi, err := os.Stat(path)
		ok(t, err)
		if fi.Mode() != 0o600 {
			t.Errorf("mode %v", fi.Mode())
		}
		c, err := ledger.OpenReader(t.Context(), path)
		ok(t, err)
		ok(t, c.Check(t.Context()))
		n := snapshot(t, c)
		if n < least || n > most || n%2 != 0 {
			t.Errorf("%d rows copied, want an even number from %d to %d", n, least, most)
		}
		ps := collect(t, c.Readings(t.Context(), "p", at(0), at(1e6*time.Second)))
		if len(ps) != int(n)/2 || ps[len(ps)-1].Value != float64(n/2-1) {
			t.Errorf("%d readings of p in %d rows", len(ps), n)
		}
		ok(t, c.Close())
		if others, err := filepath.Glob(path + "-*"); len(others) > 0 || err != nil {
			t.Errorf("beside the copy: %v %v", others, err)
		}
		if len(ps) <= previous {
			t.Errorf("copy %d has %d, no more than the one before", i, len(ps))
		}
		previous = len(ps)
	}
}

func TestBackupRefuses(t *testing.T) {
	l := ledgertest.MustOpen(t)
	dir := t.TempDir()
	taken := filepath.Join(dir, "taken")
	ok(t, os.WriteFile(taken, nil, 0o600))
	if err := l.Backup(t.Context(), taken); !errors.Is(err, os.ErrExist) {
		t.Errorf("over a file: error %v, want %v", err, os.ErrExist)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	path := filepath.Join(dir, "new")
	if err := l.Backup(ctx, path); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want %v", err, context.Canceled)
	}
	if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a failed backup left its file (%v)", err)
	}
}

// A reader sees what another ledger commits, and cannot write.
func TestReader(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	if _, err := ledger.OpenReader(t.Context(), path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no file: error %v, want %v", err, os.ErrNotExist)
	}
	if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the reader made a file (%v)", err)
	}
	l := ledgertest.MustOpenAt(t, path)
	r, err := ledger.OpenReader(t.Context(), path)
	ok(t, err)
	for i := range 3 {
		commit(t, l, ledger.Batch{Readings: []reading.Reading{one("p", time.Duration(i)*time.Second, 1)}})
		equal(t, "readings", len(collect(t, r.ReadingsByArrival(t.Context(), at(0)))), i+1)
	}
	if _, err := r.Commit(t.Context(), ledger.Batch{}); err == nil {
		t.Error("a reader committed")
	}
	if _, err := r.DropPeriod(t.Context(), at(0), at(time.Hour), 3); err == nil {
		t.Error("a reader dropped readings")
	}
	ok(t, r.Close())
	ok(t, r.Close())
	if _, err := r.Commit(t.Context(), ledger.Batch{}); !errors.Is(err, os.ErrClosed) {
		t.Errorf("after close: error %v, want %v", err, os.ErrClosed)
	}
	commit(t, l, ledger.Batch{Readings: []reading.Reading{one("p", 9*time.Second, 1)}})
}
