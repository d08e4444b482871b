package ledger_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

var start = ledgertest.Start

func at(d time.Duration) time.Time { return start.Add(d) }

// one is a reading of a probe that arrives as it is taken.
func one(probe reading.ProbeID, d time.Duration, value float64) reading.Reading {
	return reading.Reading{Probe: probe, At: at(d), ArrivedAt: at(d), Value: value}
}

func commit(tb testing.TB, l *ledger.Ledger, b ledger.Batch) ledger.Committed {
	tb.Helper()
	done, err := l.Commit(tb.Context(), b)
	if err != nil {
		tb.Fatalf("commit: %v", err)
	}
	return done
}

func collect(tb testing.TB, seq iter.Seq2[reading.Reading, error]) []reading.Reading {
	tb.Helper()
	var all []reading.Reading
	for r, err := range seq {
		if err != nil {
			tb.Fatalf("read: %v", err)
		}
		all = append(all, r)
	}
	return all
}

func equal[T any](tb testing.TB, what string, got, want T) {
	tb.Helper()
	if reflect.DeepEqual(got, want) { // much faster, where there is much
		return
	}
	if diff := cmp.Diff(want, got); diff != "" {
		tb.Errorf("%s (-want +got):\n%s", what, diff)
	}
}

func options(path string) ledger.Options {
	return ledger.Options{Path: path, Now: func() time.Time { return start }, Log: slog.New(slog.DiscardHandler)}
}

func TestReadingKeepsEveryField(t *testing.T) {
	l := ledgertest.MustOpen(t)
	want := []reading.Reading{
		{Probe: "trough-3-flow", At: at(0), DeviceAt: at(0), ArrivedAt: at(90 * time.Millisecond), Value: 28.4, Flags: reading.DeviceTimed | reading.Late, MID: 65535},
		{Probe: "trough-3-flow", At: at(1234567 * time.Microsecond), ArrivedAt: at(1234567 * time.Microsecond), Value: -0.25},
		{Probe: "trough-3-flow", At: at(2 * time.Second), DeviceAt: at(time.Hour), ArrivedAt: at(2 * time.Second), Value: 1e-300, Flags: reading.FutureTime | reading.OutOfRange, MID: 1},
		{Probe: "trough-3-flow", At: time.Date(1969, 12, 31, 23, 0, 0, 0, time.UTC), ArrivedAt: at(3 * time.Second), Value: math.MaxFloat64},
	}
	commit(t, l, ledger.Batch{Readings: want})
	equal(t, "by arrival", collect(t, l.ReadingsByArrival(t.Context(), start)), want)
	equal(t, "by time", collect(t, l.Readings(t.Context(), "trough-3-flow", time.Unix(-1e6, 0), at(time.Hour))),
		[]reading.Reading{want[3], want[0], want[1], want[2]})
}

func TestTimesAreCutToMicroseconds(t *testing.T) {
	l := ledgertest.MustOpen(t)
	commit(t, l, ledger.Batch{Readings: []reading.Reading{one("p", 1999*time.Nanosecond, 1)}})
	got := collect(t, l.Readings(t.Context(), "p", at(1500*time.Nanosecond), at(2*time.Microsecond)))
	equal(t, "readings", got, []reading.Reading{one("p", 1*time.Microsecond, 1)})
}

func TestDuplicates(t *testing.T) {
	tests := []struct {
		name   string
		second reading.Reading
		want   ledger.Committed
	}{
		{"the same row", one("p", 0, 7), ledger.Committed{Duplicates: 1}},
		{"the same row under other flags", reading.Reading{Probe: "p", At: at(0), ArrivedAt: at(time.Hour), Value: 7, Flags: reading.Redelivered, MID: 9}, ledger.Committed{Duplicates: 1}},
		{"another value at the same time", one("p", 0, 7.5), ledger.Committed{Stored: 1}},
		{"the same value a microsecond later", one("p", time.Microsecond, 7), ledger.Committed{Stored: 1}},
		{"another probe", one("q", 0, 7), ledger.Committed{Stored: 1}},
	}
	for _, tt := range tests {
		for _, batches := range []int{1, 2} {
			t.Run(fmt.Sprintf("%s, %d batches", tt.name, batches), func(t *testing.T) {
				l := ledgertest.MustOpen(t)
				first, want := one("p", 0, 7), tt.want
				var got ledger.Committed
				if batches == 1 {
					want.Stored++
					got = commit(t, l, ledger.Batch{Readings: []reading.Reading{first, tt.second}})
				} else {
					commit(t, l, ledger.Batch{Readings: []reading.Reading{first}})
					got = commit(t, l, ledger.Batch{Readings: []reading.Reading{tt.second}})
				}
				equal(t, "committed", got, want)
				all := collect(t, l.ReadingsByArrival(t.Context(), time.Time{}))
				if len(all) != 1+tt.want.Stored {
					t.Errorf("%d rows kept, want %d", len(all), 1+tt.want.Stored)
				}
				equal(t, "the first row", all[0], first)
			})
		}
	}
}

