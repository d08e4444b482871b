package thermal

import (
	"math"
	"slices"
	"time"

	"weirkeeper/rules/measure"
)

// point is a temperature at a time: nanoseconds since 1970, degC.
type point struct {
	at int64
	t  float64
}

// on is the line from a to b at a time; b is later than a.
func on(a, b point, at int64) point {
	return point{at, a.t + (b.t-a.t)*(float64(at-a.at)/float64(b.at-a.at))}
}

// maxStandIn bounds the stand-in samples kept while the own probe is silent;
// beyond it every second one is dropped and further ones are taken at that pace,
// which the trapezoid hardly notices.
const maxStandIn = 4096

// An Integrator gathers the thermal units of one span in one water. The same
// readings give the same units whether they come one by one or all at once, and
// however the three kinds are interleaved, so long as stand-in and hand readings
// come before the next long gap is closed and no more than maxStandIn of them
// run ahead.
type Integrator struct {
	o      Options
	gapMin int64 // a longer step is a long gap
	course
	last       point // newest own reading
	have       bool
	settled    bool
	own        hours
	other      hours   // the stand-in's, up to the newest own reading
	standIn    []point // later than the newest own reading
	head       int     // standIn[:head] are done with
	pace       int64   // least step between stand-in samples, 0 before they are thinned
	newest     int64   // time of the newest stand-in reading taken
	hand       []point // by time, later than the newest own reading
	gapA, gapB int64   // newest long gap that is closed
}

// New starts an empty span. Units start at 0; what was gathered before is the
// caller's to add.
func New(o Options) *Integrator {
	from, to := o.From.UnixNano(), int64(math.MaxInt64)
	if !o.To.IsZero() {
		to = o.To.UnixNano()
	}
	in := &Integrator{o: o, gapMin: int64(max(o.Gaps.Measured, o.Gaps.Short)), newest: math.MinInt64}
	in.main = tally{from: from, to: to, base: float64(o.BaseC), accuracy: float64(o.AccuracyC), loc: o.Location}
	in.lead = in.main
	in.lead.from, in.lead.to, in.lead.most = 0, from, recentDays+1
	return in
}

// Add takes a reading of the water's own probe. Readings before From serve to
// know the temperature there and what the stand-in differs by; the first one at
// or after To settles the span, and later ones are not used. A second reading at
// the same time changes nothing.
// Errors: ErrOutOfOrder.
func (in *Integrator) Add(at time.Time, t measure.TempC) error {
	s := point{at.UnixNano(), float64(t)}
	switch {
	case in.have && s.at < in.last.at:
		return ErrOutOfOrder
	case in.settled || (in.have && s.at == in.last.at):
		return nil
	case !in.have:
		in.before(s, &in.course)
	case s.at-in.last.at <= in.gapMin:
		in.step(in.last, s, &in.course)
	default:
		in.fill(gap{a: in.last, b: s, left: true, right: true, from: in.last.at, to: s.at}, &in.course)
		in.gapA, in.gapB = in.last.at, s.at
	}
	in.own.add(s)
	for in.head < len(in.standIn) && in.standIn[in.head].at <= s.at {
		in.other.add(in.standIn[in.head])
		in.head++
	}
	if in.head == len(in.standIn) {
		in.standIn, in.head, in.pace = in.standIn[:0], 0, 0
	}
	if len(in.hand) > 0 {
		in.hand = slices.DeleteFunc(in.hand, func(h point) bool { return h.at <= s.at })
	}
	in.last, in.have = s, true
	in.settled = s.at >= in.main.to
	if !in.main.begun && s.at >= in.main.from {
		in.main.begin(in.main.from)
	}
	return nil
}

// AddStandIn takes a reading of the stand-in probe. It counts if it falls in a
// long gap of the own probe; outside of gaps the difference of the two is
// learned from it. One that is not later than the one before is left out.
func (in *Integrator) AddStandIn(at time.Time, t measure.TempC) {
	s := point{at.UnixNano(), float64(t)}
	if s.at <= in.newest || in.settled {
		return
	}
	in.newest = s.at
	if in.have && s.at <= in.last.at {
		in.other.add(s)
		return
	}
	kept := in.standIn[in.head:]
	if len(kept) >= maxStandIn {
		in.pace = (kept[maxStandIn-1].at - kept[0].at) / (maxStandIn / 2)
		half := in.standIn[:0]
		for i := 0; i < len(kept); i += 2 {
			half = append(half, kept[i])
		}
		in.standIn, in.head, kept = half, 0, half
	}
	if n := len(kept); n > 0 && s.at-kept[n-1].at < in.pace {
		return
	}
	if in.head > 0 && len(in.standIn) == cap(in.standIn) {
		in.standIn, in.head = append(in.standIn[:0], kept...), 0
	}
	in.standIn = append(in.standIn, s)
}

