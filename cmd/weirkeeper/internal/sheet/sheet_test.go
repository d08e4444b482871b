package sheet_test

import (
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // for the days on which clocks are changed
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/sheet"
	"weirkeeper/rules"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
	"weirkeeper/rules/stock"
	"weirkeeper/rules/thermal"
)

var update = flag.Bool("update", false, "rewrite the golden files")

const day = 24 * time.Hour

var now = time.Date(2026, 11, 20, 17, 30, 0, 0, time.UTC)

func metric() *site.Site { return rulestest.Site() }

// us is a hatchery that reads US units on a clock that is changed in autumn.
func us(t *testing.T) *site.Site {
	t.Helper()
	s := rulestest.Site()
	loc, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	s.Location = loc
	s.Show = site.Show{Temperature: measure.DegF, Flow: measure.GPM, Oxygen: measure.MgL}
	return s
}

// water is a table of days at a temperature that swings about a mean; the days
// numbered in gap are filled from the stand-in, those in hand and lost
// otherwise.
func water(loc *time.Location, from, to time.Time, meanC float64, standIn, hand, lost []int) []thermal.Day {
	var out []thermal.Day
	for at := from; at.Before(to); {
		y, m, d := at.In(loc).Date()
		end := time.Date(y, m, d+1, 0, 0, 0, 0, loc)
		if end.After(to) {
			end = to
		}
		n := len(out)
		c := meanC + 0.4*float64(n%7-3)/3
		long := end.Sub(at)
		u := thermal.Units{
			From: at, To: end, DegreeDays: measure.DegreeDays(c * long.Hours() / 24), PlusMinus: measure.DegreeDays(0.2 * long.Hours() / 24),
			Measured: long,
		}
		for _, k := range []struct {
			days []int
			part *time.Duration
		}{{standIn, &u.StandIn}, {hand, &u.ByHand}, {lost, &u.Unsupported}} {
			for _, x := range k.days {
				if x == n {
					u.Measured, *k.part = long-18*time.Hour, 18*time.Hour
					u.PlusMinus *= 3
				}
			}
		}
		if n == 3 {
			u.Measured -= 30 * time.Minute
			u.Bridged = 30 * time.Minute
		}
		out = append(out, thermal.Day{Date: time.Date(y, m, d, 0, 0, 0, 0, loc), Units: u, MeanC: measure.TempC(c)})
		at = end
	}
	return out
}

func sum(start measure.DegreeDays, days []thermal.Day, until time.Time) thermal.Units {
	u := thermal.Units{DegreeDays: start}
	for _, d := range days {
		if d.Units.To.After(until) {
			break
		}
		u = u.Add(d.Units)
	}
	return u
}

func need(low, high measure.DegreeDays, source string) lot.Need {
	return lot.Need{Low: low, High: high, Source: source}
}

