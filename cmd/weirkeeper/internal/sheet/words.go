package sheet

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"weirkeeper/rules"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
	"weirkeeper/rules/thermal"
)

// The ways in which a moment is written, in the site's time zone.
const (
	dayForm    = "2 Jan 2006"
	minuteForm = "2 Jan 2006 15:04"
	headForm   = "Mon 2 Jan 2006 15:04"
)

// midnight is the beginning of t's day as UTC, so that days can be told apart by
// plain subtraction.
func midnight(t time.Time, loc *time.Location) time.Time {
	y, m, d := t.In(loc).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// daysBetween is how many dates b is after a.
func daysBetween(a, b time.Time, loc *time.Location) int {
	return int(midnight(b, loc).Sub(midnight(a, loc)).Hours() / 24)
}

// Dates words a range of days, both ends included: "3 to 9 Dec 2026".
func Dates(from, to time.Time, loc *time.Location) string {
	a, b := midnight(from, loc), midnight(to, loc)
	form := dayForm
	switch {
	case !b.After(a):
		return a.Format(dayForm)
	case a.Year() == b.Year() && a.Month() == b.Month():
		form = "2"
	case b.Sub(a) < 300*24*time.Hour: // the year before can only be the last
		form = "2 Jan"
	}
	return a.Format(form) + " to " + b.Format(dayForm)
}

// away words how far off a range of days is: "in 6 to 12 days".
func away(now, from, to time.Time, loc *time.Location) string {
	a, b := max(0, daysBetween(now, from, loc)), daysBetween(now, to, loc)
	switch {
	case b <= 0:
		return "today"
	case a == 0:
		return "within " + count(b, "day", "days")
	case a == b && a == 1:
		return "tomorrow"
	case a == b:
		return fmt.Sprintf("in %d days", a)
	}
	return fmt.Sprintf("in %d to %d days", a, b)
}

// number writes v with so many decimals and its thousands apart.
func number(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	whole, rest, dot := strings.Cut(s, ".")
	n, err := strconv.Atoi(whole)
	if err != nil || n == 0 { // "-0" keeps its sign only where something follows
		if strings.Trim(s, "-0.") == "" {
			return strings.TrimPrefix(s, "-")
		}
		return s
	}
	if !dot {
		return measure.Group(n)
	}
	return measure.Group(n) + "." + rest
}

// count words a number of things.
func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return measure.Group(n) + " " + many
}

// heads words a number of the lot's eggs or fish by how far it has come.
func heads(n int, l *book.Lot) string {
	switch {
	case !l.FedAt.IsZero():
		return count(n, "fish", "fish")
	case l.Stage == lot.SwimUp:
		return count(n, "fry", "fry")
	case l.Stage == lot.Hatch:
		return count(n, "sac fry", "sac fry")
	}
	return count(n, "egg", "eggs")
}

// units words thermal units: "241.3 degree-days (434.3 TU)".
func units(d measure.DegreeDays) string {
	return fmt.Sprintf("%s degree-days (%s TU)", number(float64(d), 1), number(d.TUF(), 1))
}

// span writes a range of thermal units without its unit.
func span(low, high float64) string {
	if number(low, 0) == number(high, 0) {
		return number(low, 0)
	}
	return number(low, 0) + " to " + number(high, 0)
}

// Gathered words how far a lot has come on the way to a stage.
func Gathered(u measure.DegreeDays, n lot.Need) string {
	if !n.Known() {
		return units(u)
	}
	return fmt.Sprintf("%s of %s degree-days (%s of %s TU)", number(float64(u), 1), span(float64(n.Low), float64(n.High)),
		number(u.TUF(), 1), span(n.Low.TUF(), n.High.TUF()))
}

// hours writes a time in hours: "30.5 h".
func hours(d time.Duration) string { return number(d.Hours(), 1) + " h" }

// estimated words the time that was not simply measured, kind by kind; "" when
// all of it was.
func estimated(u thermal.Units) string {
	var parts []string
	for _, k := range []struct {
		d     time.Duration
		words string
	}{
		{u.Bridged, "in short gaps, bridged by a straight line"},
		{u.StandIn, "by the stand-in probe"},
		{u.ByHand, "between readings by hand thermometer"},
		{u.Unsupported, "with nothing to go by"},
	} {
		if k.d.Hours() >= 0.05 {
			parts = append(parts, hours(k.d)+" "+k.words)
		}
	}
	return strings.Join(parts, ", ")
}

// Quality says how a lot's units came about: sentences without an end mark, the
// weightiest first. There is always one.
func Quality(v rules.LotView, at *site.Site) []string {
	var out []string
	if v.Counting {
		out = append(out, "being counted again from the record, so the units are not whole yet")
	}
	for _, p := range v.Sources {
		_, known := at.Unit(p.Unit)
		switch {
		case !known:
			out = append(out, fmt.Sprintf("the site file has no unit %q, so its own probe is not known: give the unit this name again there, or write a move", p.Unit))
		case p.Probe == "":
			out = append(out, "there is no temperature probe for "+p.Unit)
		case p.Spring:
			out = append(out, fmt.Sprintf("%s has no temperature probe of its own: the spring's is used (%s)", p.Unit, p.Probe))
		}
	}
	if d := uncounted(v.Lot); d >= leastUncounted {
		out = append(out, "up to "+hours(d)+" before they were laid into a unit are not counted")
	}
	all := v.Units.Measured + v.Units.Bridged + v.Units.Estimated()
	switch e := estimated(v.Units); {
	case all == 0 && len(v.Lot.Holdings) == 0 && v.Lot.Finished.IsZero():
		out = append(out, "they lie in no unit yet, so nothing is counted: write that they were placed")
	case all == 0:
		out = append(out, "no temperature reading yet")
	case e != "":
		out = append(out, hours(all)+" in all: "+hours(v.Units.Measured)+" measured, "+e)
	default:
		out = append(out, "all "+hours(all)+" measured")
	}
	return out
}