// AddHand takes a reading by hand thermometer, in any order. It counts if it
// falls in a long gap of the own probe. A second one at the same time changes
// nothing.
func (in *Integrator) AddHand(at time.Time, t measure.TempC) {
	s := point{at.UnixNano(), float64(t)}
	if in.settled || (in.have && s.at <= in.last.at) {
		return
	}
	i, found := slices.BinarySearchFunc(in.hand, s.at, byTime)
	if !found {
		in.hand = slices.Insert(in.hand, i, s)
	}
}

func byTime(p point, at int64) int {
	switch {
	case p.at < at:
		return -1
	case p.at > at:
		return 1
	}
	return 0
}

// InClosedGap reports whether a stand-in or hand reading of that time would have
// counted, had it come before the newest long gap was closed. The caller then
// counts the span again from the record.
func (in *Integrator) InClosedGap(at time.Time) bool {
	ns := at.UnixNano()
	return in.gapA < ns && ns < in.gapB
}

// Settled reports whether the span is closed and a reading at or after To was
// taken, and the time of that one: nothing newer can change the units.
func (in *Integrator) Settled() (at time.Time, ok bool) {
	if !in.settled {
		return time.Time{}, false
	}
	return utc(in.last.at), true
}

// Units is what has been gathered up to the newest reading of the own probe, or
// To. It never falls as readings come.
func (in *Integrator) Units() Units { return in.main.units() }

// UnitsAt is what has been gathered up to now, or To: after the newest reading
// the temperature is taken as unchanged, or from the stand-in and hand readings
// once the gap is long. It changes nothing. As now moves on without new readings
// it never falls, except at the moment the gap becomes long, by at most what the
// filled course lies below the newest reading over Gaps.Short. A new reading
// may lower it by what the water turns out to have been colder than was taken:
// half the difference over a step that is not long.
func (in *Integrator) UnitsAt(now time.Time) Units {
	c := in.upTo(now)
	return c.main.units()
}

// Days is the table of local days up to now, or To. Its units add up to those of
// UnitsAt.
func (in *Integrator) Days(now time.Time) []Day {
	c := in.upTo(now)
	return c.main.table()
}

// recentDays is how many days of water make the recent mean.
const recentDays = 7

// RecentMean is the mean temperature of the last seven days with readings and of
// today's part of a day, degC, and the standard deviation of their daily means,
// all weighted by time. The days before From count too: it is about the water.
// ok is false when there is no reading.
func (in *Integrator) RecentMean(now time.Time) (mean, spread measure.TempC, ok bool) {
	c := in.upTo(now)
	n := 0
	var held, sum, squares float64
	for _, d := range slices.Backward(JoinDays(c.lead.table(), c.main.table())) {
		w := float64(d.Units.covered() - d.Units.Unsupported)
		if w == 0 {
			continue
		}
		if n++; n > recentDays+1 {
			break
		}
		t := float64(d.MeanC) - in.last.t // small, so that the squares lose nothing
		held, sum, squares = held+w, sum+w*t, squares+w*t*t
	}
	if held == 0 {
		return measure.TempC(in.last.t), 0, in.have
	}
	m := sum / held
	return measure.TempC(in.last.t + m), measure.TempC(math.Sqrt(max(0, squares/held-m*m))), true
}

// upTo is the course with its open end up to now; it changes nothing.
func (in *Integrator) upTo(now time.Time) course {
	c := course{in.lead.copy(), in.main.copy()}
	to := now.UnixNano()
	switch {
	case in.settled || (in.have && to <= in.last.at):
	case in.have && to-in.last.at <= in.gapMin:
		in.step(in.last, point{to, in.last.t}, &c)
	case in.have:
		in.fill(gap{a: in.last, left: true, from: in.last.at, to: to}, &c)
	case (in.head < len(in.standIn) && in.standIn[in.head].at < to) || (len(in.hand) > 0 && in.hand[0].at < to):
		in.fill(gap{from: in.earliest(), to: to}, &c)
	}
	return c
}

// before covers the time before the first reading.
func (in *Integrator) before(first point, c *course) {
	near := point{first.at - int64(in.o.Gaps.Measured), first.t}
	far := point{first.at - in.gapMin, first.t}
	if from := in.earliest(); from < far.at {
		in.fill(gap{b: far, right: true, from: from, to: far.at}, c)
	}
	c.line(bridged, 0, far, near)
	c.line(measured, 0, near, first)
}

// earliest is where the course begins when the own probe has said nothing.
func (in *Integrator) earliest() int64 {
	at := in.main.from
	if in.head < len(in.standIn) {
		at = min(at, in.standIn[in.head].at)
	}
	if len(in.hand) > 0 {
		at = min(at, in.hand[0].at)
	}
	return at
}

// step adds a step that is not a long gap.
func (in *Integrator) step(a, b point, c *course) {
	if b.at-a.at <= int64(in.o.Gaps.Measured) {
		c.line(measured, 0, a, b)
	} else {
		c.line(bridged, 0, a, b)
	}
}