func TestReadingsAreHalfOpenAndSorted(t *testing.T) {
	l := ledgertest.MustOpen(t)
	// Committed out of order; two values at 2 s, the greater one first.
	for _, r := range []reading.Reading{one("p", 3*time.Second, 3), one("p", 2*time.Second, 9), one("q", 2*time.Second, 5), one("p", 1*time.Second, 1), one("p", 2*time.Second, 2)} {
		commit(t, l, ledger.Batch{Readings: []reading.Reading{r}})
	}
	tests := []struct {
		name     string
		probe    reading.ProbeID
		from, to time.Duration
		want     []float64
	}{
		{"all", "p", 0, time.Hour, []float64{1, 9, 2, 3}},
		{"from is inside, to is not", "p", 1 * time.Second, 3 * time.Second, []float64{1, 9, 2}},
		{"just after from", "p", 1*time.Second + time.Microsecond, 3*time.Second + time.Microsecond, []float64{9, 2, 3}},
		{"the next range takes up where the last one ended", "p", 3 * time.Second, 9 * time.Second, []float64{3}},
		{"empty range", "p", 2 * time.Second, 2 * time.Second, nil},
		{"reversed range", "p", 3 * time.Second, 1 * time.Second, nil},
		{"another probe", "q", 0, time.Hour, []float64{5}},
		{"unknown probe", "r", 0, time.Hour, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got []float64
			for _, r := range collect(t, l.Readings(t.Context(), tt.probe, at(tt.from), at(tt.to))) {
				got = append(got, r.Value)
			}
			equal(t, "values", got, tt.want)
		})
	}
}

// Longer than two pages, with many rows at the times where pages meet.
func TestReadingsOverManyPages(t *testing.T) {
	l := ledgertest.MustOpen(t)
	const n = 10_000
	all := make([]reading.Reading, n)
	for i := range all {
		all[i] = one("p", time.Duration(i/50)*time.Second, float64((i*7919)%n))
	}
	commit(t, l, ledger.Batch{Readings: all})
	equal(t, "by time", collect(t, l.Readings(t.Context(), "p", at(0), at(time.Hour))), all)
	equal(t, "by arrival", collect(t, l.ReadingsByArrival(t.Context(), at(0))), all)
	for _, err := range l.Readings(t.Context(), "p", at(0), at(time.Hour)) {
		if err != nil {
			t.Error(err)
		}
		break // stopping early is no fault
	}
}

// A caller may use the ledger, both to read and to write, inside a loop.
func TestLedgerCanBeUsedWhileReading(t *testing.T) {
	l := ledgertest.MustOpen(t)
	commit(t, l, ledger.Batch{Readings: []reading.Reading{one("p", 0, 1), one("p", time.Second, 2)}})
	n := 0
	for r, err := range l.Readings(t.Context(), "p", at(0), at(time.Hour)) {
		if err != nil {
			t.Fatal(err)
		}
		for inner, err := range l.ReadingsByArrival(t.Context(), at(0)) {
			if err != nil {
				t.Fatal(err)
			}
			commit(t, l, ledger.Batch{Readings: []reading.Reading{one("q", time.Duration(n)*time.Second, r.Value*inner.Value)}})
			n++
		}
	}
	if n < 4 {
		t.Errorf("went through %d rows, want at least 4", n)
	}
}

