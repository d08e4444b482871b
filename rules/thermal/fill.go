package thermal

import (
	"math"
	"time"
)

// What filled gaps leave open: half-widths, degC. Each is common practice
// without a source; they are set wide.
const (
	// leastStandInC is the least that a stand-in is taken to stray from its
	// learned difference.
	leastStandInC = 0.1
	// defaultStandInC is what two waters of a site differ by as long as their
	// difference is not learned.
	defaultStandInC = 0.5
	// handC is the error of a reading by hand thermometer.
	handC = 0.5
	// defaultHandC is the least the water strays from the line between two
	// readings by hand a day apart.
	defaultHandC = 0.5
	// defaultUnsupportedC is the least the water strays from a line that
	// nothing supports.
	defaultUnsupportedC = 1.0
)

// gap is a long gap from one time to another. a and b are the own readings at its
// ends; without the left one nothing was read before, without the right one it
// is open.
type gap struct {
	a, b        point
	left, right bool
	from, to    int64
}

// filler works out the course of one gap.
type filler struct {
	*course
	in      *Integrator
	standIn []point // inside the gap
	hand    []point // inside the gap
	shift   []point // what the stand-in's temperature is shifted by, lines between
	// half-widths by kind, degC
	standInC, byHandC, unsupportedC float64
}

// fill adds the course of a long gap.
func (in *Integrator) fill(g gap, c *course) {
	f := filler{course: c, in: in, standIn: inside(in.standIn[in.head:], g), hand: inside(in.hand, g)}
	f.judge(g)
	short := in.gapMin
	left, hasLeft, at := g.a, g.left, g.from
	for i, s := range f.standIn {
		next := f.shifted(s.at, s.t)
		switch {
		case i > 0 && s.at-at <= short:
			f.follow(f.standIn[i-1], s)
		case i == 0 && hasLeft && s.at-at <= short:
			f.follow(point{at, s.t}, s)
		case !hasLeft:
			first := max(at, s.at-short)
			f.without(point{}, f.shifted(first, s.t), false, true, at, first)
			f.follow(point{first, s.t}, s)
		default:
			f.without(left, next, true, true, at, s.at)
		}
		left, hasLeft, at = next, true, s.at
	}
	if n := len(f.standIn); n > 0 && g.to-at <= short {
		f.follow(f.standIn[n-1], point{g.to, f.standIn[n-1].t})
		return
	}
	f.without(left, g.b, hasLeft, g.right, at, g.to)
}

// inside is the part of points before the end of the gap; there are none from
// before its beginning.
func inside(points []point, g gap) []point {
	for len(points) > 0 && points[len(points)-1].at >= g.to {
		points = points[:len(points)-1]
	}
	return points
}

// judge works out the shift and the half-widths.
func (f *filler) judge(g gap) {
	in := f.in
	var offset, stray, swing float64
	learned := false
	if g.left {
		offset, stray, learned = learn(&in.own, &in.other, g.a.at)
		swing = in.own.swing(g.a.at)
	}
	if learned {
		f.shift = append(f.shift, point{g.from, offset})
	}
	byHand := false
	for _, h := range f.hand {
		if t, ok := f.standInAt(h.at, g); ok {
			f.shift = append(f.shift, point{h.at, h.t - t})
			byHand = true
		}
	}
	if learned && g.right {
		f.shift = append(f.shift, point{g.to, offset})
	}
	accuracy := float64(in.o.AccuracyC)
	f.standInC, stray = accuracy, max(stray, leastStandInC)
	if !learned {
		f.standInC, stray = accuracy+float64(in.o.StandInAccuracyC), defaultStandInC
	}
	if byHand {
		f.standInC = max(accuracy, handC)
	}
	f.standInC += stray
	f.byHandC = handC + max(defaultHandC, swing)
	f.unsupportedC = accuracy + max(defaultUnsupportedC, swing)
}

// standInAt is the stand-in's own temperature at a time in the gap where it
// covers it.
func (f *filler) standInAt(at int64, g gap) (t float64, ok bool) {
	s := f.standIn
	i := 0
	for i < len(s) && s[i].at < at {
		i++
	}
	short := f.in.gapMin
	switch {
	case len(s) == 0:
		return 0, false
	case i == 0: // before the first: it holds to the beginning if that is near
		since := at
		if g.left {
			since = g.from
		}
		return s[0].t, s[0].at-since <= short
	case i == len(s):
		return s[i-1].t, g.to-s[i-1].at <= short
	default:
		return on(s[i-1], s[i], at).t, s[i].at-s[i-1].at <= short
	}
}