// green is a lot of green eggs in one stack, tender, with gaps of every kind.
func green() *rules.LotSheet {
	take := time.Date(2026, 10, 21, 9, 30, 0, 0, time.UTC)
	days := water(time.UTC, take.Add(2*time.Hour), now, 8.1, []int{5, 6}, []int{12}, []int{20})
	u := sum(0, days, now)
	l := &book.Lot{
		ID: "2026-A", OpenedAt: take.Add(time.Hour), Placed: take.Add(2 * time.Hour), Stage: lot.Green,
		Opening: book.Opening{
			Species: "brook trout", Strain: "Alder", Source: "own broodstock", EggTake: take, Start: lot.Green,
			Count: book.Count{Method: book.ByVolume, SampleNumber: 412, SampleAmount: 50, TotalAmount: 1500},
		},
		Holdings: []book.Holding{{Unit: "stack 1", Trays: "1-4", Number: 12050, Since: take.Add(2 * time.Hour)}},
		Opened:   12360, Dead: 310, Number: 12050,
	}
	entry := func(seq int64, after time.Duration, e book.Entry, by int64) book.Line {
		e.Seq, e.Lot, e.At, e.RecordedAt, e.By = seq, l.ID, take.Add(after), take.Add(after+10*time.Minute), "kim"
		return book.Line{Entry: e, CorrectedBy: by}
	}
	return &rules.LotSheet{
		LotView: rules.LotView{
			Lot: l, Units: u, Least: u.DegreeDays, Most: u.DegreeDays, Sources: []rules.LotProbe{{Unit: "stack 1", Probe: "stack 1 temperature"}},
			MeanC: 8.13, HaveMean: true,
			Tender: lot.TenderState{
				Tender: true, From: take.Add(48 * time.Hour),
				Why: "leave them still: tender since 23 Oct 09:30 until eyed is seen, or past 336 degree-days (now 245)",
			},
			Forecast: []lot.Forecast{
				{
					Stage: lot.Eyed, Need: need(220, 336, "half of hatch (Crisp 1988, abstract)"), Earliest: now, Latest: now.Add(11 * day),
					Estimates: []lot.Estimate{{
						By: lot.ByUnits, Low: 220, High: 336, Done: float64(u.DegreeDays), Earliest: now, Latest: now.Add(11 * day), Used: true,
						Source: "half of hatch (Crisp 1988, abstract)",
					}},
				},
				{
					Stage: lot.Hatch, Need: need(440, 672, "Piper 1982 (from memory)"), Earliest: now.Add(24 * day), Latest: now.Add(53 * day),
					Estimates: []lot.Estimate{
						{
							By: lot.ByUnits, Low: 440, High: 672, Done: float64(u.DegreeDays), Earliest: now.Add(24 * day), Latest: now.Add(53 * day), Used: true,
							Source: "3 of the site's own lots",
						},
						{By: lot.ByRate, Low: 0.9, High: 1.1, Done: 0.512, Earliest: now.Add(20 * day), Latest: now.Add(31 * day), Source: "Crisp 1981 (from memory)"},
					},
				},
				{Stage: lot.SwimUp, Why: "no requirement is known for brook trout; write your own under needs"},
			},
		},
		Lines: []book.Line{
			entry(1, time.Hour, book.Entry{Kind: book.Opened, Open: &l.Opening}, 0),
			entry(2, 2*time.Hour, book.Entry{Kind: book.Placed, Unit: "stack 1", Trays: "1-4"}, 0),
			entry(3, 8*day, book.Entry{Kind: book.Picked, Number: 130}, 5),
			entry(5, 8*day, book.Entry{Kind: book.Picked, Number: 310, Corrects: 3}, 0),
			entry(4, 9*day, book.Entry{Kind: book.Shocked, Number: 12}, 6),
			entry(6, 9*day+time.Hour, book.Entry{Kind: book.Struck, Corrects: 4, Text: "that was another lot"}, 0),
			entry(7, 12*day, book.Entry{Kind: book.Note, Text: "=2+2 fungus on tray 3, \"treated\""}, 0),
		},
		Days:  days,
		Stock: []rules.UnitStock{unit("stack 1", stock.Water{VolumeL: 60, FlowLPM: 15.5}, stock.Fish{Lot: "2026-A", Number: 12050, Eggs: true})},
	}
}

func unit(name string, w stock.Water, fish ...stock.Fish) rules.UnitStock {
	return rules.UnitStock{Unit: name, Fish: fish, Water: w, Holding: stock.Of(fish, w)}
}

