package rules

import (
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
)

// A probe is suspect while an alarm says that it is stuck, jumping, in the air or
// reads what cannot be, and while the on-delay of such an alarm runs. What its
// value is then good for:
//
//   - Nothing else goes by it: to other checks, to oxygen conversion, stock and
//     the oxygen clock it is as if it were silent (see fresh). Only if no other
//     temperature was ever heard does oxygen still go by it, for a few degC make
//     a few percent of oxygen and blindness kills.
//   - It ends no alarm: an alarm on the probe's own water stands until a value
//     that is believed says that the water is right.
//   - It still raises low flow and low oxygen, whatever is said of the probe. A
//     probe in a trough that ran dry is stuck, or in the air, because of the very
//     trouble that must be told.
//   - Other alarms on its own water are not raised by it, but only while an
//     alarm for the probe stands that asks for at least as much as they would
//     and that nothing hides:
//     so a suspicion takes away nobody's call-out. A stack whose water stands
//     takes on the warmth of the room as a probe in the air does.
//   - Thermal units have a gap there, from when the fault began and not from
//     when it was found out; see doubts.
//   - Silence is judged as always.

// probeFault reports whether alarms of a kind make their probe suspect.
func probeFault(k alarm.Kind) bool {
	switch k {
	case alarm.StuckProbe, alarm.JumpingProbe, alarm.ImpossibleValue, alarm.ProbeInAir:
		return true
	default:
		return false
	}
}

// ProbeFaults lists the kinds of alarm that make their probe suspect.
func ProbeFaults() []alarm.Kind {
	return []alarm.Kind{alarm.StuckProbe, alarm.JumpingProbe, alarm.ImpossibleValue, alarm.ProbeInAir}
}

// suspecter is the detector of a kind that makes its probe suspect.
type suspecter interface {
	// why says in a few words what is wrong with the probe.
	why(e *Engine, now time.Time) string
}

// beginner is a detector that knows better than its on-delay when the trouble
// that it now calls bad began.
type beginner interface {
	began() time.Time
}

// suspicion is the check that makes the probe suspect, nil for none.
func (p *probe) suspicion() *check {
	for _, f := range p.faults {
		if f.state.Active() || (f.judged == bad && !f.unsure && !f.badSince.IsZero()) {
			return f
		}
	}
	return nil
}

// believed is fresh to a check that a keeper put together: a suspicion hides its
// value only if it asks for at least as much as the check would.
func (p *probe) believed(now time.Time, priority alarm.Priority) bool {
	f := p.suspicion()
	return p.heardLately(now) && (f == nil || f.rule.Priority < priority || f.state.Active() && f.hid != "")
}

// why says what is wrong with the probe of a fault check.
func (c *check) why(e *Engine, now time.Time) string {
	if s, ok := c.det.(suspecter); ok {
		return s.why(e, now)
	}
	return ""
}

// doubted is what is left of a verdict on a suspect probe's own water.
func (c *check) doubted(v verdict) verdict {
	if c.off || c.probe == nil || len(c.probe.faults) == 0 || probeFault(c.rule.Kind) || c.rule.Kind == alarm.SilentProbe || c.rule.Kind == alarm.Condition {
		return v
	}
	active, enough := false, false
	for _, f := range c.probe.faults {
		if f.state.Active() {
			active = true
			enough = enough || f.hid == "" && f.rule.Priority >= c.rule.Priority
		}
	}
	switch {
	case !active:
		return v
	case c.state.Active() && v != bad:
		return unknown
	case c.rule.Kind == alarm.LowFlow || c.rule.Kind == alarm.LowOxygen || !enough:
		return v
	}
	return unknown
}

// doubtWords says which probe that the check goes by is suspect, "" for none.
func (c *check) doubtWords(e *Engine, now time.Time) string {
	if c.probe == nil || probeFault(c.rule.Kind) || c.rule.Kind == alarm.SilentProbe || c.rule.Kind == alarm.Condition {
		return "" // a condition says it of each of its probes
	}
	var s strings.Builder
	for i, p := range []*probe{c.probe, c.other, c.spare} {
		if p == nil || (i > 0 && p == c.probe) || (i == 2 && p == c.other) {
			continue
		}
		f := p.suspicion()
		if f == nil {
			continue
		}
		name := "its probe"
		if p != c.probe {
			name = p.def.Quantity.String() + " probe of the " + p.def.At
		}
		s.WriteString("; " + name + " is suspect: " + f.why(e, now))
	}
	return s.String()
}

