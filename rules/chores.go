package rules

import (
	"iter"
	"time"

	"weirkeeper/rules/lot/book"
)

// toBeDone reports whether a chore that is due is to be done at all: at a unit in
// which nothing lay at its hour, or lies now, it is not, unless the site file says
// even then. Of a unit in which no lot ever lay nothing is known: its fish may
// just not have been written down.
func (e *Engine) toBeDone(c *check, now time.Time) bool {
	if c.chore.EvenEmpty || !e.everLay(c.watch.Unit) {
		return true
	}
	u, ok := e.site.Unit(c.watch.Unit)
	if !ok || !u.Kind.HoldsFish() {
		return true
	}
	return e.lay(u.Name, c.lastDue) && e.lay(u.Name, now)
}

// stays are all the stays of all lots in the book, past ones too.
func (e *Engine) stays() iter.Seq2[*book.Lot, book.Stay] {
	return func(yield func(*book.Lot, book.Stay) bool) {
		for _, l := range e.book.Lots() {
			for i := range l.Strands {
				for _, stay := range l.Strands[i].Path {
					if !yield(l, stay) {
						return
					}
				}
			}
		}
	}
}

// everLay reports whether the book knows of any lot in a unit, now or before.
func (e *Engine) everLay(unit string) bool {
	for _, stay := range e.stays() {
		if stay.Unit == unit {
			return true
		}
	}
	return false
}

// lay reports whether any lot lay in a unit at a time, by the book.
func (e *Engine) lay(unit string, at time.Time) bool {
	for l, stay := range e.stays() {
		over := !l.Finished.IsZero() && !l.Finished.After(at)
		if !over && stay.Unit == unit && !stay.From.After(at) && (stay.To.IsZero() || stay.To.After(at)) {
			return true
		}
	}
	return false
}
