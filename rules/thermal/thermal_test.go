package thermal_test

import (
	"encoding/csv"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"
	_ "time/tzdata" // the tests need their zones everywhere

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/thermal"
)

var start = time.Date(2026, 10, 14, 9, 30, 0, 0, time.UTC)

// at is hours after the start.
func at(hours float64) time.Time { return start.Add(time.Duration(hours * float64(time.Hour))) }

// hoursOf is the other way round.
func hoursOf(t time.Time) float64 { return t.Sub(start).Hours() }

// open is a span that goes on; its probe speaks every minute.
func open(base measure.TempC) thermal.Options {
	return thermal.Options{
		From: start, BaseC: base, Gaps: thermal.DefaultGaps(time.Minute),
		AccuracyC: 0.2, StandInAccuracyC: 0.2, Location: time.UTC,
	}
}

func between(from, to time.Time) thermal.Options {
	o := open(0)
	o.From, o.To = from, to
	return o
}

type who uint8

const (
	probe who = iota
	standIn
	hand
)

type sample struct {
	at time.Time
	t  float64
	by who
}

func own(hours, t float64) sample            { return sample{at(hours), t, probe} }
func stand(hours, t float64) sample          { return sample{at(hours), t, standIn} }
func handRead(hours, t float64) sample       { return sample{at(hours), t, hand} }
func byAge(a, b sample) int                  { return a.at.Compare(b.at) }
func (s sample) temp() measure.TempC         { return measure.TempC(s.t) }
func sorted(samples []sample) []sample       { slices.SortStableFunc(samples, byAge); return samples }
func steady(t float64) func(float64) float64 { return func(float64) float64 { return t } }

// count feeds samples in the order they are in.
func count(tb testing.TB, o thermal.Options, samples ...sample) *thermal.Integrator {
	tb.Helper()
	in := thermal.New(o)
	add(tb, in, samples...)
	return in
}

func add(tb testing.TB, in *thermal.Integrator, samples ...sample) {
	tb.Helper()
	for _, s := range samples {
		switch s.by {
		case standIn:
			in.AddStandIn(s.at, s.temp())
		case hand:
			in.AddHand(s.at, s.temp())
		case probe:
			if err := in.Add(s.at, s.temp()); err != nil {
				tb.Fatalf("at %v: %v", s.at, err)
			}
		}
	}
}

// series is a temperature read at a pace from one hour to another.
func series(by who, from, to float64, every time.Duration, f func(hours float64) float64) []sample {
	var out []sample
	for now := at(from); !now.After(at(to)); now = now.Add(every) {
		out = append(out, sample{now, f(hoursOf(now)), by})
	}
	return out
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.9f, want %.9f within %g", what, got, want, within)
	}
}

// seeds runs a property with seeds that it prints.
func seeds(t *testing.T, n uint64, f func(t *testing.T, rnd *rand.Rand)) {
	t.Helper()
	for seed := range n {
		t.Run("seed "+strconv.FormatUint(seed, 10), func(t *testing.T) { f(t, rand.New(rand.NewPCG(seed, 1))) })
	}
}

// The published rows with a temperature and days, held for that long: the
// units are what the row lists. A degF of the table is exact to a tenth, so its
// TU are; its degC and degree-days are rounded to 0.1. (Most rows are from
// memory, and TU and degree-days of a row are arithmetic from each other;
// testdata/incubation/README.md says what they are worth.)
func TestPublishedRows(t *testing.T) {
	f, err := os.Open("../../testdata/incubation/incubation-units.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	n := 0
	for _, l := range lines[1:] {
		if l[4] == "" { // no days given
			continue
		}
		n++
		row, days := l[0]+" "+l[1], number(l[4])
		in := count(t, open(0), series(probe, 0, 24*days, time.Hour, steady(measure.DegF.ToBase(number(l[2]))))...)
		got := in.Units().DegreeDays
		near(t, row+" TU", got.TUF(), number(l[5]), 0.05*days*1.8) // degC rows stand at 0.05 degC
		near(t, row+" degree-days", float64(got), number(l[6]), 0.06+0.05*days/1.8)
		if l[8] == "MEMORY" { // whole degF
			near(t, row+" TU, exact", got.TUF(), number(l[5]), 1e-6)
		}
	}
	if n != 23 {
		t.Errorf("%d rows with temperature and days, want 23", n)
	}
	// 50 degF for a day is 18 TU (read on a classroom page) and 10
	// degree-days; one degree-day is 1.8 TU.
	in := count(t, open(0), series(probe, 0, 24, time.Minute, steady(10))...)
	near(t, "a day at 50 degF", in.Units().DegreeDays.TUF(), 18, 1e-9)
}

// The trapezoid is exact on straight lines, whatever the pace.
func TestRampIsExact(t *testing.T) {
	for _, every := range []time.Duration{time.Minute, 7 * time.Minute, time.Hour} {
		line := func(h float64) float64 { return 4 + h/10 }
		in := count(t, open(0), series(probe, 0, 42, every, line)...)
		// From 4 to 8.2 degC in 42 h: 6.1 degC * 1.75 d.
		near(t, every.String(), float64(in.Units().DegreeDays), 6.1*1.75, 1e-9)
	}
}

// Below the base nothing counts, and a crossing counts its part above.
func TestBelowBase(t *testing.T) {
	tests := []struct {
		name     string
		base     measure.TempC
		from, to float64
		want     float64 // degree-days in a day
	}{
		{"above", 0, 6, 8, 7},
		{"all below", 2, 0, 1.9, 0},
		{"at the base", 2, 2, 2, 0},
		{"below zero", 0, -0.5, -0.1, 0},
		{"rising through", 0, -2, 6, 6.0 / 2 * 0.75},
		{"falling through", 0, 6, -2, 6.0 / 2 * 0.75},
		{"rising through a base", 4, 2, 6, 2.0 / 2 * 0.5},
		{"above a base", 4, 6, 8, 3},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			o := open(tt.base)
			o.Gaps = thermal.DefaultGaps(24 * time.Hour)
			in := count(t, o, own(0, tt.from), own(24, tt.to))
			near(t, "units", float64(in.Units().DegreeDays), tt.want, 1e-12)
			// The line crosses midnight too: each day has its part.
			days := in.Days(at(24))
			if len(days) != 2 {
				t.Fatalf("%d days", len(days))
			}
			near(t, "days", float64(days[0].Units.DegreeDays+days[1].Units.DegreeDays), tt.want, 1e-12)
			near(t, "mean of the first day, whatever the base", float64(days[0].MeanC), tt.from+(tt.to-tt.from)*14.5/48, 1e-12)
		})
	}
}

