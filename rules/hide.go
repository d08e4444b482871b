package rules

import (
	"strings"
	"time"

	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
)

// What hides an alarm from people: it is judged and journalled as ever, and its
// transitions say in Hidden why nobody is called.
//
// An alarm raised while something hides it carries that from the start. One that
// stands unanswered when something begins to hide it, or when what hides it
// ends, gets a transition from Unacknowledged to Unacknowledged that says so; the
// newest transition thus always tells whether people are to know. One that is
// over while it is hidden goes to normal by itself.

// hidden says why nobody is to be called for a check now, and when that ends by
// itself, zero for never; "" calls. Reasons are asked in order, the first one is
// given.
func (e *Engine) hidden(c *check, now time.Time) (why string, until time.Time) {
	if why := e.outOfService(c, now); why != "" {
		return why, time.Time{}
	}
	if why, until := e.shelved(c, now); why != "" {
		return why, until
	}
	if why, until := e.paused(c, now); why != "" {
		return why, until
	}
	return e.cleaningHides(c, now)
}

// surface follows what hides a standing alarm, at every tick and act.
func (e *Engine) surface(now time.Time, c *check) {
	switch c.state {
	case alarm.Unacknowledged:
		switch why, _ := e.hidden(c, now); {
		case why != "" && c.hid == "":
			e.move(now, c, alarm.Unacknowledged, "")
		case why == "" && c.hid != "" && e.stillThere(c, now):
			c.unclean = c.unclean || e.outlastsCleaning(c, now)
			e.move(now, c, alarm.Unacknowledged, "")
		}
	case alarm.Acknowledged:
		// Whoever answered while it was cleaned meant the cleaning, and while it
		// was put aside knew that nobody was called.
		cleaned, aside := e.answeredCleaning(c), putAside(c.hid)
		if !cleaned && !aside {
			return
		}
		cleaned = cleaned && e.outlastsCleaning(c, now)
		if why, _ := e.hidden(c, now); why == "" && (cleaned || aside) && e.stillThere(c, now) {
			c.unclean = c.unclean || cleaned
			e.move(now, c, alarm.Unacknowledged, "")
		}
	default:
	}
}

// wakeHidden wakes for the end of what hides a standing alarm, see due.go.
func (c *check) wakeHidden(e *Engine, now time.Time) {
	why, until := "", time.Time{}
	switch {
	case c.state == alarm.Unacknowledged && c.hid != "":
		why, until = e.hidden(c, now)
	case c.state == alarm.Acknowledged && (e.answeredCleaning(c) || putAside(c.hid)):
		why, until = e.hidden(c, now)
	default:
		return
	}
	switch {
	case why == "":
		e.wake(now) // it waits for its probe
	case !until.IsZero():
		e.wake(until)
	}
}

// stillThere reports whether hidden trouble is there as far as is known. What has
// been good for less than its off-delay is not told of; and after a restart the
// probe is given the time to speak first, which a silent one does not get.
func (e *Engine) stillThere(c *check, now time.Time) bool {
	switch {
	case c.calm(now):
		return false
	case c.probe == nil:
		return true
	case c.probe.fresh(now), c.rule.Kind == alarm.Contact: // which stays as it said last
		return c.goodSince.IsZero()
	}
	return now.Sub(e.started) >= c.probe.silent
}

// upsetByCleaning is a detector whose verdict goes wrong while one of the units it
// looks at is cleaned: the standpipe is out, the flow is turned off, the float
// drops.
type upsetByCleaning interface {
	upsetBy(unit string) bool
}

// cleaningOf is the cleaning that upsets a check and ends last: that of its unit
// for flow and floats, for others what their detector says. Low oxygen is not among
// them: it kills during cleaning too.
func (e *Engine) cleaningOf(c *check) (act.Cleaning, bool) {
	switch c.rule.Kind {
	case alarm.LowFlow, alarm.HighFlow, alarm.Contact:
		return e.acts.Cleaning(c.watch.Unit)
	default:
	}
	d, ok := c.det.(upsetByCleaning)
	if !ok {
		return act.Cleaning{}, false
	}
	var last act.Cleaning
	found := false
	for i := range e.site.Units {
		unit := e.site.Units[i].Name
		if cl, ok := e.acts.Cleaning(unit); ok && d.upsetBy(unit) && (!found || cl.QuietUntil().After(last.QuietUntil())) {
			last, found = cl, true
		}
	}
	return last, found
}

// cleaningHides words that a check is suppressed by design while a unit is
// cleaned, and for a moment after; "" when it is not. The chore that is being
// done is not missed either.
func (e *Engine) cleaningHides(c *check, now time.Time) (why string, until time.Time) {
	if c.rule.Kind == alarm.MissedChore {
		cl, ok := e.acts.Cleaning(c.watch.Unit)
		if !ok || cl.Start.Chore != c.rule.Chore || !cl.Going(now) {
			return "", time.Time{}
		}
		return e.cleaningWords(cl, c, now), cl.Start.Until
	}
	cl, ok := e.cleaningOf(c)
	if !ok || !now.Before(cl.QuietUntil()) {
		return "", time.Time{}
	}
	return e.cleaningWords(cl, c, now), cl.QuietUntil()
}

func (e *Engine) cleaningWords(cl act.Cleaning, c *check, now time.Time) string {
	whose := ""
	if cl.Start.Unit != c.watch.Unit {
		whose = cl.Start.Unit + " "
	}
	if !cl.Finish.At.IsZero() {
		return whose + "cleaned by " + cl.Finish.By + " at " + act.Clock(cl.Finish.At, now, e.site.Location) + ", the water is given time to come back"
	}
	return whose + "being cleaned by " + cl.Start.By + " since " + act.Clock(cl.Start.At, now, e.site.Location)
}

// outlastsCleaning reports whether trouble of a unit began before or while it was
// cleaned, and the time it was given after that is over.
func (e *Engine) outlastsCleaning(c *check, now time.Time) bool {
	cl, ok := e.cleaningOf(c)
	return ok && c.rule.Kind != alarm.HighFlow && cl.Start.Unit == c.watch.Unit && !now.Before(cl.QuietUntil()) && !c.since.After(cl.QuietUntil())
}

// answeredCleaning reports whether the newest answer to an alarm was given while
// its unit was cleaned.
func (e *Engine) answeredCleaning(c *check) bool {
	cl, ok := e.cleaningOf(c)
	return ok && cl.Start.Unit == c.watch.Unit && !c.movedAt.Before(cl.Start.At) && c.movedAt.Before(cl.QuietUntil())
}

// standpipeUp ends the words of trouble that has outlasted cleaning. Rebuild
// knows it again by them.
const standpipeUp = " after cleaning: standpipe still up?"

// afterCleaning words trouble that has outlasted cleaning: "Trough 3: still low
// flow after cleaning: standpipe still up?".
func afterCleaning(trouble string) string {
	unit, what, ok := strings.Cut(trouble, ": ")
	if !ok {
		return trouble + standpipeUp
	}
	return unit + ": still " + what + standpipeUp
}
