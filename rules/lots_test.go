package rules_test

import (
	"errors"
	"iter"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
	"weirkeeper/rules/thermal"
)

// record is what a ledger would hold of two probes, and hand out by time.
type record []reading.Reading

func (rec record) of(probe reading.ProbeID) record {
	var out record
	for _, r := range rec {
		if r.Probe == probe {
			out = append(out, r)
		}
	}
	slices.SortStableFunc(out, func(a, b reading.Reading) int { return a.At.Compare(b.At) })
	return out
}

// between is what lies in a span, half-open; to zero is all there is.
func (rec record) between(from, to time.Time) iter.Seq2[reading.Reading, error] {
	return sequence(slices.DeleteFunc(slices.Clone(rec), func(r reading.Reading) bool {
		return r.At.Before(from) || (!to.IsZero() && !r.At.Before(to))
	}))
}

// lotNight feeds 40 h of the lot's own probe and the spring's: a short gap, a
// long one, readings that cannot be, and one the broker kept.
func lotNight(add func(reading.Reading)) {
	begin := rulestest.Start.AddDate(0, 0, -1).Add(-30 * time.Minute)
	for m := range 40 * 60 {
		at := begin.Add(time.Duration(m) * time.Minute)
		add(rulestest.Reading("spring temperature", at, 8))
		switch h := float64(m) / 60; {
		case h > 5 && h < 6.5, h > 10 && h < 22:
		case m%500 == 7:
			add(rulestest.Reading("stack 1 temperature", at, -55, reading.OutOfRange))
		case m == 30*60:
			add(rulestest.Reading("stack 1 temperature", at, 20, reading.Retained))
		default:
			add(rulestest.Reading("stack 1 temperature", at, 9+math.Sin(h/4)))
		}
	}
}

// recount counts every span that wants it from a record.
func recount(t *testing.T, e *rules.Engine, rec record) {
	t.Helper()
	for range 2 { // what is tender goes by the units
		for _, s := range e.Sources() {
			side := func(p reading.ProbeID) iter.Seq2[reading.Reading, error] {
				if p == "" {
					return nil
				}
				return rec.of(p).between(s.From, s.To)
			}
			if err := e.Recount(s.Span, side(s.Main), side(s.StandIn), side(s.Hand)); err != nil {
				t.Fatal(err)
			}
		}
	}
	if left := e.Sources(); len(left) != 0 {
		t.Fatalf("still to be counted: %+v", left)
	}
}

func TestLotCount(t *testing.T) {
	e := engine(t, rulestest.Site(), lowFlow)
	var rec record
	lotNight(func(r reading.Reading) {
		rec = append(rec, r)
		e.Reading(r.ArrivedAt, &r)
	})
	last := rec[len(rec)-1].At
	v := e.Lots(last)[0]
	u := v.Units
	if v.Lot.ID != "2026-A" || !cmp.Equal(v.Sources, []rules.LotProbe{{Unit: "stack 1", Probe: "stack 1 temperature"}}) || !v.HaveMean || len(v.Forecast) != 3 || v.Counting {
		t.Errorf("view %+v", v)
	}
	placed := rulestest.Start.AddDate(0, 0, -1)
	if u.To.Sub(u.From) != last.Sub(placed) || u.StandIn < 11*time.Hour || u.StandIn > 13*time.Hour || u.Unsupported != 0 || u.Bridged < 80*time.Minute || u.Bridged > 100*time.Minute {
		t.Errorf("times %+v", u)
	}
	if d := u.DegreeDays; d < 13 || d > 15 { // 39.5 h at 8 to 10 degC
		t.Errorf("%v degree-days", d)
	}

	// Counted again from the record it is the same.
	if b := e.Sources(); len(b) != 0 {
		t.Errorf("behind without an older reading: %v", b)
	}
	fresh := engine(t, rulestest.Site(), lowFlow)
	fresh.CountAgain()
	want := []rules.Source{{
		Span: rules.Span{Unit: "stack 1", From: placed}, Main: "stack 1 temperature", StandIn: "spring temperature",
		Hand: "by hand: stack 1", From: placed.Add(-thermal.Lookback),
	}}
	if d := cmp.Diff(want, fresh.Sources()); d != "" {
		t.Errorf("sources (-want +got):\n%s", d)
	}
	recount(t, fresh, rec)
	if d := cmp.Diff(e.Lots(last), fresh.Lots(last)); d != "" {
		t.Errorf("rebuilt (-live +rebuilt):\n%s", d)
	}
}

