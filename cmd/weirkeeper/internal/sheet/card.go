package sheet

import (
	"fmt"
	"slices"
	"time"

	"weirkeeper/rules"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
)

// card is a lot's record sheet in words: what Text and HTML both lay out.
type card struct {
	Site, Lot, Kind string
	At              string
	Warnings        []string
	Facts           []fact
	Held            table
	Numbers         table
	Seen            table
	Expected        table
	Stock           []table
	Record          table
	Days            table
}

type fact struct{ Name, Words string }

// table is a table of words. A line break in a head is a place to break it.
type table struct {
	Caption string
	Heads   []string
	// Align is a letter for each column: l left, r right, w left and wrapped.
	Align string
	Rows  []row
	// None is said in place of a table without rows.
	None string
	// Says are sentences below it, Notes its footnotes by number.
	Says, Notes []string
}

type row struct {
	Cells []string
	// Gone marks a row that no longer holds; its words say so too.
	Gone bool
}

func (t *table) add(cells ...string) { t.Rows = append(t.Rows, row{Cells: cells}) }

// note is the mark of a footnote; the same words have one mark.
func (t *table) note(words string) string {
	if words == "" {
		return ""
	}
	i := slices.Index(t.Notes, words)
	if i < 0 {
		i = len(t.Notes)
		t.Notes = append(t.Notes, words)
	}
	return mark(i)
}

// mark is how footnote i is referred to.
func mark(i int) string { return fmt.Sprintf("[%d]", i+1) }

func newCard(s *rules.LotSheet, at *site.Site, now time.Time) card {
	l := s.Lot
	return card{
		Site: at.Name, Lot: l.ID, Kind: kind(l), At: now.In(at.Location).Format(headForm),
		Warnings: l.Warnings,
		Facts:    facts(s, at, now), Held: held(l, at), Numbers: numbers(l), Seen: seen(s, at),
		Expected: expectations(s, at, now), Stock: stockTables(at, s.Stock), Record: record(s, at), Days: days(s, at),
	}
}

// facts are what is known of the lot as a whole.
func facts(s *rules.LotSheet, at *site.Site, now time.Time) []fact {
	l, loc := s.Lot, at.Location
	var out []fact
	add := func(name, words string) {
		if words != "" {
			out = append(out, fact{name, words})
		}
	}
	add("Species", l.Species)
	add("Strain", l.Strain)
	add("From", l.Source)
	if l.From != "" {
		add("Split from", "lot "+l.From)
	}
	add("Egg take", fmt.Sprintf("%s, %s ago", l.EggTake.In(loc).Format(headForm), count(daysBetween(l.EggTake, now, loc), "day", "days")))
	opened := l.OpenedAt.In(loc).Format(minuteForm) + ", " + string(l.Start)
	if l.StartUnits > 0 {
		opened += ", with " + units(l.StartUnits) + " gathered before"
	}
	add("Opened", opened)
	add("Counted", l.Count.String())
	if l.BaseC != 0 {
		add("Base", "units count above "+temperature(l.BaseC, at))
	}
	switch {
	case l.Finished.IsZero():
		add("Is now", reached(l, loc))
	default:
		add("Is now", ended(l, loc))
	}
	add("Lie still", tender(s.LotView))
	u := s.Units
	gathered := units(u.DegreeDays)
	if u.PlusMinus > 0 {
		gathered += ", give or take " + units(u.PlusMinus) + " for the accuracy of the probes and for what filled gaps leave open"
	}
	add("Gathered", gathered)
	if s.Most-s.Least >= 0.05 {
		add("", fmt.Sprintf("a mean of parts that were in different water: from %s to %s", units(s.Least), units(s.Most)))
	}
	for i, q := range Quality(s.LotView, at) {
		add([]string{"How known", ""}[min(i, 1)], q)
	}
	if s.HaveMean {
		water := temperature(s.MeanC, at) + ", the recent mean"
		if s.LastYear && len(s.Forecast) > 0 {
			water += "; what is expected below follows the same weeks of last year, shifted to it"
		}
		add("Water", water)
	}
	return out
}

func held(l *book.Lot, at *site.Site) table {
	t := table{
		Caption: "Where it is", Heads: []string{"Unit", "Trays", "Number", "There since", "Mean weight", "Weighed"}, Align: "llrlrl",
		None: "Nowhere yet.",
	}
	if !l.Finished.IsZero() {
		t.None = "None are here any more."
	}
	for _, h := range l.Holdings {
		weighed := ""
		if !h.WeighedAt.IsZero() {
			weighed = h.WeighedAt.In(at.Location).Format(dayForm)
		}
		t.add(h.Unit, h.Trays, measure.Group(h.Number), h.Since.In(at.Location).Format(dayForm), weight(h.MeanWeightG), weighed)
	}
	return t
}

