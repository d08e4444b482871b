package rules_test

import (
	"errors"
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

// keeping is an engine with the record and the book that a daemon would keep.
type keeping struct {
	*rules.Engine
	t       *testing.T
	site    *site.Site
	rec     record
	entries []book.Entry
}

func keep(t *testing.T, s *site.Site) *keeping {
	t.Helper()
	k := &keeping{Engine: engine(t, s, lowFlow), t: t, site: s}
	for _, l := range s.Lots {
		k.entries = append(k.entries, book.FromSite(l)...)
	}
	return k
}

func (k *keeping) tell(rs ...reading.Reading) {
	for _, r := range rs {
		k.rec = append(k.rec, r)
		k.Reading(r.ArrivedAt, &r)
	}
}

// enter writes an entry as the daemon does and counts what it calls for.
func (k *keeping) enter(e book.Entry, now time.Time) error {
	e.Seq, e.ID, e.By, e.RecordedAt = int64(len(k.entries)), "entry "+strconv.Itoa(len(k.entries)), "kim", now
	if _, err := k.Book().Check(e, now); err != nil {
		return err
	}
	k.entries = append(k.entries, e)
	k.SetBook(book.New(k.entries, k.BookOptions()))
	recount(k.t, k.Engine, k.rec)
	return nil
}

func (k *keeping) must(e book.Entry, now time.Time) {
	k.t.Helper()
	if err := k.enter(e, now); err != nil {
		k.t.Fatalf("%s: %v", e.Words(), err)
	}
}

func (k *keeping) lot(id string, now time.Time) rules.LotView {
	k.t.Helper()
	for _, v := range k.Lots(now) {
		if v.Lot.ID == id {
			return v
		}
	}
	k.t.Fatalf("no lot %q", id)
	return rules.LotView{}
}

// fresh is what an engine makes of the same record and book after a restart.
func (k *keeping) fresh() *keeping {
	k.t.Helper()
	f := &keeping{Engine: engine(k.t, k.site, lowFlow), t: k.t, site: k.site, rec: k.rec, entries: k.entries}
	f.SetBook(book.New(k.entries, f.BookOptions()))
	f.CountAgain()
	recount(k.t, f.Engine, k.rec)
	f.SetBook(book.New(k.entries, f.BookOptions()))
	return f
}

// A lot is moved, split, merged and written about late, while readings with gaps
// come in from several units: what is counted as it goes is what is counted from
// the record, however late an entry was made.
func TestLotPathLiveIsRecount(t *testing.T) {
	for seed := range uint64(15) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(seed, 4))
			s := rulestest.Site()
			begin := rulestest.Start
			s.Lots[0].EggTake, s.Lots[0].Path[0].From = begin, begin
			k := keep(t, s)
			units := []string{"stack 1", "stack 2", "trough 1", "trough 2"}
			probes := []reading.ProbeID{"spring temperature", "stack 1 temperature", "stack 2 temperature", "trough 1 temperature"}
			silent := make([]int, len(probes)) // minutes still
			split := 0
			now := begin
			for m := range 4 * 24 * 60 / 3 {
				now = begin.Add(time.Duration(3*m) * time.Minute)
				for i, p := range probes {
					if silent[i] -= 3; silent[i] > 0 {
						continue
					}
					if rnd.IntN(700) == 0 {
						silent[i] = rnd.IntN(20 * 60)
					}
					k.tell(rulestest.Reading(p, now, 8+float64(i)/2+math.Sin(now.Sub(begin).Hours()/4)))
				}
				if rnd.IntN(30) != 0 {
					continue
				}
				at := now.Add(-time.Duration(rnd.IntN(12*60)) * time.Minute)
				from, to := units[rnd.IntN(len(units))], units[rnd.IntN(len(units))]
				lots := k.Book().Lots()
				l := lots[rnd.IntN(len(lots))].ID
				e := book.Entry{Lot: l, At: at, Unit: from, To: to, Number: rnd.IntN(4000)}
				switch rnd.IntN(5) {
				case 0:
					split++
					e.Kind, e.Other, e.Number = book.Split, fmt.Sprint("S", split), 1+rnd.IntN(3000)
				case 1:
					e = book.Entry{Lot: l, Kind: book.Merged, At: at, Other: lots[rnd.IntN(len(lots))].ID}
				case 2:
					e = book.Entry{Lot: l, Kind: book.Picked, At: at, Unit: from, Number: 1 + rnd.IntN(100)}
				default:
					e.Kind = book.Moved
				}
				_ = k.enter(e, now) // what cannot have been is refused
			}
			if n := len(k.entries); n < 6 {
				t.Fatalf("only %d entries fitted: the test shows little", n)
			}
			// What the live engine has and what a restart makes of the record.
			k.SetBook(book.New(k.entries, k.BookOptions())) // warnings name the units gathered
			live, again := k.Lots(now), k.fresh().Lots(now)
			opts := []cmp.Option{
				cmpopts.EquateApprox(1e-9, 1e-9), cmpopts.IgnoreFields(rules.LotView{}, "Forecast"),
				cmp.Comparer(func(a, b time.Duration) bool { return (a - b).Abs() < time.Microsecond }),
			}
			if d := cmp.Diff(live, again, opts...); d != "" {
				t.Errorf("counted live and from the record (-live +record):\n%s", d)
			}
			for _, v := range live {
				var sum measure.DegreeDays
				sheet, ok := k.Sheet(v.Lot.ID, now)
				if !ok {
					t.Fatalf("no sheet of %s", v.Lot.ID)
				}
				for _, d := range sheet.Days {
					sum += d.Units.DegreeDays
				}
				if len(v.Lot.Strands) == 1 && v.Lot.Finished.IsZero() && math.Abs(float64(sum-v.Units.DegreeDays)) > 1e-9 {
					t.Errorf("%s: the days add up to %v of %v", v.Lot.ID, sum, v.Units.DegreeDays)
				}
			}
		})
	}
}

