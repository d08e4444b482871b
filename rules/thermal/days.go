package thermal

import (
	"math"
	"slices"
	"sort"
	"time"

	"weirkeeper/rules/measure"
)

// At is what had been gathered at a time, beginning with start: the days before
// whole, and of the day itself the share of its time that was over, as if the
// water had been of one temperature all day: of water that swings like a sine
// within the day it is off by at most amplitude/pi degree-days. days is in order.
func At(start measure.DegreeDays, days []Day, at time.Time) Units {
	u := Units{DegreeDays: start}
	for _, d := range days {
		switch {
		case !at.After(d.Units.From):
			return u
		case at.Before(d.Units.To):
			return u.Add(d.Units.until(at))
		}
		u = u.Add(d.Units)
	}
	return u
}

// Until is the days up to a time, the day it falls into by its share. days is in
// order and not changed.
func Until(days []Day, at time.Time) []Day {
	i := sort.Search(len(days), func(i int) bool { return days[i].Units.To.After(at) })
	if i == len(days) || !days[i].Units.From.Before(at) {
		return days[:i]
	}
	d := days[i]
	d.Units = d.Units.until(at)
	return append(slices.Clip(days[:i]), d)
}

// until is the part of a day's units up to a time within it.
func (u Units) until(at time.Time) Units {
	share := float64(at.Sub(u.From)) / float64(u.To.Sub(u.From))
	part := u.scale(share)
	part.To = at
	return part
}

// scale is a share of u; the kinds of time still add up.
func (u Units) scale(share float64) Units {
	whole := time.Duration(math.Round(share * float64(u.covered())))
	u.DegreeDays *= measure.DegreeDays(share)
	u.PlusMinus *= measure.DegreeDays(share)
	kinds := u.kinds()
	for _, k := range kinds {
		*k = time.Duration(share * float64(*k))
	}
	rest := whole - u.covered()
	for _, k := range kinds {
		if *k > 0 {
			*k += rest // nanoseconds lost to rounding
			break
		}
	}
	return u
}

func (u *Units) kinds() [5]*time.Duration {
	return [...]*time.Duration{&u.Measured, &u.Bridged, &u.StandIn, &u.ByHand, &u.Unsupported}
}

// covered is all the time counted.
func (u Units) covered() time.Duration {
	return u.Measured + u.Bridged + u.StandIn + u.ByHand + u.Unsupported
}

// JoinDays is the table of two stays that follow each other. A day that both
// have is summed, and its mean weighted by the time covered. Both are in order.
func JoinDays(a, b []Day) []Day {
	out := make([]Day, 0, len(a)+len(b))
	for len(a) > 0 && len(b) > 0 {
		switch c := a[0].Date.Compare(b[0].Date); {
		case c < 0:
			out, a = append(out, a[0]), a[1:]
		case c > 0:
			out, b = append(out, b[0]), b[1:]
		default:
			out, a, b = append(out, a[0].join(b[0])), a[1:], b[1:]
		}
	}
	return append(append(out, a...), b...)
}

func (d Day) join(e Day) Day {
	if v, w := float64(d.Units.covered()), float64(e.Units.covered()); v+w > 0 {
		d.MeanC = measure.TempC((float64(d.MeanC)*v + float64(e.MeanC)*w) / (v + w))
	}
	d.Units = d.Units.Add(e.Units)
	return d
}

// MeanDays is the table of a lot that lies in several waters: by date the mean
// of its strands, weighted (by number of fish), of those that have that date; if
// none of these weighs anything, the plain mean. From and To are the earliest and
// latest; the kinds of time are means too. One weight to a table, none negative;
// each table is in order.
func MeanDays(tables [][]Day, weights []float64) []Day {
	rest := slices.Clone(tables)
	var out []Day
	for {
		var date time.Time
		for _, t := range rest {
			if len(t) > 0 && (date.IsZero() || t[0].Date.Before(date)) {
				date = t[0].Date
			}
		}
		if date.IsZero() {
			return out
		}
		var days []Day
		var w []float64
		for i, t := range rest {
			if len(t) > 0 && t[0].Date.Equal(date) {
				days, w, rest[i] = append(days, t[0]), append(w, weights[i]), t[1:]
			}
		}
		out = append(out, meanDay(days, w))
	}
}

func meanDay(days []Day, weights []float64) Day {
	var total float64
	for _, w := range weights {
		total += w
	}
	mean := Day{Date: days[0].Date}
	mean.Units.From, mean.Units.To = days[0].Units.From, days[0].Units.To
	var times [5]float64
	var heat, held float64
	for i, d := range days {
		share := 1 / float64(len(days))
		if total > 0 {
			share = weights[i] / total
		}
		u := d.Units
		if u.From.Before(mean.Units.From) {
			mean.Units.From = u.From
		}
		if u.To.After(mean.Units.To) {
			mean.Units.To = u.To
		}
		mean.Units.DegreeDays += measure.DegreeDays(share) * u.DegreeDays
		mean.Units.PlusMinus += measure.DegreeDays(share) * u.PlusMinus
		for k, t := range u.kinds() {
			times[k] += share * float64(*t)
		}
		heat += share * float64(u.covered()) * float64(d.MeanC)
		held += share * float64(u.covered())
	}
	for k, t := range mean.Units.kinds() {
		*t = time.Duration(times[k] + 0.5)
	}
	if held > 0 {
		mean.MeanC = measure.TempC(heat / held)
	}
	return mean
}
