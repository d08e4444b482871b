package rules

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/cond"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
)

// condition judges what the keeper put together himself. It has several probes,
// and is judged when any of them has a current reading. While it is unknown
// nothing changes: what is silent neither raises an alarm nor ends one.
type condition struct {
	check       *check
	when, until cond.Judge // until may be nil
	shown       []cond.Shown
	silences    []func() time.Time // when each probe asked for falls silent: time alone can bring that about
	back        time.Duration
	uses        []*probe
	water       bool // some of it is read in the water, not of contacts and silences alone
	oxygen      bool
	at          time.Time // of the newest look
	without     []unflowing
}

// unflowing is a condition as it is without the flow and the contacts of one
// unit, which cleaning upsets.
type unflowing struct {
	unit string
	when cond.Judge
}

// addCondition makes the check of a condition and lets its probes know of it.
func (e *Engine) addCondition(c *check) {
	d := &condition{check: c}
	env := conditionEnv{e, d, ""}
	d.when, d.shown = cond.Compile(c.watch.Condition.When, env)
	if c.watch.Condition.Until != nil {
		d.until, _ = cond.Compile(c.watch.Condition.Until, env)
	}
	c.det = d
	for _, id := range c.watch.Condition.Uses {
		p := e.probe(id)
		p.checks = append(p.checks, c)
		d.uses = append(d.uses, p)
		// The slowest is the one to wait for at ticks.
		// A contact that says nothing says that nothing has changed.
		if c.probe == nil || c.probe.def.Quantity == reading.Contact ||
			(p.def.Every > c.probe.def.Every && p.def.Quantity != reading.Contact) {
			c.probe = p
		}
		d.back = max(d.back, p.silent)
	}
	d.sort(env)
	e.checks = append(e.checks, c)
}

// sort notes what kinds of reading it goes by, and compiles it anew without those
// that the cleaning of a unit upsets.
func (d *condition) sort(env conditionEnv) {
	for _, n := range []*cond.Node{d.check.watch.Condition.When, d.check.watch.Condition.Until} {
		n.Each(func(n *cond.Node) {
			if n.Probe == "" || n.Op == cond.Silent {
				return
			}
			p := env.probe(n.Probe).def
			switch p.Quantity {
			case reading.Oxygen, reading.Saturation:
				d.water, d.oxygen = true, true
			case reading.Flow, reading.Temperature:
				d.water = true
			default:
			}
			upset := p.At != "" && (p.Quantity == reading.Flow || p.Quantity == reading.Contact)
			if upset && !slices.ContainsFunc(d.without, func(w unflowing) bool { return w.unit == p.At }) {
				env.blind = p.At
				when, _ := cond.Compile(d.check.watch.Condition.When, env)
				d.without = append(d.without, unflowing{p.At, when})
			}
		})
	}
}

// upsetBy reports whether the cleaning of a unit may be all that is wrong: without
// what cleaning upsets there the trouble cannot be said to be there. One that goes
// by oxygen is never taken so, for that kills during cleaning too.
func (d *condition) upsetBy(unit string) bool {
	i := slices.IndexFunc(d.without, func(w unflowing) bool { return w.unit == unit })
	return i >= 0 && !d.oxygen && d.without[i].when(d.at) != cond.Yes
}

// conditionEnv is the engine as a condition sees it.
type conditionEnv struct {
	*Engine
	of    *condition
	blind string // the unit whose flow and contacts are taken as not known
}

// blinded reports whether a probe is taken as not known.
func (v conditionEnv) blinded(p *probe) bool {
	return v.blind != "" && p.def.At == v.blind && (p.def.Quantity == reading.Flow || p.def.Quantity == reading.Contact)
}

func notKnown(time.Time) (float64, bool) { return 0, false }

func (v conditionEnv) Newest(id reading.ProbeID) func(time.Time) (float64, bool) {
	p := v.probe(id)
	if v.blinded(p) {
		return notKnown
	}
	return func(now time.Time) (float64, bool) { return p.last.Value, p.believed(now, v.of.check.rule.Priority) }
}

func (v conditionEnv) Contact(id reading.ProbeID) func(time.Time) (float64, bool) {
	p := v.probe(id)
	if v.blinded(p) {
		return notKnown
	}
	return func(time.Time) (float64, bool) { return p.last.Value, p.heard }
}

// Silent counts from the start of the daemon, before which nothing could be heard.
func (v conditionEnv) Silent(id reading.ProbeID) func(time.Time) bool {
	p := v.probe(id)
	falls := func() time.Time {
		since := v.started
		if p.heard && p.lastAt.After(since) {
			since = p.lastAt
		}
		return since.Add(p.silent + 1)
	}
	if v.blind == "" {
		v.of.silences = append(v.of.silences, falls)
	}
	return func(now time.Time) bool { return !now.Before(falls()) }
}

// Window is one of the probe's, shared by all conditions that look as far back.
func (v conditionEnv) Window(id reading.ProbeID, over time.Duration) *cond.Window {
	v.of.back = max(v.of.back, over+2*max(over/cond.Slots, time.Second))
	p := v.probe(id)
	for _, w := range p.recent {
		if w.Over() == over {
			return w
		}
	}
	w := cond.NewWindow(over)
	p.recent = append(p.recent, w)
	return w
}