// fry is a lot with a whole life behind it, in two troughs, from two lots.
func fry(loc *time.Location) *rules.LotSheet {
	take := time.Date(2026, 7, 1, 15, 0, 0, 0, time.UTC)
	came := take.AddDate(0, 0, 30)
	days := water(loc, came, now, 7.6, nil, nil, []int{40})
	u := sum(228, days, now)
	at := func(days int) time.Time { return take.AddDate(0, 0, days) }
	l := &book.Lot{
		ID: "R/26 <b>", OpenedAt: came, Placed: came, Stage: lot.SwimUp, From: "2026-0",
		Opening: book.Opening{
			Species: "rainbow trout", Source: "Fern Brook", EggTake: take, Start: lot.Eyed, StartUnits: 228,
			Count: book.Count{Method: book.Direct, Number: 40000},
		},
		HatchFirst: at(44), HatchHalf: at(47), HatchLast: at(51), SwimUpAt: at(69), FedAt: at(72),
		Holdings: []book.Holding{
			{Unit: "trough 1", Number: 21400, Since: at(75), MeanWeightG: 0.614, LengthMM: 38, WeighedAt: at(130)},
			{Unit: "trough 2", Number: 9000, Since: at(110)},
		},
		Opened: 40000, Dead: 6100, Out: 2500, Split: 3000, Joined: 2200, Adjusted: -200, Number: 30400,
		Warnings: []string{"15 Sep 2026 08:00: 9,000 moved while tender"},
	}
	seen := func(what string, days_ int) rules.SeenStage {
		return rules.SeenStage{What: what, At: at(days_), Units: sum(228, days, at(days_))}
	}
	w := stock.Water{VolumeL: 300, FlowLPM: 38, TempC: 8.6, HaveTemp: true, InflowMgL: 10.4, LeastMgL: 6}
	other := w
	other.FlowLPM, other.Design, other.InflowMgL = 5, true, 0
	return &rules.LotSheet{
		LotView: rules.LotView{
			Lot: l, Units: u, Least: u.DegreeDays - 31, Most: u.DegreeDays + 4,
			Sources: []rules.LotProbe{{Unit: "trough 1", Probe: "trough 1 temperature"}, {Unit: "trough 2", Probe: "spring temperature", Spring: true}},
			MeanC:   7.7, HaveMean: true, LastYear: true,
		},
		Lines: []book.Line{
			{Entry: book.Entry{Seq: -1, Lot: l.ID, Kind: book.Opened, At: came, By: "site file", Open: &l.Opening, Unit: "stack 2"}},
			{Entry: book.Entry{Seq: 9, Lot: l.ID, Kind: book.Hatched, Part: book.Half, At: at(47), By: "rowan"}},
			{Entry: book.Entry{Seq: 12, Lot: l.ID, Kind: book.Moved, Number: 9000, Unit: "trough 1", To: "trough 9", At: at(76), By: "rowan"}, Problem: "there is no trough 9"},
			{Entry: book.Entry{Seq: 14, Lot: l.ID, Kind: book.Weighed, Sample: &book.Sample{Number: 50, WeightG: 30.7, LengthMM: 38}, Unit: "trough 1", At: at(130), By: "kim"}},
		},
		Days: days,
		Seen: []rules.SeenStage{seen("first hatch", 44), seen("half hatched", 47), seen("last hatch", 51), seen("swim-up", 69), seen("fed first", 72)},
		Stock: []rules.UnitStock{
			unit("trough 1", w, stock.Fish{Lot: l.ID, Number: 21400, MeanWeightG: 0.614, LengthMM: 38, DensityLimit: 0.5}),
			unit("trough 2", other, stock.Fish{Lot: l.ID, Number: 9000}),
			unit("raceway 1", w, stock.Fish{Lot: "2025-C", Number: 6000, MeanWeightG: 62, ConditionK: 1, DensityLimit: 0.5}, stock.Fish{Lot: "2025-D", Number: 10, MeanWeightG: 900, ConditionK: 1.1}),
		},
	}
}

