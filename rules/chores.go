package rules

import "time"

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

// everLay reports whether the book knows of any lot in a unit, now or before.
func (e *Engine) everLay(unit string) bool {
	for _, l := range e.book.Lots() {
		for _, s := range l.Strands {
			for _, stay := range s.Path {
				if stay.Unit == unit {
					return true
				}
			}
		}
	}
	return false
}

// lay reports whether any lot lay in a unit at a time, by the book.
func (e *Engine) lay(unit string, at time.Time) bool {
	for _, l := range e.book.Lots() {
		if !l.Finished.IsZero() && !l.Finished.After(at) {
			continue
		}
		for _, s := range l.Strands {
			for _, stay := range s.Path {
				if stay.Unit == unit && !stay.From.After(at) && (stay.To.IsZero() || stay.To.After(at)) {
					return true
				}
			}
		}
	}
	return false
}
