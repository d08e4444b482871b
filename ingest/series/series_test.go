package series_test

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/ingest/series"
	"weirkeeper/rules/reading"
)

// day0 is the first day of the tests' record.
var day0 = time.Date(2031, time.November, 3, 0, 0, 0, 0, time.UTC)

func at(day int, d time.Duration) time.Time { return day0.AddDate(0, 0, day).Add(d) }

func ok(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func equal(t testing.TB, what string, got, want any) {
	t.Helper()
	if diff := cmp.Diff(want, got); diff != "" {
		t.Fatalf("%s (-want +got):\n%s", what, diff)
	}
}

// options are those of a store in days that are sealed one hour after their end.
func options(dir string, l *ledger.Ledger) series.Options {
	return series.Options{
		Dir: dir, Period: series.Day, Grace: time.Hour, Ledger: l, Verify: series.VerifyDir,
		Now: func() time.Time { return ledgertest.Start }, Log: slog.New(slog.DiscardHandler),
	}
}

// fixture is a store on a real ledger.
type fixture struct {
	*series.Store
	ledger *ledger.Ledger
	opt    series.Options
}

func newFixture(t testing.TB) *fixture {
	t.Helper()
	l := ledgertest.MustOpen(t)
	f := &fixture{ledger: l, opt: options(filepath.Join(t.TempDir(), "series"), l)}
	f.reopen(t)
	return f
}

func (f *fixture) reopen(t testing.TB) {
	t.Helper()
	s, err := series.Open(t.Context(), f.opt)
	ok(t, err)
	f.Store = s
}

func (f *fixture) commit(t testing.TB, rows ...reading.Reading) {
	t.Helper()
	_, err := f.ledger.Commit(t.Context(), ledger.Batch{Readings: rows})
	ok(t, err)
}

func (f *fixture) maintain(t testing.TB, now time.Time) series.Report {
	t.Helper()
	rep, err := f.Maintain(t.Context(), now)
	ok(t, err)
	return rep
}

func collect(t testing.TB, seq iter.Seq2[reading.Reading, error]) []reading.Reading {
	t.Helper()
	var all []reading.Reading
	for r, err := range seq {
		ok(t, err)
		all = append(all, r)
	}
	return all
}

// all gives the readings of all times of the tests.
func (f *fixture) all(t testing.TB, probe reading.ProbeID) []reading.Reading {
	t.Helper()
	return collect(t, f.Readings(t.Context(), probe, at(-1000, 0), at(1000, 0)))
}

// row is an ordinary reading.
func row(probe reading.ProbeID, t time.Time, v float64) reading.Reading {
	return reading.Reading{Probe: probe, At: t, ArrivedAt: t, Value: v}
}

// every gives a day's readings of a probe, one in each step.
func every(probe reading.ProbeID, day int, step time.Duration) []reading.Reading {
	var rows []reading.Reading
	for d := time.Duration(0); d < 24*time.Hour; d += step {
		rows = append(rows, row(probe, at(day, d), 8+math.Sin(d.Hours()/4)))
	}
	return rows
}

func sealedForm(rows []reading.Reading) []reading.Reading {
	all := make([]reading.Reading, len(rows))
	for i, r := range rows {
		all[i] = series.Canonical(r)
	}
	return all
}

func names(infos []series.PeriodInfo) []string {
	var all []string
	for _, p := range infos {
		if p.Damaged != "" {
			all = append(all, p.Name+" damaged")
		} else {
			all = append(all, p.Name)
		}
	}
	return all
}

func TestSeal(t *testing.T) {
	f := newFixture(t)
	a, b := every("spring", 0, 10*time.Minute), every("trough 1", 0, time.Hour)
	today := every("spring", 1, time.Hour)
	f.commit(t, slices.Concat(a, b, today)...)

	if rep := f.maintain(t, at(1, time.Hour-1)); rep.Sealed != nil {
		t.Errorf("sealed %v before the grace time is over", rep.Sealed)
	}
	rep := f.maintain(t, at(1, time.Hour))
	equal(t, "report", rep, series.Report{Sealed: []string{"2031-11-03"}, Dropped: len(a) + len(b)})
	equal(t, "spring", f.all(t, "spring"), slices.Concat(a, today))
	equal(t, "trough", f.all(t, "trough 1"), b)
	equal(t, "nothing", len(f.all(t, "trough 2")), 0)
	left, err := f.ledger.CountReadings(t.Context())
	ok(t, err)
	equal(t, "left in the ledger", left, map[reading.ProbeID]int{"spring": len(today)})

	equal(t, "again", f.maintain(t, at(1, time.Hour)), series.Report{})
	f.reopen(t)
	equal(t, "after a restart", f.all(t, "spring"), slices.Concat(a, today))
	info := f.Periods()
	if len(info) != 1 || info[0].Bytes == 0 {
		t.Fatalf("periods: %+v", info)
	}
	info[0].Bytes = 0
	equal(t, "periods", info, []series.PeriodInfo{{
		Name: "2031-11-03", From: at(0, 0), To: at(1, 0), Probes: 2, Readings: len(a) + len(b), SealedAt: at(1, time.Hour),
	}})
}

// odd are readings with everything that a part treats in a way of its own.
func odd(probe reading.ProbeID) []reading.Reading {
	const us = time.Microsecond
	with := func(d time.Duration, v float64, f reading.Flags, change func(*reading.Reading)) reading.Reading {
		r := row(probe, at(0, d), v)
		r.Flags, r.MID = f, 17
		if f.Has(reading.DeviceTimed) {
			r.DeviceAt, r.ArrivedAt = r.At, r.At.Add(40*time.Millisecond)
		}
		if change != nil {
			change(&r)
		}
		return r
	}
	return []reading.Reading{
		with(0, 0, 0, nil),
		with(us, 8.25, 0, nil), // same millisecond
		with(999*us, 8.25, reading.DeviceTimed, nil),
		with(1000*us, -1e300, reading.DeviceTimed, nil),
		with(1000*us, 5e-324, reading.OutOfRange, nil), // same time
		with(1000*us, 1e-310, reading.OutOfRange, nil),
		with(1000*us, 3, 0, nil),
		with(1001*us, math.MaxFloat64, reading.Retained|reading.Redelivered, nil),
		with(time.Hour, 8.3, reading.DeviceTimed|reading.Late, nil),
		with(time.Hour+1, 8.4, reading.OutOfOrder, func(r *reading.Reading) { r.ArrivedAt = at(200, 1) }), // below a microsecond
		with(2*time.Hour, 8.5, reading.FutureTime, func(r *reading.Reading) {
			r.DeviceAt = time.Date(9999, time.December, 31, 23, 59, 59, 999999000, time.UTC)
		}),
		with(3*time.Hour, 8.5, reading.FutureTime, func(r *reading.Reading) {
			r.DeviceAt = time.Date(1, time.January, 2, 0, 0, 0, 1000, time.UTC)
		}),
		with(4*time.Hour, 8.5, reading.DeviceTimed, func(r *reading.Reading) { r.DeviceAt = at(0, 5*time.Hour) }),
		with(5*time.Hour, 8.5, reading.ClockUntrusted, nil),
		with(6*time.Hour, 8.5, reading.ClockCorrected, nil),
		with(24*time.Hour-us, 8.5, 0, nil),
	}
}

// A sealed reading keeps what the package's comment says that it keeps.
func TestKept(t *testing.T) {
	f := newFixture(t)
	rows := odd("spring")
	f.commit(t, rows...)
	f.maintain(t, at(2, 0))
	got := f.all(t, "spring")
	if len(got) != len(rows) {
		t.Fatalf("%d readings, want %d", len(got), len(rows))
	}
	for i, r := range rows {
		want := r
		want.MID = 0
		want.At = want.At.Truncate(time.Microsecond)
		want.ArrivedAt = want.ArrivedAt.Truncate(time.Microsecond)
		if r.Flags&(reading.Late|reading.OutOfOrder|reading.FutureTime) == 0 {
			want.ArrivedAt = want.At
		}
		equal(t, fmt.Sprintf("reading %d", i), got[i], want)
		if math.Float64bits(got[i].Value) != math.Float64bits(r.Value) {
			t.Errorf("reading %d: value %v, want %v", i, got[i].Value, r.Value)
		}
	}
	f.reopen(t)
	equal(t, "edges", collect(t, f.Readings(t.Context(), "spring", at(0, 999*time.Microsecond), at(0, 1001*time.Microsecond))), got[2:7])
}

// More readings than are read from the ledger at once, and at the border many of
// one time.
func TestManyUnsealed(t *testing.T) {
	f := newFixture(t)
	var rows []reading.Reading
	for i := range 2*series.WindowRows + 100 {
		d := time.Duration(i) * 5 * time.Second
		if i > series.WindowRows-10 && i < series.WindowRows+10 {
			d = series.WindowRows * 5 * time.Second
		}
		rows = append(rows, row("spring", at(0, d), float64(i)))
	}
	f.commit(t, rows...)
	equal(t, "readings", f.all(t, "spring"), rows)
}

// More readings than a part holds, and at its border many of one time.
func TestManySealed(t *testing.T) {
	f := newFixture(t)
	var rows []reading.Reading
	for i := range series.PartRows + 2000 {
		d := time.Duration(i) * time.Second
		if i > series.PartRows-10 && i < series.PartRows+10 {
			d = series.PartRows * time.Second
		}
		rows = append(rows, row("spring", at(0, d), float64(i)))
	}
	ok(t, series.WritePeriod(f.opt.Dir, series.Day, day0, []reading.ProbeID{"spring"}, func(reading.ProbeID) iter.Seq[reading.Reading] {
		return slices.Values(rows)
	}))
	f.reopen(t)
	equal(t, "readings", f.all(t, "spring"), rows)
	equal(t, "from the border", collect(t, f.Readings(t.Context(), "spring", rows[series.PartRows].At, at(1, 0))), rows[series.PartRows-9:])
	equal(t, "the second part", collect(t, f.Readings(t.Context(), "spring", rows[series.PartRows+10].At, at(1, 0))), rows[series.PartRows+10:])
}

// A late batch is in the queries at once, and the period is built anew.
func TestLate(t *testing.T) {
	f := newFixture(t)
	f.opt.Verify = child(t)
	f.reopen(t)
	first := every("spring", 0, time.Hour)
	f.commit(t, first...)
	f.maintain(t, at(1, time.Hour))

	var late []reading.Reading
	for _, day := range []int{0, 1} {
		for _, r := range every("spring", day, 17*time.Minute) {
			r.At = r.At.Add(1234567 * time.Microsecond)
			r.Flags, r.DeviceAt, r.ArrivedAt = reading.Late|reading.DeviceTimed, r.At, at(2, 0)
			late = append(late, r)
		}
	}
	other := row("trough 1", at(0, time.Minute), 4) // not in the period so far
	// The first comes again: same probe, time and value.
	f.commit(t, append(slices.Clone(late), first[5], other)...)
	want := slices.Concat(first, late)
	slices.SortStableFunc(want, func(a, b reading.Reading) int { return a.At.Compare(b.At) })
	equal(t, "before", f.all(t, "spring"), want)

	rep := f.maintain(t, at(3, 0))
	equal(t, "report", rep, series.Report{Sealed: []string{"2031-11-04"}, Rebuilt: []string{"2031-11-03"}, Dropped: len(late) + 2})
	want = sealedForm(want)
	equal(t, "after", f.all(t, "spring"), want)
	equal(t, "the other probe", f.all(t, "trough 1"), []reading.Reading{other})
	f.reopen(t)
	equal(t, "after a restart", f.all(t, "spring"), want)

	// What is sealed already comes again: nothing is built.
	f.commit(t, first[:3]...)
	equal(t, "report", f.maintain(t, at(3, 0)), series.Report{Dropped: 3})
	equal(t, "in the end", f.all(t, "spring"), want)
}

func TestRetention(t *testing.T) {
	f := newFixture(t)
	f.opt.Keep = 3 * 24 * time.Hour
	f.reopen(t)
	for day := range 5 {
		f.commit(t, every("spring", day, time.Hour)...)
	}
	f.maintain(t, at(2, time.Hour))
	// Days 0 and 1 are sealed; day 0 ends at day 1 and is kept to day 4.
	equal(t, "report", f.maintain(t, at(4, -1)), series.Report{Sealed: []string{"2031-11-05"}, Dropped: 24})
	equal(t, "report", f.maintain(t, at(4, 0)), series.Report{Retired: []string{"2031-11-03"}})
	equal(t, "from", f.all(t, "spring")[0].At, at(1, 0))
	// Too late: sealed nevertheless, and not kept for long.
	f.commit(t, row("spring", at(0, 0), 8))
	equal(t, "report", f.maintain(t, at(4, time.Hour)), series.Report{Sealed: []string{"2031-11-03", "2031-11-06"}, Dropped: 25})
	equal(t, "from", f.all(t, "spring")[0].At, at(0, 0))
	equal(t, "report", f.maintain(t, at(4, time.Hour)), series.Report{Retired: []string{"2031-11-03"}})
	equal(t, "from", f.all(t, "spring")[0].At, at(1, 0))

	name, err := f.DropOldest(t.Context())
	ok(t, err)
	equal(t, "dropped for room", name, "2031-11-04")
	equal(t, "periods", names(f.Periods()), []string{"2031-11-05", "2031-11-06"})
	f.reopen(t)
	equal(t, "from", f.all(t, "spring")[0].At, at(2, 0))
}

// A clock that is nine years ahead for two days costs the oldest two periods, and
// nothing of what is in the ledger.
func TestRetentionByAWrongClock(t *testing.T) {
	f := newFixture(t)
	f.opt.Keep = 3 * 24 * time.Hour
	f.reopen(t)
	for day := range 6 {
		f.commit(t, every("spring", day, time.Hour)...)
	}
	f.maintain(t, at(2, time.Hour))
	equal(t, "sealed by the right clock", names(f.Periods()), []string{"2031-11-03", "2031-11-04"})
	for i, want := range []series.Report{
		{Sealed: []string{"2031-11-05", "2031-11-06", "2031-11-07", "2031-11-08"}, Retired: []string{"2031-11-03"}, Dropped: 4 * 24},
		{Retired: []string{"2031-11-04"}},
	} {
		equal(t, "report", f.maintain(t, at(i, 0).AddDate(9, 0, 0)), want)
		equal(t, "left", len(f.all(t, "spring")), (5-i)*24)
	}
	// Right again, what was sealed too early is built anew.
	f.commit(t, row("spring", at(5, 30*time.Minute), 9))
	equal(t, "report", f.maintain(t, at(6, time.Hour)), series.Report{Rebuilt: []string{"2031-11-08"}, Retired: []string{"2031-11-05"}, Dropped: 1})
}

// What fails leaves the readings in the ledger and no folder, and does not keep
// other periods from being sealed.
func TestSealFails(t *testing.T) {
	f := newFixture(t)
	trouble := errors.New("trouble")
	f.opt.Verify = func(ctx context.Context, dir string, want iter.Seq2[reading.Reading, error]) error {
		if strings.Contains(dir, "2031-11-03") {
			return trouble
		}
		return series.VerifyDir(ctx, dir, want)
	}
	f.reopen(t)
	rows := slices.Concat(every("spring", 0, time.Hour), every("spring", 1, time.Hour))
	f.commit(t, rows...)
	rep, err := f.Maintain(t.Context(), at(3, 0))
	if !errors.Is(err, trouble) || !strings.Contains(err.Error(), "2031-11-03") {
		t.Errorf("error %v", err)
	}
	equal(t, "report", rep, series.Report{Sealed: []string{"2031-11-04"}, Dropped: 24})
	equal(t, "readings", f.all(t, "spring"), rows)
	entries, err := os.ReadDir(f.opt.Dir)
	ok(t, err)
	if len(entries) != 1 {
		t.Errorf("left on the disk: %v", entries)
	}
	f.opt.Verify = series.VerifyDir
	f.reopen(t)
	equal(t, "report", f.maintain(t, at(3, 0)), series.Report{Sealed: []string{"2031-11-03"}, Dropped: 24})
}

// A writer that drops, changes or adds something is found out, by the child as well.
func TestVerify(t *testing.T) {
	rows := append(odd("spring"), every("trough 1", 0, time.Hour)...)
	build := func(t *testing.T, rows []reading.Reading) string {
		t.Helper()
		dir := t.TempDir()
		ok(t, series.WritePeriod(dir, series.Day, day0, []reading.ProbeID{"spring", "trough 1"}, func(probe reading.ProbeID) iter.Seq[reading.Reading] {
			return func(yield func(reading.Reading) bool) {
				for _, r := range rows {
					if r.Probe == probe && !yield(r) {
						return
					}
				}
			}
		}))
		return filepath.Join(dir, "2031-11-03")
	}
	changed := func(i int, change func(*reading.Reading)) []reading.Reading {
		all := slices.Clone(rows)
		change(&all[i])
		return all
	}
	tests := []struct {
		name string
		rows []reading.Reading // in the folder
		want string            // in the error
	}{
		{"all well", rows, ""},
		{"first missing", rows[1:], `not "spring" at 2031-11-03T00:00:00Z`},
		{"last missing", rows[:len(rows)-1], "does not hold"},
		{"one too many", append(slices.Clone(rows), row("trough 1", at(0, 24*time.Hour-1), 3)), "nothing more"},
		{"a probe missing", rows[:len(odd("spring"))], "does not hold"},
		{"value off by a bit", changed(4, func(r *reading.Reading) { r.Value = math.Float64frombits(math.Float64bits(r.Value) + 1) }), "not"},
		{"minus zero", changed(0, func(r *reading.Reading) { r.Value = math.Copysign(0, -1) }), "-0"},
		{"time off by a microsecond", changed(8, func(r *reading.Reading) { r.At = r.At.Add(time.Microsecond) }), "not"},
		{"flag off", changed(7, func(r *reading.Reading) { r.Flags ^= reading.Redelivered }), "not"},
		{"device time off", changed(10, func(r *reading.Reading) { r.DeviceAt = r.DeviceAt.Add(-time.Microsecond) }), "not"},
		{"late arrival off", changed(9, func(r *reading.Reading) { r.ArrivedAt = r.ArrivedAt.Add(time.Microsecond) }), "not"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := build(t, tt.rows)
			for name, verify := range map[string]func(context.Context, string, iter.Seq2[reading.Reading, error]) error{"here": series.VerifyDir, "child": child(t)} {
				err := verify(t.Context(), dir, values(rows))
				if tt.want == "" && err != nil || tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)) {
					t.Errorf("%s: %v, want %q", name, err, tt.want)
				}
			}
		})
	}
	t.Run("expected readings break off", func(t *testing.T) {
		trouble := errors.New("the ledger is gone")
		err := child(t)(t.Context(), build(t, rows), func(yield func(reading.Reading, error) bool) {
			for i, r := range rows {
				if i == 20 {
					yield(reading.Reading{}, trouble)
					return
				}
				if !yield(r, nil) {
					return
				}
			}
		})
		if !errors.Is(err, trouble) {
			t.Errorf("got %v", err)
		}
	})
}

