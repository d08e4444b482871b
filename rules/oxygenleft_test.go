package rules_test

import (
	"strings"
	"testing"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/oxyclock"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/stock"
)

// stocked puts 600 trout of 20 g into trough 1 (300 L, 40 L/min by design).
func stocked(t *testing.T) (*keeping, time.Time) {
	t.Helper()
	s := rulestest.Site()
	s.Lots = nil
	k := keep(t, s)
	now := rulestest.Start
	took := now.AddDate(0, 0, -400)
	k.must(book.Entry{Lot: "F", Kind: book.Opened, At: took, Unit: "trough 1", Open: &book.Opening{
		Species: "brook trout", EggTake: took, Start: lot.SwimUp, Count: book.Count{Method: book.Direct, Number: 600},
	}}, now)
	k.must(book.Entry{Lot: "F", Kind: book.Weighed, At: now.Add(-time.Hour), Sample: &book.Sample{Number: 50, WeightG: 1000}}, now)
	k.tell(rulestest.Reading("spring temperature", now, 8.4), rulestest.Reading("spring oxygen", now, 10.5), rulestest.Reading("trough 1 temperature", now, 8.4))
	return k, now
}

// The flow of a stocked trough stops: the alarm says how long, from the book's
// stock, the oxygen there was at the design flow, and nothing coming in.
func TestAlarmTellsTimeLeft(t *testing.T) {
	k, now := stocked(t)
	var raised []alarm.Transition
	for range 10 {
		now = now.Add(time.Minute)
		k.tell(rulestest.Reading("trough 1 temperature", now, 8.4), rulestest.Reading("spring oxygen", now, 10.5))
		r := rulestest.Reading("trough 1 flow", now, 0)
		for _, tr := range k.Reading(now, &r) {
			if tr.Raised() {
				raised = append(raised, tr)
			}
		}
	}
	want := oxyclock.Of([]stock.Fish{{Lot: "F", Number: 600, MeanWeightG: 20}},
		oxyclock.Water{VolumeL: 300, HaveFlow: true, TempC: 8.4, HaveTemp: true, InflowMgL: 10.5, UsualLPM: 40})
	if len(raised) != 1 || raised[0].Left != want.String() || !strings.HasPrefix(raised[0].Left, "oxygen for about ") {
		t.Fatalf("raised %+v, want %q", raised, want)
	}
	views := k.Standing(now)
	if len(views) != 1 || views[0].Left != want.String() {
		t.Errorf("standing %+v", views)
	}
	c, ok := k.OxygenClock("trough 1", now)
	if !ok || c.Low != want.Low || c.High != want.High || len(c.Assumed) != 1 {
		t.Errorf("clock %+v, want %+v", c, want)
	}
	// An hour later the thermometers have said nothing: no number, and why.
	later := now.Add(time.Hour)
	r := rulestest.Reading("trough 1 flow", later, 0)
	k.Reading(later, &r)
	if c, _ := k.OxygenClock("trough 1", later); c.Known() || strings.Join(c.Missing, ", ") != "the water temperature, the oxygen of the inflow" && strings.Join(c.Missing, ", ") != "the water temperature" {
		t.Errorf("without thermometers %+v", c)
	}
	if _, ok := k.OxygenClock("trough 2", now); ok {
		t.Error("a clock for an empty trough")
	}
}

// At the spring it is the unit that would run short first.
func TestSpringTellsWhoIsFirst(t *testing.T) {
	for _, tt := range []struct {
		name, want string
		sample     measure.MassG // weight of 50 fish
	}{
		{"fish of 20 g", "if the water stops, trough 1 first: oxygen for about ", 1000},
		{"fish of 0.02 g", "if the water stops, trough 1 first: oxygen for a day or more", 1},
	} {
		t.Run(tt.name, func(t *testing.T) { springTells(t, tt.sample, tt.want) })
	}
}

func springTells(t *testing.T, sample measure.MassG, want string) {
	t.Helper()
	k, now := stocked(t)
	k.must(book.Entry{Lot: "F", Kind: book.Weighed, At: now.Add(-time.Minute), Sample: &book.Sample{Number: 50, WeightG: sample}}, now)
	took := now.AddDate(0, 0, -60)
	k.must(book.Entry{Lot: "S", Kind: book.Opened, At: took, Unit: "stack 1", Open: &book.Opening{
		Species: "brook trout", EggTake: took, Start: lot.Green, Count: book.Count{Method: book.Direct, Number: 9000},
	}}, now)
	e := engine(t, k.site, `
low_flow "spring" {
  covers { units = ["spring"] }
  setpoint = "1000 L/min"
  on_delay = "0 s"
  priority = "call-out"
  can_happen = "Everything goes dry."
  to_do = "Look at the intake."
}
`)
	e.SetBook(book.New(k.entries, e.BookOptions()))
	for _, r := range k.rec {
		r := r
		e.Reading(r.ArrivedAt, &r)
	}
	r := rulestest.Reading("spring flow", now, 20)
	trs := e.Reading(now, &r)
	if len(trs) != 1 || !strings.HasPrefix(trs[0].Left, want) {
		t.Errorf("%+v", trs)
	}
}
