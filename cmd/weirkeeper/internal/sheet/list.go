package sheet

import (
	"fmt"
	"io"
	"strings"
	"time"

	"weirkeeper/rules"
	"weirkeeper/rules/site"
)

// Line words a lot in one line, for a page that shows many things.
func Line(v rules.LotView, at *site.Site) string {
	l := v.Lot
	if !l.Finished.IsZero() {
		return l.ID + ", " + l.Species + ": " + ended(l, at.Location)
	}
	s := fmt.Sprintf("%s, %s, %s: %s", l.ID, l.Species, lies(l), units(v.Units.DegreeDays))
	if v.Counting {
		s += " so far, being counted again"
	}
	if h := v.Units.Estimated(); h.Hours() >= 0.05 {
		s += ", " + hours(h) + " estimated"
	}
	if f, ok := next(v); ok {
		switch s += "; " + StageWords(f.Stage); {
		case f.Why != "":
			s += ": no date"
		case f.Overdue:
			s += " is due: go and look"
		default:
			s += " " + Dates(f.Earliest, f.Latest, at.Location)
		}
	}
	if v.Tender.Tender {
		s += "; TENDER: neither move nor shock"
	}
	return s
}

// List writes the board: a block for each lot that is here, and the finished
// ones in short.
func List(w io.Writer, at *site.Site, lots []rules.LotView, now time.Time) error {
	loc := at.Location
	here, gone := byTime(lots)
	var b strings.Builder
	fmt.Fprintf(&b, "%s, %s: %s\n", at.Name, now.In(loc).Format(headForm), count(len(here), "lot", "lots"))
	for _, v := range here {
		l := v.Lot
		fmt.Fprintf(&b, "\n%s   %s\n", l.ID, kind(l))
		say := func(name string, words ...string) {
			for i, s := range words {
				if s != "" {
					wrap(&b, "  "+pad([]string{name, ""}[min(i, 1)], 11), s)
				}
			}
		}
		say("where", lies(l))
		say("stage", fmt.Sprintf("%s; %s since egg take", reached(l, loc), count(daysBetween(l.EggTake, now, loc), "day", "days")))
		say("lie still", tender(v))
		if s, n := nextNeed(v); n.Known() {
			say("gathered", Gathered(v.Units.DegreeDays, n)+" until "+StageWords(s))
		} else {
			say("gathered", units(v.Units.DegreeDays))
		}
		say("expected", stages(v, now, loc)...)
		say("how known", Quality(v, at)...)
		say("warning", l.Warnings...)
	}
	if len(gone) > 0 {
		b.WriteString("\nFinished\n")
		for _, v := range gone {
			wrap(&b, "  ", v.Lot.ID+", "+v.Lot.Species+": "+ended(v.Lot, loc))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}
