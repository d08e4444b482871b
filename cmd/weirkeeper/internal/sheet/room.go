package sheet

import (
	"fmt"
	"io"
	"strings"

	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
	"weirkeeper/rules/stock"
)

// Where words where a lot lies and how many there are, or how it ended, for the
// answer to an entry.
func Where(l *book.Lot, at *site.Site) string {
	if !l.Finished.IsZero() {
		return ended(l, at.Location)
	}
	return lies(l)
}

// Room writes how many more fish like next would fit into each unit, best first.
// Units that cannot take any, or of which nothing is known, come after with the
// reason.
func Room(w io.Writer, next stock.Fish, rooms []stock.Room) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Room for %s of %s each\n", count(next.Number, "fish", "fish"), weight(next.MeanWeightG))
	for _, r := range rooms {
		s := r.Unit + ": "
		switch {
		case r.By == "":
			s += "not known: " + r.Why
		case r.Fits:
			s += fmt.Sprintf("all of them, up to %s by its %s", measure.Group(r.Number), r.By)
		case r.Number > 0:
			s += fmt.Sprintf("%s of them by its %s", measure.Group(r.Number), r.By)
		default:
			s += "none more by its " + r.By
		}
		if r.By != "" && r.Why != "" {
			s += "; not looked at: " + r.Why
		}
		wrap(&b, "  ", s)
	}
	if len(rooms) == 0 {
		b.WriteString("  There is no trough, deep trough or raceway in the site file.\n")
	}
	wrap(&b, "", "Reckoned from what the book and the probes say now; limits are guides, not promises.")
	_, err := io.WriteString(w, b.String())
	return err
}