// The probe's memory of its long gap comes late and in order: it fills the gap.
// One that is older than the newest makes the lot count again.
func TestLotBehind(t *testing.T) {
	hatchery := rulestest.Site()
	hatchery.Lots[0].Path[0].From = rulestest.Start
	e := engine(t, hatchery, lowFlow)
	var rec record
	var kept []reading.Reading
	tell := func(r reading.Reading) {
		rec = append(rec, r)
		e.Reading(r.ArrivedAt, &r)
	}
	begin := rulestest.Start
	for m := range 12 * 60 {
		at := begin.Add(time.Duration(m) * time.Minute)
		tell(rulestest.Reading("spring temperature", at, 7))
		if m > 60 && m < 600 {
			kept = append(kept, rulestest.Reading("stack 1 temperature", at, 11, reading.Late, reading.DeviceTimed, reading.OutOfOrder))
			continue
		}
		tell(rulestest.Reading("stack 1 temperature", at, 9))
	}
	end := begin.Add(12 * time.Hour)
	before := e.Lots(end)[0].Units
	if before.StandIn < 8*time.Hour {
		t.Fatalf("gap not filled from the stand-in: %+v", before)
	}
	for _, r := range kept {
		r.ArrivedAt = end
		tell(r)
	}
	if d := cmp.Diff(before, e.Lots(end)[0].Units); d != "" {
		t.Errorf("an older reading was counted at once:\n%s", d)
	}
	if len(e.Sources()) != 1 {
		t.Fatalf("behind: %v", e.Sources())
	}
	recount(t, e, rec)
	after := e.Lots(end)[0].Units
	grew := float64(after.DegreeDays-before.DegreeDays) * 24
	if want := 9.0 * (11 - 7); math.Abs(grew-want) > 0.2 || after.StandIn != 0 {
		t.Errorf("after the recount %+.2f degC h, want about %+.2f; %+v", grew, want, after)
	}
	// A stand-in's reading out of order does the same.
	r := rulestest.Reading("spring temperature", begin, 7, reading.OutOfOrder, reading.Late)
	e.Reading(end, &r)
	if b := e.Sources(); len(b) != 1 {
		t.Errorf("not behind after the stand-in's: %v", b)
	}
}

func TestRecountFails(t *testing.T) {
	e := engine(t, rulestest.Site(), lowFlow)
	lotNight(func(r reading.Reading) { e.Reading(r.ArrivedAt, &r) })
	now := rulestest.Start.Add(15 * time.Hour)
	before := e.Lots(now)
	broken := errors.New("disk")
	fails := func(yield func(reading.Reading, error) bool) {
		if yield(rulestest.Reading("x", rulestest.Start, 30), nil) {
			yield(reading.Reading{}, broken)
		}
	}
	one := sequence([]reading.Reading{rulestest.Reading("x", rulestest.Start.Add(time.Hour), 30)})
	backwards := sequence([]reading.Reading{rulestest.Reading("x", rulestest.Start.Add(time.Hour), 30), rulestest.Reading("x", rulestest.Start, 30)})
	span := rules.Span{Unit: "stack 1", From: rulestest.Start.AddDate(0, 0, -1)}
	for name, err := range map[string]error{
		"main":     e.Recount(span, fails, nil, nil),
		"stand-in": e.Recount(span, one, fails, nil),
		"by hand":  e.Recount(span, one, nil, fails),
		"no main":  e.Recount(span, nil, nil, fails),
	} {
		if !errors.Is(err, broken) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := e.Recount(span, backwards, nil, nil); !errors.Is(err, thermal.ErrOutOfOrder) {
		t.Errorf("backwards: %v", err)
	}
	if err := e.Recount(rules.Span{Unit: "nowhere"}, one, nil, nil); err != nil {
		t.Errorf("unknown span: %v", err)
	}
	if d := cmp.Diff(before, e.Lots(now)); d != "" {
		t.Errorf("a failed recount changed the count:\n%s", d)
	}
}

// Which probe counts for a lot: its unit's, else the spring's, else none.
func TestLotSource(t *testing.T) {
	for _, tt := range []struct {
		name, unit string
		drop       bool // every thermometer
		main       reading.ProbeID
		spring     bool
	}{
		{"own", "stack 1", false, "stack 1 temperature", false},
		{"the spring's", "trough 2", false, "spring temperature", true},
		{"none", "stack 1", true, "", false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := rulestest.Site()
			s.Lots[0].Path[0].Unit = tt.unit
			if tt.drop {
				s.Probes = slices.DeleteFunc(s.Probes, func(p site.Probe) bool { return p.Quantity == reading.Temperature })
			}
			e := rules.New(s, program(t, s, lowFlow))
			now := rulestest.Start
			for range 3 {
				if tt.main != "" {
					r := rulestest.Reading(tt.main, now, 8)
					e.Reading(now, &r)
				}
				now = now.Add(time.Minute)
			}
			v := e.Lots(now)[0]
			if !cmp.Equal(v.Sources, []rules.LotProbe{{Unit: tt.unit, Probe: tt.main, Spring: tt.spring}}) || v.HaveMean != (tt.main != "") {
				t.Errorf("%+v", v)
			}
			if want := measure.DegreeDays(0); (v.Units.DegreeDays > want) != (tt.main != "") {
				t.Errorf("units %v", v.Units.DegreeDays)
			}
			// The spring's water is not quite the unit's.
			if tt.spring && v.Units.PlusMinus < 2*measure.DegreeDays(site.DefaultAccuracyC)/measure.DegreeDays(24*60)*2 {
				t.Errorf("plus or minus %v", v.Units.PlusMinus)
			}
		})
	}
}

// A stand-in's first reading comes after the lot's own, with a time of its own
// just before it. It counts for the weeks before either, as it does when the
// lot is counted again after a restart.
func TestStandInComesJustAfterTheGap(t *testing.T) {
	e := engine(t, rulestest.Site(), lowFlow)
	var rec record
	tell := func(r reading.Reading) {
		rec = append(rec, r)
		e.Reading(r.ArrivedAt, &r)
	}
	from := rulestest.Site().Lots[0].Path[0].From
	tell(rulestest.Reading("stack 1 temperature", from, 9))
	at := from.Add(10 * 24 * time.Hour)
	tell(rulestest.Reading("stack 1 temperature", at, 9))
	spring := rulestest.Reading("spring temperature", at.Add(-2*time.Second), 7, reading.DeviceTimed)
	spring.ArrivedAt = at.Add(time.Second)
	tell(spring)
	if len(e.Sources()) != 1 {
		t.Fatalf("not behind: %v", e.Sources())
	}
	recount(t, e, rec)
}
