package lang

import (
	"fmt"
	"slices"
	"time"

	"weirkeeper/rules/hclread"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
)

// Starting values of the rules on probes themselves: common practice, no source.
const (
	stuckTemperature  = 12 * time.Hour // longer than a coarse probe rests in spring water
	stuckOther        = 2 * time.Hour
	longestStuck      = 72 * time.Hour
	leastRepeats      = 10
	defaultJumpWithin = 2 * time.Minute // and at least two intervals
	defaultJumps      = 5               // somebody at a valve makes two or four
	defaultImpossible = 5 * time.Minute
	defaultAirC       = measure.TempC(3)
	leastAirC         = measure.TempC(1)
	defaultAirMargin  = measure.Percent(3)
	defaultAirDelay   = 10 * time.Minute
)

// stuck reads a rule on probes that say the same number again and again:
//
//	stuck_probe "all" { longer_than = "12 h" ... }
func (p *parser) stuck(b *hclread.Block, r *Rule) bool {
	r.OnDelay, r.OffDelay = 0, 10*time.Minute
	longer, given := b.Duration("longer_than")
	if b.Has("longer_than") && !given {
		return false
	}
	if given && longer > longestStuck {
		b.Fault(b.Rng("longer_than"), "Too patient", fmt.Sprintf("A probe that stands still for more than %s is looked for no longer. Write at most that; the probe's own habit is waited for anyway.", measure.FormatDuration(longestStuck)))
		return false
	}
	for i := range r.Watches {
		w := &r.Watches[i]
		pr, _ := p.site.Probe(w.Probe)
		least := leastRepeats * pr.Every
		switch {
		case given:
			w.After = longer
		case pr.Quantity == reading.Temperature:
			w.After = max(stuckTemperature, least)
		default:
			w.After = max(stuckOther, least)
		}
		if w.After < least || w.After > longestStuck {
			at := b.DefRange()
			if given {
				at = b.Rng("longer_than")
			}
			b.Fault(at, "Too impatient", fmt.Sprintf("Probe %q is expected every %s, and ten readings that are the same prove little. Wait at least %s, or cover it by another rule.", pr.ID, measure.FormatDuration(pr.Every), measure.FormatDuration(least)))
			return false
		}
	}
	return true
}

// jumping reads a rule on probes that go back and forth faster than water can:
//
//	jumping_probe "temperature" { change = "2 degC"  within = "2 min"  times = 5 ... }
//
// It covers the probes of the quantity that change is an amount of. For flow,
// share_of_design_flow = "40%" stands for a change that fits each unit.
func (p *parser) jumping(b *hclread.Block, r *Rule) bool {
	r.OnDelay, r.OffDelay, r.Times = 0, 10*time.Minute, defaultJumps
	b.Has("change")
	b.Has("within")
	byShare := b.Has("share_of_design_flow")
	if n, given := b.Int("times", 3, 20); given {
		r.Times = n
	} else if b.Has("times") {
		return false
	}
	within, given := b.Duration("within")
	if b.Has("within") && !given {
		return false
	}
	attr, dim := "change", measure.Flow
	share, change := 0.0, 0.0
	switch {
	case byShare && b.Has("change"):
		b.Fault(b.Rng("share_of_design_flow"), "Two changes", "Write either change or share_of_design_flow, and delete the other.")
		return false
	case byShare:
		attr = "share_of_design_flow"
		var ok bool
		if share, ok = p.share(b, attr, 0, 100, "40%"); !ok {
			return false
		}
	case !b.Need("change", `"2 degC"`):
		return false
	default:
		a, ok := b.Amount("change", measure.Temperature, measure.Flow, measure.Oxygen, measure.Saturation)
		if !ok {
			return false
		}
		if change = a.BaseDelta(); change <= 0 {
			b.Fault(b.Rng("change"), "Change too small", `Every probe jumps by that much. Write more than water can change in that time, such as "2 degC".`)
			return false
		}
		dim = a.Unit.Dimension()
	}
	if len(r.Watches) == 0 {
		return true // said already
	}
	r.Watches = slices.DeleteFunc(r.Watches, func(w Watch) bool {
		pr, _ := p.site.Probe(w.Probe)
		return pr.Quantity.Dimension() != dim
	})
	if len(r.Watches) == 0 {
		b.Fault(b.Rng(attr), "Nothing to watch", fmt.Sprintf("%s is about %s, and no unit covered has a probe of that. Write a change of what is measured there, or cover other units.", attr, dim))
		return false
	}
	for i := range r.Watches {
		w := &r.Watches[i]
		u, _ := p.site.Unit(w.Unit)
		if w.Setpoint = change; !byShare {
			continue
		}
		if u.DesignFlowLPM == 0 {
			b.Fault(b.Rng(attr), "Design flow not known", fmt.Sprintf("Unit %q has no design_flow in the site file. Add it there, or cover the unit by a rule with a change.", u.Name))
			return false
		}
		w.Setpoint = share * float64(u.DesignFlowLPM)
	}
	for i := range r.Watches {
		w := &r.Watches[i]
		pr, _ := p.site.Probe(w.Probe)
		if w.After = within; !given {
			w.After = max(defaultJumpWithin, 2*pr.Every)
		}
		if w.After < pr.Every {
			b.Fault(b.Rng("within"), "Too short", fmt.Sprintf("Probe %q is expected every %s, so that no two of its readings are that near. Write within = %q or more.", pr.ID, measure.FormatDuration(pr.Every), measure.FormatDuration(2*pr.Every)))
			return false
		}
	}
	return true
}

// impossible reads a rule on probes that read outside their plausible range:
//
//	impossible_value "all" { on_delay = "5 min" ... }
func (p *parser) impossible(_ *hclread.Block, r *Rule) bool {
	r.OnDelay, r.OffDelay = defaultImpossible, 0
	return true
}

// inAir reads a rule on probes that hang in the air:
//
//	probe_in_air "all" { departure = "3 degC"  margin = "3% saturation" ... }
func (p *parser) inAir(b *hclread.Block, r *Rule) bool {
	r.OnDelay, r.OffDelay, r.Departure, r.Margin = defaultAirDelay, 30*time.Minute, defaultAirC, defaultAirMargin
	ok := true
	if b.Has("departure") {
		a, good := b.Amount("departure", measure.Temperature)
		if ok = good; good {
			r.Departure = measure.TempC(a.BaseDelta())
			if r.Departure < leastAirC {
				b.Fault(b.Rng("departure"), "Departure too small", fmt.Sprintf("Water moves by that much itself. Write at least %q.", p.site.Show.Temperature.FormatDelta(float64(leastAirC))))
				ok = false
			}
		}
	}
	if b.Has("margin") {
		a, good := b.Amount("margin", measure.Saturation)
		if ok = ok && good; good {
			if r.Margin = measure.Percent(a.Base()); r.Margin <= 0 || r.Margin > 10 {
				b.Fault(b.Rng("margin"), "Number out of sense", `margin is how far from 100 % of air saturation a probe in the air may read. Write it above 0 and up to "10% saturation".`)
				ok = false
			}
		}
	}
	r.Watches = slices.DeleteFunc(r.Watches, func(w Watch) bool {
		pr, _ := p.site.Probe(w.Probe)
		_, own := p.site.ProbeAt(w.Unit, reading.Temperature)
		if pr.Quantity != reading.Temperature && !own {
			b.Warn(b.DefRange(), "Not judged", fmt.Sprintf("Probe %q would be found in the air by a jump of the temperature, and nothing measures that at %s. Add a temperature probe there, or leave the unit out.", pr.ID, w.Unit))
			return true
		}
		return false
	})
	return ok
}