func values(rows []reading.Reading) iter.Seq2[reading.Reading, error] {
	return func(yield func(reading.Reading, error) bool) {
		for _, r := range rows {
			if !yield(r, nil) {
				return
			}
		}
	}
}

// A query in any mixture of sealed, late and unsealed readings gives what a list
// in memory gives.
func TestModel(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	probes := []reading.ProbeID{"spring", "trough 1", "raceway 2"}
	for range 3 {
		f := newFixture(t)
		model := make(map[reading.ProbeID][]reading.Reading)
		today := 0
		for range 40 {
			switch rng.IntN(4) {
			case 0, 1:
				var batch []reading.Reading
				for range rng.IntN(100) {
					// Few enough times and values that some come twice.
					r := row(probes[rng.IntN(3)], at(rng.IntN(today+1), time.Duration(rng.IntN(2000))*43200*time.Microsecond*1000), float64(rng.IntN(3)))
					batch = append(batch, r)
					if !slices.ContainsFunc(model[r.Probe], func(o reading.Reading) bool { return o.At.Equal(r.At) && o.Value == r.Value }) {
						model[r.Probe] = append(model[r.Probe], r)
					}
				}
				f.commit(t, batch...)
			case 2:
				today++
				f.maintain(t, at(today, 2*time.Hour))
			case 3:
				f.reopen(t)
			}
			probe := probes[rng.IntN(3)]
			from := at(0, time.Duration(rng.Int64N(int64(time.Duration(today+2)*24*time.Hour)))).Truncate(43200 * time.Millisecond)
			to := from.Add(time.Duration(rng.IntN(4000)) * 43200 * time.Millisecond)
			var want []reading.Reading
			for _, r := range model[probe] {
				if !r.At.Before(from) && r.At.Before(to) {
					want = append(want, r)
				}
			}
			got := collect(t, f.Readings(t.Context(), probe, from, to))
			if !slices.IsSortedFunc(got, func(a, b reading.Reading) int { return a.At.Compare(b.At) }) {
				t.Fatal("not in order of time")
			}
			// Equal times: which comes first depends on what was sealed when.
			order := func(a, b reading.Reading) int {
				if c := a.At.Compare(b.At); c != 0 {
					return c
				}
				return int(a.Value - b.Value)
			}
			slices.SortFunc(want, order)
			slices.SortFunc(got, order)
			equal(t, fmt.Sprintf("%s from %s to %s", probe, from, to), got, want)
			buckets(t, f, rng, probe, from, to, want)
		}
	}
}