// fresh has just been opened: nothing is known of it yet.
func fresh() *rules.LotSheet {
	return &rules.LotSheet{LotView: rules.LotView{
		Lot: &book.Lot{
			ID: "2026-C", OpenedAt: now, Stage: lot.Green, Opened: 1, Number: 1,
			Opening: book.Opening{Species: "arctic char", EggTake: now.Add(-26 * time.Hour), Start: lot.Green, Count: book.Count{Method: book.Direct, Number: 1}, BaseC: 2},
		},
		Sources:  []rules.LotProbe{{Unit: "deep 1"}},
		Counting: true,
		Tender:   lot.TenderState{From: now.Add(22 * time.Hour), Why: "fresh eggs may be moved until 21 Nov 15:30, 2 d after egg take"},
		Forecast: []lot.Forecast{{Stage: lot.Eyed, Need: need(200, 200, "invented"), Why: "no temperature reading yet"}},
	}}
}

// gone has left.
func gone() *rules.LotSheet {
	s := fry(time.UTC)
	s.Lot.ID, s.Lot.Holdings, s.Lot.Finished, s.Lot.Out, s.Lot.Number = "2025-B", nil, now.AddDate(0, -1, 0), 32900, 0
	s.Stock, s.Sources, s.Lot.Warnings = nil, nil, nil
	return s
}

func merged() rules.LotView {
	v := gone().LotView
	l := *v.Lot
	l.ID, l.Into, l.Finished = "2025-A", "2025-B", now.AddDate(-1, 0, 0)
	v.Lot = &l
	return v
}

// golden compares what was written with a file.
func golden(t *testing.T, name string, write func(io.Writer) error) string {
	t.Helper()
	t.Helper()
	var b bytes.Buffer
	if err := write(&b); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), b.String()); diff != "" {
		t.Errorf("%s (-want +got):\n%s", name, diff)
	}
	return b.String()
}

// Every sheet in every form. What the forms say is in the files.
func TestSheets(t *testing.T) {
	for _, tt := range []struct {
		name string
		s    *rules.LotSheet
		at   *site.Site
	}{
		{"green", green(), metric()},
		{"fry", fry(us(t).Location), us(t)},
		{"fresh", fresh(), metric()},
		{"gone", gone(), metric()},
	} {
		t.Run(tt.name, func(t *testing.T) {
			text := golden(t, tt.name+".txt", func(w io.Writer) error { return sheet.Text(w, tt.s, tt.at, now) })
			for i, line := range strings.Split(text, "\n") {
				if n := utf8.RuneCountInString(line); n > 80 || line != strings.TrimRight(line, " ") {
					t.Errorf("line %d has %d columns: %q", i+1, n, line)
				}
			}
			golden(t, tt.name+".html", func(w io.Writer) error { return sheet.HTML(w, tt.s, tt.at, now) })
			golden(t, tt.name+"-days.csv", func(w io.Writer) error { return sheet.DaysCSV(w, tt.s, tt.at) })
			golden(t, tt.name+"-events.csv", func(w io.Writer) error { return sheet.EventsCSV(w, tt.s, tt.at) })
		})
	}
}

func TestList(t *testing.T) {
	lots := []rules.LotView{gone().LotView, fresh().LotView, green().LotView, merged(), fry(time.UTC).LotView}
	text := golden(t, "list.txt", func(w io.Writer) error { return sheet.List(w, metric(), lots, now) })
	for _, line := range strings.Split(text, "\n") {
		if utf8.RuneCountInString(line) > 80 {
			t.Errorf("too wide: %q", line)
		}
	}
	golden(t, "list-none.txt", func(w io.Writer) error { return sheet.List(w, metric(), nil, now) })
}

func TestLine(t *testing.T) {
	overdue := green().LotView
	overdue.Forecast[0].Overdue = true
	overdue.Tender = lot.TenderState{}
	for _, tt := range []struct {
		name string
		v    rules.LotView
		want string
	}{
		{"green", green().LotView, "2026-A, brook trout, 12,050 eggs in stack 1 (trays 1-4): 244.5 degree-days (440.0 TU), 72.0 h estimated; eyed 20 Nov to 1 Dec 2026; TENDER: neither move nor shock"},
		{"overdue", overdue, "2026-A, brook trout, 12,050 eggs in stack 1 (trays 1-4): 244.5 degree-days (440.0 TU), 72.0 h estimated; eyed is due: go and look"},
		{"fresh", fresh().LotView, "2026-C, arctic char, 1 egg, not placed yet: 0.0 degree-days (0.0 TU) so far, being counted again; eyed: no date"},
		{"finished", gone().LotView, "2025-B, rainbow trout: finished 20 Oct 2026, of 40,000 opened 32,900 went out and 6,100 died"},
		{"merged", merged(), "2025-A, rainbow trout: finished 20 Nov 2025, merged into 2025-B"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := sheet.Line(tt.v, metric()); got != tt.want {
				t.Errorf("got  %s\nwant %s", got, tt.want)
			}
		})
	}
}

