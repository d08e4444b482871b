package daemon

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/clock"
	"weirkeeper/rules"
	"weirkeeper/rules/measure"
)

// Bounds of a clock.
const (
	// slewed is how far the clock may be off what the steady clock says
	// without having been set: the network corrects it by small amounts.
	slewed = 2 * time.Second
	// backAtStart is how far behind the record the clock may be at the start
	// and still be right.
	backAtStart = 2 * time.Minute
	// steadyAfter is how long after a step the clock counts as steady again.
	steadyAfter = 10 * time.Minute
)

// notBefore is the earliest time a clock that was ever set can say.
var notBefore = time.Date(2010, 1, 1, 0, 0, 0, 0, time.UTC)

// wall is the time as the record keeps it: the machine's clock, unless that
// stands before what is already in the record, as on a small computer without a
// clock battery. Then the record's time goes on from its end until the clock is
// set. now may be called from any goroutine, the rest is the keeper's.
type wall struct {
	clock    clock.Clock
	offset   atomic.Int64 // nanoseconds, added to the clock
	trusted  bool
	earliest time.Time // a clock before this is wrong
	last     time.Time
	mono     time.Duration // at last
}

// newWall starts a wall; latest is the end of the record, zero when it is empty.
func newWall(c clock.Clock, latest time.Time) *wall {
	w := &wall{clock: c, trusted: true, earliest: notBefore}
	if latest.After(w.earliest) {
		w.earliest = latest
	}
	raw := c.Now()
	if w.earliest.Sub(raw) > backAtStart {
		w.trusted = false
		w.offset.Store(int64(w.earliest.Add(time.Second).Sub(raw)))
	}
	w.last, w.mono = w.now(), c.Mono()
	return w
}

// now is the time to the microsecond, UTC.
func (w *wall) now() time.Time {
	return w.clock.Now().Add(time.Duration(w.offset.Load())).UTC().Truncate(time.Microsecond)
}

// check says by how much the time has stepped since the last check, 0 for not
// at all.
func (w *wall) check() (step time.Duration) {
	raw, mono := w.clock.Now(), w.clock.Mono()
	expected := w.last.Add(mono - w.mono)
	w.mono = mono
	switch {
	case w.trusted && raw.Before(notBefore), !w.trusted && w.earliest.Sub(raw) > backAtStart:
		// It says nothing true: the record's time goes on.
		w.trusted = false
		w.offset.Store(int64(expected.Sub(raw)))
		w.last = expected
		return 0
	case !w.trusted:
		w.trusted = true
		w.offset.Store(0)
		step = raw.Sub(expected)
	default:
		if step = raw.Sub(expected); step.Abs() < slewed {
			step = 0
		}
	}
	w.last = raw
	return step
}

// watchClock follows the clock when it was set: what the engine remembers moves
// along, so that silence and delays go by the steady clock, and readings that
// were taken while the clock was wrong are corrected.
func (k *keeper) watchClock(ctx context.Context) {
	wasTrusted := k.wall.trusted
	step := k.wall.check()
	switch {
	case wasTrusted && !k.wall.trusted:
		k.distrust(ctx)
		return
	case step == 0 && wasTrusted == k.wall.trusted:
		return
	}
	now := k.now()
	way := "forward"
	if step < 0 {
		way = "back"
	}
	detail := fmt.Sprintf("set %s by %s", way, measure.FormatDuration(step.Abs()))
	k.log.Warn("clock stepped", "by_seconds", step.Seconds(), "trusted_before", wasTrusted)
	k.metrics.steps.Inc()
	k.engine.Shift(step)
	k.intake.ClockStepped()
	k.steadyAt = now.Add(steadyAfter)
	if err := k.ledger.ShiftOutbox(ctx, step); err != nil {
		k.log.Warn("outbox does not follow the clock", "err", err)
	}
	if !wasTrusted {
		detail += "; it was not set when the computer started"
		k.intake.TrustClock(true)
		k.corrections = append(k.corrections, correction{k.untrustedSince, step})
	}
	k.observe(k.engine.Health(now, rules.Clock, false, detail))
}

// distrust goes on without a clock.
func (k *keeper) distrust(ctx context.Context) {
	k.intake.TrustClock(false)
	seq, err := k.ledger.Snapshot(ctx)
	if err != nil {
		k.log.Warn("readings taken by a wrong clock cannot be corrected later", "err", err)
	}
	k.untrustedSince = seq
	k.steadyAt = time.Time{}
	raw := k.clock.Now().UTC()
	k.log.Warn("clock not set", "clock", raw, "record", k.now())
	k.observe(k.engine.Health(k.now(), rules.Clock, false, "the computer's clock says "+raw.Format("2 Jan 2006 15:04")+", which cannot be"))
}

// correction moves the readings committed after a sequence number.
type correction struct {
	since int64
	by    time.Duration
}

// correct corrects readings once they are all in the record.
func (k *keeper) correct(ctx context.Context) {
	for len(k.corrections) > 0 && !k.failing && len(k.batch.Readings) == 0 {
		c := k.corrections[0]
		n, err := k.ledger.CorrectClock(ctx, c.since, c.by)
		if err != nil {
			k.log.Warn("times of readings not corrected yet", "err", err)
			return
		}
		k.log.Info("times of readings corrected", "readings", n, "by_seconds", c.by.Seconds())
		k.corrections = k.corrections[1:]
		k.engine.CountAgain()
	}
}

// timesAreSure reports whether the clock is right and no time in the record is
// still to be corrected. Any goroutine may ask.
func (k *keeper) timesAreSure() bool { return k.sure.Load() }

// steady ends the alarm of the clock once it has been steady for a while.
func (k *keeper) steady(now time.Time) {
	k.sure.Store(k.wall.trusted && len(k.corrections) == 0)
	if k.wall.trusted && !k.steadyAt.IsZero() && !now.Before(k.steadyAt) {
		k.steadyAt = time.Time{}
		k.observe(k.engine.Health(now, rules.Clock, true, "steady for "+measure.FormatDuration(steadyAfter)))
	}
}