// buckets compares buckets with those computed from the list.
func buckets(t *testing.T, f *fixture, rng *rand.Rand, probe reading.ProbeID, from, to time.Time, rows []reading.Reading) {
	t.Helper()
	n := 1 + rng.IntN(20)
	got, err := f.Buckets(t.Context(), probe, from, to, n)
	if !from.Before(to) {
		if err == nil {
			t.Fatal("buckets of no time")
		}
		return
	}
	ok(t, err)
	if len(got) != n {
		t.Fatalf("%d buckets, want %d", len(got), n)
	}
	for i, b := range got {
		end := to
		if i+1 < n {
			end = got[i+1].From
		}
		var in []float64
		for _, r := range rows {
			if !r.At.Before(b.From) && r.At.Before(end) {
				in = append(in, r.Value)
			}
		}
		if ideal := from.Add(time.Duration(float64(to.Sub(from)) * float64(i) / float64(n))); b.From.Sub(ideal).Abs() > 2*time.Microsecond {
			t.Fatalf("bucket %d of %d from %s to %s starts at %s", i, n, from, to, b.From)
		}
		if b.Count != len(in) {
			t.Fatalf("bucket %d: %d readings, want %d", i, b.Count, len(in))
		}
		if len(in) == 0 {
			continue
		}
		sum := 0.0
		for _, v := range in {
			sum += v
		}
		if !slices.ContainsFunc(rows, func(r reading.Reading) bool { return r.At.Equal(b.LastAt) && r.Value == b.Last }) {
			t.Fatalf("bucket %d: nothing read %g at %s", i, b.Last, b.LastAt)
		}
		if b.Min != slices.Min(in) || b.Max != slices.Max(in) || math.Abs(b.Mean-sum/float64(len(in))) > 1e-12 {
			t.Fatalf("bucket %d: %+v of %v", i, b, in)
		}
	}
}

