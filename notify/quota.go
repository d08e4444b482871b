package notify

import (
	"context"
	"fmt"
	"slices"
	"time"

	"weirkeeper/rules/callout"
)

// quotaSpan is the time that a quota counts over.
const quotaSpan = time.Hour

// againShort heads a text message whose earlier copy may have arrived.
const againShort = "(Again) "

// nouns is what goes by a way.
func nouns(way callout.Way) string {
	switch way {
	case callout.Email:
		return "mail"
	case callout.SMS:
		return "text messages"
	case callout.Hook:
		return "hooks"
	}
	return "way " + string(way)
}

// GoesOut says that messages go out by a way, Stuck that they do not.
func GoesOut(way callout.Way) string {
	switch way {
	case callout.Email:
		return "mail goes out"
	case callout.SMS:
		return "text messages go out"
	case callout.Hook:
		return "hooks are reached"
	}
	return string(way) + " goes out"
}

// Stuck says that no messages go out by a way.
func Stuck(way callout.Way) string {
	switch way {
	case callout.Email:
		return "mail is not going out"
	case callout.SMS:
		return "text messages are not going out"
	case callout.Hook:
		return "hooks are not reached"
	}
	return string(way) + " is not going out"
}

// quota bounds what goes by a way within an hour. The last few are kept for
// first call-outs, and a few before those are not for replies: whoever forges a
// number and asks on and on uses up nobody's repeats.
type quota struct {
	limit  int
	sent   []time.Time // within the last hour, in order, those under way too
	loaded bool
	holds  bool // it holds a message back
	told   bool // there was news of it since the start
}

// room is how many may have gone in an hour with one for that reason.
func (q *quota) room(why callout.Reason) int {
	first, others := q.rooms()
	switch why {
	case callout.First:
		return first
	case callout.Reply:
		return max(1, 2*others-first)
	case callout.Repeat, callout.Returned, callout.MorningRound, callout.Answered, callout.AllWell, callout.Drill, callout.Heartbeat:
	}
	return others
}

// rooms is how many may go in an hour: of first call-outs, and of all others.
func (q *quota) rooms() (first, others int) {
	kept := 5
	if q.limit < 15 {
		kept = q.limit / 3
	}
	return q.limit, q.limit - kept
}

// prune drops what is more than an hour ago. What is ahead, because the clock
// was set back, counts from now on.
func (q *quota) prune(now time.Time) {
	for i, t := range q.sent {
		if t.After(now) {
			q.sent[i] = now
		}
	}
	q.sent = slices.DeleteFunc(q.sent, func(t time.Time) bool { return now.Sub(t) >= quotaSpan })
}

// free is when the next one may go if n may in an hour; not after now when it
// may at once.
func (q *quota) free(n int) time.Time {
	if len(q.sent) < n {
		return time.Time{}
	}
	return q.sent[len(q.sent)-n].Add(quotaSpan)
}

// loadQuotas counts what went before the start, and tells when a quota holds
// nothing back any more. What cannot be counted does not hold up anybody.
func (s *Sender) loadQuotas(ctx context.Context, now time.Time) {
	for _, way := range callout.Ways() {
		q := s.quotas[way]
		if q == nil {
			continue
		}
		var before []time.Time
		if !q.loaded { // only Run's goroutine writes it
			var err error
			if before, err = s.opt.Outbox.SentSince(ctx, way, now.Add(-quotaSpan)); err != nil {
				if ctx.Err() == nil {
					s.opt.Log.Error("what went before the start is not counted yet", "component", "notify", "way", string(way), "err", err)
				}
				continue
			}
		}
		s.mu.Lock()
		q.sent = append(before, q.sent...)
		q.prune(now)
		if _, others := q.rooms(); (!q.told || q.holds) && len(q.sent) < others {
			q.holds, q.told = false, true
			s.opt.OnQuota(false, GoesOut(way)+" again")
		}
		q.loaded = true
		s.mu.Unlock()
	}
}

// take reserves room for a message, from now on, and has the last one say so;
// ok is false when there is none.
func (s *Sender) take(m *callout.Message, now time.Time) (taken time.Time, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	q := s.quotas[m.Way]
	if q == nil {
		return time.Time{}, true
	}
	q.prune(now)
	first, others := q.rooms()
	room := q.room(m.Reason)
	if len(q.sent) >= room {
		if !q.holds && m.Reason != callout.Reply { // nobody waits for one
			q.holds, q.told = true, true
			s.opt.OnQuota(true, fmt.Sprintf("%s have reached their limit of %d an hour, the next goes after %s",
				nouns(m.Way), q.limit, q.free(room).In(s.opt.Location).Format("15:04")))
		}
		return time.Time{}, false
	}
	q.sent = append(q.sent, now)
	if n := len(q.sent); (n == first || n == others) && m.Short != "" {
		m.Short = lastShort(m.Short, q.limit, q.free(n).In(s.opt.Location))
	}
	return now, true
}

// release gives back room for a message that certainly did not go.
func (s *Sender) release(way callout.Way, taken time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if q := s.quotas[way]; q != nil {
		if i := slices.Index(q.sent, taken); i >= 0 {
			q.sent = slices.Delete(q.sent, i, i+1)
		}
	}
}
