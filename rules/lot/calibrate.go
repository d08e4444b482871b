package lot

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/measure"
)

// Observation is a stage that was seen in one of the site's lots.
type Observation struct {
	Lot, Strain string
	Stage       Stage
	// Units is what the lot had gathered from fertilisation when the stage
	// was written down as seen, and PlusMinus how well that is known.
	Units, PlusMinus measure.DegreeDays
	// Day is what it gathered in the day before. Eggs are looked at once a
	// day (common practice, no source), so the stage came somewhere within
	// it, and half of it is taken off. 0: seen as it happened.
	Day measure.DegreeDays
	// Progress is that of the species' model by then; 0: no model.
	Progress float64
	At       time.Time
}

// units is what the lot is taken to have needed.
func (o Observation) units() float64 { return float64(o.Units - o.Day/2) }

// progress is Progress as far as units.
func (o Observation) progress() float64 { return o.Progress * o.units() / float64(o.Units) }

// Calibration is what the site's own lots say of a stage.
type Calibration struct {
	Stage Stage
	// Need is the range in which nine of ten lots to come are expected; its
	// Source says how many lots stand behind it.
	Need Need
	// Middle is the site's requirement, and Low to High the interval that
	// holds it in 95 of 100 cases. Before there are three lots they are a
	// guess like the published range.
	Middle, Low, High measure.DegreeDays
	// Lots is how many lots stand behind it; Odd names those set aside.
	Lots int
	Odd  []string
	// Factor is the progress of the model when the stage was seen, 1 being
	// as published; 0 when it is not known of every lot.
	Factor float64
}

// Assumptions of Calibrate (no source): lots of one site differ by a standard
// deviation of 4 percent, and that is worth as much as three lots' worth of
// evidence. So two lots that happen to agree do not make a narrow range, and
// ten lots speak for themselves.
const (
	usualSpread = 0.04
	usualWeight = 3
)

// A lot is odd if it lies further from the median than oddBeyond times the
// spread that the median of the distances stands for (modified z-score of
// Iglewicz and Hoaglin 1993, from memory), where a spread below leastOdd of
// the median is taken as that much, or chance would make good lots odd.
const (
	oddBeyond = 3.5
	madToSD   = 1.4826
	leastOdd  = 0.03
)

// enoughLots is how many lots stand alone, without what was believed before.
const enoughLots = 3

// Normal quantiles for 95 in 100 and 90 in 100 within.
const (
	z95 = 1.959964
	z90 = 1.644854
)

// Calibrate works out a stage's requirement from the observations of it, prior
// being what is believed without them.
//
// Odd lots are set aside first, by their distance from the median, because one
// lot with a wrong date must not move the others' forecasts. From three lots on
// the rest stand alone: their mean, with Student's interval on their spread
// (usualSpread counted in), and the measuring uncertainty of the lots added to
// it whole, since a probe that reads high does so for every lot. One or two lots
// pull the prior half way to them, and the range holds both.
//
// Lots at 450, 460 and 470 degree-days: Middle 460, standard deviation
// sqrt((3*18.4^2 + 200)/5) = 15.59, known within 2.571*15.59/sqrt(3) = 23.1.
func Calibrate(s Stage, prior Need, obs []Observation) Calibration {
	c := Calibration{Stage: s, Need: prior, Middle: (prior.Low + prior.High) / 2, Low: prior.Low, High: prior.High}
	obs = slices.DeleteFunc(slices.Clone(obs), func(o Observation) bool { return o.Stage != s || !(o.units() > 0) })
	obs, c.Odd = setAside(obs)
	if len(obs) == 0 {
		return c
	}
	c.Lots = len(obs)
	n := float64(len(obs))
	var mean float64
	plusMinus := make([]float64, 0, len(obs))
	factors := make([]float64, 0, len(obs))
	for _, o := range obs {
		mean += o.units() / n
		plusMinus = append(plusMinus, float64(o.PlusMinus))
		if o.Progress > 0 {
			factors = append(factors, o.progress())
		}
	}
	squares := usualWeight * usualSpread * mean * usualSpread * mean
	for _, o := range obs {
		squares += (o.units() - mean) * (o.units() - mean)
	}
	freedom := usualWeight + n - 1
	sd := math.Sqrt(squares / freedom)
	known := student(z95, freedom)*sd/math.Sqrt(n) + median(plusMinus)
	next := max(known, student(z90, freedom)*sd*math.Sqrt(1+1/n))
	if len(factors) == len(obs) {
		c.Factor = median(factors)
	}

	middle := measure.DegreeDays(mean)
	interval := func(half float64) (low, high measure.DegreeDays) {
		return max(0, middle-measure.DegreeDays(half)), middle + measure.DegreeDays(half)
	}
	low, high := interval(known)
	c.Need.Low, c.Need.High = interval(next)
	if c.Lots >= enoughLots || !prior.Known() {
		c.Middle, c.Low, c.High = middle, low, high
		c.Need.Source = c.words()
		return c
	}
	shift := (middle - c.Middle) / 2
	c.Middle += shift
	c.Low, c.High = min(prior.Low+shift, low), max(prior.High+shift, high)
	c.Need.Low, c.Need.High = min(prior.Low+shift, c.Need.Low), max(prior.High+shift, c.Need.High)
	c.Need.Source = "half way to " + c.words() + " from: " + prior.Source
	if c.Factor > 0 {
		c.Factor = (1 + c.Factor) / 2
	}
	return c
}

// words says how many lots stand behind it.
func (c Calibration) words() string {
	s := fmt.Sprintf("%d of this site's lots", c.Lots)
	if c.Lots == 1 {
		s = "one of this site's lots"
	}
	if len(c.Odd) > 0 {
		s += " (set aside as odd: " + strings.Join(c.Odd, ", ") + ")"
	}
	return s
}

// setAside parts the odd lots from the others; below three none is odd.
func setAside(obs []Observation) (kept []Observation, odd []string) {
	if len(obs) < enoughLots {
		return obs, nil
	}
	units := make([]float64, len(obs))
	for i, o := range obs {
		units[i] = o.units()
	}
	mid := median(units)
	off := make([]float64, len(obs))
	for i, o := range obs {
		off[i] = math.Abs(o.units() - mid)
	}
	limit := oddBeyond * max(madToSD*median(off), leastOdd*mid)
	for _, o := range obs {
		if math.Abs(o.units()-mid) > limit {
			odd = append(odd, o.Lot)
		} else {
			kept = append(kept, o)
		}
	}
	return kept, odd
}

// median sorts v, which has at least one value.
func median(v []float64) float64 {
	slices.Sort(v)
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

// student is the quantile of Student's t with that many degrees of freedom, 3
// at least, where z is the normal one: the expansion of Abramowitz and Stegun
// 26.7.5 (from memory), within 1 percent.
func student(z, freedom float64) float64 {
	z2 := z * z
	return z * (1 +
		(z2+1)/(4*freedom) +
		((5*z2+16)*z2+3)/(96*freedom*freedom) +
		(((3*z2+19)*z2+17)*z2-15)/(384*freedom*freedom*freedom))
}