func TestBucketEdges(t *testing.T) {
	f := newFixture(t)
	rows := []reading.Reading{
		row("spring", at(0, 0), 1),
		row("spring", at(0, time.Hour-time.Microsecond), 3),
		row("spring", at(0, time.Hour), 8),
		row("spring", at(0, 2*time.Hour-time.Microsecond), -127),
		row("spring", at(0, 3*time.Hour), 9),
	}
	rows[3].Flags = reading.OutOfRange
	f.commit(t, rows...)
	want := []series.Bucket{
		{From: at(0, 0), Min: 1, Mean: 2, Max: 3, Count: 2, Last: 3, LastAt: at(0, time.Hour-time.Microsecond), Longest: time.Hour - time.Microsecond},
		{From: at(0, time.Hour), Min: 8, Mean: 8, Max: 8, Count: 1, Last: 8, LastAt: at(0, time.Hour), Longest: time.Microsecond},
		{From: at(0, 2*time.Hour)},
	}
	for range 2 {
		got, err := f.Buckets(t.Context(), "spring", at(0, 0), at(0, 3*time.Hour), 3)
		ok(t, err)
		equal(t, "buckets", got, want)
		f.maintain(t, at(1, time.Hour)) // and now sealed
	}
	if _, err := f.Buckets(t.Context(), "spring", at(0, 0), at(1, 0), 0); err == nil {
		t.Error("no bucket at all is no error")
	}
}