func TestReadingsByArrival(t *testing.T) {
	l := ledgertest.MustOpen(t)
	if got := collect(t, l.ReadingsByArrival(t.Context(), time.Time{})); got != nil {
		t.Errorf("an empty ledger gave %v", got)
	}
	// 3,000 readings a second apart: full blocks of 1024 and a tail. From
	// 1,000 to 1,099 the clock was two hours ahead, from 2,000 to 2,099 five;
	// blocks begin in the midst of both. Every 500th is of a sample taken a
	// day before.
	var all []reading.Reading
	for i := range 3000 {
		r := one(reading.ProbeID(fmt.Sprintf("p%d", i%7)), time.Duration(i)*time.Second, float64(i))
		if i >= 1000 && i < 1100 {
			r.ArrivedAt = r.ArrivedAt.Add(2 * time.Hour)
		}
		if i >= 2000 && i < 2100 {
			r.ArrivedAt = r.ArrivedAt.Add(5 * time.Hour)
		}
		if i%500 == 0 {
			r.At = r.At.AddDate(0, 0, -1)
		}
		all = append(all, r)
	}
	for part := range slices.Chunk(all, 17) {
		commit(t, l, ledger.Batch{Readings: part})
	}
	for _, since := range []time.Duration{
		-time.Hour, 0, 500 * time.Second, 1022 * time.Second, 1023 * time.Second, 1024 * time.Second, 2999 * time.Second, 3000 * time.Second,
		2*time.Hour + 1022*time.Second, 2*time.Hour + 1023*time.Second, 2*time.Hour + 1100*time.Second,
		5*time.Hour + 2046*time.Second, 5*time.Hour + 2047*time.Second, 5*time.Hour + 2100*time.Second,
	} {
		t.Run(since.String(), func(t *testing.T) {
			var want []reading.Reading
			for _, r := range all {
				if !r.ArrivedAt.Before(at(since)) {
					want = append(want, r)
				}
			}
			equal(t, "readings", collect(t, l.ReadingsByArrival(t.Context(), at(since))), want)
		})
	}
}

func TestReadingErrorsEndTheLoop(t *testing.T) {
	l := ledgertest.MustOpen(t)
	commit(t, l, ledger.Batch{Readings: []reading.Reading{one("p", 0, 1)}})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for name, seq := range map[string]iter.Seq2[reading.Reading, error]{
		"by time":    l.Readings(ctx, "p", at(0), at(time.Hour)),
		"by arrival": l.ReadingsByArrival(ctx, at(0)),
	} {
		n := 0
		for _, err := range seq {
			n++
			if !errors.Is(err, context.Canceled) {
				t.Errorf("%s: error %v, want %v", name, err, context.Canceled)
			}
		}
		if n != 1 {
			t.Errorf("%s: yielded %d times, want once", name, n)
		}
	}
}

func TestLatestArrival(t *testing.T) {
	l := ledgertest.MustOpen(t)
	if _, ok, err := l.LatestArrival(t.Context()); ok || err != nil {
		t.Errorf("an empty ledger gave %v, %v", ok, err)
	}
	late := one("p", -time.Hour, 2)
	late.ArrivedAt = at(time.Minute)
	commit(t, l, ledger.Batch{Readings: []reading.Reading{one("p", 0, 1), late}})
	if got, ok, err := l.LatestArrival(t.Context()); !got.Equal(at(time.Minute)) || !ok || err != nil {
		t.Errorf("got %v, %v, %v, want %v", got, ok, err, at(time.Minute))
	}
}

func TestInFlight(t *testing.T) {
	l := ledgertest.MustOpen(t)
	var all []reading.Reading
	for i := range 6 {
		r := one("p", time.Duration(i)*time.Second, 1)
		r.MID = uint16(i % 3) // 0, 1, 2, 0, 1, 2
		all = append(all, r)
	}
	commit(t, l, ledger.Batch{Readings: all})
	for limit, want := range map[int][]reading.Reading{
		0:  {},
		3:  {all[5], all[4], all[2]},
		99: {all[5], all[4], all[2], all[1]},
	} {
		got, err := l.InFlight(t.Context(), limit)
		if err != nil {
			t.Fatal(err)
		}
		equal(t, fmt.Sprintf("last %d", limit), got, want)
	}
}