// leastUncounted is the least time without units that is worth a sentence.
const leastUncounted = 2 * time.Hour

// uncounted is the longest time that a part of the lot was without units: from
// egg take or, if it came with units, from its arrival until it was laid into a
// unit.
func uncounted(l *book.Lot) time.Duration {
	var longest time.Duration
	for _, x := range l.Strands {
		switch {
		case len(x.Path) == 0:
		case x.StartUnits == 0 && l.Start == lot.Green:
			longest = max(longest, x.Path[0].From.Sub(x.EggTake))
		case x.Lot == l.ID:
			longest = max(longest, x.Path[0].From.Sub(l.OpenedAt))
		}
	}
	return longest
}

// StageWords says what a stage is in a sentence.
func StageWords(s lot.Stage) string {
	if s == lot.Hatch {
		return "half hatched"
	}
	return string(s)
}

// expected words when a stage is expected, without the stage.
func expected(f lot.Forecast, now time.Time, loc *time.Location) string {
	switch {
	case f.Why != "":
		return "no date: " + f.Why
	case f.Overdue:
		return "due: go and look"
	}
	return Dates(f.Earliest, f.Latest, loc) + ", " + away(now, f.Earliest, f.Latest, loc)
}

// kind words what the lot is: "brook trout, strain Alder".
func kind(l *book.Lot) string {
	if l.Strain == "" {
		return l.Species
	}
	return l.Species + ", " + l.Strain
}

// lies words where a lot is: "8,000 in stack 1 (trays 1-4), 4,000 in trough 3".
func lies(l *book.Lot) string {
	var parts []string
	for _, h := range l.Holdings {
		s := heads(h.Number, l) + " in " + h.Unit
		if h.Trays != "" {
			s += " (trays " + h.Trays + ")"
		}
		parts = append(parts, s)
	}
	if len(parts) == 0 && l.Finished.IsZero() {
		return heads(l.Number, l) + ", not placed yet"
	}
	return strings.Join(parts, ", ")
}

// reached words the furthest stage seen, and when.
func reached(l *book.Lot, loc *time.Location) string {
	words, at := string(l.Stage), time.Time{}
	for _, s := range []struct {
		words string
		at    time.Time
	}{{"eyed", l.EyedAt}, {"hatching", l.HatchFirst}, {"half hatched", l.HatchHalf}, {"hatched", l.HatchLast}, {"swim-up", l.SwimUpAt}, {"feeding", l.FedAt}} {
		if !s.at.IsZero() {
			words, at = s.words, s.at
		}
	}
	if at.IsZero() {
		return words
	}
	return words + " since " + at.In(loc).Format(dayForm)
}

// tender words the time in which eggs must lie still; "" when it does not
// apply or is over.
func tender(v rules.LotView) string {
	switch {
	case v.Tender.Tender:
		return "TENDER. " + measure.Capital(v.Tender.Why)
	case v.Lot.EyedAt.IsZero() && v.Lot.Finished.IsZero():
		return v.Tender.Why
	}
	return ""
}

// ended words how a finished lot left.
func ended(l *book.Lot, loc *time.Location) string {
	s := "finished " + l.Finished.In(loc).Format(dayForm)
	if l.Into != "" {
		return s + ", merged into " + l.Into
	}
	return fmt.Sprintf("%s, of %s opened %s went out and %s died", s, measure.Group(l.Opened), measure.Group(l.Out), measure.Group(l.Dead))
}

// nextNeed is the requirement of the next stage still to come.
func nextNeed(v rules.LotView) (lot.Stage, lot.Need) {
	for _, f := range v.Forecast {
		if f.Need.Known() {
			return f.Stage, f.Need
		}
	}
	return "", lot.Need{}
}

// temperature writes a temperature as the keeper reads it, with its unit.
func temperature(t measure.TempC, s *site.Site) string { return s.Show.Temperature.Format(float64(t)) }

// weight writes the weight of one fish.
func weight(g measure.MassG) string {
	if g <= 0 {
		return "-"
	}
	// Three figures: a fry is weighed to the milligram, a fish to the gram.
	return number(float64(g), max(0, 2-int(math.Floor(math.Log10(float64(g)))))) + " g"
}

// byTime is the unfinished lots in the order they came in, then the finished
// ones, newest first.
func byTime(lots []rules.LotView) (here, gone []rules.LotView) {
	for _, v := range lots {
		if v.Lot.Finished.IsZero() {
			here = append(here, v)
		} else {
			gone = append(gone, v)
		}
	}
	slices.SortStableFunc(here, func(a, b rules.LotView) int {
		return cmp.Or(a.Lot.OpenedAt.Compare(b.Lot.OpenedAt), cmp.Compare(a.Lot.ID, b.Lot.ID))
	})
	slices.SortStableFunc(gone, func(a, b rules.LotView) int {
		return cmp.Or(b.Lot.Finished.Compare(a.Lot.Finished), cmp.Compare(a.Lot.ID, b.Lot.ID))
	})
	return here, gone
}
