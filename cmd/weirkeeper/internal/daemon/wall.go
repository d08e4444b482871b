package daemon

import (
	"context"
	"fmt"
	"sync/atomic"
	"syscall"
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
	// provenAfter is how long after the start a clock that the system does not
	// vouch for must go without being set before it is believed. A computer
	// that saved its clock when it was switched off starts days behind, until
	// the network sets it.
	provenAfter = 15 * time.Minute
	// steadyAfter is how long after a step the clock counts as steady again.
	steadyAfter = 10 * time.Minute
)

// notBefore is the earliest time a clock that was ever set can say.
var notBefore = time.Date(2010, 1, 1, 0, 0, 0, 0, time.UTC)

// trust is what is known of the clock.
type trust uint8

const (
	// wrong: it stands before what is already in the record.
	wrong trust = iota
	// unproven: it may be right; nobody vouches for it yet.
	unproven
	right
)

// wall is the time as the record keeps it: the machine's clock, unless that
// stands before what is already in the record, as on a small computer without a
// clock battery. Then the record's time goes on from its end until the clock is
// set. Between two checks the time goes by the steady clock, so that nothing
// jumps unnoticed. now may be called from any goroutine, the rest is the
// keeper's.
type wall struct {
	clock  clock.Clock
	synced func() bool // the system vouches for the clock
	at     atomic.Pointer[moment]
	trust  trust
	// earliest is the end of the record: a clock before it is wrong, unless
	// the system vouches for it.
	earliest time.Time
	started  time.Duration // by the steady clock
}

// moment is a time on the wall and the steady clock's reading at it.
type moment struct {
	wall time.Time // without a reading of the steady clock, which would hide every step
	mono time.Duration
}

// newWall starts a wall; latest is the end of the record, zero when it is empty.
func newWall(c clock.Clock, latest time.Time, synced func() bool) *wall {
	w := &wall{clock: c, synced: synced, earliest: notBefore}
	if latest.After(w.earliest) {
		w.earliest = latest
	}
	raw, mono := w.read()
	w.started = mono
	switch {
	case !w.believable(raw):
		w.set(w.earliest.Add(time.Second), w.started)
		return w
	case synced():
		w.trust = right
	default:
		w.trust = unproven
	}
	w.set(raw, w.started)
	return w
}

// believable reports whether the clock may be right.
func (w *wall) believable(raw time.Time) bool {
	switch {
	case raw.Before(notBefore):
		return false
	case w.earliest.Sub(raw) <= backAtStart:
		return true
	}
	return w.synced() // the record ended in a future that never was
}

func (w *wall) set(t time.Time, mono time.Duration) { w.at.Store(&moment{t, mono}) }

// now is the time to the microsecond, UTC.
func (w *wall) now() time.Time {
	m := w.at.Load()
	return m.wall.Add(w.clock.Mono() - m.mono).UTC().Truncate(time.Microsecond)
}

// together is how far apart two readings of the steady clock may be around one
// of the wall's for the two to belong together.
const together = 100 * time.Millisecond

// read gives both clocks at one moment: this process may be stopped for seconds
// between asking one and the other, which must not look like a step.
func (w *wall) read() (raw time.Time, mono time.Duration) {
	for {
		before := w.clock.Mono()
		raw = w.clock.Now().Round(0)
		if mono = w.clock.Mono(); mono-before < together {
			return raw, mono
		}
	}
}

// check says by how much the time has stepped since the last check, 0 for not
// at all.
func (w *wall) check() (step time.Duration) {
	raw, mono := w.read()
	last := w.at.Load()
	expected := last.wall.Add(mono - last.mono)
	switch {
	case w.trust == wrong && !w.believable(raw), raw.Before(notBefore):
		// It says nothing true: the record's time goes on.
		w.trust = wrong
		w.set(expected, mono)
		return 0
	case w.trust == wrong:
		w.trust = right
		step = raw.Sub(expected)
	default:
		if step = raw.Sub(expected); step.Abs() < slewed {
			step = 0
		}
		if w.trust != right && (step != 0 || mono-w.started >= provenAfter || w.synced()) {
			w.trust = right
		}
	}
	w.set(raw, mono)
	return step
}