type times struct{ Measured, Bridged, StandIn, ByHand, Unsupported time.Duration }

func timesOf(u thermal.Units) times {
	return times{u.Measured, u.Bridged, u.StandIn, u.ByHand, u.Unsupported}
}

// checkTimes holds u's kinds of time against their sum.
func checkTimes(t *testing.T, u thermal.Units) {
	t.Helper()
	if sum := u.Measured + u.Bridged + u.StandIn + u.ByHand + u.Unsupported; sum != u.To.Sub(u.From) {
		t.Errorf("the kinds of time add up to %v of %v", sum, u.To.Sub(u.From))
	}
	if u.Estimated() != u.StandIn+u.ByHand+u.Unsupported {
		t.Errorf("estimated %v", u.Estimated())
	}
}

func TestGaps(t *testing.T) {
	const h, m = time.Hour, time.Minute
	minute := func(from, to, c float64) []sample { return series(probe, from, to, m, steady(c)) }
	// Learned: a day before the gap in which the stand-in reads 2 degC more.
	// The hour in which the gap begins (09:00) does not count.
	day := func(then ...sample) []sample {
		s := append(series(probe, -24, 0, 10*m, steady(8)), series(standIn, -24, -0.5-1.0/6, 10*m, steady(10))...)
		return append(sorted(append(s, series(standIn, -0.5, 0, 10*m, steady(30))...)), then...)
	}
	// Hours of both before the gap: twelve from 21:30 on.
	twelve := func(from float64) []sample {
		return sorted(append(series(probe, from, 0, h, steady(8)), series(standIn, from, 0, h, steady(10))...))
	}
	tests := []struct {
		name    string
		samples []sample
		want    times
		units   float64 // degC * h
	}{
		{"none", minute(0, 1, 8), times{Measured: h}, 8},
		{"three intervals are still measured", []sample{own(0, 8), own(5.0/60, 8)}, times{Measured: 5 * m}, 8 * 5.0 / 60},
		{"a second more is a gap", []sample{own(0, 8), own(301.0/3600, 8)}, times{Bridged: 301 * time.Second}, 8 * 301.0 / 3600},
		{"short gap bridged, whatever the stand-in says", []sample{own(0, 8), stand(1, 20), handRead(1, 20), own(2, 6)}, times{Bridged: 2 * h}, 14},
		{"long gap with nothing is a line", []sample{own(0, 8), own(4, 6)}, times{Unsupported: 4 * h}, 28},
		{"long gap with stand-in", []sample{own(0, 8), stand(1, 10), stand(2, 10), stand(3, 10), own(4, 8)}, times{StandIn: 4 * h}, 40},
		{"its difference is learned", day(stand(1, 10), stand(2, 12), stand(3, 10), own(4, 8)), times{StandIn: 4 * h}, 8 + 9 + 9 + 8},
		{"the learned difference and one by hand", day(stand(1, 10), stand(2, 10), handRead(2, 9), stand(3, 10), own(4, 8)), times{StandIn: 4 * h}, 8.5 * 4},
		{"twelve hours are enough", append(twelve(-12), stand(1, 10), stand(2, 10), own(3, 8)), times{StandIn: 3 * h}, 8 * 3},
		{"eleven are not", append(twelve(-11), stand(1, 10), stand(2, 10), own(3, 8)), times{StandIn: 3 * h}, 10 * 3},
		{"a second stand-in reading of a time, and an older one", []sample{own(0, 8), stand(1, 10), stand(1, 30), stand(0.5, 30), stand(2, 10), own(4, 8)}, times{StandIn: 4 * h}, 40},
		{"difference by hand only", []sample{own(0, 8), stand(1, 10), stand(2, 10), handRead(2, 9), stand(3, 10), own(4, 8)}, times{StandIn: 4 * h}, 9 * 4},
		{"twice by hand", []sample{own(0, 8), handRead(0.5, 9), stand(1, 10), stand(2, 10), stand(3, 10), handRead(3, 8), own(4, 8)}, times{StandIn: 4 * h}, 9*0.5 + 8.5*2.5 + 8},
		{"stand-in has a gap itself", []sample{own(0, 8), stand(1, 10), stand(9, 10), own(10, 8)}, times{StandIn: 2 * h, Unsupported: 8 * h}, 100},
		{"and there is a reading by hand", []sample{own(0, 8), stand(1, 10), handRead(5, 6), stand(9, 10), own(10, 8)}, times{StandIn: 2 * h, ByHand: 8 * h}, 20 + 64},
		{"stand-in is not near the ends", []sample{own(0, 8), stand(3, 10), stand(5, 12), own(10, 8)}, times{StandIn: 2 * h, Unsupported: 8 * h}, 27 + 22 + 50},
		{"stand-in outside the gap is not used", []sample{stand(-1, 30), own(0, 8), own(0.01, 8), own(4.01, 8), stand(4.02, 30)}, times{Measured: 36 * time.Second, Unsupported: 4 * h}, 4.01 * 8},
		{"stand-in at the ends of the gap is not used", []sample{own(0, 8), stand(0, 30), stand(2, 10), stand(4, 30), own(4, 8)}, times{StandIn: 4 * h}, 40},
		{"by hand only", []sample{own(0, 8), handRead(12, 10), handRead(36, 8), own(60, 8)}, times{ByHand: 60 * h}, 9*12 + 9*24 + 8*24},
		{"by hand in any order, twice the same", []sample{own(0, 8), handRead(36, 8), handRead(12, 10), handRead(36, 20), own(60, 8)}, times{ByHand: 60 * h}, 9*12 + 9*24 + 8*24},
		{"by hand too seldom", []sample{own(0, 8), handRead(27, 10), handRead(50, 10), own(54, 8)}, times{ByHand: 27 * h, Unsupported: 27 * h}, 9*27 + 230 + 36},
		{"by hand too long ago", []sample{own(0, 8), handRead(20, 10), own(47, 8)}, times{ByHand: 20 * h, Unsupported: 27 * h}, 9 * 47},
		{"nothing before, short", []sample{own(1, 8), own(1.05, 8)}, times{Bridged: 55 * m, Measured: 8 * m}, 1.05 * 8},
		{"nothing before, long", []sample{own(3, 8)}, times{Measured: 5 * m, Bridged: 115 * m, Unsupported: h}, 24},
		{"nothing before but the stand-in", []sample{stand(0.5, 6), stand(1.5, 6), stand(2.5, 6), own(5, 8)}, times{Measured: 5 * m, Bridged: 115 * m, StandIn: 3 * h}, 34},
		{"nothing before but the stand-in, late", []sample{stand(3, 6), own(6, 8)}, times{Measured: 5 * m, Bridged: 115 * m, StandIn: 3 * h, Unsupported: h}, 24 + 16},
		{"nothing before but by hand", []sample{handRead(27, 6), own(31, 8)}, times{Measured: 5 * m, Bridged: 115 * m, ByHand: 28 * h, Unsupported: h}, 6*27 + 14 + 16},
		{"temperature at the start from before it", []sample{own(-1, 4), own(1, 8)}, times{Bridged: h}, 7},
		{"a gap across the start is seen whole", []sample{own(-3, 4), own(1, 8)}, times{Unsupported: h}, 7.5},
		{"and filled", []sample{own(-3, 4), stand(-2, 6), stand(-1, 6), stand(0.5, 6), own(1, 8)}, times{StandIn: h}, 6},
		{"only before the start", []sample{own(-3, 4), own(-1, 4)}, times{}, 0},
		{"late readings do not lose the stand-in", []sample{own(0, 8), stand(2, 10), stand(4, 10), stand(6, 10), own(1, 8), own(7, 8)}, times{Bridged: h, StandIn: 6 * h}, 8 + 60},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			u := count(t, open(0), tt.samples...).Units()
			if d := cmp.Diff(tt.want, timesOf(u)); d != "" {
				t.Errorf("times (-want +got):\n%s", d)
			}
			near(t, "units", float64(u.DegreeDays)*24, tt.units, 1e-9)
			checkTimes(t, u)
		})
	}
}