// numbers is the account from what was opened to what is left.
func numbers(l *book.Lot) table {
	t := table{Caption: "How many", Heads: []string{"What", "Number"}, Align: "lr"}
	t.add("opened", measure.Group(l.Opened))
	merged := l.Opened + l.Joined + l.Adjusted - l.Dead - l.Out - l.Split - l.Number
	for _, p := range []struct {
		words string
		n     int
	}{
		{"joined from other lots", l.Joined},
		{"changed by counts", l.Adjusted},
		{"dead or lost", -l.Dead},
		{"shipped or transferred", -l.Out},
		{"split off into other lots", -l.Split},
		{"merged into " + l.Into, -merged},
	} {
		if p.n > 0 {
			t.add(p.words, "+"+measure.Group(p.n))
		} else if p.n < 0 {
			t.add(p.words, measure.Group(p.n))
		}
	}
	t.add("here now", measure.Group(l.Number))
	return t
}

func seen(s *rules.LotSheet, at *site.Site) table {
	t := table{
		Caption: "What was seen", Heads: []string{"Seen", "On", "Days since\negg take", "Degree-days", "TU", "Give or take\ndegree-days"}, Align: "llrrrr",
		None: "No stage was seen yet.",
	}
	for _, x := range s.Seen {
		cells := []string{x.What, x.At.In(at.Location).Format(minuteForm), measure.Group(daysBetween(s.Lot.EggTake, x.At, at.Location)), "-", "-", "-"}
		if !s.Counting { // else they are not whole yet
			cells[3], cells[4], cells[5] = number(float64(x.Units.DegreeDays), 1), number(x.Units.DegreeDays.TUF(), 1), number(float64(x.Units.PlusMinus), 1)
		}
		t.add(cells...)
	}
	return t
}

func expectations(s *rules.LotSheet, at *site.Site, now time.Time) table {
	t := table{
		Caption: "What is expected", Heads: []string{"Stage", "When", "How soon", "Degree-days", "TU"}, Align: "lwlrr",
		None: "Nothing more.",
	}
	for _, f := range s.Forecast {
		cells := []string{StageWords(f.Stage), "", "", "", ""}
		if f.Need.Known() {
			cells[3], cells[4] = span(float64(f.Need.Low), float64(f.Need.High)), span(f.Need.Low.TUF(), f.Need.High.TUF())
		}
		switch {
		case f.Why != "":
			cells[1] = "no date"
		case f.Overdue:
			cells[1], cells[2] = "due: go and look", "now"
		default:
			cells[1], cells[2] = Dates(f.Earliest, f.Latest, at.Location), away(now, f.Earliest, f.Latest, at.Location)
		}
		t.add(cells...)
		for _, e := range f.Estimates {
			t.Says = append(t.Says, estimate(f.Stage, e, at.Location))
		}
		switch {
		case len(f.Estimates) > 0: // say why themselves
		case f.Why != "":
			t.Says = append(t.Says, "No date for "+StageWords(f.Stage)+": "+f.Why+".")
		case f.Need.Known():
			t.Says = append(t.Says, measure.Capital(StageWords(f.Stage))+" needs what is said here by: "+f.Need.Source+".")
		}
	}
	return t
}

// estimate words one way to foretell a stage, and what it rests on.
func estimate(s lot.Stage, e lot.Estimate, loc *time.Location) string {
	words := measure.Capital(StageWords(s)) + " by " + e.By + ": "
	if e.By == lot.ByUnits {
		words += Gathered(measure.DegreeDays(e.Done), lot.Need{Low: measure.DegreeDays(e.Low), High: measure.DegreeDays(e.High)})
	} else {
		words += fmt.Sprintf("%.2f of %.2f to %.2f done", e.Done, e.Low, e.High)
	}
	switch {
	case e.Why != "":
		words += "; no date, " + e.Why
	case e.Overdue:
		words += "; due"
	default:
		words += "; " + Dates(e.Earliest, e.Latest, loc)
	}
	words += ". From: " + e.Source + "."
	if !e.Used && e.Why == "" {
		words += " The dates above do not rest on it, as there is something better founded."
	}
	return words
}

func record(s *rules.LotSheet, at *site.Site) table {
	t := table{
		Caption: "What was done", Heads: []string{"No.", "When", "What", "By"}, Align: "rlwl",
		None: "Nothing is written down.",
	}
	struck := make(map[int64]bool)
	for _, x := range s.Lines {
		struck[x.Seq] = x.Kind == book.Struck
	}
	for _, x := range s.Lines {
		no, what := "-", x.Words()
		if x.Open != nil {
			what += "; eggs taken " + x.Open.EggTake.In(at.Location).Format(minuteForm)
		}
		if x.Seq > 0 {
			no = fmt.Sprint(x.Seq)
		}
		r := row{Gone: x.CorrectedBy != 0 || x.Problem != ""}
		switch {
		case x.CorrectedBy != 0 && struck[x.CorrectedBy]:
			what += fmt.Sprintf(" (taken back by %d)", x.CorrectedBy)
		case x.CorrectedBy != 0:
			what += fmt.Sprintf(" (replaced by %d)", x.CorrectedBy)
		case x.Problem != "":
			what += " (left out: " + x.Problem + ")"
		}
		r.Cells = []string{no, x.At.In(at.Location).Format(minuteForm), what, x.By}
		t.Rows = append(t.Rows, r)
	}
	return t
}

