package rules

import "time"

// toBeDone reports whether a chore that is due is to be done at all: at a unit in
// which nothing lay at its hour, or lies now, it is not, unless the site file says
// even then. As long as no lots are recorded nothing is known of that.
func (e *Engine) toBeDone(c *check, now time.Time) bool {
	if c.chore.EvenEmpty || len(e.book.Lots()) == 0 {
		return true
	}
	u, ok := e.site.Unit(c.watch.Unit)
	if !ok || !u.Kind.HoldsFish() {
		return true
	}
	return e.lay(u.Name, c.lastDue) && e.lay(u.Name, now)
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