// The half-width is that of each kind of time, times the time: the constants of
// this package (common practice, no source) over an accuracy of 0.2 degC.
func TestPlusMinus(t *testing.T) {
	const m = time.Minute
	week := func(swing, stray float64, then ...sample) []sample {
		sine := func(a, period, c float64) func(float64) float64 {
			return func(h float64) float64 { return c + a*math.Sin(2*math.Pi*(h-0.5)/period) }
		}
		s := append(series(probe, -167.5, -0.5, 60*m, sine(swing, 24, 8)), own(0, 8))
		for _, x := range s {
			s = append(s, sample{x.at, x.t - sine(stray, 6, 1)(hoursOf(x.at)), standIn})
		}
		return append(sorted(s), then...)
	}
	tests := []struct {
		name    string
		samples []sample
		want    float64 // degC * h
	}{
		{"measured and bridged", []sample{own(0, 8), own(0.05, 8), own(2.05, 8)}, 0.2 * 2.05},
		{"not above the base", []sample{own(0, -1), own(1, -2)}, 0.2 * 1},
		{"stand-in, nothing learned", []sample{own(0, 8), stand(1, 8), stand(2, 8), own(3, 8)}, (0.2 + 0.2 + 0.5) * 3},
		{"stand-in, nothing learned, one by hand", []sample{own(0, 8), stand(1, 8), handRead(1, 8), stand(2, 8), own(3, 8)}, (0.5 + 0.5) * 3},
		{"stand-in that keeps its distance", week(0.5, 0, stand(1, 7), stand(2, 7), own(3, 8)), (0.2 + 0.1) * 3},
		{"one by hand", week(0.5, 0, stand(1, 7), handRead(1, 8), stand(2, 7), own(3, 8)), (0.5 + 0.1) * 3},
		// The standard deviation of a sine is its amplitude / sqrt 2.
		{"stand-in that does not", week(0.5, 0.6, stand(1, 7), stand(2, 7), own(3, 8)), (0.2 + 0.6/math.Sqrt2) * 3},
		{"by hand", []sample{own(0, 8), handRead(1, 8), own(3, 8)}, (0.5 + 0.5) * 3},
		{"by hand, in water that swings", week(1.5, 0, handRead(1, 8), own(3, 8)), (0.5 + 1.5) * 3},
		{"nothing", []sample{own(0, 8), own(30, 8)}, (0.2 + 1) * 30},
		{"nothing, in water that swings", week(1.5, 0, own(30, 8)), (0.2 + 1.5) * 30},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			u := count(t, open(0), tt.samples...).Units()
			near(t, "half-width", float64(u.PlusMinus)*24, tt.want, 0.005*tt.want)
		})
	}
}

// The open end towards now is told apart like any gap and changes nothing.
func TestUnitsAtOpenEnd(t *testing.T) {
	in := count(t, open(0), own(0, 8), own(0.05, 8))
	before := in.Units()
	tests := []struct {
		hours float64
		want  times
	}{
		{0.04, times{Measured: 3 * time.Minute}}, // the past is not worked out
		{0.1, times{Measured: 6 * time.Minute}},
		{1.05, times{Measured: 3 * time.Minute, Bridged: time.Hour}},
		{9.05, times{Measured: 3 * time.Minute, Unsupported: 9 * time.Hour}},
	}
	for _, tt := range tests {
		got := in.UnitsAt(at(tt.hours))
		near(t, "units", float64(got.DegreeDays)*24, 8*max(tt.hours, 0.05), 1e-9)
		if d := cmp.Diff(tt.want, timesOf(got)); d != "" {
			t.Errorf("%g h (-want +got):\n%s", tt.hours, d)
		}
		checkTimes(t, got)
	}
	if d := cmp.Diff(before, in.Units()); d != "" {
		t.Errorf("UnitsAt changed the count:\n%s", d)
	}
	// With a stand-in the long gap is filled from it.
	add(t, in, stand(1, 5), stand(2.5, 5))
	near(t, "with stand-in", float64(in.UnitsAt(at(3.05)).DegreeDays)*24, 8*0.05+5*3, 1e-9)
	// What was read by hand there shifts it, and does so from then on.
	add(t, in, handRead(2.5, 6))
	near(t, "with stand-in and by hand", float64(in.UnitsAt(at(3.05)).DegreeDays)*24, 8*0.05+6*3, 1e-9)

	// With the difference learned too, from there to the one by hand.
	learned := count(t, open(0), sorted(append(series(probe, -24, 0, time.Hour, steady(8)), series(standIn, -24, 0, time.Hour, steady(10))...))...)
	add(t, learned, stand(1, 10), handRead(2, 10), stand(3, 10))
	near(t, "learned and by hand", float64(learned.UnitsAt(at(4)).DegreeDays)*24, 9*2+10*2, 1e-9)

	if u := count(t, open(0), own(0, 8)).Units(); !u.From.Equal(start) || !u.To.Equal(start) {
		t.Errorf("one reading: %+v", u)
	}
	// A unit that has said nothing yet.
	silent := count(t, open(0))
	if d := cmp.Diff(thermal.Units{}, silent.UnitsAt(at(5))); d != "" {
		t.Errorf("nothing heard:\n%s", d)
	}
	if _, _, ok := silent.RecentMean(at(5)); ok || silent.Days(at(5)) != nil {
		t.Error("a mean or days of nothing")
	}
	add(t, silent, stand(1, 6), stand(2, 6))
	near(t, "only the stand-in heard", float64(silent.UnitsAt(at(3)).DegreeDays)*24, 18, 1e-9)
	if u := silent.UnitsAt(at(0.5)); u.DegreeDays != 0 || !u.To.IsZero() {
		t.Errorf("before anything was heard: %+v", u)
	}
	byHand := count(t, open(0), handRead(1, 6), handRead(20, 6))
	u := byHand.UnitsAt(at(30))
	near(t, "only by hand", float64(u.DegreeDays)*24, 180, 1e-9)
	if u.ByHand != 30*time.Hour {
		t.Errorf("only by hand: %+v", u)
	}
	if m, _, ok := byHand.RecentMean(at(30)); !ok || m != 6 {
		t.Errorf("mean by hand %v %v", m, ok)
	}
	early := count(t, open(0), own(-1, 7))
	near(t, "heard before the start only", float64(early.UnitsAt(at(1)).DegreeDays)*24, 7, 1e-9)
	near(t, "not begun", float64(early.UnitsAt(at(-0.5)).DegreeDays), 0, 0)
}

