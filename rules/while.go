package rules

import (
	"slices"
	"time"

	"weirkeeper/rules/lang"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/site"
)

// vary keeps a check whose setpoint depends on what its unit holds or on the
// hour.
type vary struct {
	c     *check
	rule  *lang.Rule // as written, with its Whiles
	watch int        // which of its watches
}

// switchRules brings every such check to the setpoint that holds now, once what
// units hold has changed or an hour has come. An alarm goes on by the new
// setpoint from the next reading.
func (e *Engine) switchRules(now time.Time) {
	if len(e.varied) == 0 || now.Before(e.switchAt) && !now.Before(e.switched) {
		return
	}
	local := now.In(e.site.Location)
	minute := local.Hour()*60 + local.Minute()
	e.switched, e.switchAt = now, now.Add(longestSleep)
	for i := range e.varied {
		v := &e.varied[i]
		c, off := v.c, false
		rule := v.rule
		for j := range v.rule.Whiles {
			w := &v.rule.Whiles[j]
			if w.Fits(e.holds[c.watch.Unit], minute) {
				if off = w.Off; !off {
					rule = w.Rule
				}
			}
			if w.From != w.To {
				e.switchAt = earlier(e.switchAt, nextMinute(local, w.From), nextMinute(local, w.To))
			}
		}
		if off {
			rule = v.rule
		}
		c.rule, c.watch, c.off = rule, rule.Watches[v.watch], off
		if off && !c.state.Active() {
			c.badSince = time.Time{}
		}
	}
	e.wake(e.switchAt)
}

// nextMinute is when the clock on the wall next says so many minutes after
// midnight.
func nextMinute(local time.Time, minute int) time.Time {
	for day := range 3 {
		t := time.Date(local.Year(), local.Month(), local.Day()+day, 0, minute, 0, 0, local.Location())
		if t.After(local) {
			return t
		}
	}
	return local.Add(24 * time.Hour)
}

func earlier(t time.Time, others ...time.Time) time.Time {
	for _, o := range others {
		if o.Before(t) {
			t = o
		}
	}
	return t
}

// contents is what each unit holds by the book. Of a unit in which no lot ever
// lay nothing is known: its fish may just not have been written down.
func (e *Engine) contents() map[string]site.Content {
	out := make(map[string]site.Content)
	for _, stay := range e.stays() {
		out[stay.Unit] = site.Empty
	}
	order := site.Contents()
	for _, l := range e.book.Lots() {
		for i := range l.Holdings {
			h := &l.Holdings[i]
			if h.Number <= 0 {
				continue
			}
			c := contentOf(l, h)
			if other, ok := out[h.Unit]; !ok || slices.Index(order, c) < slices.Index(order, other) {
				out[h.Unit] = c
			}
		}
	}
	return out
}

// contentOf is how far a lot has come in one unit.
func contentOf(l *book.Lot, h *book.Holding) site.Content {
	switch {
	case l.Stage == lot.Green || l.Stage == lot.Eyed:
		return site.Eggs
	case l.Stage == lot.Hatch && l.FedAt.IsZero():
		return site.SacFry
	case h.MeanWeightG >= site.FingerlingG:
		return site.Fingerlings
	}
	return site.Fry
}