// shifted is the temperature that a stand-in's one stands for.
func (f *filler) shifted(at int64, t float64) point {
	s := f.shift
	switch {
	case len(s) == 0:
	case at <= s[0].at:
		t += s[0].t
	case at >= s[len(s)-1].at:
		t += s[len(s)-1].t
	default:
		i := 1
		for s[i].at < at {
			i++
		}
		t += on(s[i-1], s[i], at).t
	}
	return point{at, t}
}

// follow adds the line between two stand-in readings, shifted.
func (f *filler) follow(a, b point) {
	from := f.shifted(a.at, a.t)
	for _, s := range f.shift {
		if s.at > a.at && s.at < b.at {
			to := f.shifted(s.at, on(a, b, s.at).t)
			f.line(standIn, f.standInC, from, to)
			from = to
		}
	}
	f.line(standIn, f.standInC, from, f.shifted(b.at, b.t))
}

// without adds the time from one moment to another in which the stand-in has
// nothing: lines from l over the hand readings to r, where there are l and r.
func (f *filler) without(l, r point, hasL, hasR bool, from, to int64) {
	reach := int64(HandReach)
	byL := false // l is by hand
	for _, h := range f.hand {
		switch {
		case h.at <= from || h.at >= to:
			continue
		case !hasL:
			near := max(from, h.at-reach)
			f.line(unsupported, f.unsupportedC, point{from, h.t}, point{near, h.t})
			f.line(byHand, f.byHandC, point{near, h.t}, h)
		default:
			f.between(l, h, h.at-l.at <= reach)
		}
		l, hasL, byL = h, true, true
	}
	switch {
	case !hasL:
		l = point{from, r.t}
	case !hasR:
		r = point{to, l.t}
	}
	f.between(l, r, byL && r.at-l.at <= reach)
}

func (f *filler) between(a, b point, hand bool) {
	if hand {
		f.line(byHand, f.byHandC, a, b)
	} else {
		f.line(unsupported, f.unsupportedC, a, b)
	}
}

const (
	// learnHours is how far back the difference to the stand-in is learned.
	learnHours = 7 * 24
	// leastHours is how many hours of both it takes (common practice, no
	// source).
	leastHours = 12
)

// hours are hourly means of the last week. One slot more than learnHours: the
// running hour must not push out the first.
type hours struct {
	slots [learnHours + 1]struct {
		hour int64 // since 1970, plus 1; 0 is an empty slot
		n    int64
		sum  float64
	}
	slot int   // that of the newest reading
	end  int64 // where its hour ends
}

const hour = int64(time.Hour)

// add takes a reading not older than the one before.
func (h *hours) add(p point) {
	if p.at >= h.end {
		k := p.at / hour
		h.slot, h.end = int(k%int64(len(h.slots))), (k+1)*hour
		if s := &h.slots[h.slot]; s.hour != k+1 {
			s.hour, s.n, s.sum = k+1, 0, 0
		}
	}
	s := &h.slots[h.slot]
	s.n++
	s.sum += p.t
}

// mean is the mean of an hour since 1970.
func (h *hours) mean(k int64) (t float64, ok bool) {
	s := &h.slots[k%int64(len(h.slots))]
	if s.hour != k+1 || s.n == 0 {
		return 0, false
	}
	return s.sum / float64(s.n), true
}

// learn is the mean difference of the own probe from the stand-in over the whole
// hours of the last week before a time, and its standard deviation; ok is false
// with too few hours in common.
func learn(own, other *hours, before int64) (offset, stray float64, ok bool) {
	now := before / hour
	var m moments
	for k := max(0, now-learnHours); k < now; k++ {
		a, okA := own.mean(k)
		b, okB := other.mean(k)
		if okA && okB {
			m.add(a - b)
		}
	}
	if m.n < leastHours {
		return 0, 0, false
	}
	return m.mean, m.deviation(), true
}

// swing is how far the water strays from its mean over the last week before a
// time: the amplitude of a sine with the standard deviation of the hourly means;
// 0 with too few hours.
func (h *hours) swing(before int64) float64 {
	now := before / hour
	var m moments
	for k := max(0, now-learnHours); k < now; k++ {
		if t, ok := h.mean(k); ok {
			m.add(t)
		}
	}
	if m.n < leastHours {
		return 0
	}
	return math.Sqrt2 * m.deviation()
}

// moments are a running mean and sum of squares about it (Welford 1962, from
// memory).
type moments struct {
	n, mean, squares float64
}

func (m *moments) add(x float64) {
	m.n++
	d := x - m.mean
	m.mean += d / m.n
	m.squares += d * (x - m.mean)
}

func (m *moments) deviation() float64 { return math.Sqrt(m.squares / m.n) }
