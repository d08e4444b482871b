package rules

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/tally"
)

// An alarm that is raised for the third time in half an hour chatters: that raise
// says so, and from then on the alarm stands until all has been right for half an
// hour, so that nobody is called for each of its changes. While it is calm, that
// is while all is right for the moment or wrong for less than the on-delay, an
// answer does not grow old, nothing surfaces and nothing follows from it; when
// trouble that began after an answer lasts, it is told of all the same. The
// figures are those of rules/tally.

// chattering ends the trouble of an alarm that chatters. Rebuild knows it again by
// this.
const chattering = ", chattering"

// Trouble that begins anew after an answer to a chattering call-out is told of
// when it has lasted for worseTimes its on-delay, and for worseLeast (common
// practice, no source: shorter than fish live without flow, longer than the
// flicker of a value at its setpoint).
const (
	worseTimes = 5
	worseLeast = 5 * time.Minute
)

// chatter is what a check knows of its comings and goings.
type chatter struct {
	raises   [tally.ChatterRaises]time.Time // its newest, the last one last
	chatters bool
	// While it chatters, and while the past is read: the first bad look since the
	// newest good one, zero for none, and that good one.
	spell, lastGood time.Time
}

// mayChatter tells apart what is not held: what is over when somebody has done
// something, the alarms of what others share, and those for a probe, since
// nothing goes by a probe that one stands for.
func (c *check) mayChatter() bool {
	switch c.rule.Kind {
	case alarm.MissedChore, alarm.LotDue, alarm.CommonCause:
		return false
	default:
		return !probeFault(c.rule.Kind) && !c.part.own()
	}
}

// looked follows the spells of trouble.
func (c *check) looked(e *Engine, now time.Time, v verdict) {
	switch v {
	case good:
		c.spell, c.lastGood = time.Time{}, now
	case bad:
		if c.spell.IsZero() {
			c.spell = now
		}
		if c.chatters {
			c.wakeChatter(e, now)
		}
	case unknown, between:
	}
}

// offDelay is how long all must be right before an alarm is over.
func (c *check) offDelay() time.Duration {
	if c.chatters && !c.off {
		return max(c.rule.OffDelay, tally.ChatterWithin)
	}
	return c.rule.OffDelay
}

// calm reports whether a standing alarm is held only because it chatters.
func (c *check) calm(now time.Time) bool {
	return c.chatters && c.state.Active() && (c.spell.IsZero() || now.Sub(c.spell) < c.rule.OnDelay)
}

// raised counts a raise, for chatter and flood. It is called before the raise is
// told.
func (e *Engine) raised(now time.Time, c *check) {
	if e.quiet || c.part == Flood || c.notice != nil { // what draws near is no alarm
		return
	}
	e.remember(now, c)
	if c.mayChatter() && !c.raises[0].IsZero() && now.Sub(c.raises[0]) <= tally.ChatterWithin {
		c.chatters, c.spell = true, c.badSince
	}
}

func (e *Engine) remember(at time.Time, c *check) {
	push(e.raises[:], at)
	if c != nil {
		push(c.raises[:], at)
	}
}

func push(ring []time.Time, at time.Time) {
	copy(ring, ring[1:])
	ring[len(ring)-1] = at
}

// worse is how long trouble that began after an answer may last untold.
func (c *check) worse() time.Duration { return max(worseLeast, worseTimes*c.rule.OnDelay) }

// worsened takes back an answer to a chattering call-out when it was right since
// and then wrong for long.
func (e *Engine) worsened(now time.Time, c *check) {
	if c.mayWorsen() && now.Sub(c.spell) >= c.worse() {
		e.move(now, c, alarm.Unacknowledged, "")
	}
}

func (c *check) mayWorsen() bool {
	return c.chatters && c.state == alarm.Acknowledged && c.priority() == alarm.CallOut && !c.spell.IsZero() && c.lastGood.After(c.movedAt)
}

// wakeChatter wakes for when a chattering alarm is calm no longer, and for when it
// has become worse.
func (c *check) wakeChatter(e *Engine, now time.Time) {
	if !c.chatters || c.spell.IsZero() {
		return
	}
	if at := c.spell.Add(c.rule.OnDelay); !at.Before(now) {
		e.wake(at)
	}
	if c.mayWorsen() {
		e.wake(c.spell.Add(c.worse()))
	}
}

// chatterWords says that an alarm chatters.
func (c *check) chatterWords(trouble, detail string) (string, string) {
	if !c.goodSince.IsZero() {
		detail += ", right for the moment"
	}
	return trouble + chattering, strings.TrimPrefix(detail+"; it comes and goes, and stands until all was right for 30 min", "; ")
}

// recall restores what chatters and how many alarms came lately from the journal.
func (e *Engine) recall(recent []alarm.Transition) {
	byKey := make(map[alarm.Key]*check, len(e.checks))
	for _, c := range e.checks {
		byKey[c.key()] = c
		c.raises = [tally.ChatterRaises]time.Time{}
	}
	clear(e.raises[:])
	for _, t := range recent {
		if c := byKey[t.Key]; t.Raised() && t.Kind != alarm.LotDue && (c == nil || c.part != Flood) {
			e.remember(t.At, c)
		}
	}
}

// Recent is how far back Rebuild wants the journal.
const Recent = max(tally.ChatterWithin, tally.FloodWithin)

// flood judges whether more alarms come than anybody can take in.
func (e *Engine) flood(now time.Time, c *check) verdict {
	since := e.raises[0] // of one more than make a flood
	if c.state.Active() {
		since = e.raises[len(e.raises)-tally.FloodEnds]
	}
	if since.IsZero() || now.Sub(since) >= tally.FloodWithin {
		return good
	}
	return bad
}

// wakeFlood wakes for the end of a flood.
func (c *check) wakeFlood(e *Engine) {
	if c.state.Active() {
		e.wake(e.raises[len(e.raises)-tally.FloodEnds].Add(tally.FloodWithin))
	}
}

func floodWords(active bool) (trouble, detail string) {
	if active {
		return tally.FloodTrouble, fmt.Sprintf("more than %d alarms within 10 min", tally.FloodBegins)
	}
	return tally.FloodTrouble, fmt.Sprintf("fewer than %d alarms within 10 min", tally.FloodEnds)
}

// own parts are judged by the engine itself.
func (p Part) own() bool { return slices.Contains([]Part{Service, Flood}, p) }
