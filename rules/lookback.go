package rules

import (
	"iter"
	"slices"
	"time"

	"weirkeeper/rules/reading"
)

// Days are the readings of a probe that a trend over days goes by: those with
// From <= At.
type Days struct {
	Probe reading.ProbeID
	From  time.Time
}

// wantDays asks for the days of every check that looks back over them.
func (e *Engine) wantDays() {
	e.wantedDays = e.wantedDays[:0]
	for _, c := range e.checks {
		if _, ok := c.det.(dayLooker); ok {
			e.wantedDays = append(e.wantedDays, c)
		}
	}
}

// LookBack says which readings are wanted next by LookedBack; false when there are
// none. After Rebuild there are, for each probe with a rule that looks back over
// days: they are too many to be read before anything is watched. Until they are
// read such a rule judges by what it hears, or not at all, and what stands stands.
func (e *Engine) LookBack(now time.Time) (Days, bool) {
	if len(e.wantedDays) == 0 {
		return Days{}, false
	}
	d := Days{Probe: e.wantedDays[0].probe.def.ID}
	var back time.Duration
	for _, c := range e.wantedDays {
		if l, ok := c.det.(dayLooker); ok && c.probe.def.ID == d.Probe {
			back = max(back, l.lookback())
		}
	}
	d.From = now.Add(-back)
	return d, true
}

// LookedBack takes all that the record holds of such days, up to the newest
// reading, in order of At. Its rules judge by them from the next reading on; an
// on-delay that ran when the daemon was stopped begins anew.
// Errors: those of the sequence; it is not asked for again.
func (e *Engine) LookedBack(d Days, record iter.Seq2[reading.Reading, error]) error {
	var to []dayLooker
	e.wantedDays = slices.DeleteFunc(e.wantedDays, func(c *check) bool {
		l, ok := c.det.(dayLooker)
		ok = ok && c.probe.def.ID == d.Probe
		if ok {
			to = append(to, l)
			l.forget()
		}
		return ok
	})
	for r, err := range record {
		if err != nil {
			return err
		}
		if !r.Current() {
			continue
		}
		for _, l := range to {
			l.took(&r)
		}
	}
	return nil
}