func TestStock(t *testing.T) {
	golden(t, "stock.txt", func(w io.Writer) error {
		return sheet.Stock(w, metric(), append(fry(time.UTC).Stock, green().Stock...))
	})
	golden(t, "stock-us.txt", func(w io.Writer) error { return sheet.Stock(w, us(t), fry(time.UTC).Stock) })
	golden(t, "stock-none.txt", func(w io.Writer) error { return sheet.Stock(w, metric(), nil) })
}

func TestRoom(t *testing.T) {
	w := stock.Water{VolumeL: 300, FlowLPM: 38, TempC: 8.6, HaveTemp: true, InflowMgL: 10.4, LeastMgL: 6}
	next := stock.Fish{Lot: "2026-A", Number: 8000, MeanWeightG: 2, ConditionK: 1, DensityLimit: 0.5}
	many := next
	many.Number = 100_000
	big := w
	big.VolumeL, big.FlowLPM = 20_000, 600
	places := []stock.Place{
		{Unit: "trough 1", Water: w},
		{Unit: "trough 2", Water: w, Fish: []stock.Fish{many}},
		{Unit: "trough 3", Water: stock.Water{}},
		{Unit: "raceway 1", Water: big},
	}
	golden(t, "room.txt", func(w io.Writer) error { return sheet.Room(w, next, stock.RoomFor(next, places)) })
	golden(t, "room-none.txt", func(w io.Writer) error { return sheet.Room(w, next, nil) })
}

func TestWhere(t *testing.T) {
	for _, tt := range []struct {
		l    *book.Lot
		want string
	}{
		{green().Lot, "12,050 eggs in stack 1 (trays 1-4)"},
		{fry(time.UTC).Lot, "21,400 fish in trough 1, 9,000 fish in trough 2"},
		{fresh().Lot, "1 egg, not placed yet"},
		{merged().Lot, "finished 20 Nov 2025, merged into 2025-B"},
	} {
		if got := sheet.Where(tt.l, metric()); got != tt.want {
			t.Errorf("%s: got %q, want %q", tt.l.ID, got, tt.want)
		}
	}
}