// Half of a lot is split off and goes through the same water, by the same probe
// or by another that says the same: both halves gather the same, gaps included.
func TestSplitGathersTheSame(t *testing.T) {
	s := rulestest.Site()
	begin := rulestest.Start
	s.Lots[0].EggTake, s.Lots[0].Path[0].From = begin, begin
	k := keep(t, s)
	now := begin
	for m := range 3 * 24 * 60 {
		now = begin.Add(time.Duration(m) * time.Minute)
		h := now.Sub(begin).Hours()
		if h > 20 && h < 21.5 { // a short gap across the move, and no long one: long ones follow each unit's own stand-in
			continue
		}
		v := 8 + math.Sin(h/5)
		k.tell(rulestest.Reading("stack 1 temperature", now, v), rulestest.Reading("stack 2 temperature", now, v))
	}
	k.must(book.Entry{Lot: "2026-A", Kind: book.Split, At: begin.Add(20*time.Hour + 40*time.Minute), Other: "stays", Unit: "stack 1", Number: 5000}, now)
	k.must(book.Entry{Lot: "2026-A", Kind: book.Split, At: begin.Add(20*time.Hour + 40*time.Minute), Other: "goes", Unit: "stack 1", To: "stack 2", Number: 5000}, now)
	a, stays, goes := k.lot("2026-A", now), k.lot("stays", now), k.lot("goes", now)
	if stays.Units.DegreeDays != a.Units.DegreeDays {
		t.Errorf("in the same unit: %v and %v", a.Units.DegreeDays, stays.Units.DegreeDays)
	}
	if d := math.Abs(float64(goes.Units.DegreeDays - a.Units.DegreeDays)); d > 1e-9 || a.Units.DegreeDays < 20 {
		t.Errorf("in the same water of another unit: %v and %v", a.Units.DegreeDays, goes.Units.DegreeDays)
	}
	if a.Lot.Number != 14000 || goes.Lot.Number != 5000 {
		t.Errorf("%d and %d eggs", a.Lot.Number, goes.Lot.Number)
	}
}