// sealing is a ledger during whose reading something else happens.
type sealing struct {
	*ledger.Ledger
	meanwhile func()
}

func (l *sealing) Readings(ctx context.Context, probe reading.ProbeID, from, to time.Time) iter.Seq2[reading.Reading, error] {
	return func(yield func(reading.Reading, error) bool) {
		l.meanwhile()
		for r, err := range l.Ledger.Readings(ctx, probe, from, to) {
			if !yield(r, err) {
				return
			}
		}
		l.meanwhile()
	}
}

// A query loses nothing and doubles nothing that is sealed, or sealed anew, and
// dropped from the ledger right before or right after it reads that.
func TestSealedMeanwhile(t *testing.T) {
	f := newFixture(t)
	want := slices.Concat(every("spring", 0, time.Hour), every("spring", 1, time.Hour))
	late := row("spring", at(0, time.Minute), 5)
	days := 1
	f.opt.Ledger = &sealing{f.ledger, func() {
		f.maintain(t, at(days, time.Hour))
		days++
	}}
	f.reopen(t)
	f.commit(t, want...)
	equal(t, "readings", f.all(t, "spring"), want)
	equal(t, "calls", days, 3)
	f.commit(t, late)
	equal(t, "readings", f.all(t, "spring"), slices.Insert(want, 1, late))
}