func TestDates(t *testing.T) {
	chicago := us(t).Location
	at := func(s string) time.Time {
		d, err := time.Parse("2006-01-02 15:04", s)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	for _, tt := range []struct {
		from, to string
		loc      *time.Location
		want     string
	}{
		{"2026-12-03 00:00", "2026-12-03 23:59", time.UTC, "3 Dec 2026"},
		{"2026-12-03 10:00", "2026-12-02 10:00", time.UTC, "3 Dec 2026"},
		{"2026-12-03 10:00", "2026-12-09 10:00", time.UTC, "3 to 9 Dec 2026"},
		{"2026-11-28 10:00", "2026-12-03 10:00", time.UTC, "28 Nov to 3 Dec 2026"},
		{"2026-12-28 10:00", "2027-01-03 10:00", time.UTC, "28 Dec to 3 Jan 2027"},
		{"2026-12-28 10:00", "2027-12-03 10:00", time.UTC, "28 Dec 2026 to 3 Dec 2027"},
		{"2027-01-01 03:00", "2027-01-03 10:00", chicago, "31 Dec to 3 Jan 2027"},
		{"2026-11-01 04:30", "2026-11-02 04:30", chicago, "31 Oct to 1 Nov 2026"}, // 25 h on 1 November
	} {
		if got := sheet.Dates(at(tt.from), at(tt.to), tt.loc); got != tt.want {
			t.Errorf("%s to %s: got %q, want %q", tt.from, tt.to, got, tt.want)
		}
	}
}

// The page is well formed, says everything in its head that a reader of screens
// needs, fetches nothing and runs nothing.
func TestPage(t *testing.T) {
	cold := fresh() // in water that never got above the base
	cold.Forecast, cold.Counting = nil, false
	cold.Days = []thermal.Day{{Date: now.Truncate(day), Units: thermal.Units{From: now.Truncate(day), To: now, Measured: 17 * time.Hour}}}
	odd := green()
	odd.Lot.ID = `a"b\'</style><script>` + "`{{"
	for name, s := range map[string]*rules.LotSheet{
		"green": green(), "fry": fry(time.UTC), "fresh": fresh(), "gone": gone(), "cold": cold, "odd": odd,
	} {
		t.Run(name, func(t *testing.T) {
			var b bytes.Buffer
			if err := sheet.HTML(&b, s, metric(), now); err != nil {
				t.Fatal(err)
			}
			for _, want := range []string{`<html lang="en">`, `<title>Lot `, `<main>`, `<footer>`, `name="viewport"`} {
				if !strings.Contains(b.String(), want) {
					t.Errorf("no %s", want)
				}
			}
			for _, not := range []string{"<b>", "<script", "http:", "https:", "//", "url(", " src=", "@import", "ZgotmplZ", "NaN", "Inf"} {
				if strings.Contains(strings.TrimPrefix(b.String(), "<!DOCTYPE html>"), not) {
					t.Errorf("there is %s in it", not)
				}
			}
			if n := strings.Count(b.String(), "</style>"); n != 1 {
				t.Errorf("the style ends %d times", n)
			}
			d := xml.NewDecoder(&b)
			d.Strict, d.AutoClose, d.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
			var open []string
			for {
				tok, err := d.Token()
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				switch x := tok.(type) {
				case xml.StartElement:
					open = append(open, x.Name.Local)
					scope := slices.ContainsFunc(x.Attr, func(a xml.Attr) bool { return a.Name.Local == "scope" })
					if x.Name.Local == "th" && !scope {
						t.Error("a head without a scope")
					}
				case xml.EndElement:
					if last := open[len(open)-1]; last != x.Name.Local {
						t.Fatalf("%s ends within %s", x.Name.Local, last)
					}
					open = open[:len(open)-1]
				}
			}
			if len(open) > 0 {
				t.Errorf("left open: %v", open)
			}
		})
	}
}

// A lot of 300 to which 100 came on the third day with 100 degree-days, in water
// of 8 degC: the total of all is the mean by number, 0.75 * 24 + 0.25 * 108 = 45
// at the end of that day, and is not told before.
func TestTotals(t *testing.T) {
	from := time.Date(2026, 10, 20, 0, 0, 0, 0, time.UTC)
	days := water(time.UTC, from, from.Add(5*day), 8, nil, nil, nil)
	for i := range days {
		days[i].Units.DegreeDays = 8
	}
	part := func(start measure.DegreeDays, n float64, from time.Time) book.Strand {
		return book.Strand{Lot: "2026-A", EggTake: from, StartUnits: start, Number: n, Path: []book.Stay{{Unit: "stack 1", From: from}}}
	}
	tests := []struct {
		name    string
		strands []book.Strand
		change  func(*rules.LotSheet)
		units   measure.DegreeDays
		want    string
		says    string
	}{
		{
			"one",
			[]book.Strand{part(0, 300, from)},
			nil, 40,
			"8.000 16.000 24.000 32.000 40.000", "",
		},
		{
			"came with units",
			[]book.Strand{part(10, 300, from)},
			nil, 50,
			"18.000 26.000 34.000 42.000 50.000", "The totals begin with 10.0 degree-days (18.0 TU) gathered before the first day.",
		},
		{
			"joined",
			[]book.Strand{part(0, 300, from), part(100, 100, from.Add(2*day))},
			nil, 61,
			"  45.000 53.000 61.000", "The totals begin when the last part of what is the lot now was laid into a unit",
		},
		{
			"a part in no unit",
			[]book.Strand{part(0, 300, from), {Lot: "2026-A", Number: 100}},
			nil, 30,
			"    ", "There are no totals while a part of the lot lies in no unit.",
		},
		{
			"being counted",
			[]book.Strand{part(0, 300, from)},
			func(s *rules.LotSheet) { s.Counting = true }, 3,
			"    ", "There are no totals while the lot is being counted again.",
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := green()
			s.Days, s.Units = days, thermal.Units{DegreeDays: tt.units}
			s.Lot.Strands = tt.strands
			if tt.change != nil {
				tt.change(s)
			}
			var table, text bytes.Buffer
			if err := sheet.DaysCSV(&table, s, metric()); err != nil {
				t.Fatal(err)
			}
			rows, err := csv.NewReader(&table).ReadAll()
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, row := range rows[1:] {
				got = append(got, row[6])
			}
			if g := strings.Join(got, " "); g != tt.want {
				t.Errorf("totals %q, want %q", g, tt.want)
			}
			if err := sheet.Text(&text, s, metric(), now); err != nil {
				t.Fatal(err)
			}
			if said := strings.Join(strings.Fields(text.String()), " "); !strings.Contains(said, tt.says) {
				t.Errorf("does not say %q:\n%s", tt.says, text.String())
			}
		})
	}
}