func TestCountReadings(t *testing.T) {
	l := ledgertest.MustOpen(t)
	commit(t, l, ledger.Batch{Readings: []reading.Reading{one("p", 0, 1), one("p", 1, 1), one("p", 2*time.Second, 1), one("q", 0, 1)}})
	got, err := l.CountReadings(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	// The second one is a duplicate: a nanosecond is cut off.
	equal(t, "counts", got, map[reading.ProbeID]int{"p": 2, "q": 1})
}

func transition(key alarm.Key, occurrence uint64, from, to alarm.State, d time.Duration) alarm.Transition {
	return alarm.Transition{
		Key: key, Kind: alarm.LowFlow, Occurrence: occurrence, From: from, To: to, At: at(d), Since: at(d - time.Minute), Priority: alarm.CallOut,
		Rule: "trough flow", RuleAt: "rules.hcl:14", Unit: "Trough 3", Probe: "trough-3-flow", Trouble: "Trough 3: low flow",
		Detail: "11.2 L/min, setpoint 28 L/min", CanHappen: "Fry suffocate.", ToDo: "Look at the screen.",
	}
}

func TestAlarms(t *testing.T) {
	l := ledgertest.MustOpen(t)
	raise := func(k alarm.Key, n uint64, d time.Duration) alarm.Transition {
		return transition(k, n, alarm.Normal, alarm.Unacknowledged, d)
	}
	ack := transition("a", 1, alarm.Unacknowledged, alarm.Acknowledged, 2*time.Minute)
	ack.By = "kim"
	bare := alarm.Transition{Key: "d", Kind: alarm.DaemonHealth, Occurrence: 7, From: alarm.Unacknowledged, To: alarm.ReturnedUnacknowledged, At: at(3 * time.Minute), Priority: alarm.Note}
	all := []alarm.Transition{
		raise("a", 1, 0), raise("b", 1, time.Minute), ack,
		transition("b", 1, alarm.Unacknowledged, alarm.Normal, 2*time.Minute),
		bare, raise("c", 4, 4*time.Minute), transition("c", 4, alarm.Unacknowledged, alarm.Normal, 5*time.Minute), raise("c", 5, 6*time.Minute),
	}
	for _, tr := range all {
		commit(t, l, ledger.Batch{Transitions: []alarm.Transition{tr}})
	}
	check := func() {
		t.Helper()
		standing, err := l.Standing(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		equal(t, "standing", standing, []alarm.Transition{ack, bare, all[7]})
		last, err := l.LastOccurrences(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		equal(t, "occurrences", last, map[alarm.Key]uint64{"a": 1, "b": 1, "c": 5, "d": 7})
		journal, err := l.Journal(t.Context(), at(0), at(time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		equal(t, "journal", journal, all)
	}
	check()
	commit(t, l, ledger.Batch{Transitions: all}) // the same again changes nothing
	check()
	part, err := l.Journal(t.Context(), at(time.Minute), at(3*time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	equal(t, "part of the journal", part, all[1:4])
}

func TestChoresDone(t *testing.T) {
	l := ledgertest.MustOpen(t)
	all := []site.ChoreDone{
		{Chore: "feeding", Unit: "Trough 1", By: "rowan", At: at(time.Hour)},
		{Chore: "clear intake", By: "kim", At: at(0)},
		{Chore: "feeding", Unit: "Trough 2", By: "rowan", At: at(time.Hour)},
	}
	commit(t, l, ledger.Batch{ChoresDone: all})
	commit(t, l, ledger.Batch{ChoresDone: all})
	for since, want := range map[time.Duration][]site.ChoreDone{
		0:                    {all[1], all[0], all[2]},
		time.Hour:            {all[0], all[2]},
		time.Hour + 1000_000: nil,
	} {
		got, err := l.ChoresDone(t.Context(), at(since))
		if err != nil {
			t.Fatal(err)
		}
		equal(t, "chores since "+since.String(), got, want)
	}
}

func TestCommitIsAllOrNothing(t *testing.T) {
	l := ledgertest.MustOpen(t)
	bad := one("new", time.Second, math.NaN())
	b := ledger.Batch{Readings: []reading.Reading{one("p", 0, 1), one("new", 0, 1)}, Transitions: []alarm.Transition{transition("a", 1, alarm.Normal, alarm.Unacknowledged, 0)}}
	refused := b
	refused.Readings = append(slices.Clone(b.Readings), bad)
	if _, err := l.Commit(t.Context(), refused); err == nil || !strings.Contains(err.Error(), `"new"`) {
		t.Errorf("a value that is not a number: error %v, want one that names the probe", err)
	}
	if got := collect(t, l.ReadingsByArrival(t.Context(), time.Time{})); got != nil {
		t.Errorf("half a batch was kept: %v", got)
	}
	// The probe's number was given back too.
	equal(t, "committed", commit(t, l, b), ledger.Committed{Stored: 2})
	equal(t, "readings", collect(t, l.ReadingsByArrival(t.Context(), time.Time{})), b.Readings)
}

func TestCommitHeedsItsContextBeforeItBegins(t *testing.T) {
	l := ledgertest.MustOpen(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for range 20 {
		_, err := l.Commit(ctx, ledger.Batch{Readings: []reading.Reading{one("p", 0, 1)}})
		if !errors.Is(err, context.Canceled) {
			t.Fatalf("error %v, want %v", err, context.Canceled)
		}
	}
}

func TestRestart(t *testing.T) {
	path := filepath.Join(t.TempDir(), "new", "odd name?#%41.db")
	l := ledgertest.MustOpenAt(t, path)
	all := []reading.Reading{one("p", 0, 1), one("q", 0, 1)}
	commit(t, l, ledger.Batch{Readings: all})
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := l.Commit(t.Context(), ledger.Batch{}); !errors.Is(err, os.ErrClosed) {
		t.Errorf("commit after close: error %v, want %v", err, os.ErrClosed)
	}
	for name, want := range map[string]os.FileMode{path: 0o600, filepath.Dir(path): 0o700 | os.ModeDir} {
		fi, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		if fi.Mode() != want {
			t.Errorf("%s has mode %v, want %v", name, fi.Mode(), want)
		}
	}
	l = ledgertest.MustOpenAt(t, path)
	equal(t, "readings", collect(t, l.ReadingsByArrival(t.Context(), time.Time{})), all)
	all = append(all, one("r", time.Second, 2), one("p", time.Second, 2))
	equal(t, "committed", commit(t, l, ledger.Batch{Readings: all}), ledger.Committed{Stored: 2, Duplicates: 2})
	equal(t, "readings", collect(t, l.ReadingsByArrival(t.Context(), time.Time{})), all)
}

// A sync at every commit and the rest are not what SQLite does by itself.
func TestSettings(t *testing.T) {
	l := ledgertest.MustOpen(t)
	for _, tt := range []struct {
		pragma         string
		writer, reader int
	}{
		{"synchronous", 2, 2}, // FULL
		{"foreign_keys", 1, 1},
		{"busy_timeout", 5000, 5000},
		{"query_only", 0, 1},
		{"wal_autocheckpoint", 4000, 1000},
		{"journal_size_limit", 32 << 20, 32 << 20},
	} {
		writer, reader, err := l.Settings(t.Context(), tt.pragma)
		if err != nil {
			t.Fatal(err)
		}
		if writer != tt.writer || reader != tt.reader {
			t.Errorf("%s is %d and %d, want %d and %d", tt.pragma, writer, reader, tt.writer, tt.reader)
		}
	}
}

func TestDiskFull(t *testing.T) {
	l := ledgertest.MustOpen(t)
	var all []reading.Reading
	for i := range 20_000 {
		all = append(all, one("p", time.Duration(i)*time.Second, float64(i)))
	}
	commit(t, l, ledger.Batch{Readings: all[:100]})
	// SQLite gives the same error at a limit on the file as at a full disk.
	if err := l.Exec(t.Context(), `PRAGMA max_page_count = 60`); err != nil {
		t.Fatal(err)
	}
	_, err := l.Commit(t.Context(), ledger.Batch{Readings: all, Transitions: []alarm.Transition{transition("a", 1, alarm.Normal, alarm.Unacknowledged, 0)}})
	if !errors.Is(err, ledger.ErrFull) {
		t.Fatalf("error %v, want %v", err, ledger.ErrFull)
	}
	equal(t, "readings while full", collect(t, l.ReadingsByArrival(t.Context(), time.Time{})), all[:100])
	if err := l.Check(t.Context()); err != nil {
		t.Error(err)
	}
	if err := l.Exec(t.Context(), `PRAGMA max_page_count = 1000000`); err != nil {
		t.Fatal(err)
	}
	equal(t, "committed", commit(t, l, ledger.Batch{Readings: all}), ledger.Committed{Stored: 19_900, Duplicates: 100})
	equal(t, "readings afterwards", collect(t, l.ReadingsByArrival(t.Context(), time.Time{})), all)
}

func TestBusy(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, other := ledgertest.MustOpenAt(t, path), ledgertest.MustOpenAt(t, path)
	if err := other.Exec(t.Context(), `PRAGMA busy_timeout = 1`); err != nil {
		t.Fatal(err)
	}
	if err := l.Exec(t.Context(), `BEGIN IMMEDIATE`); err != nil {
		t.Fatal(err)
	}
	b := ledger.Batch{Readings: []reading.Reading{one("p", 0, 1)}}
	if _, err := other.Commit(t.Context(), b); !errors.Is(err, ledger.ErrBusy) {
		t.Errorf("error %v, want %v", err, ledger.ErrBusy)
	}
	if err := l.Exec(t.Context(), `ROLLBACK`); err != nil {
		t.Fatal(err)
	}
	equal(t, "committed", commit(t, other, b), ledger.Committed{Stored: 1})
	// The probe that the other one added is no obstacle.
	equal(t, "committed", commit(t, l, ledger.Batch{Readings: []reading.Reading{one("p", 1, 2)}}), ledger.Committed{Stored: 1})
}

func TestCorrupt(t *testing.T) {
	t.Run("not a database", func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "ledger.db")
		if err := os.WriteFile(path, bytes.Repeat([]byte("no ledger. "), 1000), 0o600); err != nil {
			t.Fatal(err)
		}
		l, err := ledger.Open(t.Context(), options(path))
		if !errors.Is(err, ledger.ErrCorrupt) || l != nil {
			t.Fatalf("error %v, want %v", err, ledger.ErrCorrupt)
		}
		if !strings.Contains(err.Error(), path) {
			t.Errorf("%q does not name the file", err)
		}
	})
	t.Run("a page of zeros", func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "ledger.db")
		l, err := ledger.Open(t.Context(), options(path))
		if err != nil {
			t.Fatal(err)
		}
		var all []reading.Reading
		for i := range 5000 {
			all = append(all, one("p", time.Duration(i)*time.Second, 1))
		}
		commit(t, l, ledger.Batch{Readings: all})
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		fi, err := f.Stat()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.WriteAt(make([]byte, 4096), fi.Size()/2/4096*4096); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		if l, err = ledger.Open(t.Context(), options(path)); err != nil {
			t.Fatal(err)
		}
		if err := l.Check(t.Context()); !errors.Is(err, ledger.ErrCorrupt) {
			t.Errorf("error %v, want %v", err, ledger.ErrCorrupt)
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

func TestLots(t *testing.T) {
	l := ledgertest.MustOpen(t)
	char := lot.Lot{
		ID: "AC-31-01", Species: "arctic char", Strain: "lake", EggTake: at(-240 * time.Hour), Start: lot.Green, StartUnits: 12.5, Eggs: 41_000,
		Path:  []lot.Stay{{Unit: "Stack 1", From: at(-230 * time.Hour)}, {Unit: "Stack 2", From: at(-12 * time.Hour)}},
		BaseC: 0.5, Needs: map[lot.Stage]lot.Need{lot.Hatch: {Low: 430, High: 480, Source: "own lots"}},
	}
	trout := lot.Lot{ID: "BT-31-02", Species: "brook trout", EggTake: at(0), Path: []lot.Stay{{Unit: "Stack 3", From: at(0)}}}
	moved := trout
	moved.Path = append(slices.Clone(trout.Path), lot.Stay{Unit: "Trough 1", From: at(time.Hour)})
	for _, step := range []struct {
		name                 string
		put, lots, withdrawn []lot.Lot
	}{
		{"first", []lot.Lot{trout, char}, []lot.Lot{char, trout}, nil},
		{"one moved, one gone", []lot.Lot{moved}, []lot.Lot{moved}, []lot.Lot{char}},
		{"none", nil, nil, []lot.Lot{char, moved}},
		{"one comes back", []lot.Lot{char}, []lot.Lot{char}, []lot.Lot{moved}},
	} {
		if err := l.PutLots(t.Context(), step.put); err != nil {
			t.Fatalf("%s: %v", step.name, err)
		}
		lots, err := l.Lots(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		equal(t, step.name+": lots", lots, step.lots)
		withdrawn, err := l.WithdrawnLots(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		equal(t, step.name+": withdrawn", withdrawn, step.withdrawn)
	}
}

// Longer than two pages, many at the same time: each once, in order.
func TestJournalAndChoresOverManyPages(t *testing.T) {
	l := ledgertest.MustOpen(t)
	var b ledger.Batch
	for i := range 2500 {
		d := time.Duration(i/700) * time.Second
		b.Transitions = append(b.Transitions, transition(alarm.Key(fmt.Sprint("a", i)), 1, alarm.Normal, alarm.Unacknowledged, d))
		b.ChoresDone = append(b.ChoresDone, site.ChoreDone{Chore: "feeding", Unit: fmt.Sprint("Trough ", i), By: "kim", At: at(d)})
	}
	commit(t, l, b)
	journal, err := l.Journal(t.Context(), at(time.Second), at(3*time.Second))
	ok(t, err)
	equal(t, "journal", journal, b.Transitions[700:2100])
	var chores []site.ChoreDone
	for c, err := range l.Chores(t.Context(), at(0), at(3*time.Second)) {
		ok(t, err)
		chores = append(chores, c)
	}
	equal(t, "chores", chores, b.ChoresDone[:2100])
}
