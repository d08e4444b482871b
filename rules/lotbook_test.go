package rules_test

import (
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