// watchClock follows the clock when it was set: what the engine remembers moves
// along, so that silence and delays go by the steady clock, and readings that
// were taken while the clock was wrong are corrected.
func (k *keeper) watchClock(ctx context.Context) {
	before := k.wall.trust
	step := k.wall.check()
	switch {
	case before != wrong && k.wall.trust == wrong:
		k.distrust(ctx)
		return
	case before != right && k.wall.trust == right:
		k.intake.TrustClock(true)
	}
	if step == 0 {
		return
	}
	now := k.now()
	way := "forward"
	if step < 0 {
		way = "back"
	}
	detail := fmt.Sprintf("set %s by %s", way, measure.FormatDuration(step.Abs()))
	k.log.Warn("clock stepped", "by_seconds", step.Seconds(), "right_before", before == right)
	k.metrics.steps.Inc()
	k.engine.Shift(step)
	k.router.Shift(step)
	if k.house != nil {
		k.house.shift(step)
	}
	k.intake.ClockStepped()
	k.steadyAt = now.Add(steadyAfter)
	if err := k.ledger.ShiftOutbox(ctx, step); err != nil {
		k.log.Warn("outbox does not follow the clock", "err", err)
	}
	if before != right {
		detail += "; it was not set when the computer started"
		k.corrections = append(k.corrections, correction{k.untrustedSince, step})
	}
	k.observe(k.engine.Health(now, rules.Clock, false, detail))
}

// doubt flags what is taken from now on, so that it can be corrected.
func (k *keeper) doubt(ctx context.Context) {
	k.intake.TrustClock(false)
	seq, err := k.ledger.Snapshot(ctx)
	if err != nil {
		// Only readings flagged from now on are moved; older flagged ones
		// of another doubt might be among them.
		k.log.Warn("end of the record not known", "err", err)
	}
	k.untrustedSince = seq
}

// distrust goes on without a clock.
func (k *keeper) distrust(ctx context.Context) {
	k.doubt(ctx)
	k.steadyAt = time.Time{}
	raw := k.clock.Now().UTC()
	k.log.Warn("clock not set", "clock", raw, "record", k.now())
	k.observe(k.engine.Health(k.now(), rules.Clock, false, "the computer's clock says "+raw.Format("2 Jan 2006 15:04")+", and the record goes to "+k.wall.earliest.Format("2 Jan 2006 15:04")+"; if the clock is right and the record is ahead, start with run --trust-clock"))
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

// timesAreSure reports whether the clock is right, has been steady for a while,
// and no time in the record is still to be corrected. Any goroutine may ask.
func (k *keeper) timesAreSure() bool { return k.sure.Load() }

// steady ends the alarm of the clock once it has been steady for a while.
func (k *keeper) steady(now time.Time) {
	sure := k.wall.trust == right && k.steadyAt.IsZero() && len(k.corrections) == 0
	if was := k.sure.Swap(sure); sure && !was {
		k.askYear()
	}
	if k.wall.trust != wrong && !k.steadyAt.IsZero() && !now.Before(k.steadyAt) {
		k.steadyAt = time.Time{}
		k.observe(k.engine.Health(now, rules.Clock, true, "steady for "+measure.FormatDuration(steadyAfter)))
	}
}

// kernelSynced reports whether the system vouches for the clock: it is kept by
// the network or another source of time.
func kernelSynced() bool {
	const unsynced = 0x40 // STA_UNSYNC of adjtimex(2)
	var t syscall.Timex
	_, err := syscall.Adjtimex(&t)
	return err == nil && t.Status&unsynced == 0
}
