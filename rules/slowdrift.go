package rules

import (
	"fmt"
	"math"
	"slices"
	"time"

	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/trend"
)

// slowDrift judges slow_drift: the trend of a probe over days.
//
// Method. Readings become minute means, those the median of each hour, those the
// median of each day; days are counted back from the end of the newest hour that
// is over, so that the daily swing drops out and the newest water counts. A day
// counts with at least dayHours of its hours, at the mean time of those; a trend
// with at least Course.MinDays. Through
// the days goes the Theil-Sen slope with the 95 % bounds from Kendall's variance
// (package trend). It is trouble when the bound on the near side, not the slope
// itself, is beyond the change allowed: when even the smallest slope the days
// admit is too steep. It is right again when the slope itself is below it by the
// deadband. Weather that lasts for days makes the bounds narrower than they should
// be; the change allowed must be more than such weather makes.
//
// It is worked out once an hour: 91 slopes for 14 days, 1770 for 60.
type slowDrift struct {
	atReadings
	c     *check
	hours []hourMedian // that are over, oldest first, of the time looked at
	open  openHour
	phase time.Duration // of the hours, since the clock stepped
	stale bool          // an hour is over since the verdict was worked out
	last  verdict
	slope trend.Slope // an hour
	days  int

	est       trend.Estimator
	x, y, day []float64
}

type hourMedian struct {
	start time.Time
	v     float64
}

// openHour gathers the minutes of the hour that is not over.
type openHour struct {
	start time.Time // zero: none
	sum   [60]float64
	n     [60]int
}

// dayHours is how many hours of a day must be known, or the daily swing would
// not drop out (common practice, no source).
const dayHours = 18

func newSlowDrift(_ *Engine, c *check) detector { return &slowDrift{c: c} }

func (d *slowDrift) lookback() time.Duration { return d.c.rule.Over + 2*time.Hour }

func (d *slowDrift) forget() { d.hours, d.open, d.days, d.stale = d.hours[:0], openHour{}, 0, false }

func (d *slowDrift) took(r *reading.Reading) {
	start := r.At.Add(-d.phase).Truncate(time.Hour).Add(d.phase)
	o := &d.open
	switch {
	case o.start.IsZero():
		o.start = start
	case start.Before(o.start):
		d.move(start.Sub(o.start)) // the clock was set back
	case start.After(o.start):
		d.close()
		o.start = start
	}
	minute := min(max(int(r.At.Sub(o.start)/time.Minute), 0), 59)
	o.sum[minute] += r.Value
	o.n[minute]++
}

func (d *slowDrift) close() {
	var means [60]float64
	n := 0
	for i, k := range d.open.n {
		if k > 0 {
			means[n] = d.open.sum[i] / float64(k)
			n++
		}
	}
	d.hours = append(d.hours, hourMedian{d.open.start, median(means[:n])})
	oldest := d.open.start.Add(time.Hour - d.c.rule.Over)
	k := 0
	for d.hours[k].start.Before(oldest) {
		k++
	}
	d.hours = slices.Delete(d.hours, 0, k)
	d.open, d.stale = openHour{}, true
}

// median sorts the values, of which there is at least one.
func median(v []float64) float64 {
	slices.Sort(v)
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

func (d *slowDrift) look(*Engine, time.Time) verdict {
	if d.stale {
		d.stale, d.last = false, d.judge()
	}
	if d.days == 0 {
		return unknown
	}
	return d.last
}

func (d *slowDrift) judge() verdict {
	const day = 24 * time.Hour
	d.x, d.y = d.x[:0], d.y[:0]
	end := d.hours[len(d.hours)-1].start.Add(time.Hour)
	i := len(d.hours) - 1
	for k := range int(d.c.rule.Over / day) {
		from := end.Add(-time.Duration(k+1) * day)
		d.day = d.day[:0]
		sum := 0.0
		for ; i >= 0 && !d.hours[i].start.Before(from); i-- {
			d.day = append(d.day, d.hours[i].v)
			sum += d.hours[i].start.Sub(end).Hours()
		}
		if n := len(d.day); n >= dayHours {
			d.x, d.y = append(d.x, sum/float64(n)), append(d.y, median(d.day))
		}
	}
	if d.days = len(d.x); d.days < d.c.rule.MinDays() {
		d.days = 0
		return unknown
	}
	d.slope, _ = d.est.Slope(d.x, d.y, trend.Z95)
	rising, falling := d.c.rule.Direction != lang.Falling, d.c.rule.Direction != lang.Rising
	bound, middle := math.Inf(-1), math.Inf(-1)
	if rising {
		bound, middle = max(bound, d.slope.Low), max(middle, d.slope.Median)
	}
	if falling {
		bound, middle = max(bound, -d.slope.High), max(middle, -d.slope.Median)
	}
	per := d.c.rule.Per.Hours()
	switch {
	case bound*per > d.c.rule.Change:
		return bad
	case middle*per > d.c.rule.Change-d.c.rule.Deadband:
		return between
	}
	return good
}

func (d *slowDrift) words(e *Engine, _ time.Time, active bool) (trouble, detail string) {
	q, r := d.c.probe.def.Quantity, d.c.rule
	u := e.site.ShowUnit(q)
	trouble = fmt.Sprintf("%s: %s drifting slowly", measure.Capital(d.c.watch.Unit), q)
	detail = u.Format(d.c.probe.last.Value)
	if d.days == 0 {
		return trouble, detail + ", too few of the last days are known to tell its trend"
	}
	hours := r.Per.Hours()
	way, s := "rising", d.slope
	if s.Median < 0 {
		way, s = "falling", trend.Slope{Median: -s.Median, Low: -s.High, High: -s.Low}
	}
	per := measure.FormatDuration(r.Per)
	if !active {
		return trouble, fmt.Sprintf("%s, %s %s in %s by the last %d days, limit %s", detail, way, u.FormatDelta(s.Median*hours), per, d.days, u.FormatDelta(r.Change))
	}
	return trouble, fmt.Sprintf("%s, %s %s in %s, at least %s, by the last %d days; limit %s in %s", detail, way, u.FormatDelta(s.Median*hours), per, u.FormatDelta(s.Low*hours), d.days, u.FormatDelta(r.Change), per)
}

func (d *slowDrift) shift(by time.Duration) {
	if d.c.probe.last.Flags.Has(reading.DeviceTimed) {
		return // its readings stand at their own time
	}
	d.move(by)
	d.phase = (d.phase + by) % time.Hour
}

func (d *slowDrift) move(by time.Duration) {
	if !d.open.start.IsZero() {
		d.open.start = d.open.start.Add(by)
	}
	for i := range d.hours {
		d.hours[i].start = d.hours[i].start.Add(by)
	}
}