// While a lot is being counted again, what is not whole is not told as if it were.
func TestCountingAgain(t *testing.T) {
	for _, counting := range []bool{false, true} {
		s := fry(time.UTC)
		s.Counting = counting
		var text, page bytes.Buffer
		if err := errors.Join(sheet.Text(&text, s, metric(), now), sheet.HTML(&page, s, metric(), now)); err != nil {
			t.Fatal(err)
		}
		if got := strings.Contains(text.String(), "half hatched  17 Aug 2026 15:00          47            -  "); got != counting {
			t.Errorf("counting %v: the units of a stage left out: %v", counting, got)
		}
		if got := strings.Contains(page.String(), "<svg"); got == counting {
			t.Errorf("counting %v: a plot: %v", counting, got)
		}
	}
}

// Of a lot that has fed for years, the sheet shows the days up to a month later;
// the days as CSV are all there.
func TestLongFed(t *testing.T) {
	from := time.Date(2024, 10, 20, 0, 0, 0, 0, time.UTC)
	s := fry(time.UTC)
	s.Days = water(time.UTC, from, now, 8, nil, nil, nil)
	s.Lot.SwimUpAt, s.Lot.FedAt = from.Add(90*day), from.Add(100*day)
	var text, page, table bytes.Buffer
	for b, write := range map[*bytes.Buffer]func() error{
		&text:  func() error { return sheet.Text(&text, s, metric(), now) },
		&page:  func() error { return sheet.HTML(&page, s, metric(), now) },
		&table: func() error { return sheet.DaysCSV(&table, s, metric()) },
	} {
		if err := write(); err != nil {
			t.Fatal(err)
		}
		for date, want := range map[string]bool{"2025-02-27": true, "2025-02-28": b == &table, "2026-11-20": b == &table} {
			if got := strings.Contains(b.String(), date); got != want {
				t.Errorf("%s is there: %v, want %v", date, got, want)
			}
		}
	}
	for _, want := range []string{"631 days after 27 Feb 2025, when they had long been", "From 20 Oct to 27 Feb 2025: daily means"} {
		if got := strings.Join(strings.Fields(text.String()+page.String()), " "); !strings.Contains(got, want) {
			t.Errorf("does not say %q", want)
		}
	}
}

