package rules

import (
	"fmt"
	"time"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
)

// jumping finds a probe whose value goes back and forth faster than water can,
// as with a loose contact or a wet plug.
//
// A jump is a difference of more than the rule's change between two readings on
// end that are at most its within apart. It counts when it goes the other way
// than the jump before it, if that was less than jumpWindow ago. The probe jumps
// when at least times of them lie within jumpWindow, and is well again when none
// does. A value that goes up once and stays is a change of the water: see
// fast_change. Somebody at a valve or a standpipe makes two or four.
type jumping struct {
	c      *check
	heard  bool
	value  float64
	lastAt time.Time
	dir    int // of the newest jump
	dirAt  time.Time
	jumps  []time.Time // the newest that count, a ring
	newest int
	most   float64 // largest of the jumps lately, base unit
}

// jumpWindow is common practice, no source.
const jumpWindow = time.Hour

func newJumping(_ *Engine, c *check) detector {
	return &jumping{c: c, jumps: make([]time.Time, c.rule.Times)}
}

// jump is the way and the size of the step to the newest reading; dir 0 for none.
func (j *jumping) jump(now time.Time) (dir int, size float64) {
	d := j.c.probe.last.Value - j.value
	switch {
	case !j.heard || now.Sub(j.lastAt) > j.c.watch.After:
		return 0, 0
	case d > j.c.watch.Setpoint:
		return 1, d
	case -d > j.c.watch.Setpoint:
		return -1, -d
	}
	return 0, 0
}

func (j *jumping) back(dir int, now time.Time) bool {
	return dir != 0 && (dir != j.dir || now.Sub(j.dirAt) >= jumpWindow)
}

func (j *jumping) look(_ *Engine, now time.Time) verdict {
	n := 0
	for _, at := range j.jumps {
		if !at.IsZero() && now.Sub(at) < jumpWindow {
			n++
		}
	}
	if dir, _ := j.jump(now); j.back(dir, now) {
		n++
	}
	switch {
	case n >= j.c.rule.Times:
		return bad
	case n > 0:
		return between
	}
	return good
}

func (j *jumping) took(r *reading.Reading) {
	now := j.c.probe.lastAt
	if now.Sub(j.jumps[j.newest]) >= jumpWindow {
		j.most = 0
	}
	if dir, size := j.jump(now); dir != 0 {
		if j.back(dir, now) {
			j.newest = (j.newest + 1) % len(j.jumps)
			j.jumps[j.newest] = now
			j.most = max(j.most, size)
		}
		j.dir, j.dirAt = dir, now
	}
	j.heard, j.value, j.lastAt = true, r.Value, now
}

func (j *jumping) began() time.Time {
	oldest := j.c.probe.lastAt
	for _, at := range j.jumps {
		if !at.IsZero() && j.c.probe.lastAt.Sub(at) < jumpWindow && at.Before(oldest) {
			oldest = at
		}
	}
	return oldest
}

func (j *jumping) why(*Engine, time.Time) string { return "it jumps" }

func (j *jumping) words(e *Engine, now time.Time, active bool) (trouble, detail string) {
	q := j.c.probe.def.Quantity
	trouble = j.c.probeTrouble("jumping")
	v := e.show(q, j.c.probe.last.Value)
	if !active {
		return trouble, "steady again: " + v
	}
	most := j.most
	if _, size := j.jump(now); size > most {
		most = size
	}
	if most == 0 {
		return trouble, "now " + v
	}
	return trouble, fmt.Sprintf("back and forth by up to %s, now %s; water cannot change by %s in %s",
		e.site.ShowUnit(q).FormatDelta(most), v, e.site.ShowUnit(q).FormatDelta(j.c.watch.Setpoint), measure.FormatDuration(j.c.watch.After))
}

func (j *jumping) memory() time.Duration { return 2*jumpWindow + j.c.watch.After + j.c.probe.silent }

// next: only readings change what it judges.
func (j *jumping) next(*Engine, time.Time) time.Time { return time.Time{} }

func (j *jumping) shift(by time.Duration) {
	if !j.heard {
		return
	}
	j.lastAt = j.lastAt.Add(by)
	if !j.dirAt.IsZero() {
		j.dirAt = j.dirAt.Add(by)
	}
	for i, at := range j.jumps {
		if !at.IsZero() {
			j.jumps[i] = at.Add(by)
		}
	}
}