func TestOrder(t *testing.T) {
	in := count(t, open(0), own(0, 8), own(1, 8))
	if err := in.Add(at(0.5), 8); !errors.Is(err, thermal.ErrOutOfOrder) {
		t.Errorf("older reading: got %v", err)
	}
	before := in.Units()
	if err := in.Add(at(1), 20); err != nil {
		t.Errorf("same time: %v", err)
	}
	if err := in.Add(at(1.05), 8); err != nil {
		t.Fatal(err)
	}
	near(t, "a second reading at the same time", float64(in.Units().DegreeDays-before.DegreeDays)*24, 0.05*8, 1e-9)
}

// A span ends at To, inside a step or a gap, and nothing after the first reading
// from then on matters.
func TestSettled(t *testing.T) {
	in := count(t, between(start, at(2)), own(0, 8), own(1, 8))
	if _, ok := in.Settled(); ok {
		t.Error("settled before To")
	}
	near(t, "held to To", float64(in.UnitsAt(at(50)).DegreeDays)*24, 16, 1e-9)
	if u := in.UnitsAt(at(50)); u.Unsupported != time.Hour {
		t.Errorf("the gap is not told apart by now: %+v", u)
	}
	add(t, in, own(2.5, 11))
	when, ok := in.Settled()
	if !ok || !when.Equal(at(2.5)) {
		t.Errorf("settled %v %v", when, ok)
	}
	want := 8 + 9.0 // 8 to 10 degC in the second hour
	near(t, "units", float64(in.Units().DegreeDays)*24, want, 1e-9)
	add(t, in, own(3, 30), stand(4, 3), handRead(4, 3), own(9, 3))
	u := in.UnitsAt(at(99))
	near(t, "later readings", float64(u.DegreeDays)*24, want, 1e-9)
	if d := cmp.Diff(times{Bridged: 2 * time.Hour}, timesOf(u)); d != "" {
		t.Error(d)
	}
	checkTimes(t, u)
	if err := in.Add(at(2.2), 8); !errors.Is(err, thermal.ErrOutOfOrder) {
		t.Errorf("older than the one that settled it: %v", err)
	}
	if in = count(t, between(start, at(2)), own(0, 8), own(2, 8)); true {
		if _, ok := in.Settled(); !ok {
			t.Error("a reading at To does not settle")
		}
	}
}

// Only what lies strictly inside the newest long gap would have counted there.
func TestInClosedGap(t *testing.T) {
	in := count(t, open(0), own(0, 8), own(1, 8), own(5, 8), own(6, 8))
	for h, want := range map[float64]bool{0.5: false, 1: false, 1.5: true, 4.99: true, 5: false, 5.5: false, 7: false} {
		if got := in.InClosedGap(at(h)); got != want {
			t.Errorf("%g h: %v", h, got)
		}
	}
}

// Ten days at 6, then ten at 9: only the last week counts, and the days before
// From count too.
func TestRecentMean(t *testing.T) {
	in := count(t, open(0))
	if _, _, ok := in.RecentMean(start); ok {
		t.Error("a mean of nothing")
	}
	add(t, in, own(-1, 5))
	if m, _, ok := in.RecentMean(start.Add(-time.Hour)); !ok || m != 5 {
		t.Errorf("before the start: %v %v, want what was read", m, ok)
	}
	feed := append(series(probe, 0, 240, 10*time.Minute, steady(6)), series(probe, 240.1, 480, 10*time.Minute, steady(9))...)
	for _, from := range []float64{0, 300, 470, 479.99, 600} {
		o := open(0)
		o.From = at(from)
		in = count(t, o, feed...)
		mean, spread, ok := in.RecentMean(at(480))
		if !ok {
			t.Error("no mean")
		}
		near(t, "mean", float64(mean), 9, 1e-9)
		near(t, "spread", float64(spread), 0, 1e-6)
		// Days with nothing to go by are no readings.
		mean, _, _ = in.RecentMean(at(480 + 20*24))
		near(t, "mean long after", float64(mean), 9, 1e-9)
	}
	in = count(t, open(0), append(series(probe, 0, 240, 10*time.Minute, steady(6)), own(720, 20))...)
	mean, _, _ := in.RecentMean(at(720))
	near(t, "mean over a gap with nothing to go by", float64(mean), 6, 0.2)
	// Days at 6 and 10 degC by turns, noon to noon of the local day.
	turns := func(h float64) float64 { return 8 + 2*float64(int64(math.Floor((h+9.5)/24))%2*2-1) }
	mean, spread, _ := count(t, open(0), series(probe, -9.5, 24*8-9.5, 10*time.Minute, turns)...).RecentMean(at(24*8 - 9.5))
	near(t, "mean of turns", float64(mean), 8, 0.02)
	near(t, "spread of turns", float64(spread), 2, 0.02)
}

