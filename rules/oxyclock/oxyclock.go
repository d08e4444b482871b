// Package oxyclock owns the oxygen clock: how long it takes until the oxygen of
// a stocked unit falls to the critical level, as a range, with its assumptions,
// or what is missing to say it. It is an estimate to hurry by, never a promise:
// half of the fish may be in distress long before.
//
// The unit is taken as one well-mixed volume V (L) through which Q (L/min) runs
// that brings Cin (mg/L), and the fish as taking M (mg/min) whatever is left:
//
//	V dC/dt = Q (Cin - C) - M
//
// so that C goes from C0 towards Cin - M/Q as exp(-t Q/V), and without flow
// falls in a straight line by M/V a minute (mass balance of a stirred tank, a
// textbook result). Nothing is counted on from the air above. It errs on the
// short side where fish crowd and where the water level falls with the flow
// only if the volume stated is the one that is left.
//
// The package does no I/O.
package oxyclock

import (
	"fmt"
	"math"
	"strings"
	"time"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/stock"
)

// Critical is the oxygen at which the clock is read: the 1-day minimum for
// trout and salmon past their early life stages of the US cold-water criteria
// (EPA 1986, from memory). It is no setpoint.
const Critical measure.OxygenMgL = 4

// Demand above and below the one worked out for fish at routine. Disturbed or
// lately fed fish use about twice as much (common practice, no source), which
// makes the lower bound; stock.DemandSpread makes the upper.
const excited = 2

// WhatEggsUse is what is Missing for a unit that holds eggs alone.
const WhatEggsUse = "what eggs use"

// Longest is the longest time that is given in figures.
const Longest = 24 * time.Hour

// Water is what the clock goes by, besides the fish.
type Water struct {
	VolumeL measure.VolumeL // 0: not stated
	FlowLPM measure.FlowLPM // now
	// HaveFlow is false when the flow is not known now.
	HaveFlow bool
	TempC    measure.TempC
	HaveTemp bool
	// NowMgL is the oxygen in the unit now; HaveNow false when no probe says.
	NowMgL  measure.OxygenMgL
	HaveNow bool
	// InflowMgL is the oxygen that comes in, 0 when not known; without flow it
	// is needed only where NowMgL is not known.
	InflowMgL measure.OxygenMgL
	// UsualLPM is the flow before the trouble, for the oxygen there was where no
	// probe says it; 0 when not known.
	UsualLPM measure.FlowLPM
}

// Reading is what the clock says.
type Reading struct {
	// Low and High bound the time left; High is Longest or more when it may
	// not fall to Critical at all. Both 0: it is there already.
	Low, High time.Duration
	// Assumed says what was taken for granted, in words.
	Assumed []string
	// Missing names the inputs without which there is no number; then Low and
	// High mean nothing.
	Missing []string
}

// Known reports whether there is a number.
func (r Reading) Known() bool { return len(r.Missing) == 0 }

// Holds reports whether the oxygen is not expected to fall to Critical within
// Longest even at the worst.
func (r Reading) Holds() bool { return r.Known() && r.Low >= Longest }

