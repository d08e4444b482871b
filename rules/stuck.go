package rules

import (
	"math"
	"time"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
)

// stuck finds a probe that says the same number to the last digit.
//
// It is called stuck when two things hold. It has said so for the rule's
// longer_than without a gap. And it usually moves: of the readings in the time
// of twice longer_than, those before the run tell how often one repeats the one
// before it and how often it does not. After r repeats and m moves, the chance of
// n repeats on end is that of the beta-binomial distribution with a uniform
// prior, B(r+1+n, m+1)/B(r+1, m+1) (from memory), and it must be below one in a
// million. A coarse probe in steady water repeats for hours, and few readings
// say little: the chance is then not so small. If the number has not moved at all
// in twice longer_than, or nothing before the run is known, longer_than alone
// decides.
//
// Readings are taken to be independent. A coarse probe in water that turns on a
// daily swing flickers for an hour and then rests for half a day, which is why
// longer_than should be longer than such a rest. A flow of exactly 0 is no stuck
// probe but low flow.
type stuck struct {
	c       *check
	every   time.Duration // longest interval without a gap
	heard   bool
	value   float64
	since   time.Time // first reading of the run
	lastAt  time.Time
	repeats int  // in the run
	moved   bool // since it was last found stuck
	slots   [stuckSlots]stuckSlot
	slot    int // the one that is filled
}

// stuckSlot counts pairs of readings and how many of them differ.
type stuckSlot struct {
	start        time.Time
	pairs, moves int
}

const (
	stuckSlots  = 25 // one more than twice longer_than
	stuckChance = 1e-6
)

func newStuck(_ *Engine, c *check) detector {
	return &stuck{c: c, every: c.probe.silent}
}

func (s *stuck) length() time.Duration { return s.c.watch.After * 2 / (stuckSlots - 1) }

func (s *stuck) look(_ *Engine, now time.Time) verdict {
	active := s.c.state.Active()
	v := s.c.probe.last.Value
	switch gap := now.Sub(s.lastAt) > s.every; {
	case !s.heard, gap && v == s.value:
		if active && !s.moved {
			return between
		}
		return good
	case v != s.value:
		return good
	case v == 0 && s.c.probe.def.Quantity == reading.Flow:
		return good
	case now.Sub(s.since) < s.c.watch.After:
		if active && !s.moved {
			return between
		}
		return good
	case active || s.unlikely(now):
		return bad
	}
	return good
}

// unlikely judges the run as it will be with the reading looked at.
func (s *stuck) unlikely(now time.Time) bool {
	pairs, moves := -s.repeats, 0
	for i := range s.slots {
		if sl := &s.slots[i]; !sl.start.Before(now.Add(-2 * s.c.watch.After)) {
			pairs, moves = pairs+sl.pairs, moves+sl.moves
		}
	}
	if moves == 0 {
		return true
	}
	ln := func(x int) float64 { v, _ := math.Lgamma(float64(x)); return v }
	n, r := s.repeats+1, pairs-moves+1
	return ln(r+n)-ln(r)+ln(pairs+2)-ln(pairs+2+n) < math.Log(stuckChance)
}

func (s *stuck) took(r *reading.Reading) {
	now := s.c.probe.lastAt
	gap := s.heard && now.Sub(s.lastAt) > s.every
	same := s.heard && r.Value == s.value
	if s.heard && !gap {
		if sl := &s.slots[s.slot]; now.Sub(sl.start) >= s.length() {
			s.slot = (s.slot + 1) % stuckSlots
			s.slots[s.slot] = stuckSlot{start: now.Truncate(s.length())}
		}
		sl := &s.slots[s.slot]
		sl.pairs++
		if !same {
			sl.moves++
		}
	}
	if same && !gap {
		s.repeats++
		if s.c.judged == bad && s.c.state.Active() {
			s.moved = false
		}
	} else {
		s.since, s.repeats = now, 0
		s.moved = s.moved || s.heard && !same
	}
	s.heard, s.value, s.lastAt = true, r.Value, now
}

func (s *stuck) began() time.Time { return s.since }

func (s *stuck) why(_ *Engine, now time.Time) string {
	if s.moves() && s.c.state.Active() {
		return "it was stuck until just now"
	}
	return "the same number for " + measure.FormatDuration(now.Sub(s.from()))
}

// moves reports whether the number moves again, though not yet for the off-delay.
func (s *stuck) moves() bool { return s.moved && s.c.judged != bad }

// from is since when the number stands, as far as is known.
func (s *stuck) from() time.Time {
	if c := s.c; c.state.Active() && !s.moved && c.since.Before(s.since) {
		return c.since
	}
	return s.since
}

func (s *stuck) words(e *Engine, now time.Time, active bool) (trouble, detail string) {
	q := s.c.probe.def.Quantity
	trouble = s.c.probeTrouble("stuck")
	if !active {
		return trouble, "it moves again: " + e.show(q, s.c.probe.last.Value)
	}
	if s.moves() {
		return trouble, e.show(q, s.c.probe.last.Value) + ", it begins to move again"
	}
	return trouble, e.show(q, s.c.probe.last.Value) + ", " + s.why(e, now)
}

// memory reaches over all slots, and one reading before the first of them.
func (s *stuck) memory() time.Duration { return 2*s.c.watch.After + s.length() + s.every }

// next: only readings change what it judges.
func (s *stuck) next(*Engine, time.Time) time.Time { return time.Time{} }

func (s *stuck) shift(by time.Duration) {
	if !s.heard {
		return
	}
	s.since, s.lastAt = s.since.Add(by), s.lastAt.Add(by)
	for i := range s.slots {
		if sl := &s.slots[i]; !sl.start.IsZero() {
			sl.start = sl.start.Add(by)
		}
	}
}
