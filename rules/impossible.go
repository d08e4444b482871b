package rules

import (
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
)

// impossible finds a probe that reads outside its plausible range: a broken wire
// or a short. Such readings are kept in the record and used for nothing else, so
// they do not reach the other checks; here they are bad. Good ones among them
// neither end the on-delay nor the alarm until none has come for ten intervals,
// for a loose wire gives both.
type impossible struct {
	c   *check
	at  time.Time // of the newest impossible reading
	val float64
}

func newImpossible(_ *Engine, c *check) detector { return &impossible{c: c} }

// outOfRange takes a reading that cannot be, if it is of now.
func (e *Engine) outOfRange(now time.Time, p *probe, r *reading.Reading) {
	if !r.Flags.Has(reading.OutOfRange) || r.Flags&(reading.Late|reading.OutOfOrder) != 0 || (r.Flags.Has(reading.Retained) && !r.Flags.Has(reading.DeviceTimed)) {
		return
	}
	for _, c := range p.faults {
		if c.rule.Kind == alarm.ImpossibleValue && !c.off {
			d := c.det.(*impossible)
			d.at, d.val = now, r.Value
			e.judge(now, c, bad, true)
		}
	}
}

func (i *impossible) quiet() time.Duration { return max(10*i.c.probe.def.Every, 5*time.Minute) }

// look judges a reading that can be.
func (i *impossible) look(_ *Engine, now time.Time) verdict {
	if !i.at.IsZero() && now.Sub(i.at) <= i.quiet() {
		return between
	}
	return good
}

func (i *impossible) why(*Engine, time.Time) string { return "it says what cannot be" }

func (i *impossible) words(e *Engine, _ time.Time, active bool) (trouble, detail string) {
	d := i.c.probe.def
	trouble = i.c.probeTrouble("says what cannot be")
	switch {
	case !active:
		return trouble, "it says " + e.show(d.Quantity, i.c.probe.last.Value) + " again"
	case i.at.IsZero():
		return trouble, "no reading since the start"
	}
	return trouble, e.show(d.Quantity, i.val) + "; it can be from " + e.show(d.Quantity, d.Low) + " to " + e.show(d.Quantity, d.High)
}

func (i *impossible) memory() time.Duration { return i.quiet() }

// next: only readings change what it judges.
func (i *impossible) next(*Engine, time.Time) time.Time { return time.Time{} }

func (i *impossible) shift(by time.Duration) {
	if !i.at.IsZero() {
		i.at = i.at.Add(by)
	}
}