// Queries during maintenance see each reading once.
func TestConcurrent(t *testing.T) {
	f := newFixture(t)
	f.opt.MaxOpen = 2
	f.reopen(t)
	const days = 6
	want := 0
	for day := range days {
		rows := every("spring", day, 20*time.Minute)
		want += len(rows)
		f.commit(t, rows...)
	}
	done := make(chan error)
	go func() {
		defer close(done)
		for day := 1; day <= days; day++ {
			if _, err := f.Maintain(context.Background(), at(day, time.Hour)); err != nil {
				done <- err
				return
			}
			// What comes again is built again if it differs: it has another value.
			r := row("trough 1", at(0, time.Duration(day)*time.Minute), float64(day))
			if _, err := f.ledger.Commit(context.Background(), ledger.Batch{Readings: []reading.Reading{r}}); err != nil {
				done <- err
				return
			}
		}
	}()
	readers := make(chan error)
	const n = 4
	stop := make(chan struct{})
	for range n {
		go func() {
			for {
				select {
				case <-stop:
					readers <- nil
					return
				default:
				}
				got := 0
				for _, err := range f.Readings(context.Background(), "spring", at(-1, 0), at(days+1, 0)) {
					if err != nil {
						readers <- err
						return
					}
					got++
				}
				if got != want {
					readers <- fmt.Errorf("%d readings, want %d", got, want)
					return
				}
			}
		}()
	}
	err := <-done
	close(stop)
	for range n {
		err = errors.Join(err, <-readers)
	}
	ok(t, err)
	equal(t, "sealed", len(f.Periods()), days)
}

// Reading leaves no goroutine and no mapped file behind.
func TestRelease(t *testing.T) {
	f := newFixture(t)
	for day := range 3 {
		f.commit(t, every("spring", day, time.Hour)...)
	}
	f.maintain(t, at(9, 0))
	before := runtime.NumGoroutine()
	for range 50 {
		f.all(t, "spring")
	}
	if got := mapped(t, f.opt.Dir); got != "" {
		t.Errorf("still mapped:\n%s", got)
	}
	for deadline := time.Now().Add(10 * time.Second); runtime.NumGoroutine() > before; runtime.Gosched() {
		if time.Now().After(deadline) {
			t.Fatalf("%d goroutines, %d before", runtime.NumGoroutine(), before)
		}
	}
}

// mapped are the lines of this process's maps with files below dir.
func mapped(t *testing.T, dir string) string {
	t.Helper()
	maps, err := os.ReadFile("/proc/self/maps")
	if err != nil {
		t.Skip("no /proc here to see what is mapped: ", err)
	}
	var all []string
	for line := range strings.Lines(string(maps)) {
		if strings.Contains(line, dir) {
			all = append(all, line)
		}
	}
	return strings.Join(all, "")
}
