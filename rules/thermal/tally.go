package thermal

import (
	"slices"
	"time"

	"weirkeeper/rules/measure"
)

// kind is what a stretch of time rests on.
type kind uint8

const (
	measured kind = iota
	bridged
	standIn
	byHand
	unsupported
)

const nsPerDay = 24 * float64(time.Hour)

// sums are what a stretch of the course adds up to.
type sums struct {
	from, to int64
	area     float64 // above the base, degC*ns
	heat     float64 // whatever the base, degC*ns
	open     float64 // half-width times time where gaps were filled, degC*ns
	times    [unsupported + 1]int64
}

// add adds the line from a to b; nothing below the base counts.
func (s *sums) add(k kind, width float64, a, b point, base float64) {
	d := b.at - a.at
	ns := float64(d)
	s.to = b.at
	s.times[k] += d
	s.heat += (a.t + b.t) / 2 * ns
	s.open += width * ns
	x, y := a.t-base, b.t-base
	switch {
	case x >= 0 && y >= 0:
		s.area += (x + y) / 2 * ns
	case x > 0:
		s.area += x / 2 * ns * x / (x - y)
	case y > 0:
		s.area += y / 2 * ns * y / (y - x)
	}
}

func (s *sums) join(t *sums) {
	s.to = t.to
	s.area += t.area
	s.heat += t.heat
	s.open += t.open
	for k, d := range t.times {
		s.times[k] += d
	}
}

func (s *sums) units(accuracy float64) Units {
	return Units{
		DegreeDays:  measure.DegreeDays(s.area / nsPerDay),
		PlusMinus:   measure.DegreeDays((accuracy*float64(s.times[measured]+s.times[bridged]) + s.open) / nsPerDay),
		From:        utc(s.from),
		To:          utc(s.to),
		Measured:    time.Duration(s.times[measured]),
		Bridged:     time.Duration(s.times[bridged]),
		StandIn:     time.Duration(s.times[standIn]),
		ByHand:      time.Duration(s.times[byHand]),
		Unsupported: time.Duration(s.times[unsupported]),
	}
}

func utc(ns int64) time.Time { return time.Unix(0, ns).UTC() }

// A tally adds up a course between two times, by local day.
type tally struct {
	from, to       int64
	base, accuracy float64
	loc            *time.Location
	most           int // days kept, 0 for all
	begun          bool
	day, end       int64 // the local midnights around today
	today, earlier sums
	days           []Day // complete ones
}

// begin starts at from.
func (y *tally) begin(from int64) {
	y.begun = true
	y.today.from, y.today.to = from, from
	y.earlier = y.today
	at := utc(from).In(y.loc)
	y.day, y.end = midnight(at, 0).UnixNano(), midnight(at, 1).UnixNano()
}

// midnight is where the local day of t, or one some days later, begins: the
// first moment of its date where clocks skip or repeat midnight.
func midnight(t time.Time, later int) time.Time {
	y, m, d := t.Date()
	at := time.Date(y, m, d+later, 0, 0, 0, 0, t.Location())
	if h, m, s := at.Clock(); h >= 12 { // the evening before: midnight is skipped
		at = at.Add(24*time.Hour - time.Duration(h)*time.Hour - time.Duration(m)*time.Minute - time.Duration(s)*time.Second)
	}
	return at
}

// line adds the part of the line from a to b that lies between from and to.
// Lines come in order and leave nothing out.
func (y *tally) line(k kind, width float64, a, b point) {
	if a.at < y.from || b.at > y.to {
		if b.at <= y.from || a.at >= y.to {
			return
		}
		p, q := a, b
		if a.at < y.from {
			p = on(a, b, y.from)
		}
		if b.at > y.to {
			q = on(a, b, y.to)
		}
		a, b = p, q
	}
	if a.at >= b.at {
		return
	}
	if !y.begun {
		y.begin(a.at)
	}
	for b.at > y.end {
		m := on(a, b, y.end)
		y.today.add(k, width, a, m, y.base)
		y.turn()
		a = m
	}
	y.today.add(k, width, a, b, y.base)
}

// turn ends a day.
func (y *tally) turn() {
	if y.most > 0 && len(y.days) >= y.most {
		y.days = y.days[1:]
	}
	y.days = append(y.days, y.row())
	y.earlier.join(&y.today)
	y.today = sums{from: y.end, to: y.end}
	y.day, y.end = y.end, midnight(utc(y.end).In(y.loc), 1).UnixNano()
}

func (y *tally) row() Day {
	return Day{
		Date:  utc(y.day).In(y.loc),
		Units: y.today.units(y.accuracy),
		MeanC: measure.TempC(y.today.heat / float64(y.today.to-y.today.from)),
	}
}

func (y *tally) units() Units {
	if !y.begun {
		return Units{}
	}
	all := y.earlier
	all.join(&y.today)
	return all.units(y.accuracy)
}

func (y *tally) table() []Day {
	days := slices.Clone(y.days)
	if y.begun && y.today.to > y.today.from {
		days = append(days, y.row())
	}
	return days
}

// copy may be added to without y noticing.
func (y *tally) copy() tally {
	t := *y
	t.days = slices.Clip(y.days)
	return t
}

// course is the water's temperature as it was or is taken to be, before From
// and from From on.
type course struct{ lead, main tally }

func (c *course) line(k kind, width float64, a, b point) {
	if a.at < c.main.from {
		c.lead.line(k, width, a, b)
	}
	c.main.line(k, width, a, b)
}