// doubt is a time in which a probe's readings do not count for thermal units:
// from and to inclusive, to zero while it lasts.
type doubt struct {
	alarm    alarm.Key
	from, to time.Time
}

// inDoubt reports whether a reading lies in a time when its probe was suspect.
func (e *Engine) inDoubt(r *reading.Reading) bool {
	for _, d := range e.doubts[r.Probe] {
		if !r.At.Before(d.from) && (d.to.IsZero() || !r.At.After(d.to)) {
			return true
		}
	}
	return false
}

// doubting notes a fault alarm's move: what was counted of the probe's readings
// since the fault began is to be counted again from the record without them.
func (e *Engine) doubting(t *alarm.Transition) {
	p := e.probe(t.Probe)
	if !probeFault(t.Kind) || p == nil || p.def.Quantity != reading.Temperature || t.From.Active() == t.To.Active() {
		return
	}
	e.doubt(t)
	for _, c := range p.main {
		c.behind = true
	}
	for _, c := range p.standIn {
		c.behind = true
	}
	e.recounted()
}

func (e *Engine) doubt(t *alarm.Transition) {
	d := doubt{alarm: t.Key, from: t.Since}
	if !t.To.Active() {
		d.to = t.At
	}
	all := e.doubts[t.Probe]
	if i := slices.IndexFunc(all, func(o doubt) bool { return o.alarm == d.alarm && o.to.IsZero() }); i >= 0 {
		all[i] = d
		return
	}
	e.doubts[t.Probe] = append(all, d)
}

// rememberDoubts takes the doubts of the past from the journal.
func (e *Engine) rememberDoubts(past Past) {
	clear(e.doubts)
	for _, journal := range [][]alarm.Transition{past.Faults, past.Standing} {
		for i := range journal {
			t := &journal[i]
			// What stands stands in both.
			known := slices.ContainsFunc(e.doubts[t.Probe], func(d doubt) bool { return d.alarm == t.Key && d.to.IsZero() })
			if probeFault(t.Kind) && (t.To.Active() || t.From.Active()) && (!known || !t.To.Active()) {
				e.doubt(t)
			}
		}
	}
}

// standFaults sets the alarms for probes that stood before the readings of the
// past begin, so that these are judged as they were: what began before them
// cannot be found out from them.
func (e *Engine) standFaults(past Past, first time.Time) {
	for _, c := range e.checks {
		if !probeFault(c.rule.Kind) {
			continue
		}
		if i := slices.IndexFunc(past.Standing, func(t alarm.Transition) bool { return t.Key == c.key() }); i >= 0 {
			if t := &past.Standing[i]; t.To.Active() && !t.Since.After(first) {
				c.state, c.since, c.movedAt, c.badSince, c.hid = t.To, t.Since, t.At, t.Since, t.Hidden
			}
		}
	}
}

// CountedSince is the beginning of the oldest span that is counted, zero for
// none: from when the journal of ProbeFaults is wanted by Rebuild.
func (e *Engine) CountedSince() time.Time {
	var first time.Time
	for span := range e.counters {
		if first.IsZero() || span.From.Before(first) {
			first = span.From
		}
	}
	return first
}

// probeTrouble words what a fault alarm is about, unit first.
func (c *check) probeTrouble(what string) string {
	return c.placed(c.probe.def.Quantity.String() + " probe " + what)
}

// springOrMate is the probe whose water a temperature probe's is compared with:
// the spring's, or for the spring's own its stand-in; nil for none.
func (e *Engine) springOrMate(p *probe) *probe {
	sp, ok := e.site.SpringProbe(reading.Temperature)
	switch {
	case !ok:
		return nil
	case sp.ID != p.def.ID:
		return e.probe(sp.ID)
	}
	return e.probe(p.def.StandIn)
}

// ownTemperature is the temperature probe at a unit, nil for none.
func (e *Engine) ownTemperature(unit string) *probe {
	if tp, ok := e.site.ProbeAt(unit, reading.Temperature); ok {
		return e.probe(tp.ID)
	}
	return nil
}
