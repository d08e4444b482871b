package thermal

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

// HandReach is the longest time between two readings by hand over which the
// straight line between them is believed: a reading a day, and some lateness.
const HandReach = 26 * time.Hour

// Lookback is how long before From readings are wanted: gaps of two days across
// it are then seen whole, with the week before them from which the stand-in's
// difference is learned. After To the first reading is enough.
const Lookback = 48*time.Hour + learnHours*time.Hour

// ErrOutOfOrder is returned for a reading older than the newest one taken. The
// caller counts the span again from the record.
var ErrOutOfOrder = errors.New("thermal: reading is older than the newest one counted")

// Options are what a span is counted by.
type Options struct {
	// From and To bound the span, half-open; To zero while it goes on.
	From, To time.Time
	// BaseC is the temperature above which units count, degC.
	BaseC measure.TempC
	Gaps  Gaps
	// AccuracyC is the half-width of the probe's error, degC; StandInAccuracyC
	// that of the stand-in before anything is known of their difference.
	AccuracyC, StandInAccuracyC measure.TempC
	// Location decides where days begin; never nil.
	Location *time.Location
}

// Units is what was gathered over a span of time, and how well that is known:
// Measured + Bridged + StandIn + ByHand + Unsupported = To - From.
type Units struct {
	DegreeDays measure.DegreeDays
	// PlusMinus is the half-width within which DegreeDays is known, from the
	// accuracy of the probe and from what the filled gaps leave open. The
	// parts are added, not squared: a probe that reads high does so all day.
	PlusMinus measure.DegreeDays
	// From and To bound the span; both zero when there was no reading yet.
	From, To time.Time
	// Measured is the time covered by readings at their normal pace.
	Measured time.Duration
	// Bridged is the time in short gaps, taken as a straight line.
	Bridged time.Duration
	// StandIn is the time in long gaps filled from the stand-in probe.
	StandIn time.Duration
	// ByHand is the time in long gaps between readings by hand thermometer.
	ByHand time.Duration
	// Unsupported is the time in long gaps with nothing to go by.
	Unsupported time.Duration
}

// Estimated is the time that was not measured by the water's own probe and not
// bridged over a short gap.
func (u Units) Estimated() time.Duration { return u.StandIn + u.ByHand + u.Unsupported }

// Add is u followed by v.
func (u Units) Add(v Units) Units {
	switch {
	case u.From.IsZero():
		u.From, u.To = v.From, v.To
	case !v.To.IsZero():
		u.To = v.To
	}
	u.DegreeDays += v.DegreeDays
	u.PlusMinus += v.PlusMinus
	u.Measured += v.Measured
	u.Bridged += v.Bridged
	u.StandIn += v.StandIn
	u.ByHand += v.ByHand
	u.Unsupported += v.Unsupported
	return u
}

// Day is one local day of a span, or the part of it that the span covers.
type Day struct {
	// Date is the day's local midnight.
	Date time.Time
	// Units gathered that day; From and To lie within it.
	Units Units
	// MeanC is the mean temperature of the time covered, degC, whatever the
	// base.
	MeanC measure.TempC
}