// wave is spring water with a daily swing and a slow trend, degC.
func wave(h float64) float64 { return 8 + 0.8*math.Sin(2*math.Pi*h/24) + 0.3*math.Sin(2*math.Pi*h/200) }

// waveUnits is the integral of wave from one hour to another, degC * d.
func waveUnits(from, to float64) float64 {
	f := func(h float64) float64 {
		swing := func(a, period float64) float64 {
			return a * period / (2 * math.Pi) * (1 - math.Cos(2*math.Pi*h/period))
		}
		return (8*h + swing(0.8, 24) + swing(0.3, 200)) / 24
	}
	return f(to) - f(from)
}

// The trapezoid errs at most by step^2/12 * span * largest second derivative;
// with jitter, drops and repeats the step is the longest one.
func TestSamplingBound(t *testing.T) {
	const curve = 0.8*(2*math.Pi/24)*(2*math.Pi/24) + 0.3*(2*math.Pi/200)*(2*math.Pi/200) // degC/h^2
	seeds(t, 30, func(t *testing.T, rnd *rand.Rand) {
		t.Helper()
		every := 10*time.Second + time.Duration(rnd.Int64N(int64(40*time.Minute)))
		o := open(0)
		o.Gaps = thermal.DefaultGaps(every)
		in := thermal.New(o)
		var longest time.Duration
		last, now := start, start
		end := at(300)
		for {
			add(t, in, sample{now, wave(hoursOf(now)), probe})
			if rnd.IntN(5) == 0 { // the same again
				add(t, in, sample{now, wave(hoursOf(now)), probe})
			}
			longest, last = max(longest, now.Sub(last)), now
			if now.Equal(end) {
				break
			}
			now = now.Add(time.Duration(float64(every) * (0.5 + rnd.Float64())))
			if rnd.IntN(20) == 0 {
				now = now.Add(every) // one lost
			}
			if now.After(end) {
				now = end
			}
		}
		step := longest.Hours()
		near(t, "units of 300 h, longest step "+longest.String(), float64(in.Units().DegreeDays), waveUnits(0, 300), step*step/12*300*curve/24+1e-6)
	})
}

// randomFeed is a month of a water with short and long gaps, a stand-in and hand
// readings, sorted by time.
func randomFeed(rnd *rand.Rand) []sample {
	var feed []sample
	end := at(24 * 30)
	for now := at(-24 * 9); now.Before(end); {
		feed = append(feed, sample{now, 6 + 3*rnd.NormFloat64(), probe})
		if rnd.IntN(10) == 0 {
			feed = append(feed, sample{now, 8, probe})
		}
		step := time.Duration(rnd.Int64N(int64(8 * time.Minute)))
		switch rnd.IntN(400) {
		case 0, 1, 2:
			step = time.Duration(rnd.Int64N(int64(2 * time.Hour)))
		case 3:
			step = time.Duration(rnd.Int64N(int64(60 * time.Hour)))
			for range rnd.IntN(4) {
				feed = append(feed, sample{now.Add(time.Duration(rnd.Int64N(int64(step) + 1))), 6 + rnd.NormFloat64(), hand})
			}
		}
		now = now.Add(step)
	}
	for now := at(-24 * 9); now.Before(end); {
		feed = append(feed, sample{now, 7 + rnd.NormFloat64(), standIn})
		now = now.Add(time.Duration(rnd.Int64N(int64(20 * time.Minute))))
		if rnd.IntN(300) == 0 {
			now = now.Add(time.Duration(rnd.Int64N(int64(40 * time.Hour))))
		}
	}
	return sorted(feed)
}

// shuffled has the stand-in and hand readings come before or after the own ones,
// by up to six hours, but before the next long gap is closed.
func shuffled(rnd *rand.Rand, feed []sample) []sample {
	type moved struct {
		sample
		comes time.Time
	}
	out := make([]moved, len(feed))
	lag := time.Duration(rnd.Int64N(int64(12*time.Hour))) - 6*time.Hour
	var closes []time.Time // the ends of long gaps
	var last, newest time.Time
	for _, s := range feed {
		if s.by == probe {
			if !last.IsZero() && s.at.Sub(last) > 2*time.Hour {
				closes = append(closes, s.at)
			}
			last = s.at
		}
	}
	for i, s := range feed {
		out[i] = moved{s, s.at}
		if s.by == probe {
			continue
		}
		for len(closes) > 0 && !closes[0].After(s.at) {
			closes = closes[1:]
		}
		comes := s.at.Add(lag)
		if len(closes) > 0 && !comes.Before(closes[0]) {
			comes = closes[0].Add(-1)
		}
		if comes.Before(newest) {
			comes = newest
		}
		out[i].comes, newest = comes, comes
	}
	slices.SortStableFunc(out, func(a, b moved) int { return a.comes.Compare(b.comes) })
	order := make([]sample, len(out))
	for i, m := range out {
		order[i] = m.sample
	}
	return order
}

