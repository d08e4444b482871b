package lot

import (
	"errors"
	"time"

	"weirkeeper/rules/measure"
)

// Gaps says how time without readings is told apart.
type Gaps struct {
	// Measured is the longest step between two readings that still counts
	// as measured, about three expected intervals.
	Measured time.Duration
	// Short is the longest gap bridged by a straight line without looking
	// at the stand-in probe. Default 2 h.
	Short time.Duration
}

// DefaultGaps suits a probe that reports every so often.
func DefaultGaps(every time.Duration) Gaps {
	return Gaps{Measured: max(3*every, 5*time.Minute), Short: 2 * time.Hour}
}

// Units is what a lot has gathered over a span of time, and how well that is
// known: Measured + Bridged + StandIn + Unsupported = To - From.
type Units struct {
	// DegreeDays is the total, the lot's StartUnits included.
	DegreeDays measure.DegreeDays
	// From and To bound the span; both zero when there was no reading yet.
	From, To time.Time
	// Measured is the time covered by readings at their normal pace.
	Measured time.Duration
	// Bridged is the time in short gaps, taken as a straight line.
	Bridged time.Duration
	// StandIn is the time in long gaps filled from the stand-in probe.
	StandIn time.Duration
	// Unsupported is the time in long gaps with no stand-in, taken as a
	// straight line or, at an open end, as the nearest temperature.
	Unsupported time.Duration
}

// Estimated is the time that was not measured by the lot's own probe and not
// bridged over a short gap.
func (u Units) Estimated() time.Duration { return u.StandIn + u.Unsupported }

// ErrOutOfOrder is returned for a reading older than the newest one taken. The
// caller rebuilds the lot from the record.
var ErrOutOfOrder = errors.New("lot: reading is older than the newest one counted")

type sample struct {
	at time.Time
	t  float64
}

// maxStandIn bounds the stand-in samples kept while the lot's probe is silent;
// beyond it every second one is dropped and further ones are taken at that pace,
// which the trapezoid hardly notices.
const maxStandIn = 4096

// recentDays is how many days of water make the mean temperature that
// predictions go on with.
const recentDays = 7

// An Integrator gathers the thermal units of one lot from readings handed to it
// in order of time. The same readings give the same units whether they come
// one by one or all at once.
type Integrator struct {
	lot     Lot
	gaps    Gaps
	from    time.Time
	last    sample // newest main sample at or after from, or the one before it
	have    bool
	before  bool // last lies before from
	units   Units
	standIn []sample
	pace    time.Duration // least step between stand-in samples, 0 before they are thinned
	// gapFrom and gapTo bound the newest long gap that is closed.
	gapFrom, gapTo time.Time
	days           [recentDays + 1]dayMean
}

type dayMean struct {
	day     int64 // days since 1970-01-01 UTC
	degSec  float64
	seconds float64
}

// NewIntegrator starts at the lot's first stay with its StartUnits.
func NewIntegrator(l Lot, g Gaps) *Integrator {
	in := &Integrator{lot: l, gaps: g, from: l.Path[0].From}
	in.units.DegreeDays = l.StartUnits
	return in
}

// Lot is the lot being counted.
func (in *Integrator) Lot() Lot { return in.lot }

// Add takes a reading of the lot's own water, degC. Readings from before the
// first stay serve only to know the temperature at its start. A second reading
// at the same time changes nothing.
// Errors: ErrOutOfOrder.
func (in *Integrator) Add(at time.Time, t measure.TempC) error {
	s := sample{at, float64(t)}
	if !in.have {
		if !at.Before(in.from) {
			in.openEnd(s)
		}
		in.last, in.have, in.before = s, true, at.Before(in.from)
		return nil
	}
	if !at.After(in.last.at) {
		if at.Before(in.last.at) {
			return ErrOutOfOrder
		}
		return nil
	}
	switch {
	case at.Before(in.from):
		in.last = s
		return nil
	case in.before:
		start := sample{in.from, lerp(in.last, s, in.from)}
		in.last, in.before = start, false
		in.units.From, in.units.To = in.from, in.from
	}
	in.segment(in.last, s, &in.units, true)
	in.last = s
	in.dropStandIn(at)
	return nil
}

// openEnd covers the time between the first stay's start and the first reading.
func (in *Integrator) openEnd(first sample) {
	in.units.From, in.units.To = in.from, in.from
	start := sample{in.from, first.t}
	if len(in.standIn) > 0 && first.at.Sub(in.from) > in.gaps.Short {
		start.t = in.standIn[0].t
	}
	in.segment(start, first, &in.units, true)
	in.dropStandIn(first.at)
}

// dropStandIn forgets the stand-in up to a time. What is newer stays: the lot's
// own reading may have come late.
func (in *Integrator) dropStandIn(upTo time.Time) {
	n := 0
	for n < len(in.standIn) && !in.standIn[n].at.After(upTo) {
		n++
	}
	in.standIn = append(in.standIn[:0], in.standIn[n:]...)
	if len(in.standIn) == 0 {
		in.pace = 0
	}
}

