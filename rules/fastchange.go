package rules

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
)

// fastChange judges fast_change: how far the value now lies from the lowest and
// the highest of the time the rule looks back. Every value is the median of three
// readings in a row, so that one wild reading neither makes a change nor hides
// one; a step of the water shows at the second reading after it.
type fastChange struct {
	atReadings
	c *check
	// before are the last readings taken in, at most two, oldest first.
	before  []stamped
	lowest  extremes
	highest extremes
	// of the newest judgement:
	from, to stamped
	judged   bool
}

type stamped struct {
	at time.Time
	v  float64
}

func newFastChange(_ *Engine, c *check) detector {
	slot := c.rule.Within / medianSlots
	return &fastChange{c: c, before: make([]stamped, 0, 2), lowest: extremes{sign: 1, slot: slot}, highest: extremes{sign: -1, slot: slot}}
}

// middle is the median of a reading and the two before it; not ok when they are
// not within the time looked at.
func (f *fastChange) middle(r *reading.Reading) (stamped, bool) {
	if len(f.before) < 2 || r.At.Sub(f.before[0].at) > f.c.rule.Within {
		return stamped{}, false
	}
	a, b := f.before[0].v, f.before[1].v
	return stamped{r.At, max(min(a, b), min(max(a, b), r.Value))}, true
}

func (f *fastChange) look(e *Engine, now time.Time) verdict {
	m, ok := f.middle(&f.c.probe.last)
	if !ok {
		return unknown
	}
	since := m.at.Add(-f.c.rule.Within)
	if cl, ok := e.acts.Cleaning(f.c.watch.Unit); ok && f.upsetBy(f.c.watch.Unit) {
		// Whoever cleans turns the flow down and up again: that is no change of
		// the water, neither while it lasts nor when looked back on.
		quiet := cl.QuietUntil()
		switch {
		case !now.Before(cl.Start.At) && now.Before(quiet):
			return unknown
		case !now.Before(quiet) && quiet.After(since):
			since = quiet
		}
	}
	f.from, f.to, f.judged = m, m, true
	worst := 0.0
	if low, ok := f.lowest.best(since); ok && m.v-low.v > worst && f.c.rule.Direction != lang.Falling {
		f.from, worst = low, m.v-low.v
	}
	if high, ok := f.highest.best(since); ok && high.v-m.v > worst && f.c.rule.Direction != lang.Rising {
		f.from, worst = high, high.v-m.v
	}
	return f.c.floor(-worst, -f.c.rule.Change)
}

func (f *fastChange) took(r *reading.Reading) {
	for i := range f.before {
		if f.before[i].at.After(r.At) {
			f.before[i].at = r.At // the clock was set back
		}
	}
	if m, ok := f.middle(r); ok {
		f.lowest.push(m, f.c.rule.Within)
		f.highest.push(m, f.c.rule.Within)
	}
	if len(f.before) == 2 {
		f.before = append(f.before[:0], f.before[1])
	}
	f.before = append(f.before, stamped{r.At, r.Value})
}

func (f *fastChange) words(e *Engine, _ time.Time, active bool) (trouble, detail string) {
	q := f.c.probe.def.Quantity
	u := e.site.ShowUnit(q)
	trouble = fmt.Sprintf("%s: %s changing fast", measure.Capital(f.c.watch.Unit), q)
	switch {
	case !active:
		return trouble, "no longer changing fast: " + u.Format(f.c.probe.last.Value)
	case !f.judged:
		return trouble, u.Format(f.c.probe.last.Value) + ", how it was before is not known"
	}
	way := "rose"
	if f.to.v < f.from.v {
		way = "fell"
	}
	return trouble, fmt.Sprintf("%s %s in %s, from %s to %s, limit %s in %s", way, u.FormatDelta(math.Abs(f.to.v-f.from.v)), measure.FormatDuration(f.to.at.Sub(f.from.at)),
		u.Format(f.from.v), u.Format(f.to.v), u.FormatDelta(f.c.rule.Change), measure.FormatDuration(f.c.rule.Within))
}

// upsetBy: cleaning changes the flow of its unit.
func (f *fastChange) upsetBy(unit string) bool {
	return unit == f.c.watch.Unit && f.c.probe.def.Quantity == reading.Flow
}

// memory: the oldest value looked at rests on readings as much older again.
func (f *fastChange) memory() time.Duration { return 2 * f.c.rule.Within }

func (f *fastChange) shift(by time.Duration) {
	if f.c.probe.last.Flags.Has(reading.DeviceTimed) {
		return // its readings stand at their own time
	}
	for i := range f.before {
		f.before[i].at = f.before[i].at.Add(by)
	}
	f.lowest.shift(by)
	f.highest.shift(by)
	f.from.at, f.to.at = f.from.at.Add(by), f.to.at.Add(by)
}

// extremes keeps what may yet be the lowest (sign +1) or highest (-1) value of a
// time that moves on: values that are beaten by a later one are dropped, so that
// what is left gets worse with time. Of values closer together than the slot the
// worse ones are dropped too, so that a fast probe takes no more room.
type extremes struct {
	sign float64
	slot time.Duration
	kept []stamped // oldest and best first, from index gone on
	gone int
}

// push takes a value and drops what is older than length.
func (x *extremes) push(s stamped, length time.Duration) {
	for i := len(x.kept) - 1; i >= x.gone && x.kept[i].at.After(s.at); i-- {
		x.kept[i].at = s.at // the clock was set back
	}
	for x.gone < len(x.kept) && s.at.Sub(x.kept[x.gone].at) > length {
		x.gone++
	}
	for len(x.kept) > x.gone && x.sign*x.kept[len(x.kept)-1].v >= x.sign*s.v {
		x.kept = x.kept[:len(x.kept)-1]
	}
	if len(x.kept) > x.gone && s.at.Sub(x.kept[len(x.kept)-1].at) < x.slot {
		return
	}
	if x.gone > 0 && (x.gone == len(x.kept) || len(x.kept) == cap(x.kept)) {
		x.kept = slices.Delete(x.kept, 0, x.gone)
		x.gone = 0
	}
	x.kept = append(x.kept, s)
}

// best is the best value not older than since.
func (x *extremes) best(since time.Time) (stamped, bool) {
	kept := x.kept[x.gone:]
	i, _ := slices.BinarySearchFunc(kept, since, func(s stamped, t time.Time) int { return cmp.Compare(s.at.Sub(t), 0) })
	if i == len(kept) {
		return stamped{}, false
	}
	return kept[i], true
}

func (x *extremes) shift(by time.Duration) {
	for i := range x.kept {
		x.kept[i].at = x.kept[i].at.Add(by)
	}
}