// A lot whose halves lie in waters of 6 and 10 degC: the mean by number, and the
// least and most of the halves.
func TestLotInTwoWaters(t *testing.T) {
	s := rulestest.Site()
	begin := rulestest.Start
	s.Lots[0].EggTake, s.Lots[0].Path[0].From = begin, begin
	k := keep(t, s)
	now := begin
	for m := range 4*24*60 + 1 {
		now = begin.Add(time.Duration(m) * time.Minute)
		k.tell(rulestest.Reading("stack 1 temperature", now, 6), rulestest.Reading("stack 2 temperature", now, 10))
	}
	k.must(book.Entry{Lot: "2026-A", Kind: book.Moved, At: begin.Add(24 * time.Hour), Unit: "stack 1", To: "stack 2", Number: 6000}, now)
	v := k.lot("2026-A", now)
	near := func(what string, got measure.DegreeDays, want float64) {
		t.Helper()
		if math.Abs(float64(got)-want) > 1e-6 {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	near("least", v.Least, 24)
	near("most", v.Most, 6+30)
	near("mean by number", v.Units.DegreeDays, 0.75*24+0.25*36)
	if v.MeanC != 6 || len(v.Sources) != 2 {
		t.Errorf("mean %v, sources %+v", v.MeanC, v.Sources)
	}
	sheet, _ := k.Sheet("2026-A", now)
	if n := len(sheet.Days); n != 5 { // from 18:00 to 18:00
		t.Fatalf("%d days", n)
	}
	if d := sheet.Days[2]; math.Abs(float64(d.Units.DegreeDays)-7) > 1e-6 || math.Abs(float64(d.MeanC)-7) > 1e-6 {
		t.Errorf("third day %+v, want 7 degree-days", d)
	}
}

// An entry made late moves the lot in the past, and taking it back undoes it.
func TestLateEntryCountsAgain(t *testing.T) {
	s := rulestest.Site()
	begin := rulestest.Start
	s.Lots[0].EggTake, s.Lots[0].Path[0].From = begin, begin
	k := keep(t, s)
	now := begin
	for m := range 48*60 + 1 {
		now = begin.Add(time.Duration(m) * time.Minute)
		k.tell(rulestest.Reading("stack 1 temperature", now, 6), rulestest.Reading("trough 1 temperature", now, 12))
	}
	before := k.lot("2026-A", now).Units
	k.must(book.Entry{Lot: "2026-A", Kind: book.Moved, At: begin.Add(24 * time.Hour), Unit: "stack 1", To: "trough 1"}, now)
	if got := k.lot("2026-A", now).Units.DegreeDays; math.Abs(float64(got)-18) > 1e-6 {
		t.Errorf("moved after a day: %v degree-days, want 18", got)
	}
	k.must(book.Entry{Lot: "2026-A", Kind: book.Moved, At: begin.Add(12 * time.Hour), Unit: "stack 1", To: "trough 1", Corrects: int64(len(k.entries) - 1)}, now)
	if got := k.lot("2026-A", now).Units.DegreeDays; math.Abs(float64(got)-21) > 1e-6 {
		t.Errorf("corrected to half a day: %v degree-days, want 21", got)
	}
	k.must(book.Entry{Lot: "2026-A", Kind: book.Struck, At: now, Text: "it was a day", Corrects: int64(len(k.entries) - 1)}, now)
	if got := k.lot("2026-A", now).Units.DegreeDays; math.Abs(float64(got)-18) > 1e-6 {
		t.Errorf("the correction taken back: %v degree-days, want 18", got)
	}
	k.must(book.Entry{Lot: "2026-A", Kind: book.Struck, At: now, Text: "another lot", Corrects: int64(len(k.entries) - 3)}, now)
	if d := cmp.Diff(before, k.lot("2026-A", now).Units, cmpopts.EquateApprox(1e-12, 1e-9)); d != "" {
		t.Errorf("taken back (-before +after):\n%s", d)
	}
}

// A probe without a stand-in is dead for 30 h; the keeper reads the thermometer
// twice in that time and writes it down the day after.
func TestReadingsByHandFillAGap(t *testing.T) {
	s := rulestest.Site()
	begin := rulestest.Start
	s.Lots[0].EggTake, s.Lots[0].Path[0] = begin, lot.Stay{Unit: "trough 1", From: begin}
	k := keep(t, s)
	now := begin
	for m := range 72*60 + 1 {
		now = begin.Add(time.Duration(m) * time.Minute)
		if h := now.Sub(begin).Hours(); h <= 20 || h >= 50 {
			k.tell(rulestest.Reading("trough 1 temperature", now, 8))
		}
	}
	dead := k.lot("2026-A", now).Units
	if dead.Unsupported != 30*time.Hour {
		t.Fatalf("%+v", dead)
	}
	for _, h := range []float64{28, 44} {
		r := rulestest.Reading(site.HandProbe("trough 1"), begin.Add(time.Duration(h*float64(time.Hour))), 5, reading.DeviceTimed)
		r.ArrivedAt = now
		k.tell(r)
	}
	recount(t, k.Engine, k.rec)
	u := k.lot("2026-A", now).Units
	// 8 h down to 5, 16 h at 5, 6 h up to 8.
	want := (42*8 + 8*6.5 + 16*5 + 6*6.5) / 24.0
	if math.Abs(float64(u.DegreeDays)-want) > 1e-6 || u.ByHand < 16*time.Hour || u.Unsupported+u.ByHand != 30*time.Hour {
		t.Errorf("%+v, want %v degree-days", u, want)
	}
	if d := cmp.Diff(k.fresh().Lots(now)[0].Units, u, cmpopts.EquateApprox(1e-12, 1e-9)); d != "" {
		t.Errorf("after a restart:\n%s", d)
	}
}

// steady feeds a unit's probe at one temperature from the lot's first day until
// now and gives the engine a lot of rainbow trout in it.
func steadyLot(t *testing.T, days int) (*keeping, time.Time) {
	t.Helper()
	s := rulestest.Site()
	begin := rulestest.Start.AddDate(0, 0, -days)
	s.Lots = []lot.Lot{{ID: "RT", Species: "rainbow trout", EggTake: begin, Start: lot.Green, Eggs: 10000, Path: []lot.Stay{{Unit: "stack 1", From: begin}}}}
	k := keep(t, s)
	now := begin
	for m := range days * 24 * 2 {
		now = begin.Add(time.Duration(m) * 30 * time.Minute)
		k.tell(rulestest.Reading("stack 1 temperature", now, 10))
	}
	return k, now
}

// What draws near is told once, for the morning, and ends when it is written
// down: eyed at 199.8 to 244.2 degree-days (222, AFS 2015 abstract, 10 percent
// either side) is about 17 days off at 0 and within 3 days at 170.
func TestNotices(t *testing.T) {
	k, now := steadyLot(t, 10)
	raised := func(trs []alarm.Transition) []string {
		var out []string
		for _, tr := range trs {
			if tr.Kind != alarm.LotDue {
				continue
			}
			if tr.Priority != alarm.Morning || tr.Unit != "" {
				t.Errorf("%+v", tr)
			}
			out = append(out, tr.To.String()+": "+tr.Trouble+": "+tr.Detail)
		}
		return out
	}
	if got := raised(k.Tick(now)); len(got) != 0 {
		t.Fatalf("at 100 degree-days: %q", got)
	}
	var got []string
	for range 8 * 48 {
		now = now.Add(30 * time.Minute)
		k.tell(rulestest.Reading("stack 1 temperature", now, 10))
		got = append(got, raised(k.Tick(now))...)
	}
	if len(got) != 1 || !strings.HasPrefix(got[0], "unacknowledged: Lot RT: may be eyed within 3 days: expected ") || !strings.HasSuffix(got[0], "; 10,000 in stack 1") {
		t.Fatalf("at 180 degree-days: %q", got)
	}
	// A restart neither loses nor repeats it, nor does an answer end it.
	key := alarm.Key("lot_due/may be eyed within 3 days/RT")
	if _, err := k.Acknowledge(now, key, "kim"); err != nil {
		t.Fatal(err)
	}
	if got := raised(k.Tick(now.Add(3 * time.Hour))); len(got) != 0 {
		t.Errorf("answered: %q", got)
	}
	standing := []alarm.Transition{{Key: key, Kind: alarm.LotDue, Occurrence: 1, To: alarm.Acknowledged, At: now, Since: now, Priority: alarm.Morning}}
	again := k.fresh()
	again.Engine = engine(t, k.site, lowFlow)
	again.SetBook(book.New(k.entries, again.BookOptions()))
	if gone, err := again.Rebuild(now, rules.Past{Standing: standing, Occurrences: map[alarm.Key]uint64{key: 1}, WatchingSince: now, Readings: sequence(nil)}); err != nil || len(gone) != 0 {
		t.Fatalf("rebuild: %v %v", gone, err)
	}
	if got := raised(again.Tick(now)); len(got) != 0 {
		t.Errorf("before it is counted: %q", got)
	}
	recount(t, again.Engine, k.rec)
	if got := raised(again.Tick(now.Add(10 * time.Minute))); len(got) != 0 {
		t.Errorf("after the restart: %q", got)
	}
	// Written down, it is over, and the next one comes in its time.
	again.must(book.Entry{Lot: "RT", Kind: book.Eyed, At: now}, now)
	got = raised(again.Tick(now.Add(20 * time.Minute)))
	if len(got) != 1 || !strings.HasPrefix(got[0], "normal: Lot RT: may be eyed within 3 days: eyed was seen on ") {
		t.Errorf("eyed: %q", got)
	}
	// A lot that is gone has no notices.
	again.must(book.Entry{Lot: "RT", Kind: book.Shipped, At: now, Place: "Lower pond"}, now)
	if got := raised(again.Tick(now.Add(time.Hour))); len(got) != 0 || len(again.Standing(now)) != 0 {
		t.Errorf("shipped: %q, %+v", got, again.Standing(now))
	}
}

// Ready to move names the room there is.
func TestRoomNotice(t *testing.T) {
	k, now := steadyLot(t, 40)
	k.must(book.Entry{Lot: "RT", Kind: book.Eyed, At: now.Add(-20 * 24 * time.Hour)}, now)
	k.must(book.Entry{Lot: "RT", Kind: book.Hatched, Part: book.Half, At: now.Add(-7 * 24 * time.Hour)}, now)
	flow := rulestest.Reading("trough 1 flow", now, 40)
	k.tell(flow, rulestest.Reading("trough 1 temperature", now, 10), rulestest.Reading("spring oxygen", now, 10.5), rulestest.Reading("spring temperature", now, 10))
	i := slices.IndexFunc(k.Tick(now), func(tr alarm.Transition) bool { return strings.Contains(tr.Trouble, "trough space needed") })
	trs := k.Standing(now)
	if j := slices.IndexFunc(trs, func(a rules.AlarmView) bool { return strings.Contains(a.Trouble, "trough space needed") }); i < 0 && j < 0 {
		t.Fatalf("%+v", trs)
	} else if d := trs[max(j, 0)].Detail; !strings.Contains(d, "10,000 fry of about 0.12 g: there is room in trough") {
		t.Errorf("%q", d)
	}
}

// Ten finished lots of one site, whose own requirement is well above the
// published one, make the forecast of the next.
func TestSiteCalibratesItself(t *testing.T) {
	s := rulestest.Site()
	s.Lots = nil
	begin := rulestest.Start.AddDate(0, 0, -200)
	k := keep(t, s)
	now := begin
	for h := range 200 * 24 {
		now = begin.Add(time.Duration(h) * time.Hour)
		k.tell(rulestest.Reading("stack 1 temperature", now, 10))
	}
	for i := range 10 {
		id := fmt.Sprint("L", i)
		took := begin.AddDate(0, 0, 5*i)
		k.must(book.Entry{Lot: id, Kind: book.Opened, At: took, Unit: "stack 1", Open: &book.Opening{
			Species: "Rainbow trout", EggTake: took, Start: lot.Green, Count: book.Count{Method: book.Direct, Number: 5000},
		}}, now)
		k.must(book.Entry{Lot: id, Kind: book.Eyed, At: took.Add(22 * 24 * time.Hour)}, now)
		k.must(book.Entry{Lot: id, Kind: book.Hatched, Part: book.Half, At: took.Add(time.Duration(42*24+4*i) * time.Hour)}, now)
		k.must(book.Entry{Lot: id, Kind: book.Shipped, At: took.Add(60 * 24 * time.Hour), Place: "Lower pond"}, now)
	}
	took := now.AddDate(0, 0, -20)
	k.must(book.Entry{Lot: "next", Kind: book.Opened, At: took, Unit: "stack 1", Open: &book.Opening{
		Species: "rainbow trout", EggTake: took, Start: lot.Green, Count: book.Count{Method: book.Direct, Number: 5000},
	}}, now)
	v := k.lot("next", now)
	i := slices.IndexFunc(v.Forecast, func(f lot.Forecast) bool { return f.Stage == lot.Hatch })
	if i < 0 {
		t.Fatalf("%+v", v.Forecast)
	}
	f := v.Forecast[i]
	if mid := (f.Need.Low + f.Need.High) / 2; mid < 405 || mid > 435 || !strings.Contains(f.Need.Source, "10") || f.Need.High-f.Need.Low > 100 {
		t.Errorf("need %+v, want about 420 from 10 lots", f.Need)
	}
	if e := took.Add(42 * 24 * time.Hour); f.Earliest.After(e.AddDate(0, 0, 1)) || f.Latest.Before(e) {
		t.Errorf("hatch %v to %v, want around %v", f.Earliest, f.Latest, e)
	}
}

// The same weeks of last year cooled by 3 degC: the forecast follows, from where
// the water is now.
func TestForecastFollowsLastYear(t *testing.T) {
	k, now := steadyLot(t, 10)
	plain := k.lot("RT", now).Forecast[1]
	var days []lot.DayMean
	then := now.AddDate(-1, 0, 0)
	for d := -10; d < 120; d++ {
		date := time.Date(then.Year(), then.Month(), then.Day()+d, 0, 0, 0, 0, time.UTC)
		days = append(days, lot.DayMean{Date: date, MeanC: measure.TempC(12 - 3*min(1, max(0, float64(d)/10)))})
	}
	k.SetLastYear("stack 1", days)
	v := k.lot("RT", now)
	if !v.LastYear || !v.Forecast[1].Latest.After(plain.Latest.AddDate(0, 0, 5)) {
		t.Errorf("with last year %v to %v, without %v to %v", v.Forecast[1].Earliest, v.Forecast[1].Latest, plain.Earliest, plain.Latest)
	}
	if w := k.LotWaters(); !cmp.Equal(w, map[string]reading.ProbeID{"stack 1": "stack 1 temperature"}) {
		t.Errorf("waters %v", w)
	}
}

// The finished lots' spans are counted last, and a lot says when it is not
// counted whole.
func TestFinishedLotsAreCountedLast(t *testing.T) {
	k, now := steadyLot(t, 5)
	old := now.AddDate(0, 0, -4)
	k.must(book.Entry{Lot: "gone", Kind: book.Opened, At: old, Unit: "stack 2", Open: &book.Opening{
		Species: "rainbow trout", EggTake: old, Start: lot.Green, Count: book.Count{Method: book.Direct, Number: 50},
	}}, now)
	k.must(book.Entry{Lot: "gone", Kind: book.Lost, At: old.AddDate(0, 0, 2), Text: "all at once"}, now)
	again := engine(t, k.site, lowFlow)
	again.SetBook(book.New(k.entries, again.BookOptions()))
	again.CountAgain()
	src := again.Sources()
	if len(src) != 2 || src[0].Idle || !src[1].Idle || src[1].Span.To.IsZero() {
		t.Fatalf("%+v", src)
	}
	if _, err := again.Rebuild(now, rules.Past{Readings: sequence(nil), WatchingSince: now}); err != nil {
		t.Fatal(err)
	}
	for _, v := range again.Lots(now) {
		if !v.Counting {
			t.Errorf("%s says it is whole", v.Lot.ID)
		}
	}
	var none iter.Seq2[reading.Reading, error]
	if err := again.Recount(src[0].Span, k.rec.of(src[0].Main).between(src[0].From, src[0].To), none, none); err != nil {
		t.Fatal(err)
	}
	if n := len(again.Sources()); n != 1 {
		t.Errorf("%d sources left", n)
	}
}

// lotDue are the notices among some transitions, as "to: trouble".
func lotDue(trs []alarm.Transition) []string {
	var out []string
	for _, tr := range trs {
		if tr.Kind == alarm.LotDue {
			out = append(out, tr.To.String()+": "+tr.Trouble)
		}
	}
	return out
}

// A notice waits until all that its forecast rests on is counted: not for a lot
// of which a part was just moved, nor after the clock was set, nor while finished
// lots, which say what this site's need, are still to be counted.
func TestNoticesWaitForTheCount(t *testing.T) {
	k, now := steadyLot(t, 18)
	// The keeper's own need, so that nothing published is looked at beside it.
	k.site.Species = map[string]lot.Profile{"rainbow trout": {Needs: map[lot.Stage]lot.Need{lot.Eyed: {Low: 200, High: 220}}}}
	const raised = "unacknowledged: Lot RT: may be eyed within 3 days"
	if d := cmp.Diff([]string{raised}, lotDue(k.Tick(now))); d != "" {
		t.Fatal(d)
	}
	// Half of it moved: the half's stays are not counted yet.
	move := book.Entry{Seq: 1, ID: "m", By: "kim", Lot: "RT", Kind: book.Moved, At: now.Add(-time.Minute), Unit: "stack 1", To: "stack 2", Number: 5000}
	k.entries = append(k.entries, move)
	k.SetBook(book.New(k.entries, k.BookOptions()))
	if v := k.lot("RT", now); !v.Counting {
		t.Error("half of it is not counted, and it says it is whole")
	}
	if got := lotDue(k.Tick(now.Add(time.Second))); got != nil {
		t.Errorf("before the half is counted: %q", got)
	}
	recount(t, k.Engine, k.rec)
	if got := lotDue(k.Tick(now.Add(2 * time.Second))); got != nil {
		t.Errorf("after it is counted: %q", got)
	}
	// The clock was days behind: what was counted no longer belongs to now.
	fresh, now := steadyLot(t, 10)
	fresh.Tick(now)
	fresh.Shift(8 * 24 * time.Hour)
	now = now.Add(8 * 24 * time.Hour)
	if got := lotDue(fresh.Tick(now)); got != nil || !fresh.lot("RT", now).Counting {
		t.Errorf("after the clock was set: %q", got)
	}
	recount(t, fresh.Engine, fresh.rec)
	if got := lotDue(fresh.Tick(now)); len(got) != 1 {
		t.Errorf("counted by the new time: %q", got)
	}
}

// finishedLots opens lots of rainbow trout in water of 10 degC that were all eyed
// at 300 degree-days, far above what is published (222, AFS 2015 abstract), and
// one that is at 200.
func finishedLots(t *testing.T) (*keeping, time.Time) {
	t.Helper()
	k, now := steadyLot(t, 100)
	k.entries = nil
	open := func(id string, days int) book.Entry {
		took := now.AddDate(0, 0, -days)
		return book.Entry{Lot: id, Kind: book.Opened, At: took, Unit: "stack 1", Open: &book.Opening{
			Species: "rainbow trout", EggTake: took, Start: lot.Green, Count: book.Count{Method: book.Direct, Number: 5000},
		}}
	}
	for i := range 5 {
		id := fmt.Sprint("L", i)
		k.must(open(id, 90+i), now)
		k.must(book.Entry{Lot: id, Kind: book.Eyed, At: now.AddDate(0, 0, -60-i)}, now)
		k.must(book.Entry{Lot: id, Kind: book.Shipped, At: now.AddDate(0, 0, -50-i), Place: "Lower pond"}, now)
	}
	k.must(open("next", 20), now)
	return k, now
}

func TestNoticesWaitForFinishedLots(t *testing.T) {
	k, now := finishedLots(t)
	if got := lotDue(k.Tick(now)); got != nil {
		t.Fatalf("at 200 of 300 degree-days: %q", got)
	}
	again := engine(t, k.site, lowFlow)
	again.SetBook(book.New(k.entries, again.BookOptions()))
	again.CountAgain()
	failed := errors.New("disk")
	for i, s := range again.Sources() {
		if got := lotDue(again.Tick(now)); got != nil {
			t.Errorf("with %d spans counted: %q", i, got)
		}
		if s.Idle != (i > 0) {
			t.Fatalf("source %d: %+v", i, s)
		}
		if err := again.Recount(s.Span, k.rec.of(s.Main).between(s.From, s.To), nil, nil); err != nil {
			t.Fatal(err)
		}
	}
	if got := lotDue(again.Tick(now)); got != nil {
		t.Errorf("with all counted: %q", got)
	}
	// What cannot be counted is not waited for.
	again.CountAgain()
	for _, s := range again.Sources() {
		main := k.rec.of(s.Main).between(s.From, s.To)
		if s.Idle {
			main = func(yield func(reading.Reading, error) bool) { yield(reading.Reading{}, failed) }
		}
		if err := again.Recount(s.Span, main, nil, nil); s.Idle != errors.Is(err, failed) {
			t.Fatal(err)
		}
	}
	if got := lotDue(again.Tick(now)); len(got) != 1 {
		t.Errorf("without the finished lots, by what is published: %q", got)
	}
}

// need is what the site's lots say of a stage, as the forecast of a lot has it.
func (k *keeping) need(id string, s lot.Stage, now time.Time) lot.Need {
	k.t.Helper()
	for _, f := range k.lot(id, now).Forecast {
		if f.Stage == s {
			return f.Need
		}
	}
	k.t.Fatalf("no forecast of %s", s)
	return lot.Need{}
}

// A lot speaks for itself once: not again by a part split off after the stage,
// and by its own eggs, whatever merged into it later.
func TestALotSpeaksOnce(t *testing.T) {
	k, now := finishedLots(t)
	// Five lots are five voices; the same with every one split in three.
	before := k.need("next", lot.Eyed, now)
	if !strings.Contains(before.Source, "5 of this site's lots") || before.Low < 270 || before.High > 330 {
		t.Fatalf("%+v", before)
	}
	for i := range 5 {
		for _, part := range []string{"a", "b"} {
			k.must(book.Entry{Lot: fmt.Sprint("L", i), Kind: book.Split, At: now.AddDate(0, 0, -55-i), Unit: "stack 1", Number: 100, Other: fmt.Sprint("L", i, part)}, now)
		}
	}
	if d := cmp.Diff(before, k.need("next", lot.Eyed, now)); d != "" {
		t.Errorf("split after they were eyed (-before +after):\n%s", d)
	}
	// Eggs a month younger join each of them afterwards.
	for i := range 5 {
		id, took := fmt.Sprint("young ", i), now.AddDate(0, 0, -65)
		k.must(book.Entry{Lot: id, Kind: book.Opened, At: took, Unit: "stack 1", Open: &book.Opening{
			Species: "rainbow trout", EggTake: took, Start: lot.Green, Count: book.Count{Method: book.Direct, Number: 50000},
		}}, now)
		k.must(book.Entry{Lot: id, Kind: book.Merged, At: now.AddDate(0, 0, -56-i), Other: fmt.Sprint("L", i)}, now)
	}
	if d := cmp.Diff(before, k.need("next", lot.Eyed, now), cmpopts.EquateApprox(1e-9, 1e-9)); d != "" {
		t.Errorf("younger eggs joined after they were eyed (-before +after):\n%s", d)
	}
	sheet, _ := k.Sheet("L0", now)
	if u := sheet.Seen[0].Units.DegreeDays; math.Abs(float64(u)-300) > 1 {
		t.Errorf("the sheet says L0 was eyed at %v degree-days, not 300", u)
	}
}

// A lot whose units rest on nothing for more than a tenth of its time does not
// speak for others.
func TestUnsupportedLotsDoNotSpeak(t *testing.T) {
	k, now := finishedLots(t)
	silent := func(from, to int) record {
		return slices.DeleteFunc(slices.Clone(k.rec), func(r reading.Reading) bool {
			return r.At.After(now.AddDate(0, 0, -from)) && r.At.Before(now.AddDate(0, 0, -to))
		})
	}
	for _, tt := range []struct {
		from, to int
		want     string
	}{
		{100, 95, "5 of this site's lots"}, // before the first of them
		{91, 89, "5 of this site's lots"},  // up to two days of thirty
		{89, 66, ""},                       // most of the time of all of them
	} {
		again := engine(t, k.site, lowFlow)
		again.SetBook(book.New(k.entries, again.BookOptions()))
		again.CountAgain()
		recount(t, again, silent(tt.from, tt.to))
		a := &keeping{Engine: again, t: t}
		if got := a.need("next", lot.Eyed, now).Source; !strings.Contains(got, tt.want) || (tt.want == "" && strings.Contains(got, "this site")) {
			t.Errorf("no readings from %d to %d days ago: %q", tt.from, tt.to, got)
		}
	}
}

// An alarm of a lot that is watched again goes on counting its occurrences, also
// over a restart while it was not.
func TestNoticeOccurrences(t *testing.T) {
	k, now := steadyLot(t, 18)
	const key = "lot_due/may be eyed within 3 days/RT"
	var j journal
	tick := func(at time.Time) { j.transitions = append(j.transitions, k.Tick(at)...) }
	tick(now)
	all, err := k.Acknowledge(now, key, "kim")
	if err != nil {
		t.Fatal(err)
	}
	j.transitions = append(j.transitions, all...)
	k.must(book.Entry{Lot: "RT", Kind: book.Shipped, At: now, Place: "Lower pond"}, now)
	tick(now.Add(time.Second))
	k.must(book.Entry{Lot: "RT", Kind: book.Note, At: now, Text: "gone"}, now)
	strike := book.Entry{Lot: "RT", Kind: book.Struck, At: now, Corrects: int64(len(k.entries) - 2), Text: "they are still here"}
	restarted := &keeping{Engine: engine(t, k.site, lowFlow), t: t, site: k.site, rec: k.rec, entries: slices.Clone(k.entries)}
	restarted.SetBook(book.New(k.entries, restarted.BookOptions()))
	past := j.past(now, time.Hour)
	if past.Readings = sequence(nil); len(past.Standing) != 0 {
		t.Fatalf("standing %+v", past.Standing)
	}
	if gone, err := restarted.Rebuild(now, past); err != nil || len(gone) != 0 {
		t.Fatal(gone, err)
	}
	for name, k := range map[string]*keeping{"live": k, "restarted": restarted} {
		k.must(strike, now)
		i := slices.IndexFunc(k.Tick(now.Add(2*time.Second)), func(tr alarm.Transition) bool { return tr.Key == key && tr.Raised() && tr.Occurrence == 2 })
		if i < 0 {
			t.Errorf("%s: not raised as the second", name)
		}
	}
}

// A lot whose site-file block was deleted leaves no alarm standing.
func TestNoticeOfALotThatIsGone(t *testing.T) {
	k, now := steadyLot(t, 18)
	var j journal
	j.transitions = k.Tick(now)
	s := rulestest.Site()
	s.Lots = nil
	gone, err := engine(t, s, lowFlow).Rebuild(now, j.past(now, time.Hour))
	if err != nil || len(gone) != 1 || gone[0].To != alarm.Normal || gone[0].Detail != alarm.NoLongerWatched {
		t.Errorf("%+v, %v", gone, err)
	}
}

// When somebody looks at the lots changes nothing of what is told when, though
// what they see just before a reading is not what the next tick finds.
func TestLooksChangeNothing(t *testing.T) {
	run := func(seed uint64, look bool) string {
		k, now := steadyLot(t, 8)
		rnd := rand.New(rand.NewPCG(seed, 3))
		var out strings.Builder
		for range 14 * 8 {
			if now = now.Add(3 * time.Hour); look {
				k.Lots(now)
				k.Standing(now)
				_, _ = k.Sheet("RT", now)
			}
			k.tell(rulestest.Reading("stack 1 temperature", now, 2+16*rnd.Float64()))
			for _, tr := range k.Tick(now.Add(time.Second)) {
				fmt.Fprintln(&out, tr.At, tr.Key, tr.To, tr.Trouble, tr.Detail)
			}
		}
		return out.String()
	}
	for seed := range uint64(10) {
		unseen := run(seed, false)
		if d := cmp.Diff(unseen, run(seed, true)); d != "" || !strings.Contains(unseen, "may be eyed") {
			t.Errorf("seed %d (-not looked at +looked at):\n%s", seed, d)
		}
	}
}

// What finished lots said is kept, until it is corrected or counted again.
func TestFinishedLotsAreCorrected(t *testing.T) {
	k, now := finishedLots(t)
	middle := func() float64 {
		n := k.need("next", lot.Eyed, now)
		return float64(n.Low+n.High) / 2
	}
	if m := middle(); math.Abs(m-300) > 6 {
		t.Fatalf("need about %v, want 300", m)
	}
	for i, e := range slices.Clone(k.entries) {
		if e.Kind == book.Eyed {
			e.Corrects, e.At = int64(i), e.At.AddDate(0, 0, -3)
			k.must(e, now)
		}
	}
	earlier := middle()
	if math.Abs(earlier-270) > 6 {
		t.Errorf("all seen three days earlier: need about %v, want 270", earlier)
	}
	// The probe's memory of one day in all their time comes late: it was frozen.
	for m := range 48 {
		at := now.AddDate(0, 0, -75).Add(time.Duration(m)*30*time.Minute + time.Minute)
		r := rulestest.Reading("stack 1 temperature", at, 0, reading.DeviceTimed, reading.Late, reading.OutOfOrder)
		r.ArrivedAt = now
		k.tell(r)
	}
	if len(k.Sources()) == 0 {
		t.Fatal("nothing to be counted again")
	}
	recount(t, k.Engine, k.rec)
	if m := middle(); math.Abs(m-(earlier-5)) > 1 {
		t.Errorf("a day of half the units: need about %v, before %v", m, earlier)
	}
}

// Parts that begin alike and end apart: whatever order they are looked at in,
// the fold takes the eggs to be as far at each move.
func TestFoldIsTheSameEveryTime(t *testing.T) {
	s := rulestest.Site()
	begin := rulestest.Start.AddDate(0, 0, -12)
	s.Lots = []lot.Lot{{ID: "RT", Species: "rainbow trout", EggTake: begin, Start: lot.Green, Eggs: 24000, Path: []lot.Stay{{Unit: "stack 1", From: begin}}}}
	k := keep(t, s)
	now := begin
	for m := range 12 * 24 * 4 {
		now = begin.Add(time.Duration(m) * 15 * time.Minute)
		k.tell(rulestest.Reading("stack 1 temperature", now, 10+9*math.Sin(now.Sub(begin).Hours()*math.Pi/12)))
	}
	for i := range 24 { // all of it
		k.entries = append(k.entries, book.Entry{
			Seq: int64(i + 1), ID: fmt.Sprint(i), By: "kim", Lot: "RT", Kind: book.Moved, At: begin.AddDate(0, 0, 5).Add(time.Duration(i) * time.Hour), Unit: "stack 1", To: "stack 2", Number: 1000,
		})
	}
	k.SetBook(book.New(k.entries, k.BookOptions()))
	recount(t, k.Engine, k.rec)
	tender := func() (why []string) {
		o := k.BookOptions()
		ask := o.Tender
		o.Tender = func(l *book.Lot, at time.Time) lot.TenderState {
			st := ask(l, at)
			why = append(why, st.Why)
			return st
		}
		book.New(k.entries, o)
		return why
	}
	want := tender()
	if len(want) != 24 || !strings.Contains(want[23], "degree-days (now ") {
		t.Fatalf("%q", want)
	}
	for range 50 {
		if d := cmp.Diff(want, tender()); d != "" {
			t.Fatalf("folded again:\n%s", d)
		}
	}
	sources := func() []rules.Source {
		k.CountAgain()
		return k.Sources()
	}
	for range 50 {
		if d := cmp.Diff(sources(), sources()); d != "" {
			t.Fatalf("sources in another order:\n%s", d)
		}
	}
}

// What nothing is known of is not silently zero: a stay before the record began,
// a probe that never spoke, and a lot that lies nowhere yet.
func TestNeverSilentlyZero(t *testing.T) {
	s := rulestest.Site()
	begin := rulestest.Start.AddDate(0, 0, -40)
	s.Lots[0].EggTake, s.Lots[0].Path = begin, []lot.Stay{{Unit: "stack 1", From: begin}, {Unit: "trough 1", From: begin.AddDate(0, 0, 20)}}
	k := keep(t, s)
	now := begin
	for m := range 40 * 24 * 2 {
		if now = begin.Add(time.Duration(m) * 30 * time.Minute); m >= 35*48 { // the record begins after 35 days
			k.tell(rulestest.Reading("trough 1 temperature", now, 8))
		}
	}
	k.CountAgain()
	recount(t, k.Engine, k.rec)
	u := k.lot("2026-A", now).Units
	if want := 35*24*time.Hour - time.Duration(2*time.Hour); (u.Unsupported-want).Abs() > time.Hour || !u.From.Equal(begin) {
		t.Errorf("stack 1 for 20 days without a reading, trough 1 for 15: %+v", u)
	}
	k.must(book.Entry{Lot: "bought", Kind: book.Opened, At: now, Open: &book.Opening{
		Species: "arctic char", EggTake: begin, Start: lot.Eyed, StartUnits: 220, Count: book.Count{Method: book.Direct, Number: 100},
	}}, now)
	if v := k.lot("bought", now); v.Units.DegreeDays != 220 || v.Least != 220 || v.Most != 220 {
		t.Errorf("eggs in no unit yet: %+v", v.Units)
	}
}

// Readings by hand alone count, and the forecast goes by them.
func TestReadingsByHandAlone(t *testing.T) {
	s := rulestest.Site()
	s.Probes = slices.DeleteFunc(s.Probes, func(p site.Probe) bool { return p.Quantity == reading.Temperature })
	begin := rulestest.Start.AddDate(0, 0, -10)
	s.Lots = []lot.Lot{{ID: "RT", Species: "rainbow trout", EggTake: begin, Start: lot.Green, Eggs: 10000, Path: []lot.Stay{{Unit: "stack 1", From: begin}}}}
	k := keep(t, s)
	now := begin
	for d := range 11 {
		now = begin.AddDate(0, 0, d)
		k.tell(rulestest.Reading(site.HandProbe("stack 1"), now, 10, reading.DeviceTimed))
	}
	recount(t, k.Engine, k.rec)
	v := k.lot("RT", now)
	if math.Abs(float64(v.Units.DegreeDays)-100) > 1e-6 || v.Units.ByHand != 240*time.Hour || v.MeanC != 10 {
		t.Errorf("%+v, mean %v", v.Units, v.MeanC)
	}
	// 222 degree-days (AFS 2015 abstract) less 10 in 100 are 10 days off at 10 degC.
	if f := v.Forecast[0].Estimates[0]; f.By != lot.ByUnits || f.Why != "" || math.Abs(f.Earliest.Sub(now).Hours()/24-9.98) > 0.3 {
		t.Errorf("%+v", f)
	}
	// One long after a stay has ended is not counted for it.
	k.must(book.Entry{Lot: "RT", Kind: book.Shipped, At: now, Place: "Lower pond"}, now)
	k.tell(rulestest.Reading(site.HandProbe("stack 1"), now.AddDate(0, 1, 0), 10, reading.DeviceTimed))
	if got := k.Sources(); len(got) != 0 {
		t.Errorf("to be counted again: %+v", got)
	}
}

// A probe falls silent before the stay ends and speaks again months later: that
// reading is not read from the record for the stay, and it does not count live.
func TestReadingLongAfterTheStay(t *testing.T) {
	k, now := steadyLot(t, 20)
	k.must(book.Entry{Lot: "RT", Kind: book.Shipped, At: now.AddDate(0, 0, 2), Place: "Lower pond"}, now.AddDate(0, 0, 3))
	want := k.lot("RT", now.AddDate(0, 0, 3))
	late := now.AddDate(0, 3, 0)
	k.tell(rulestest.Reading("stack 1 temperature", late, 2))
	if d := cmp.Diff(want.Units, k.lot("RT", late).Units); d != "" {
		t.Errorf("live:\n%s", d)
	}
	if d := cmp.Diff(want.Units, k.fresh().lot("RT", late).Units); d != "" {
		t.Errorf("after a restart:\n%s", d)
	}
	// One within the bounds counts, though the lot's view was kept.
	k, now = steadyLot(t, 20)
	k.must(book.Entry{Lot: "RT", Kind: book.Shipped, At: now.AddDate(0, 0, 2), Place: "Lower pond"}, now.AddDate(0, 0, 3))
	before := k.lot("RT", now.AddDate(0, 0, 3)).Units.DegreeDays
	k.tell(rulestest.Reading("stack 1 temperature", now.AddDate(0, 0, 3), 2))
	if after := k.lot("RT", now.AddDate(0, 0, 3)).Units.DegreeDays; after > before-1 {
		t.Errorf("%v degree-days before, %v after the water was found cold", before, after)
	}
}

// Many lots that draw near at once are no flood of alarms.
func TestNoticesAreNoFlood(t *testing.T) {
	s := rulestest.Site()
	begin := rulestest.Start.AddDate(0, 0, -20)
	s.Lots = nil
	for i := range 30 {
		s.Lots = append(s.Lots, lot.Lot{
			ID: fmt.Sprint("L", i), Species: "rainbow trout", EggTake: begin, Start: lot.Green, Eggs: 10000,
			Path: []lot.Stay{{Unit: "stack 1", From: begin}},
		})
	}
	k := keep(t, s)
	notices := 0
	for m := range 20 * 48 {
		now := begin.Add(time.Duration(m) * 30 * time.Minute)
		k.tell(rulestest.Reading("stack 1 temperature", now, 10))
		for _, tr := range k.Tick(now) {
			switch {
			case tr.Raised() && tr.Kind == alarm.LotDue:
				notices++
			case tr.Raised() && tr.Kind == alarm.DaemonHealth:
				t.Errorf("%v: %s: %s", tr.At, tr.Trouble, tr.Detail)
			}
		}
	}
	if notices < 30 {
		t.Fatalf("only %d notices", notices)
	}
}
