package rules

import (
	"math"
	"time"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/water"
)

// airTemperature finds a temperature probe that hangs in the air.
//
// Its water is the spring's, for the spring's own probe that of its stand-in, and
// without either its own median of a day. While it is within half the rule's
// departure of its water it is at home. It is called in the air when it is
// farther away than the departure and has either
//
//   - left fast: no more than half an hour after it was at home, by its own move
//     and not by the other's. The water of a unit takes longer to follow the room
//     even when it stands; or
//   - followed the day: within a day of being at home, over at least six hours,
//     it has both risen and fallen by 1 degC while its water stayed within half
//     of that.
//
// It is well again when it is back at home. All figures are common practice, no
// source. Limits: air as warm as the water looks like water; a probe that was in
// the air when the record began was never at home and is not found; shallow
// water that stands in a draught may look like air, so that the words say both
// and temperature_from_spring, not this, is the rule that guards the fish.
type airTemperature struct {
	c   *check
	ref *probe // nil: its own median
	win *medianWindow

	homeAt         time.Time // newest at home; zero: none within airDay
	homeV, homeRef float64
	awayAt         time.Time // first since then that was not
	low, high      float64   // since then
	refLow, refHi  float64
	rose, fell     bool
	out            bool // found out in this absence
}

const (
	airFast   = 30 * time.Minute
	airSlow   = 6 * time.Hour
	airDay    = 24 * time.Hour
	airSwingC = 1.0
)

func newInAir(e *Engine, c *check) detector {
	if c.probe.def.Quantity != reading.Temperature {
		return &airOxygen{c: c, temp: e.ownTemperature(c.watch.Unit)}
	}
	a := &airTemperature{c: c, ref: e.springOrMate(c.probe)}
	if a.ref == nil {
		a.win = newMedianWindow(airDay)
		c.probe.windows = append(c.probe.windows, a.win)
	}
	return a
}

// water is the temperature it should have.
func (a *airTemperature) water(now time.Time) (float64, bool) {
	if a.ref == nil {
		return a.win.median()
	}
	return a.ref.last.Value, a.ref.fresh(now)
}

func (a *airTemperature) look(_ *Engine, now time.Time) verdict {
	ref, ok := a.water(now)
	if !ok {
		return unknown
	}
	v, limit := a.c.probe.last.Value, float64(a.c.rule.Departure)
	switch d := math.Abs(v - ref); {
	case d <= limit/2:
		return good
	case d <= limit:
		return between
	case a.c.state.Active() || a.out:
		return bad
	case a.homeAt.IsZero():
		return unknown
	}
	fast := now.Sub(a.homeAt) <= airFast && math.Abs(v-a.homeV) > limit && math.Abs(ref-a.homeRef) < limit/4
	daily := a.rose && a.fell && now.Sub(a.awayAt) >= airSlow && a.refHi-a.refLow <= airSwingC/2
	if a.out = fast || daily; a.out {
		return bad
	}
	return good
}

func (a *airTemperature) took(r *reading.Reading) {
	now := a.c.probe.lastAt
	ref, ok := a.water(now)
	if !ok {
		return
	}
	v := r.Value
	if math.Abs(v-ref) <= float64(a.c.rule.Departure)/2 {
		a.homeAt, a.homeV, a.homeRef, a.awayAt, a.out = now, v, ref, time.Time{}, false
		return
	}
	if now.Sub(a.homeAt) > airDay {
		a.homeAt = time.Time{}
	}
	if a.awayAt.IsZero() {
		a.awayAt, a.low, a.high, a.refLow, a.refHi, a.rose, a.fell = now, v, v, ref, ref, false, false
		return
	}
	a.rose = a.rose || v-a.low >= airSwingC
	a.fell = a.fell || a.high-v >= airSwingC
	a.low, a.high = min(a.low, v), max(a.high, v)
	a.refLow, a.refHi = min(a.refLow, ref), max(a.refHi, ref)
}

// began is when it was first seen away.
func (a *airTemperature) began() time.Time {
	if a.awayAt.IsZero() {
		return a.c.badSince
	}
	return a.awayAt
}

func (a *airTemperature) why(*Engine, time.Time) string { return "it may be in the air" }

