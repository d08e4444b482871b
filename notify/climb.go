package notify

import (
	"slices"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

// Trouble that comes and goes. A call-out that is over before anybody answered has
// still woken nobody: what comes within goesOn of its end goes on climbing from
// where it stood. The time in which people had been told and nobody had answered
// counts, the time without trouble does not. Anybody who answers, or holds an alarm
// back, is awake: then it begins anew.

// goesOn is for how long after a call-out that nobody answered was over new trouble
// goes on climbing from there (common practice, no source).
const goesOn = time.Hour

// longestSpell bounds what one call-out counts for: longer than any watch list
// takes to be climbed.
const longestSpell = 24 * time.Hour

// spell is a time in which people knew of one call-out and nobody had answered it.
type spell struct {
	from, to time.Time
	seq      int // of the transition that ended it
}

// climbSteps notes what a transition, the next one, means for what has been climbed.
// t is what is known of its alarm before it.
func (r *Router) climbSteps(t *trouble, tr alarm.Transition) {
	r.seq++
	if tr.Priority != alarm.CallOut && (t == nil || t.raised.Priority != alarm.CallOut) {
		return
	}
	held := tr.From == alarm.Unacknowledged && tr.To == alarm.Unacknowledged && tr.Hidden != ""
	if tr.By != "" || held {
		r.awake = max(r.awake, r.seq)
	}
	if t != nil && t.unanswered() && t.told && tr.Returned() && tr.By == "" && tr.Detail != alarm.NoLongerWatched {
		from := t.firstTold
		if least := tr.At.Add(-longestSpell); from.Before(least) {
			from = least
		}
		r.spells = append(r.spells, spell{from, tr.At, r.seq})
	}
}

// forgetSpells drops those that cannot count any more, and mends those that lie
// ahead, since the clock was set back after them.
func (r *Router) forgetSpells(now time.Time) {
	r.spells = slices.DeleteFunc(r.spells, func(s spell) bool { return s.seq <= r.awake || now.Sub(s.to) > Remembers })
	for i := range r.spells {
		s := &r.spells[i]
		if ahead := s.to.Sub(now); ahead > 0 {
			s.from, s.to = s.from.Add(-ahead), now
		}
	}
}

// climbed is for how long in all nobody has answered, as it stands now: since the
// first of trouble that stands was told, and before that in spells that each ended
// less than goesOn before the next began. since are when each of what stands was
// first told.
func (r *Router) climbed(now time.Time, since []time.Time) time.Duration {
	if len(r.spells)+len(since) == 0 {
		return 0
	}
	all := slices.Clone(r.spells)
	for _, at := range since {
		if least := now.Add(-longestSpell); at.Before(least) {
			at = least
		}
		all = append(all, spell{from: at, to: now})
	}
	slices.SortStableFunc(all, func(a, b spell) int { return a.from.Compare(b.from) })
	var sum time.Duration
	var end time.Time
	for _, s := range append(all, spell{from: now, to: now}) {
		switch {
		case s.from.Sub(end) >= goesOn:
			sum, end = s.to.Sub(s.from), s.to
		case s.to.After(end):
			sum += min(s.to.Sub(end), s.to.Sub(s.from))
			end = s.to
		}
	}
	return sum
}

// RestoreClimb rebuilds how far call-outs that are over had climbed, after Restore.
// journal and messages are of at least the last Remembers, standing as for Restore.
func (r *Router) RestoreClimb(journal, standing []alarm.Transition, messages []callout.Message) {
	past := NewRouter(r.policy, nil, r.make)
	past.people = nil
	for _, p := range r.people {
		past.people = append(past.people, &ear{Person: p.Person})
	}
	past.Restore(journal, standing, messages)
	r.spells, r.awake, r.seq = past.spells, past.awake, past.seq
}
