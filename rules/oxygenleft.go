package rules

import (
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/oxyclock"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
	"weirkeeper/rules/stock"
)

// UnitClock is the oxygen clock of one unit.
type UnitClock struct {
	Unit string
	oxyclock.Reading
}

// OxygenClock reads the oxygen clock of a unit as its water is now; ok is false
// for a unit without fish in the book. It is read afresh each time.
func (e *Engine) OxygenClock(unit string, now time.Time) (_ UnitClock, ok bool) {
	return e.oxygenClock(unit, now, false)
}

// oxygenClock, with stopped, reads it as if the flow were nought from now on.
func (e *Engine) oxygenClock(unit string, now time.Time, stopped bool) (_ UnitClock, ok bool) {
	u, ok := e.site.Unit(unit)
	if !ok {
		return UnitClock{}, false
	}
	var fish []stock.Fish
	var assumed []string
	for _, l := range e.book.Lots() {
		for i := range l.Holdings {
			h := &l.Holdings[i]
			if h.Unit != unit {
				continue
			}
			f := e.fish(l, h)
			if f.MeanWeightG == 0 && !f.Eggs && (l.Stage == lot.Hatch || l.Stage == lot.SwimUp) && l.FedAt.IsZero() {
				f.MeanWeightG = e.profile(l.Species).FryWeight()
				assumed = append(assumed, "lot "+l.ID+" was not weighed: "+measure.Gram.Format(float64(f.MeanWeightG))+" each")
			}
			fish = append(fish, f)
		}
	}
	if len(fish) == 0 {
		return UnitClock{}, false
	}
	w := oxyclock.Water{VolumeL: u.VolumeL, UsualLPM: u.DesignFlowLPM}
	have := e.water(u, now)
	w.TempC, w.HaveTemp, w.InflowMgL = have.TempC, have.HaveTemp, have.InflowMgL
	if _, ok := e.newest(now)(e.site.ProbeAt(unit, reading.Flow)); ok {
		w.FlowLPM, w.HaveFlow = have.FlowLPM, true
	}
	if stopped {
		w.FlowLPM, w.HaveFlow = 0, true
	}
	here := func(q reading.Quantity) (*site.Probe, bool) { return e.site.ProbeAt(unit, q) }
	w.NowMgL, w.HaveNow = e.oxygen(now, here, w.TempC, w.HaveTemp)
	c := UnitClock{Unit: unit, Reading: oxyclock.Of(fish, w)}
	c.Assumed = append(c.Assumed, assumed...)
	return c, true
}

// left words the time left for an alarm of low flow or low oxygen, "" where it
// does not apply. At the spring and the head box it is that of the unit where
// oxygen would run short first if the water stopped.
func (e *Engine) left(c *check, now time.Time) string {
	if c.rule.Kind != alarm.LowFlow && c.rule.Kind != alarm.LowOxygen && (c.common == nil || c.effect == ofTemperature) {
		return ""
	}
	u, ok := e.site.Unit(c.watch.Unit)
	if !ok {
		return ""
	}
	if u.Kind == site.Spring || u.Kind == site.HeadBox {
		return e.firstToRunShort(now)
	}
	r, ok := e.OxygenClock(u.Name, now)
	switch {
	case !ok:
		return ""
	case r.Holds() && c.rule.Kind == alarm.LowOxygen:
		// The water is worse than the book explains.
		return "time left not known: the fish in the book do not explain the low oxygen"
	}
	return r.String()
}

// firstToRunShort words where oxygen would run short first without any flow, and
// which stocked units are not known.
func (e *Engine) firstToRunShort(now time.Time) string {
	var first *UnitClock
	var unknown []string
	for i := range e.site.Units {
		c, ok := e.oxygenClock(e.site.Units[i].Name, now, true)
		switch {
		case !ok:
		case !c.Known():
			if len(c.Missing) != 1 || c.Missing[0] != oxyclock.WhatEggsUse {
				unknown = append(unknown, c.Unit)
			}
		case first == nil || c.Low < first.Low:
			first = &c
		}
	}
	var s string
	switch {
	case first != nil && first.Holds():
		s = "if the water stops, " + first.Unit + " first: oxygen for a day or more"
	case first != nil:
		s = "if the water stops, " + first.Unit + " first: " + first.String()
	case len(unknown) > 0:
		return "if the water stops: time left not known for " + strings.Join(unknown, ", ")
	default:
		return ""
	}
	if len(unknown) > 0 {
		s += "; not known for " + strings.Join(unknown, ", ")
	}
	return s
}