// Of reads the clock. Fish that are eggs count for nothing and make Missing: what
// eggs use is not known here.
// Worked value: 12 kg of 20 g trout in 1,100 L at 8.4 degC and 9.5 mg/L without
// flow use about 220 mg/kg/h, 44 mg/min: 5.5 mg/L last about 138 min at routine,
// so 69 to 172 min.
func Of(fish []stock.Fish, w Water) Reading {
	var r Reading
	miss := func(missing bool, what string) {
		if missing {
			r.Missing = append(r.Missing, what)
		}
	}
	var mgMin float64
	eggs, swimming := false, false
	for _, f := range fish {
		switch {
		case f.Number <= 0:
		case f.Eggs:
			eggs = true
		case !(f.MeanWeightG > 0):
			swimming = true
			miss(true, "the mean weight of lot "+f.Lot)
		case w.HaveTemp:
			swimming = true
			rate, err := stock.OxygenDemandMgKgH(w.TempC, f.MeanWeightG, f.Salmon)
			if err != nil {
				miss(true, "the demand ("+err.Error()+")")
			}
			mgMin += rate * float64(f.Number) * float64(f.MeanWeightG) / 1000 / 60
		default:
			swimming = true
		}
	}
	if eggs && !swimming {
		r.Missing = []string{WhatEggsUse}
		return r
	}
	if !swimming {
		r.Missing = []string{"fish in the book of lots"}
		return r
	}
	if eggs {
		r.Assumed = append(r.Assumed, "the eggs there are not counted")
	}
	miss(!(w.VolumeL > 0), "the water volume")
	miss(!w.HaveTemp, "the water temperature")
	miss(!w.HaveFlow, "the flow now")
	now := float64(w.NowMgL)
	needInflow := !w.HaveNow || (w.HaveFlow && w.FlowLPM > 0)
	miss(needInflow && !(w.InflowMgL > 0), "the oxygen of the inflow")
	miss(!w.HaveNow && !(w.UsualLPM > 0), "the oxygen in it, or the flow there was before")
	if len(r.Missing) > 0 {
		return r
	}
	time := func(demand float64) time.Duration {
		c := now
		if !w.HaveNow {
			c = max(0, float64(w.InflowMgL)-demand/float64(w.UsualLPM))
		}
		return fall(c, demand, float64(w.InflowMgL), float64(w.FlowLPM), float64(w.VolumeL))
	}
	if !w.HaveNow {
		r.Assumed = append(r.Assumed, "no probe says the oxygen there: taken as it was at the usual flow")
	}
	r.Low, r.High = time(mgMin*excited), time(mgMin*(1-stock.DemandSpread))
	return r
}

// fall is the time until the oxygen c (mg/L) is Critical at a demand (mg/min).
func fall(c, demand, inflow, flow, volume float64) time.Duration {
	crit := float64(Critical)
	if c <= crit {
		return 0
	}
	var minutes float64
	if flow <= 0 {
		minutes = (c - crit) * volume / demand
	} else {
		end := inflow - demand/flow
		if end >= crit {
			return Longest
		}
		minutes = volume / flow * math.Log((c-end)/(crit-end))
	}
	return time.Duration(min(minutes, Longest.Minutes()) * float64(time.Minute))
}

// String words the reading for an alarm and a text message: "oxygen for 25 to 60
// min at most", with round figures, the lower one rounded down.
func (r Reading) String() string {
	switch {
	case !r.Known():
		return "time left not known: " + strings.Join(r.Missing, ", ") + " missing"
	case r.Holds():
		return "oxygen holds at this flow, as far as is known"
	case r.High <= 0:
		return "oxygen is at the critical level now"
	}
	low, high := round(r.Low, math.Floor), round(r.High, math.Ceil)
	switch {
	case low == 0:
		return "oxygen is critical now or within " + words(high)
	case r.High >= Longest:
		return "oxygen for " + words(low) + " or more"
	case low == high:
		return "oxygen for about " + words(low)
	}
	return fmt.Sprintf("oxygen for about %s to %s", strings.TrimSuffix(words(low), unitOf(low, high)), words(high))
}

// unitOf is the unit both have in common, with its space; "" when they differ.
func unitOf(a, b time.Duration) string {
	if (a < 2*time.Hour) == (b < 2*time.Hour) {
		if a < 2*time.Hour {
			return " min"
		}
		return " h"
	}
	return ""
}

// round rounds to a minute below 20, 5 minutes below 2 h, else half an hour.
func round(d time.Duration, how func(float64) float64) time.Duration {
	step := 30 * time.Minute
	switch {
	case d < 20*time.Minute:
		step = time.Minute
	case d < 2*time.Hour:
		step = 5 * time.Minute
	}
	return max(time.Duration(how(float64(d)/float64(step)))*step, 0)
}

func words(d time.Duration) string {
	if d < 2*time.Hour {
		return fmt.Sprintf("%d min", int(d.Minutes()))
	}
	return fmt.Sprintf("%g h", d.Hours())
}
