package page

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/sheet"
	"weirkeeper/rules"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
)

// boardLot is a lot as the board shows it.
type boardLot struct {
	ID, Path, Kind string
	// Where are the places it lies in, in the keeper's words; empty for nowhere.
	Where    []boardPlace
	Number   string
	Noun     string // key of what they are: eggs, sac fry, fry, fish
	Days     int    // since egg take
	Steps    []boardStep
	Tender   string
	Counting bool
	Units    boardUnits
	// Estimated are hours of its units that were not measured, "" for none.
	Estimated string
	Warnings  int
	Finished  time.Time // zero while it is here
	Into      string
	Out, Dead string // of a finished lot
}

type boardPlace struct{ Unit, Trays, Number string }

// boardStep is one date in a lot's life.
type boardStep struct {
	Key string // of its name in the catalogue, without "lots."
	// State is "done", "begun", "due", "to come" or "unknown".
	State string
	// From and To are when: of what is done the same day twice.
	From, To time.Time
	// Note says more, as the keeper or the engine worded it.
	Note string
}

// Glyph is a shape for the state, beside its words.
func (s boardStep) Glyph() string {
	switch s.State {
	case "done":
		return "●"
	case "begun":
		return "◐"
	case "due":
		return "▲"
	case "to come":
		return "○"
	}
	return "?"
}

// boardUnits are the units gathered, and what the next stage needs of them.
type boardUnits struct {
	Gathered, TU string
	// Need is "" where it is not known.
	Need, NeedTU, Stage string
	// Done, Low and High are parts of the bar, of 100.
	Done, Low, High float64
}

// Width is that of the span between low and high.
func (u boardUnits) Width() float64 { return max(0.6, u.High-u.Low) }

// board lays out the lots: those here in the order they came in, and the finished
// ones, newest first.
func board(lots []rules.LotView, at *site.Site, now time.Time) (here, gone []boardLot) {
	lots = slices.Clone(lots)
	slices.SortStableFunc(lots, func(a, b rules.LotView) int {
		if a.Lot.Finished.IsZero() && b.Lot.Finished.IsZero() {
			return cmp.Or(a.Lot.OpenedAt.Compare(b.Lot.OpenedAt), cmp.Compare(a.Lot.ID, b.Lot.ID))
		}
		return cmp.Or(b.Lot.Finished.Compare(a.Lot.Finished), cmp.Compare(a.Lot.ID, b.Lot.ID))
	})
	for _, v := range lots {
		b := newBoardLot(v, at, now)
		if v.Lot.Finished.IsZero() {
			here = append(here, b)
		} else {
			gone = append(gone, b)
		}
	}
	return here, gone
}

func newBoardLot(v rules.LotView, at *site.Site, now time.Time) boardLot {
	l := v.Lot
	b := boardLot{
		ID: l.ID, Path: lotPath(l.ID), Kind: l.Species, Number: measure.Group(l.Number), Noun: noun(l), Days: daysBetween(l.EggTake, now, at.Location),
		Steps: steps(v, at), Counting: v.Counting, Units: gathered(v), Warnings: len(l.Warnings),
		Into: l.Into, Out: measure.Group(l.Out), Dead: measure.Group(l.Dead),
	}
	if l.Strain != "" {
		b.Kind += ", " + l.Strain
	}
	if !l.Finished.IsZero() {
		b.Finished = l.Finished.In(at.Location)
	}
	for _, h := range l.Holdings {
		b.Where = append(b.Where, boardPlace{h.Unit, h.Trays, measure.Group(h.Number)})
	}
	if v.Tender.Tender {
		b.Tender = v.Tender.Why
	}
	if e := v.Units.Estimated(); e >= 3*time.Minute {
		b.Estimated = measure.FormatDuration(e.Round(6 * time.Minute))
	}
	return b
}

func noun(l *book.Lot) string {
	switch {
	case !l.FedAt.IsZero():
		return "fish"
	case l.Stage == lot.SwimUp:
		return "fry"
	case l.Stage == lot.Hatch:
		return "sacfry"
	}
	return "eggs"
}