// AddStandIn takes a reading of the stand-in probe. It counts only if it falls
// in a long gap of the lot's own probe.
func (in *Integrator) AddStandIn(at time.Time, t measure.TempC) {
	if at.Before(in.from) || (in.have && !in.before && !at.After(in.last.at)) {
		return
	}
	if n := len(in.standIn); n > 0 && at.Sub(in.standIn[n-1].at) < max(in.pace, 1) {
		return
	}
	if len(in.standIn) >= maxStandIn {
		in.pace = in.standIn[maxStandIn-1].at.Sub(in.standIn[0].at) / (maxStandIn / 2)
		kept := in.standIn[:0]
		for i := 0; i < len(in.standIn); i += 2 {
			kept = append(kept, in.standIn[i])
		}
		in.standIn = kept
	}
	in.standIn = append(in.standIn, sample{at, float64(t)})
}

// InClosedGap reports whether a stand-in's reading of that time would have
// counted, had it come before the newest long gap was closed. The caller then
// rebuilds the lot from the record.
func (in *Integrator) InClosedGap(at time.Time) bool {
	return !in.gapTo.IsZero() && !at.Before(in.gapFrom) && !at.After(in.gapTo)
}

// Units is what has been gathered up to the newest reading of the lot's probe.
func (in *Integrator) Units() Units { return in.units }

// UnitsAt is what has been gathered up to now: after the newest reading the
// temperature is taken as unchanged, or from the stand-in probe once the gap
// is long. It changes nothing. Without a new reading it never falls as now
// moves on, except at the moment a gap becomes long, by what the stand-in
// differs over Gaps.Short.
func (in *Integrator) UnitsAt(now time.Time) Units {
	u := in.units
	switch {
	case !in.have || in.before:
		if !now.After(in.from) || (!in.have && len(in.standIn) == 0) {
			return u
		}
		t := in.last.t
		if !in.have {
			t = in.standIn[0].t
		}
		u.From, u.To = in.from, in.from
		in.segment(sample{in.from, t}, sample{now, t}, &u, false)
	case now.After(in.last.at):
		in.segment(in.last, sample{now, in.last.t}, &u, false)
	}
	return u
}

// segment adds the time from a to b. keep says that the segment is final.
func (in *Integrator) segment(a, b sample, u *Units, keep bool) {
	d := b.at.Sub(a.at)
	if d <= 0 {
		return
	}
	u.To = b.at
	if keep && d > in.gaps.Short {
		in.gapFrom, in.gapTo = a.at, b.at
	}
	switch {
	case d <= in.gaps.Measured:
		u.Measured += d
	case d <= in.gaps.Short:
		u.Bridged += d
	case len(in.standIn) > 0:
		// The stand-in covers the gap between its first and last sample
		// there; its ends hold to the ends of the gap if it is near them.
		prev := sample{a.at, in.standIn[0].t}
		for _, s := range in.standIn {
			if s.at.After(b.at) {
				break
			}
			in.count(prev, s, u, keep)
			in.sortOut(s.at.Sub(prev.at), u)
			prev = s
		}
		end := sample{b.at, prev.t}
		in.count(prev, end, u, keep)
		in.sortOut(end.at.Sub(prev.at), u)
		return
	default:
		u.Unsupported += d
	}
	in.count(a, b, u, keep)
}

// sortOut books a step inside a filled gap: the stand-in may have gaps too.
func (in *Integrator) sortOut(d time.Duration, u *Units) {
	if d <= in.gaps.Short {
		u.StandIn += d
	} else {
		u.Unsupported += d
	}
}

func (in *Integrator) count(a, b sample, u *Units, keep bool) {
	u.DegreeDays += measure.DegreeDays(degreeDays(a, b, float64(in.lot.BaseC)))
	if keep {
		in.remember(a, b)
	}
}

// degreeDays is the area between the line from a to b and the base, in
// degC*days, counting nothing below the base.
func degreeDays(a, b sample, base float64) float64 {
	days := b.at.Sub(a.at).Hours() / 24
	x, y := a.t-base, b.t-base
	switch {
	case x >= 0 && y >= 0:
		return (x + y) / 2 * days
	case x <= 0 && y <= 0:
		return 0
	case x > 0:
		return x / 2 * days * x / (x - y)
	default:
		return y / 2 * days * y / (y - x)
	}
}

func lerp(a, b sample, at time.Time) float64 {
	d := b.at.Sub(a.at)
	if d <= 0 {
		return b.t
	}
	return a.t + (b.t-a.t)*float64(at.Sub(a.at))/float64(d)
}

const daySeconds = 24 * 60 * 60

// remember books the segment under the day of its end, for the recent mean.
// (A long bridged gap goes to one day whole; the mean is weighted by time.)
func (in *Integrator) remember(a, b sample) {
	day := b.at.Unix() / daySeconds
	m := &in.days[((day%int64(len(in.days)))+int64(len(in.days)))%int64(len(in.days))]
	if m.day != day {
		*m = dayMean{day: day}
	}
	sec := b.at.Sub(a.at).Seconds()
	m.seconds += sec
	m.degSec += (a.t + b.t) / 2 * sec
}

// RecentMean is the mean temperature of the last week with readings, degC, up
// to the newest reading; ok is false when there is none.
func (in *Integrator) RecentMean() (mean measure.TempC, ok bool) {
	if !in.have {
		return 0, false
	}
	oldest := in.last.at.Unix()/daySeconds - recentDays
	var degSec, seconds float64
	for _, m := range in.days {
		if m.day >= oldest && m.seconds > 0 {
			degSec += m.degSec
			seconds += m.seconds
		}
	}
	if seconds == 0 {
		return measure.TempC(in.last.t), true
	}
	return measure.TempC(degSec / seconds), true
}
