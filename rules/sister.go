package rules

import (
	"fmt"
	"math"
	"slices"
	"time"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
)

// fromSister judges from_sister: how far the value lies from a named sister
// unit's, or from the median of all other units covered, itself left out so that
// it does not pull the median its own way.
type fromSister struct {
	atReadings
	c         *check
	others    []*probe // of the other units; empty with a named sister
	values    []float64
	reference float64 // of the newest judgement
	of        int     // how many units it is from; 0: none yet
}

// minSisters is how many others must be heard for their median to mean anything.
const minSisters = 2

func newFromSister(e *Engine, c *check) detector {
	f := &fromSister{c: c}
	if c.rule.Sister != "" {
		c.other = e.probe(c.rule.Sister)
		return f
	}
	for _, id := range c.rule.Others {
		if p := e.probe(id); p != nil && p.def.At != c.watch.Unit {
			f.others = append(f.others, p)
		}
	}
	f.values = make([]float64, 0, len(f.others))
	return f
}

func (f *fromSister) look(_ *Engine, now time.Time) verdict {
	f.values = f.values[:0]
	for _, p := range f.others {
		if p.fresh(now) {
			f.values = append(f.values, p.last.Value)
		}
	}
	switch {
	case f.c.other != nil && f.c.other.fresh(now):
		f.reference, f.of = f.c.other.last.Value, 1
	case f.c.other == nil && len(f.values) >= minSisters:
		f.reference, f.of = median(f.values), len(f.values)
	default:
		return unknown
	}
	return f.c.floor(-math.Abs(f.c.probe.last.Value-f.reference), -f.c.rule.Change)
}

func (f *fromSister) words(e *Engine, _ time.Time, _ bool) (trouble, detail string) {
	q := f.c.probe.def.Quantity
	u, v := e.site.ShowUnit(q), f.c.probe.last.Value
	trouble = fmt.Sprintf("%s: %s unlike the other units", measure.Capital(f.c.watch.Unit), q)
	if f.c.other != nil {
		trouble = fmt.Sprintf("%s: %s away from %s", measure.Capital(f.c.watch.Unit), q, f.c.other.def.At)
	}
	if f.of == 0 {
		return trouble, u.Format(v) + ", the others are not heard"
	}
	what := fmt.Sprintf("the median of %d others", f.of)
	if f.c.other != nil {
		what = f.c.other.def.At
	}
	side := "above"
	if v < f.reference {
		side = "below"
	}
	return trouble, fmt.Sprintf("%s, %s %s %s (%s), limit %s", u.Format(v), u.FormatDelta(math.Abs(v-f.reference)), side, what, u.Format(f.reference), u.FormatDelta(f.c.rule.Change))
}

// upsetBy: cleaning changes the flow of its unit. The median bears one that is
// cleaned.
func (f *fromSister) upsetBy(unit string) bool {
	return f.c.probe.def.Quantity == reading.Flow && (unit == f.c.watch.Unit || f.c.other != nil && unit == f.c.other.def.At)
}

// memory is how long the others stay fresh.
func (f *fromSister) memory() time.Duration {
	var m time.Duration
	for _, p := range f.others {
		m = max(m, p.silent)
	}
	if f.c.other != nil {
		m = max(m, f.c.other.silent)
	}
	return m
}

// balance judges water_balance: the flow of a source against the sum of what it
// feeds, when all of them are known.
type balance struct {
	atReadings
	c            *check
	fed          []*probe
	source, rest float64 // of the newest judgement, L/min
	known        bool
}

func newBalance(e *Engine, c *check) detector {
	b := &balance{c: c}
	for _, id := range c.rule.Others {
		if p := e.probe(id); p != nil {
			b.fed = append(b.fed, p)
		}
	}
	return b
}

func (b *balance) look(_ *Engine, now time.Time) verdict {
	sum := 0.0
	for _, p := range b.fed {
		if !p.fresh(now) {
			return unknown
		}
		sum += p.last.Value
	}
	b.source, b.rest, b.known = b.c.probe.last.Value, sum, true
	lost, r := b.source-sum, b.c.rule
	switch {
	case lost > r.Loss*b.source || -lost > r.Gain*b.source:
		return bad
	case lost > (r.Loss-r.Deadband)*b.source || -lost > (r.Gain-r.Deadband)*b.source:
		return between
	}
	return good
}

func (b *balance) words(e *Engine, _ time.Time, active bool) (trouble, detail string) {
	u := e.site.Show.Flow
	trouble = measure.Capital(b.c.watch.Unit) + ": water does not add up"
	if !b.known {
		return trouble, "gives " + u.Format(b.c.probe.last.Value) + "; not all flows that it feeds are known"
	}
	gives := fmt.Sprintf("it gives %s, %s below it get %s", u.Format(b.source), measure.Count(len(b.fed), "unit"), u.Format(b.rest))
	if !active {
		return trouble, "adds up again: " + gives
	}
	missing, way, allowed := b.source-b.rest, "is lost on the way", b.c.rule.Loss
	if missing < 0 {
		missing, way, allowed = -missing, "too much", b.c.rule.Gain
	}
	share := ""
	if b.source > 0 {
		share = fmt.Sprintf(" (%.1f%%)", 100*missing/b.source)
	}
	return trouble, fmt.Sprintf("%s%s %s: %s; allowed %.4g%%", u.Format(missing), share, way, gives, 100*allowed)
}

// upsetBy: what a unit that is cleaned does not take runs elsewhere.
func (b *balance) upsetBy(unit string) bool {
	return unit == b.c.watch.Unit || slices.ContainsFunc(b.fed, func(p *probe) bool { return p.def.At == unit })
}

// memory is how long the flows stay fresh.
func (b *balance) memory() time.Duration {
	var m time.Duration
	for _, p := range b.fed {
		m = max(m, p.silent)
	}
	return m
}
