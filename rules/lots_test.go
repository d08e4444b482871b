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
	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

// record is what a ledger would hold of two probes, and hand out by time.
type record []reading.Reading

func (rec record) of(probe reading.ProbeID) iter.Seq2[reading.Reading, error] {
	var out []reading.Reading
	for _, r := range rec {
		if r.Probe == probe {
			out = append(out, r)
		}
	}
	slices.SortStableFunc(out, func(a, b reading.Reading) int { return a.At.Compare(b.At) })
	return sequence(out)
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
	if v.Lot.ID != "2026-A" || v.Source != "stack 1 temperature" || v.Spring || !v.HaveMean || len(v.Forecast) != 3 {
		t.Errorf("view %+v", v)
	}
	if u.To.Sub(u.From) != last.Sub(rulestest.Start.AddDate(0, 0, -1)) || u.StandIn < 11*time.Hour || u.StandIn > 13*time.Hour || u.Unsupported != 0 || u.Bridged < 80*time.Minute || u.Bridged > 100*time.Minute {
		t.Errorf("times %+v", u)
	}
	if d := u.DegreeDays; d < 13 || d > 15 { // 39.5 h at 8 to 10 degC
		t.Errorf("%v degree-days", d)
	}

	// Counted again from the record it is the same.
	src := e.LotSources(false)
	want := []rules.LotSource{{LotID: "2026-A", Main: "stack 1 temperature", StandIn: "spring temperature", From: rulestest.Start.AddDate(0, 0, -1).Add(-2 * time.Hour)}}
	if d := cmp.Diff(want, src); d != "" {
		t.Errorf("sources (-want +got):\n%s", d)
	}
	if b := e.LotSources(true); len(b) != 0 {
		t.Errorf("behind without an older reading: %v", b)
	}
	fresh := engine(t, rulestest.Site(), lowFlow)
	if err := fresh.RebuildLot("2026-A", rec.of(src[0].Main), rec.of(src[0].StandIn)); err != nil {
		t.Fatal(err)
	}
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
	behind := e.LotSources(true)
	if len(behind) != 1 {
		t.Fatalf("behind: %v", behind)
	}
	if err := e.RebuildLot(behind[0].LotID, rec.of(behind[0].Main), rec.of(behind[0].StandIn)); err != nil {
		t.Fatal(err)
	}
	after := e.Lots(end)[0].Units
	grew := float64(after.DegreeDays-before.DegreeDays) * 24
	if want := 9.0 * (11 - 7); math.Abs(grew-want) > 0.2 || after.StandIn != 0 {
		t.Errorf("after the rebuild %+.2f degC h, want about %+.2f; %+v", grew, want, after)
	}
	if b := e.LotSources(true); len(b) != 0 {
		t.Errorf("still behind: %v", b)
	}
	// A stand-in's reading out of order does the same.
	r := rulestest.Reading("spring temperature", begin, 7, reading.OutOfOrder, reading.Late)
	e.Reading(end, &r)
	if b := e.LotSources(true); len(b) != 1 {
		t.Errorf("not behind after the stand-in's: %v", b)
	}
}

func TestRebuildLotFails(t *testing.T) {
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
	for name, err := range map[string]error{
		"main":     e.RebuildLot("2026-A", fails, nil),
		"stand-in": e.RebuildLot("2026-A", one, fails),
	} {
		if !errors.Is(err, broken) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := e.RebuildLot("2026-A", backwards, nil); !errors.Is(err, lot.ErrOutOfOrder) {
		t.Errorf("backwards: %v", err)
	}
	if err := e.RebuildLot("nobody", one, nil); err != nil {
		t.Errorf("unknown lot: %v", err)
	}
	if d := cmp.Diff(before, e.Lots(now)); d != "" {
		t.Errorf("a failed rebuild changed the count:\n%s", d)
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
		{"in the spring itself", "spring", false, "spring temperature", false},
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
			if v.Source != tt.main || v.Spring != tt.spring || v.HaveMean != (tt.main != "") {
				t.Errorf("%+v", v)
			}
			if want := measure.DegreeDays(0); (v.Units.DegreeDays > want) != (tt.main != "") {
				t.Errorf("units %v", v.Units.DegreeDays)
			}
			if n := len(e.LotSources(false)); (n == 1) != (tt.main != "") {
				t.Errorf("%d sources", n)
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
	at := from.Add(10 * 24 * time.Hour)
	tell(rulestest.Reading("stack 1 temperature", at, 9))
	spring := rulestest.Reading("spring temperature", at.Add(-2*time.Second), 7, reading.DeviceTimed)
	spring.ArrivedAt = at.Add(time.Second)
	tell(spring)
	behind := e.LotSources(true)
	if len(behind) != 1 {
		t.Fatalf("not behind: %v", behind)
	}
	before := e.Lots(at)[0].Units.DegreeDays
	if err := e.RebuildLot(behind[0].LotID, rec.of(behind[0].Main), rec.of(behind[0].StandIn)); err != nil {
		t.Fatal(err)
	}
	if after := e.Lots(at)[0].Units.DegreeDays; math.Abs(float64(after-before)) < 1 {
		t.Errorf("%v degree-days before and %v after: the test shows nothing", before, after)
	}
	if b := e.LotSources(true); len(b) != 0 {
		t.Errorf("still behind: %v", b)
	}
}