func (a *airTemperature) words(e *Engine, now time.Time, active bool) (trouble, detail string) {
	trouble = a.c.probeTrouble("may be in the air")
	v := a.c.probe.last.Value
	if !active {
		return trouble, "back in its water: " + e.show(reading.Temperature, v)
	}
	ref, ok := a.water(now)
	if !ok {
		return trouble, e.show(reading.Temperature, v)
	}
	what := "its own median of a day"
	if a.ref != nil {
		what = "the " + a.ref.def.At
	}
	return trouble, a.c.apart(e, ref, what) + "; or its water stands"
}

// memory reaches back to when it was at home, and further for the median.
func (a *airTemperature) memory() time.Duration {
	m := airDay + a.c.probe.silent
	if a.win != nil {
		m += airDay
	}
	return m
}

// next: only readings change what it judges.
func (a *airTemperature) next(*Engine, time.Time) time.Time { return time.Time{} }

func (a *airTemperature) shift(by time.Duration) {
	for _, t := range []*time.Time{&a.homeAt, &a.awayAt} {
		if !t.IsZero() {
			*t = t.Add(by)
		}
	}
}

// airOxygen finds an oxygen probe that hangs in the air, where it reads 100 % of
// air saturation.
//
// It is at home while it reads farther from 100 % than twice the rule's margin.
// It is called in the air when it comes to within the margin, no more than half
// an hour after it was at home, and the temperature probe of the same unit has
// moved by at least 1 degC since (half an hour at most): water that is aerated
// comes to 100 % without such a jump. It is well again when it is at home.
// Limits: without a temperature probe of its own, or with one that stayed in the
// water, it is not found; nor in water that is nearly full of oxygen anyway. It
// never hides low oxygen.
type airOxygen struct {
	c    *check
	temp *probe

	homeAt       time.Time
	older, newer warmth // at home, ten minutes apart
	out          bool
}

// warmth is the temperature at a time.
type warmth struct {
	at time.Time
	v  float64
}

const airApart = 10 * time.Minute

// share is how far it reads from air saturation, in percent of it.
func (a *airOxygen) share(e *Engine, now time.Time) (float64, bool) {
	v := a.c.probe.last.Value
	if a.temp == nil || !a.temp.heardLately(now) {
		return 0, false
	}
	if a.c.probe.def.Quantity == reading.Oxygen {
		s, err := water.PercentSaturation(measure.OxygenMgL(v), measure.TempC(a.temp.last.Value), e.site.PressureHPa)
		if err != nil {
			return 0, false
		}
		v = float64(s)
	}
	return math.Abs(v - 100), true
}

func (a *airOxygen) look(e *Engine, now time.Time) verdict {
	d, ok := a.share(e, now)
	if !ok {
		return unknown
	}
	margin := float64(a.c.rule.Margin)
	switch {
	case d > 2*margin:
		a.home(now)
		return good
	case d > margin:
		return between
	case a.c.state.Active() || a.out:
		return bad
	}
	jumped := func(w warmth) bool {
		return !w.at.IsZero() && now.Sub(w.at) <= airFast+airApart && math.Abs(a.temp.last.Value-w.v) >= airSwingC
	}
	if a.out = !a.homeAt.IsZero() && now.Sub(a.homeAt) <= airFast && (jumped(a.older) || jumped(a.newer)); a.out {
		return bad
	}
	return good
}

func (a *airOxygen) home(now time.Time) {
	a.homeAt, a.out = now, false
	if now.Sub(a.newer.at) >= airApart {
		a.older, a.newer = a.newer, warmth{now, a.temp.last.Value}
	}
}

func (a *airOxygen) began() time.Time {
	if a.homeAt.IsZero() {
		return a.c.badSince
	}
	return a.homeAt
}

func (a *airOxygen) why(*Engine, time.Time) string { return "it may be in the air" }

func (a *airOxygen) words(e *Engine, now time.Time, active bool) (trouble, detail string) {
	q := a.c.probe.def.Quantity
	trouble = a.c.probeTrouble("may be in the air")
	v := e.show(q, a.c.probe.last.Value)
	if !active {
		return trouble, "back in its water: " + v
	}
	return trouble, v + ", as much as air has, since the temperature jumped"
}

func (a *airOxygen) memory() time.Duration { return 2*airFast + a.c.probe.silent }

// next: only readings change what it judges.
func (a *airOxygen) next(*Engine, time.Time) time.Time { return time.Time{} }

func (a *airOxygen) shift(by time.Duration) {
	for _, t := range []*time.Time{&a.homeAt, &a.older.at, &a.newer.at} {
		if !t.IsZero() {
			*t = t.Add(by)
		}
	}
}