// What is not counted, or not by the right probe, is said.
func TestQuality(t *testing.T) {
	view := func(change func(*rules.LotView)) rules.LotView {
		v := green().LotView
		l := *v.Lot
		v.Lot = &l
		v.Units = thermal.Units{DegreeDays: 80, Measured: 240 * time.Hour}
		l.Strands = []book.Strand{{Lot: l.ID, EggTake: l.EggTake, Path: []book.Stay{{Unit: "stack 1", From: l.EggTake.Add(time.Hour)}}}}
		change(&v)
		return v
	}
	tests := []struct {
		name string
		v    rules.LotView
		want []string
	}{
		{"laid in at once", view(func(*rules.LotView) {}), []string{"all 240.0 h measured"}},
		{
			"laid in late", view(func(v *rules.LotView) {
				v.Lot.Strands = append(v.Lot.Strands, book.Strand{Lot: v.Lot.ID, EggTake: v.Lot.EggTake, Path: []book.Stay{{Unit: "stack 1", From: v.Lot.EggTake.Add(50 * time.Hour)}}})
			}),
			[]string{"up to 50.0 h before they were laid into a unit are not counted", "all 240.0 h measured"},
		},
		{
			"came with units", view(func(v *rules.LotView) {
				v.Lot.Start, v.Lot.OpenedAt = lot.Eyed, v.Lot.EggTake.Add(30*day)
				v.Lot.Strands = []book.Strand{{Lot: v.Lot.ID, EggTake: v.Lot.EggTake, StartUnits: 230, Path: []book.Stay{{Unit: "stack 1", From: v.Lot.OpenedAt.Add(5 * time.Hour)}}}}
			}),
			[]string{"up to 5.0 h before they were laid into a unit are not counted", "all 240.0 h measured"},
		},
		{
			"in no unit", view(func(v *rules.LotView) {
				v.Lot.Holdings, v.Lot.Strands, v.Units, v.Sources = nil, nil, thermal.Units{}, nil
			}),
			[]string{"they lie in no unit yet, so nothing is counted: write that they were placed"},
		},
		{
			"unit with another name", view(func(v *rules.LotView) {
				v.Sources = []rules.LotProbe{{Unit: "old stack", Probe: "spring temperature", Spring: true}}
			}),
			[]string{`the site file has no unit "old stack", so its own probe is not known: give the unit this name again there, or write a move`, "all 240.0 h measured"},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if d := cmp.Diff(tt.want, sheet.Quality(tt.v, metric())); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
}

// The tables read back, row for row, and no cell of words begins a formula.
func TestCSV(t *testing.T) {
	s := green()
	var days, events bytes.Buffer
	if err := sheet.DaysCSV(&days, s, metric()); err != nil {
		t.Fatal(err)
	}
	if err := sheet.EventsCSV(&events, s, metric()); err != nil {
		t.Fatal(err)
	}
	for name, b := range map[string]*bytes.Buffer{"days": &days, "events": &events} {
		if n := bytes.Count(b.Bytes(), []byte("\n")); n != bytes.Count(b.Bytes(), []byte("\r\n")) {
			t.Errorf("%s: a line does not end in CRLF", name)
		}
		rows, err := csv.NewReader(b).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		want := len(s.Days) + 1
		if name == "events" {
			want = len(s.Lines) + 1
			if got := rows[len(rows)-1][14]; got != "'=2+2 fungus on tray 3, \"treated\"" {
				t.Errorf("the note reads %q", got)
			}
		} else if got := rows[len(rows)-1][6]; got != "244.453" {
			t.Errorf("the total at the end is %s", got)
		}
		if len(rows) != want {
			t.Errorf("%s: %d rows, want %d", name, len(rows), want)
		}
		for _, row := range rows {
			for _, cell := range row {
				if strings.IndexAny(cell, "=+-@") == 0 {
					t.Errorf("%s: a cell begins a formula: %q", name, cell)
				}
			}
		}
	}
}