// How the feed is cut up and interleaved makes no difference, nor do looks in
// between. Units never falls as readings come. UnitsAt equals it at readings and
// does not fall as time passes; the only fall allowed is where a gap becomes
// long.
func TestFeedInPieces(t *testing.T) {
	seeds(t, 30, func(t *testing.T, rnd *rand.Rand) {
		t.Helper()
		feed := randomFeed(rnd)
		whole := count(t, open(4), feed...)
		watched := thermal.New(open(4))
		var last measure.DegreeDays
		for i, s := range feed {
			add(t, watched, s)
			u := watched.Units()
			if u.DegreeDays < last {
				t.Fatalf("sample %d: Units fell from %v to %v", i, last, u.DegreeDays)
			}
			last = u.DegreeDays
			if s.by != probe || s.at.Before(start) || i%20 != 0 {
				continue
			}
			if d := cmp.Diff(u, watched.UnitsAt(s.at)); d != "" {
				t.Fatalf("sample %d: UnitsAt of the newest reading is not Units:\n%s", i, d)
			}
			total := u.DegreeDays
			for look := s.at; look.Before(s.at.Add(5 * time.Hour)); look = look.Add(10 * time.Minute) {
				u := watched.UnitsAt(look)
				if u.DegreeDays < total-1e-9 && look.Sub(s.at) != 2*time.Hour+10*time.Minute {
					t.Fatalf("sample %d: total fell from %v to %v at %v", i, total, u.DegreeDays, look)
				}
				total = u.DegreeDays
			}
		}
		other := count(t, open(4), shuffled(rnd, feed)...)
		now := at(24 * 31)
		want := whole.UnitsAt(now)
		checkTimes(t, want)
		for name, in := range map[string]*thermal.Integrator{"one by one": watched, "interleaved differently": other} {
			if d := cmp.Diff(whole.Units(), in.Units()); d != "" {
				t.Errorf("%s (-at once +so):\n%s", name, d)
			}
			if d := cmp.Diff(want, in.UnitsAt(now)); d != "" {
				t.Errorf("%s, open end (-at once +so):\n%s", name, d)
			}
			a, s, _ := whole.RecentMean(now)
			b, q, _ := in.RecentMean(now)
			if a != b || s != q {
				t.Errorf("%s: recent mean %v and %v, %v and %v", name, a, b, s, q)
			}
		}
	})
	// The fall at the moment a gap becomes long, at its bound.
	in := count(t, open(0), own(0, 10), own(0.05, 10), stand(0.1, 8), stand(1, 8), stand(2, 8))
	fall := in.UnitsAt(at(2.05)).DegreeDays - in.UnitsAt(at(2.05).Add(time.Second)).DegreeDays
	near(t, "fall", float64(fall)*24, (10-8)*2, 0.01)
	// A reading lowers what was held by half the difference over the step.
	held := in.UnitsAt(at(0.1)).DegreeDays
	add(t, in, own(0.1, 9))
	near(t, "a colder reading", float64(held-in.UnitsAt(at(0.1)).DegreeDays)*24, 0.05*(10-9)/2, 1e-9)
}

// Two spans that follow each other add up to the whole, wherever they meet: two
// halves of a lot in the same water gather the same. So do the tables of days.
func TestSpansAddUp(t *testing.T) {
	zone, err := time.LoadLocation("America/Denver") // clocks go back on 1 November 2026
	if err != nil {
		t.Fatal(err)
	}
	var inside times
	seeds(t, 30, func(t *testing.T, rnd *rand.Rand) {
		t.Helper()
		feed := randomFeed(rnd)
		base := measure.TempC(rnd.IntN(7))
		span := func(from, to time.Time) *thermal.Integrator {
			o := between(from, to)
			o.BaseC, o.Location = base, zone
			return count(t, o, feed...)
		}
		for range 8 {
			cuts := []float64{rnd.Float64() * 24 * 29, rnd.Float64() * 24 * 29, rnd.Float64() * 24 * 29}
			slices.Sort(cuts)
			from, m, to := at(cuts[0]), at(cuts[1]), at(cuts[2])
			now := at(24 * 32)
			whole, a, b := span(from, to), span(from, m), span(m, to)
			want, got := whole.UnitsAt(now), a.UnitsAt(now).Add(b.UnitsAt(now))
			near(t, "units", float64(got.DegreeDays), float64(want.DegreeDays), 1e-9)
			near(t, "half-width", float64(got.PlusMinus), float64(want.PlusMinus), 1e-9)
			if d := cmp.Diff(timesOf(want), timesOf(got)); d != "" || !got.From.Equal(want.From) || !got.To.Equal(want.To) {
				t.Errorf("%v to %v, cut at %v (-whole +added):\n%s", from, to, m, d)
			}
			days, joined := whole.Days(now), thermal.JoinDays(a.Days(now), b.Days(now))
			if len(days) != len(joined) {
				t.Fatalf("%d days, joined %d", len(days), len(joined))
			}
			var sum thermal.Units
			for i, d := range days {
				near(t, d.Date.String(), float64(joined[i].Units.DegreeDays), float64(d.Units.DegreeDays), 1e-9)
				near(t, "mean of "+d.Date.String(), float64(joined[i].MeanC), float64(d.MeanC), 1e-9)
				if x := cmp.Diff(timesOf(d.Units), timesOf(joined[i].Units)); x != "" || !joined[i].Date.Equal(d.Date) {
					t.Errorf("%v: %s", d.Date, x)
				}
				checkTimes(t, d.Units)
				sum = sum.Add(d.Units)
			}
			near(t, "sum of days", float64(sum.DegreeDays), float64(want.DegreeDays), 1e-9)
			near(t, "half-width of days", float64(sum.PlusMinus), float64(want.PlusMinus), 1e-9)
			if d := cmp.Diff(timesOf(want), timesOf(sum)); d != "" {
				t.Errorf("times of days:\n%s", d)
			}
			// What kind of time the cut fell in.
			bit := timesOf(span(m, m.Add(time.Nanosecond)).UnitsAt(now))
			inside.Measured += bit.Measured
			inside.Bridged += bit.Bridged
			inside.StandIn += bit.StandIn
			inside.ByHand += bit.ByHand
			inside.Unsupported += bit.Unsupported
		}
	})
	if inside.Measured == 0 || inside.Bridged == 0 || inside.StandIn == 0 || inside.ByHand == 0 || inside.Unsupported == 0 {
		t.Errorf("no cut fell into some kind of time: %+v", inside)
	}
}

