package rules

import (
	"time"

	"weirkeeper/rules/alarm"
)

// Ticks that can change nothing are skipped. Whatever may change by time alone
// says by wake when it could at the earliest; too early costs a tick, too late
// an alarm that comes late. Every move of an alarm wakes the next tick, every
// on-delay and off-delay under way says when it is over, and a tick that was not
// skipped asks each check anew (wakeNext).

// longestSleep bounds how long ticks are skipped, whatever was said.
const longestSleep = time.Minute

// detectorSleep is how long they are skipped for a detector that is no waker.
const detectorSleep = 10 * time.Second

// waker is a detector that says when time alone could next change what it
// judges or does at a tick; zero for never.
type waker interface {
	next(e *Engine, now time.Time) time.Time
}

// Due is the earliest time at which Tick could change anything unless another
// event comes first: an engine that is ticked at every whole second and one that
// is ticked at the whole seconds from Due on go the same way. It may lie in the
// past; zero wants a tick at once.
func (e *Engine) Due() time.Time { return e.due }

// wake has the ticks from a time on be judged; zero wakes the very next.
func (e *Engine) wake(at time.Time) {
	if at.Before(e.due) {
		e.due = at
	}
}

// asleep reports whether a tick may be skipped; if not, it begins the time of
// the next sleep, which wake shortens.
func (e *Engine) asleep(now time.Time) bool {
	if now.Before(e.due) && !now.Before(e.ticked) {
		return true
	}
	e.ticked, e.due = now, now.Add(longestSleep)
	return false
}

// wakeRaise wakes for the end of an on-delay under way.
func (e *Engine) wakeRaise(c *check) {
	at := c.badSince
	if c.tickWaits() {
		if e.started.After(at) {
			at = e.started
		}
		if !c.holds() {
			at = at.Add(c.probe.def.Every)
		}
	}
	e.wake(at.Add(c.rule.OnDelay))
}

// tickWaits reports whether a tick gives the next reading its chance before it
// raises the alarm.
func (c *check) tickWaits() bool { return c.probe != nil && c.rule.Kind != alarm.SilentProbe }

// wakeNext wakes for what a tick may next have to do for a check, delays under
// way aside.
func (c *check) wakeNext(e *Engine, now time.Time) {
	if hold := c.answerHolds(); c.state == alarm.Acknowledged && hold > 0 && !c.calm(now) {
		e.wake(c.movedAt.Add(hold))
	}
	c.wakeHidden(e, now)
	c.wakeChatter(e, now)
	if c.cause != "" && c.causedBy != nil && c.state.Active() && !c.causedBy.state.Active() {
		e.wake(c.causedBy.endedAt.Add(afterCause))
	}
	switch {
	case c.part == Flood:
		c.wakeFlood(e)
	case c.rule.Kind == alarm.SilentProbe:
		if !c.state.Active() {
			e.wake(c.heardAt(e).Add(c.watch.After + 1))
		}
	case c.rule.Kind == alarm.MissedChore:
		e.wake(c.nextDue)
	case c.notice != nil:
		e.wake(now.Truncate(forecastEvery).Add(forecastEvery))
		c.wakeNotice(e, now)
	case c.det != nil:
		w, ok := c.det.(waker)
		if !ok {
			e.wake(now.Add(detectorSleep))
		} else if at := w.next(e, now); !at.IsZero() {
			e.wake(at)
		}
	}
}

// wakeNotice wakes for when a forecast that stays as it is comes near enough.
func (c *check) wakeNotice(e *Engine, now time.Time) {
	l, ok := e.book.Lot(c.lot)
	if !ok || !l.Finished.IsZero() {
		return
	}
	for _, f := range e.foresee(e.outlookAt(now), l, now).forecast {
		if f.Stage != c.notice.stage || f.Why != "" {
			continue
		}
		for _, lead := range []time.Duration{c.notice.lead, c.notice.lead + noticeBack} {
			if at := f.Earliest.Add(-lead); at.After(now) {
				e.wake(at)
			}
		}
	}
}
