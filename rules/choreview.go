package rules

import (
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/site"
)

// ChoreView is how a chore stands at one place.
type ChoreView struct {
	Chore *site.Chore
	Unit  string // "" for the whole site
	// Due is the hour that is next to be done or, Missed, the one that was not.
	Due    time.Time
	Missed bool
	// Done is when it was done last, zero when that is not known.
	Done time.Time
}

// Chores is how every chore stands that a rule watches, in the order of the site
// file. Left out is what need not be done where nothing lies.
func (e *Engine) Chores(now time.Time) []ChoreView {
	var out []ChoreView
	for i := range e.site.Chores {
		chore := &e.site.Chores[i]
		units := chore.Units
		if len(units) == 0 {
			units = []string{""}
		}
		for _, unit := range units {
			cs := e.chores[choreAt{chore.Name, unit}]
			if len(cs) == 0 {
				continue
			}
			c := cs[0]
			v := ChoreView{Chore: chore, Unit: unit, Missed: c.missed(e, now) == bad, Done: c.lastDone}
			switch v.Due = c.nextDue; {
			case v.Missed:
				v.Due = c.lastDue
			case !e.worthDoing(c, now):
				continue
			case !c.settled.Before(c.nextDue): // done for the next hour already
				_, v.Due = chore.Dues(c.nextDue, e.site.Location)
			}
			out = append(out, v)
		}
	}
	return out
}

// worthDoing reports whether a chore that is not due yet is to be done where it is.
func (e *Engine) worthDoing(c *check, now time.Time) bool {
	u, ok := e.site.Unit(c.watch.Unit)
	return !ok || c.chore.EvenEmpty || !u.Kind.HoldsFish() || !e.everLay(u.Name) || e.lay(u.Name, now)
}

// answerer is who answered an alarm that is acknowledged.
func (c *check) answerer() string {
	if c.state == alarm.Acknowledged || c.state == alarm.LatchedAcknowledged {
		return strings.TrimSpace(c.by)
	}
	return ""
}