// A probe dead for 30 h in the middle of four weeks, and a stand-in in another
// water: 0.6 degC warmer or colder, with its own swing and noise. The truth of
// those hours lies within what is stated, and the time is marked.
func TestDeadProbe(t *testing.T) {
	tests := []struct {
		name   string
		before float64 // hours of the stand-in before the hole
		standIn,
		hand bool
	}{
		{"learned", 300, true, false},
		{"learned, and read by hand", 300, true, true},
		{"no time to learn", 0, true, false},
		{"no time to learn, but read by hand", 0, true, true},
		{"by hand only", 0, false, true},
		{"nothing", 0, false, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var wide, worst float64
			seeds(t, 50, func(t *testing.T, rnd *rand.Rand) {
				t.Helper()
				died := 24*8 + rnd.Float64()*24*10
				back := died + 30
				bias := (rnd.Float64()*2 - 1) * 0.2 // within the accuracy of open
				off := 0.6 * float64(rnd.IntN(2)*2-1)
				phase := rnd.Float64() * 2 * math.Pi
				var feed []sample
				for _, s := range series(probe, 0, 24*28, 5*time.Minute, wave) {
					h := hoursOf(s.at)
					if h <= died || h >= back {
						feed = append(feed, sample{s.at, s.t + bias + 0.05*rnd.NormFloat64(), probe})
					}
					if tt.standIn && h > died-tt.before {
						t := s.t + off + 0.25*math.Sin(2*math.Pi*h/24+phase) + 0.1*rnd.NormFloat64()
						feed = append(feed, sample{s.at, t, standIn})
					}
				}
				if tt.hand { // morning and evening
					for h := died + 6*rnd.Float64(); h < back; h += 12 {
						feed = append(feed, sample{at(h), wave(h) + (rnd.Float64()*2-1)*0.4, hand})
					}
				}
				sorted(feed)
				// The hole alone, and the four weeks.
				for i, span := range [][2]float64{{died, back}, {0, 24 * 28}} {
					u := count(t, between(at(span[0]), at(span[1])), feed...).UnitsAt(at(24 * 28))
					truth := waveUnits(span[0], span[1])
					near(t, "units", float64(u.DegreeDays), truth, float64(u.PlusMinus))
					want := 30 * time.Hour
					marked := u.Unsupported
					switch {
					case tt.standIn:
						marked = u.StandIn
					case tt.hand:
						marked = u.ByHand
					}
					if marked < want-5*time.Minute || marked > want+10*time.Minute || u.Estimated() != marked {
						t.Errorf("marked %+v", timesOf(u))
					}
					if i == 0 {
						wide = max(wide, float64(u.PlusMinus))
						worst = max(worst, math.Abs(float64(u.DegreeDays)-truth))
					}
				}
			})
			t.Logf("30 h known to %.2f degree-days at worst; worst error %.2f", wide, worst)
			if wide > 1.25*1.8 {
				t.Errorf("half-width %v for 30 h says nothing", wide)
			}
		})
	}
}

// The difference is that of the last week: what the stand-in sent from longer ago
// and came late does not count for it.
func TestOldDifference(t *testing.T) {
	in := count(t, open(0), series(probe, -24*9, 0, 10*time.Minute, steady(8))...)
	add(t, in, series(standIn, -24*9, -24*8, 10*time.Minute, steady(20))...)
	add(t, in, series(standIn, -24*6, -24*6+20, 10*time.Minute, steady(10))...)
	add(t, in, stand(1, 10), stand(2, 10), own(3, 8))
	near(t, "units", float64(in.Units().DegreeDays)*24, 8*3, 1e-9)
}

// A stand-in that speaks every second through days does not fill the memory,
// and thinning it costs next to nothing.
func TestLongHoleIsThinned(t *testing.T) {
	in := count(t, open(0), own(0, 8))
	for s := range 3 * 86400 {
		in.AddStandIn(start.Add(time.Duration(s)*time.Second), measure.TempC(wave(float64(s)/3600)))
	}
	add(t, in, own(72, 8))
	near(t, "units", float64(in.Units().DegreeDays), waveUnits(0, 72), 0.001)
}

// Counting a reading allocates nothing but what the days need.
func TestNoAllocation(t *testing.T) {
	in := count(t, open(0), own(0, 8))
	now := start
	n := testing.AllocsPerRun(1000, func() { // 1000 s: within the day
		now = now.Add(time.Second)
		in.AddStandIn(now, 9)
		if err := in.Add(now, 8); err != nil {
			t.Fatal(err)
		}
	})
	if n != 0 {
		t.Errorf("%v allocations a reading", n)
	}
}

// Local days: 23 and 25 hours where clocks change, midnight that is skipped or
// comes twice, and a part of a day at both ends.
func TestLocalDays(t *testing.T) {
	tests := []struct {
		zone     string
		from, to time.Time
		hours    []float64
	}{
		{"UTC", time.Date(2026, 3, 7, 6, 0, 0, 0, time.UTC), time.Date(2026, 3, 9, 0, 0, 0, 0, time.UTC), []float64{18, 24}},
		{"America/Denver", time.Date(2026, 3, 7, 19, 0, 0, 0, time.UTC), time.Date(2026, 3, 10, 7, 0, 0, 0, time.UTC), []float64{12, 23, 24, 1}},
		{"America/Denver", time.Date(2026, 10, 31, 6, 0, 0, 0, time.UTC), time.Date(2026, 11, 3, 7, 0, 0, 0, time.UTC), []float64{24, 25, 24}},
		// 00:00 becomes 01:00 on 8 March 2026, 01:00 becomes 00:00 on 1 November.
		{"America/Havana", time.Date(2026, 3, 7, 5, 0, 0, 0, time.UTC), time.Date(2026, 3, 10, 4, 0, 0, 0, time.UTC), []float64{24, 23, 24}},
		{"America/Havana", time.Date(2026, 10, 31, 4, 0, 0, 0, time.UTC), time.Date(2026, 11, 3, 5, 0, 0, 0, time.UTC), []float64{24, 25, 24}},
		// 00:00 becomes 23:00 of the day before on 25 October 2026.
		{"Asia/Beirut", time.Date(2026, 10, 23, 21, 0, 0, 0, time.UTC), time.Date(2026, 10, 26, 22, 0, 0, 0, time.UTC), []float64{25, 24, 24}},
	}
	for _, tt := range tests {
		t.Run(tt.zone+tt.from.Format(" January"), func(t *testing.T) {
			zone, err := time.LoadLocation(tt.zone)
			if err != nil {
				t.Fatal(err)
			}
			o := between(tt.from, tt.to)
			o.Location = zone
			in := thermal.New(o)
			for now := tt.from; !now.After(tt.to); now = now.Add(7 * time.Minute) {
				add(t, in, sample{now, 10, probe})
			}
			days := in.Days(tt.to)
			var got []float64
			for i, d := range days {
				got = append(got, d.Units.To.Sub(d.Units.From).Hours())
				near(t, "units", float64(d.Units.DegreeDays), 10*got[i]/24, 1e-9)
				near(t, "mean", float64(d.MeanC), 10, 1e-9)
				if y, m, day := d.Date.Date(); d.Date.Location() != zone || d.Date.Hour() > 1 || !time.Date(y, m, day, 12, 0, 0, 0, zone).After(d.Date) {
					t.Errorf("day begins %v", d.Date)
				}
				if i > 0 && (!d.Date.Equal(d.Units.From) || !d.Date.Equal(days[i-1].Units.To)) {
					t.Errorf("day %v is from %v", d.Date, d.Units.From)
				}
			}
			if d := cmp.Diff(tt.hours, got); d != "" {
				t.Errorf("hours (-want +got):\n%s", d)
			}
		})
	}
}

