package rules

import (
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
)

// detector judges one check of a kind that looks at more than the newest value.
// It keeps its own state, which the same events bring to the same point.
type detector interface {
	// look judges after a current reading of the check's probe (c.probe.last,
	// which it has not yet taken in) or when another probe it goes by has news.
	look(e *Engine, now time.Time) verdict
	// words gives trouble and detail in the keeper's units, as check.words.
	words(e *Engine, now time.Time, active bool) (trouble, detail string)
	// memory is how far back it looks at readings, for Engine.Memory.
	memory() time.Duration
	// shift follows a step of the clock, as Engine.Shift.
	shift(by time.Duration)
}

// taker is a detector that takes in each current reading of its probe after all
// were judged by it.
type taker interface {
	took(r *reading.Reading)
}

// pastJudge is a detector that can judge a value by itself, as late readings are.
type pastJudge interface {
	past(e *Engine, v float64) (_ verdict, trouble, detail string)
}

// dayLooker is a taker that looks back so far that after a restart it is not fed by
// Memory but by LookedBack.
type dayLooker interface {
	taker
	lookback() time.Duration
	forget()
}

// atReadings is a detector that time alone tells nothing, with no memory of its
// own.
type atReadings struct{}

func (atReadings) memory() time.Duration { return 0 }

func (atReadings) shift(time.Duration) {}

func (atReadings) next(*Engine, time.Time) time.Time { return time.Time{} }

// detectors makes the detector of a kind. The kinds that are not here are judged
// in check.go.
var detectors = map[alarm.Kind]func(e *Engine, c *check) detector{
	alarm.HighFlow:        newHigh,
	alarm.HighOxygen:      newHigh,
	alarm.FastChange:      newFastChange,
	alarm.SlowDrift:       newSlowDrift,
	alarm.FromSister:      newFromSister,
	alarm.WaterBalance:    newBalance,
	alarm.StuckProbe:      newStuck,
	alarm.JumpingProbe:    newJumping,
	alarm.ImpossibleValue: newImpossible,
	alarm.ProbeInAir:      newInAir,
}