// steps are the dates of a lot: egg take, eyed, hatch, swim-up and the moves.
func steps(v rules.LotView, at *site.Site) []boardStep {
	l, loc := v.Lot, at.Location
	done := func(key string, t time.Time) boardStep {
		return boardStep{Key: key, State: "done", From: t.In(loc), To: t.In(loc)}
	}
	foreseen := func(key string, s lot.Stage) boardStep {
		for _, f := range v.Forecast {
			switch {
			case f.Stage != s:
			case f.Why != "":
				return boardStep{Key: key, State: "unknown", Note: f.Why}
			case f.Overdue:
				return boardStep{Key: key, State: "due", From: f.Earliest.In(loc), To: f.Latest.In(loc)}
			default:
				return boardStep{Key: key, State: "to come", From: f.Earliest.In(loc), To: f.Latest.In(loc)}
			}
		}
		return boardStep{Key: key, State: "unknown"}
	}
	out := []boardStep{done("step-eggtake", l.EggTake)}
	add := func(s boardStep) {
		if s.State != "unknown" || s.Note != "" {
			out = append(out, s)
		}
	}
	switch {
	case !l.EyedAt.IsZero():
		add(done("step-eyed", l.EyedAt))
	case l.Stage == lot.Green:
		add(foreseen("step-eyed", lot.Eyed))
	}
	switch {
	case !l.HatchLast.IsZero():
		add(done("step-hatch", l.HatchLast))
	case !l.HatchHalf.IsZero():
		add(done("step-half", l.HatchHalf))
	case !l.HatchFirst.IsZero():
		s := foreseen("step-half", lot.Hatch)
		begun := boardStep{Key: "step-first", State: "begun", From: l.HatchFirst.In(loc), To: l.HatchFirst.In(loc)}
		add(begun)
		add(s)
	case l.Stage == lot.Green || l.Stage == lot.Eyed:
		add(foreseen("step-half", lot.Hatch))
	}
	var swim boardStep
	switch {
	case !l.SwimUpAt.IsZero():
		swim = done("step-swimup", l.SwimUpAt)
	case l.Stage != lot.SwimUp:
		swim = foreseen("step-swimup", lot.SwimUp)
	}
	if swim.Key != "" {
		add(swim)
	}
	for _, m := range moves(l) {
		s := done("step-moved", m.From)
		s.Note = m.Unit
		add(s)
	}
	// Fish do not swim up in trays: what lies in a stack must be moved by then.
	if inStack(l, at) && (swim.State == "to come" || swim.State == "due") {
		add(boardStep{Key: "step-move", State: swim.State, From: swim.From, To: swim.To})
	}
	if !l.FedAt.IsZero() {
		add(done("step-fed", l.FedAt))
	}
	return out
}

// shownMoves are the last ones that the board shows.
const shownMoves = 2

// moves are where parts of the lot were moved to, after its first unit.
func moves(l *book.Lot) []book.Stay {
	var out []book.Stay
	for _, x := range l.Strands {
		for i, s := range x.Path {
			if i > 0 && !slices.ContainsFunc(out, func(o book.Stay) bool { return o.Unit == s.Unit && o.From.Equal(s.From) }) {
				out = append(out, s)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b book.Stay) int { return a.From.Compare(b.From) })
	return out[max(0, len(out)-shownMoves):]
}

func inStack(l *book.Lot, at *site.Site) bool {
	return slices.ContainsFunc(l.Holdings, func(h book.Holding) bool {
		u, ok := at.Unit(h.Unit)
		return ok && u.Kind == site.Stack
	})
}

// gathered is what the lot has of what its next stage needs.
func gathered(v rules.LotView) boardUnits {
	u := boardUnits{Gathered: figure(float64(v.Units.DegreeDays)), TU: figure(v.Units.DegreeDays.TUF())}
	for _, f := range v.Forecast {
		if !f.Need.Known() {
			continue
		}
		u.Stage = string(f.Stage)
		u.Need, u.NeedTU = figures(float64(f.Need.Low), float64(f.Need.High)), figures(f.Need.Low.TUF(), f.Need.High.TUF())
		whole := max(float64(f.Need.High), float64(v.Units.DegreeDays)) / 100
		u.Done, u.Low, u.High = float64(v.Units.DegreeDays)/whole, float64(f.Need.Low)/whole, float64(f.Need.High)/whole
		break
	}
	return u
}

func figure(v float64) string { return measure.Group(int(v + 0.5)) }

func figures(low, high float64) string {
	if a, b := figure(low), figure(high); a != b {
		return a + "–" + b
	}
	return figure(low)
}

// daysBetween is how many dates b is after a.
func daysBetween(a, b time.Time, loc *time.Location) int {
	date := func(t time.Time) time.Time {
		y, m, d := t.In(loc).Date()
		return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	}
	return int(date(b).Sub(date(a)).Hours() / 24)
}

var spanishWeekdays = [...]string{"domingo", "lunes", "martes", "miércoles", "jueves", "viernes", "sábado"}

// Day writes a date: "2 Dec 2026", "2 dic 2026".
func (l Language) Day(t time.Time) string { return l.local(t.Format("2 Jan 2006"), t) }

// Weekday writes a date with its day of the week.
func (l Language) Weekday(t time.Time) string {
	if l == Spanish {
		return spanishWeekdays[t.Weekday()] + ", " + l.Day(t)
	}
	return t.Format("Monday, 2 January 2006")
}

// DayTime writes a time with its date, to the minute.
func (l Language) DayTime(t time.Time) string { return l.Day(t) + t.Format(" 15:04") }

// Days writes a range of dates, both ends included: "3 to 9 Dec 2026".
func (l Language) Days(from, to time.Time) string {
	if daysBetween(from, to, from.Location()) <= 0 {
		return l.Day(from)
	}
	s := sheet.Dates(from, to, from.Location())
	if l == Spanish {
		a, b, _ := strings.Cut(s, " to ")
		return l.local(a, from) + " a " + l.local(b, to)
	}
	return s
}

// local puts the month's name into the language.
func (l Language) local(s string, t time.Time) string {
	if l != Spanish {
		return s
	}
	return strings.Replace(s, t.Format("Jan"), spanishMonths[t.Month()-1], 1)
}