// day is a row of a table: a date of October, hours of it from midnight.
func day(date, from, to int, mean float64) thermal.Day {
	d := time.Date(2026, 10, date, 0, 0, 0, 0, time.UTC)
	h := time.Duration(to-from) * time.Hour
	return thermal.Day{Date: d, MeanC: measure.TempC(mean), Units: thermal.Units{
		DegreeDays: measure.DegreeDays(mean * h.Hours() / 24), PlusMinus: measure.DegreeDays(h.Hours() / 24),
		From: d.Add(time.Duration(from) * time.Hour), To: d.Add(time.Duration(to) * time.Hour), Measured: h / 2, StandIn: h - h/2,
	}}
}

func TestAt(t *testing.T) {
	days := []thermal.Day{day(1, 12, 24, 8), day(2, 0, 24, 6), day(3, 0, 18, 8)}
	tests := []struct {
		date, hour int
		want       float64
		measured   time.Duration
	}{
		{1, 6, 100, 0},
		{1, 12, 100, 0},
		{1, 18, 102, 3 * time.Hour},
		{2, 0, 104, 6 * time.Hour},
		{2, 8, 106, 10 * time.Hour},
		{3, 0, 110, 18 * time.Hour},
		{3, 18, 116, 27 * time.Hour},
		{9, 0, 116, 27 * time.Hour},
	}
	for _, tt := range tests {
		when := time.Date(2026, 10, tt.date, tt.hour, 0, 0, 0, time.UTC)
		u := thermal.At(100, days, when)
		near(t, when.String(), float64(u.DegreeDays), tt.want, 1e-9)
		near(t, "half-width", float64(u.PlusMinus), (u.Measured+u.StandIn).Hours()/24, 1e-9)
		if u.Measured != tt.measured {
			t.Errorf("%v: measured %v, want %v", when, u.Measured, tt.measured)
		}
		checkTimes(t, u)
	}
	// A swing of 0.8 degC and a slow one of 0.3: within 0.8/pi, and nearly so.
	const swing = 0.8 / math.Pi
	in := count(t, open(0), series(probe, 0, 240, 10*time.Minute, wave)...)
	table := in.Days(at(240))
	worst := 0.0
	for h := range 240 {
		u := thermal.At(0, table, at(float64(h)))
		worst = max(worst, math.Abs(float64(u.DegreeDays)-waveUnits(0, float64(h))))
	}
	if worst > swing+0.01 || worst < swing/2 {
		t.Errorf("off by %v, want up to %v", worst, swing)
	}
	// Odd shares lose no nanosecond.
	checkTimes(t, thermal.At(0, days, days[1].Date.Add(time.Hour/7*11+1)))
}

func TestJoinDays(t *testing.T) {
	got := thermal.JoinDays([]thermal.Day{day(1, 0, 24, 8), day(2, 0, 6, 8)}, []thermal.Day{day(2, 6, 24, 12), day(3, 0, 24, 12)})
	both := day(2, 0, 24, 11)
	if d := cmp.Diff([]thermal.Day{day(1, 0, 24, 8), both, day(3, 0, 24, 12)}, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if got := thermal.JoinDays([]thermal.Day{day(3, 0, 24, 8)}, []thermal.Day{day(1, 0, 24, 8), day(4, 0, 24, 8)}); len(got) != 3 || got[0].Date.Day() != 1 || got[2].Date.Day() != 4 {
		t.Errorf("not in order: %v", got)
	}
	if got := thermal.JoinDays(nil, []thermal.Day{both}); len(got) != 1 {
		t.Errorf("nothing before: %v", got)
	}
}

func TestMeanDays(t *testing.T) {
	a := []thermal.Day{day(1, 0, 24, 8), day(2, 0, 24, 8)}
	b := []thermal.Day{day(2, 0, 24, 12), day(3, 0, 24, 12)}
	for _, tt := range []struct {
		name    string
		weights []float64
		second  float64
	}{{"by number", []float64{3000, 1000}, 9}, {"nothing left", []float64{0, 0}, 10}, {"one empty", []float64{0, 5}, 12}} {
		t.Run(tt.name, func(t *testing.T) {
			got := thermal.MeanDays([][]thermal.Day{a, b}, tt.weights)
			if d := cmp.Diff([]thermal.Day{day(1, 0, 24, 8), day(2, 0, 24, tt.second), day(3, 0, 24, 12)}, got); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
	half := thermal.MeanDays([][]thermal.Day{{day(1, 12, 18, 12)}, {day(1, 0, 24, 8)}}, []float64{2, 1})[0]
	// 12 degC for 6 h, twice, and 8 degC for 24 h.
	near(t, "units", float64(half.Units.DegreeDays), (3+3+8)/3.0, 1e-9)
	near(t, "mean", float64(half.MeanC), (12*6*2+8*24)/36.0, 1e-9)
	if u := half.Units; u.Measured != 6*time.Hour || !u.From.Equal(half.Date) || u.To.Sub(u.From) != 24*time.Hour {
		t.Errorf("%+v", half.Units)
	}
	if got := thermal.MeanDays(nil, nil); got != nil {
		t.Errorf("nothing: %v", got)
	}
}

// Sixty days at one reading a minute, alone and with a stand-in merged in; then
// half and twice that, to see that it is linear.
func BenchmarkTwoMonths(b *testing.B) {
	for _, bb := range []struct {
		name    string
		months  int
		standIn bool
	}{{"1 month", 1, false}, {"2 months", 2, false}, {"4 months", 4, false}, {"1 month with stand-in", 1, true}, {"2 months with stand-in", 2, true}, {"4 months with stand-in", 4, true}} {
		b.Run(bb.name, func(b *testing.B) {
			feed := series(probe, 0, float64(bb.months*30*24), time.Minute, wave)
			if bb.standIn {
				feed = sorted(append(feed, series(standIn, 0.01, float64(bb.months*30*24), time.Minute, wave)...))
			}
			b.ReportAllocs()
			for b.Loop() {
				in := thermal.New(open(0))
				for i := range feed {
					s := &feed[i]
					if s.by == standIn {
						in.AddStandIn(s.at, measure.TempC(s.t))
					} else if err := in.Add(s.at, measure.TempC(s.t)); err != nil {
						b.Fatal(err)
					}
				}
				if in.Units().DegreeDays == 0 {
					b.Fatal("nothing counted")
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(feed)), "ns/reading")
		})
	}
}