// totals is what was gathered by the end of each day. It stands from day first
// on, when all parts that make up the lot now were being counted: the days' units
// are a mean of those that were, the lot's one of all. before is what comes before
// that day.
func totals(s *rules.LotSheet, loc *time.Location) (total []measure.DegreeDays, first int, before measure.DegreeDays) {
	if s.Counting {
		return nil, len(s.Days), 0
	}
	for _, x := range s.Lot.Strands {
		for first < len(s.Days) && (len(x.Path) == 0 || daysBetween(s.Days[first].Date, x.Path[0].From, loc) > 0) {
			first++
		}
	}
	total, before = make([]measure.DegreeDays, len(s.Days)), s.Units.DegreeDays
	for i := len(s.Days) - 1; i >= first; i-- {
		total[i] = before
		before -= s.Days[i].Units.DegreeDays
	}
	return total, first, before
}

// afterwards is how long a sheet goes on once fish feed: units say little then, and
// a lot of two years would fill twenty pages.
const afterwards = 30 * 24 * time.Hour

// shown is how many of its days a sheet shows.
func shown(s *rules.LotSheet) int {
	end := s.Lot.SwimUpAt
	if s.Lot.FedAt.After(end) {
		end = s.Lot.FedAt
	}
	n := len(s.Days)
	for !end.IsZero() && n > 1 && s.Days[n-1].Date.After(end.Add(afterwards)) {
		n--
	}
	return n
}

func days(s *rules.LotSheet, at *site.Site) table {
	u := at.Show.Temperature
	t := table{
		Caption: "Day by day",
		Heads: []string{
			"Day", "Mean\n" + u.String(), "Day's\nunits", "Day's\nTU", "Total\nunits", "Total\nTU",
			"Own\nprobe", "Short\ngaps", "Stand\nin", "By\nhand", "Not\nknown",
		},
		Align: "lrrrrrrrrrr",
		None:  "Nothing was counted yet.",
	}
	total, first, before := totals(s, at.Location)
	last := shown(s)
	for i, d := range s.Days[:last] {
		cells := []string{
			d.Date.In(at.Location).Format(time.DateOnly), number(u.FromBase(float64(d.MeanC)), 1),
			number(float64(d.Units.DegreeDays), 1), number(d.Units.DegreeDays.TUF(), 1), "-", "-",
		}
		if i >= first {
			cells[4], cells[5] = number(float64(total[i]), 1), number(total[i].TUF(), 1)
		}
		for _, h := range []time.Duration{d.Units.Measured, d.Units.Bridged, d.Units.StandIn, d.Units.ByHand, d.Units.Unsupported} {
			w := number(h.Hours(), 1)
			if h == 0 {
				w = "."
			}
			cells = append(cells, w)
		}
		t.add(cells...)
	}
	if len(t.Rows) > 0 {
		what := "Units are degree-days; TU are degF above 32 times days"
		if s.Lot.BaseC != 0 {
			what = "Units are degree-days above " + temperature(s.Lot.BaseC, at) + "; TU are 1.8 times as many"
		}
		t.Says = append(t.Says,
			what+". The last five columns are hours: by the water's own probe (or the spring's), in short gaps bridged by a straight line, by the stand-in probe, between readings by hand thermometer, and with nothing to go by.")
		if n := len(s.Days) - last; n > 0 {
			t.Says = append(t.Says, fmt.Sprintf("%s after %s, when they had long been feeding or swimming, left out; lot show with --format days-csv has all.",
				count(n, "day", "days"), s.Days[last-1].Date.In(at.Location).Format(dayForm)))
		}
		switch {
		case s.Counting:
			t.Says = append(t.Says, "There are no totals while the lot is being counted again.")
		case first == len(s.Days):
			t.Says = append(t.Says, "There are no totals while a part of the lot lies in no unit.")
		case first > 0:
			t.Says = append(t.Says, "The totals begin when the last part of what is the lot now was laid into a unit, and are the mean of all parts; before that, a day's units are the mean of those that were.")
		case before >= 0.05:
			t.Says = append(t.Says, "The totals begin with "+units(before)+" gathered before the first day.")
		}
	}
	return t
}

// stages gives the forecast of each stage still to come, in a sentence each.
func stages(v rules.LotView, now time.Time, loc *time.Location) []string {
	var out []string
	for _, f := range v.Forecast {
		out = append(out, StageWords(f.Stage)+": "+expected(f, now, loc))
	}
	return out
}

// next is the first stage still to come; false for none.
func next(v rules.LotView) (lot.Forecast, bool) {
	if len(v.Forecast) == 0 {
		return lot.Forecast{}, false
	}
	return v.Forecast[0], true
}