func (v conditionEnv) Pressure() measure.PressureHPa { return v.site.PressureHPa }

func (d *condition) look(_ *Engine, now time.Time) verdict {
	d.at = now
	v := d.verdict(now)
	if v != bad && d.check.state.Active() && slices.ContainsFunc(d.uses, func(p *probe) bool { return p.suspicion() != nil }) {
		return unknown // no suspect probe ends an alarm
	}
	return v
}

func (d *condition) verdict(now time.Time) verdict {
	switch d.when(now) {
	case cond.Yes:
		return bad
	case cond.Unknown:
		return unknown
	case cond.No:
	}
	if d.until == nil {
		return good
	}
	switch d.until(now) {
	case cond.Yes:
		return good
	case cond.No:
		return between
	case cond.Unknown:
	}
	return unknown
}

// next is when the next probe that it asks the silence of falls silent.
func (d *condition) next(_ *Engine, now time.Time) time.Time {
	var at time.Time
	for _, falls := range d.silences {
		if t := falls(); t.After(now) && (at.IsZero() || t.Before(at)) {
			at = t
		}
	}
	return at
}

// unsureFor is how long a condition may have been unknown before a restart so that
// what it was before is still known after it (common practice, no source).
const unsureFor = time.Hour

func (d *condition) memory() time.Duration { return d.back + unsureFor }

// shift moves what is its own; the windows are the probes'.
func (d *condition) shift(by time.Duration) { d.at = d.at.Add(by) }

// words says what it means, or its name, and every value it goes by; while it
// stands also what they are compared with.
func (d *condition) words(e *Engine, now time.Time, active bool) (trouble, detail string) {
	c := d.check
	trouble = c.rule.Says
	if trouble == "" {
		trouble = c.rule.Name
	}
	if unit := c.watch.Unit; !strings.HasPrefix(strings.ToLower(trouble), strings.ToLower(unit)) {
		trouble = unit + ": " + trouble
	}
	var b strings.Builder
	for i := range d.shown {
		if i > 0 {
			b.WriteString("; ")
		}
		d.value(&b, e, now, &d.shown[i], active)
	}
	for _, p := range d.uses {
		f := p.suspicion()
		if f == nil {
			continue
		}
		b.WriteString("; " + p.def.Quantity.String() + " probe")
		if p.def.At != c.watch.Unit && p.def.At != "" {
			b.WriteString(" of the " + p.def.At)
		}
		b.WriteString(" is suspect: " + f.why(e, now))
	}
	return measure.Capital(trouble), b.String()
}

func (d *condition) value(b *strings.Builder, e *Engine, now time.Time, s *cond.Shown, active bool) {
	b.WriteString(s.Name)
	b.WriteByte(' ')
	switch {
	case s.Votes != nil:
		yes, known, all, need := s.Votes(now)
		fmt.Fprintf(b, "%d of %d, needed %d", yes, all, need)
		if known < all {
			fmt.Fprintf(b, ", %d not known", all-known)
		}
		return
	case s.Silence != nil:
		if s.Silence(now) {
			b.WriteString("silent")
		} else {
			b.WriteString("heard")
		}
		return
	}
	v, ok := s.Value(now)
	if !ok {
		b.WriteString("not known")
		return
	}
	show := e.format(s)
	text := show(v)
	if !active || len(s.Limits) == 0 {
		b.WriteString(text)
		return
	}
	limits := make([]string, len(s.Limits))
	for i, l := range s.Limits {
		limits[i] = show(l)
		if v != l && limits[i] == text {
			if text = "just under " + text; v > l {
				text = "just over " + limits[i]
			}
		}
	}
	word := ", limit "
	if len(limits) > 1 {
		word = ", limits "
	}
	b.WriteString(text + word + strings.Join(limits, " and "))
}

// format is how a value of a condition is shown.
func (e *Engine) format(s *cond.Shown) func(float64) string {
	show := e.site.Show
	switch s.Type {
	case cond.Temperature:
		return show.Temperature.Format
	case cond.Difference:
		return show.Temperature.FormatDelta
	case cond.Flow:
		return show.Flow.Format
	case cond.Oxygen:
		return show.Oxygen.Format
	case cond.Saturation:
		return measure.PercentSat.Format
	case cond.Volume:
		return measure.Litre.Format
	case cond.Contact:
		return reading.ContactWord
	default:
		return func(v float64) string {
			text := strconv.FormatFloat(v, 'f', 1, 64)
			if s.Rate {
				text += " an hour"
			}
			return text
		}
	}
}

// overdue judges at a tick what time alone brings about: that a probe is silent.
func (c *check) overdue(e *Engine, now time.Time) bool {
	d, ok := c.det.(*condition)
	return ok && len(d.silences) > 0 && !c.state.Active() && d.look(e, now) == bad
}

// wordsUnknown reports whether a rule's words say themselves which values are not
// known.
func wordsUnknown(r *lang.Rule) bool { return r.Kind == alarm.Condition }

// holds reports whether what a check goes by stays so until it says otherwise, as
// contacts do: then a tick need not wait for another reading.
func (c *check) holds() bool {
	return c.rule.Kind == alarm.Contact || (c.rule.Kind == alarm.Condition && c.probe.def.Quantity == reading.Contact)
}
