package notify

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/measure"
)

// One cause makes one call-out. An alarm whose transitions name a Cause makes no
// message of its own while that cause is being told of; the cause's messages list
// it, and what joins later is in the next repeat. The engine frees it when its
// cause is over. It is told by itself all the same, as any other alarm, when
//   - people are not called for its cause, or for another priority,
//   - its cause is answered and it is not: the engine raised it too long after
//     the answer for whoever answered to know,
//   - its cause has been over for longer than the engine waits.

// afterCause is for how long trouble is still taken to follow from a cause that
// is over: twice what the engine waits before it frees it (common practice, no
// source). It only counts where the engine forgets to.
const afterCause = 10 * time.Minute

// cause is the trouble whose messages list t, nil for none. A zero now leaves
// time out of it.
func (r *Router) cause(now time.Time, t *trouble) *trouble {
	c := r.troubles[t.latest.Cause]
	switch {
	case t.latest.Cause == "", c == nil, c == t, c.hidden, c.raised.Priority != t.raised.Priority:
		return nil
	case t.latest.To == alarm.Unacknowledged && c.latest.To == alarm.Acknowledged:
		return nil
	case t.active() && !c.active() && now.Sub(c.latest.At) >= afterCause:
		return nil
	}
	return c
}

// root is the first cause of t, t itself when it has none.
func (r *Router) root(now time.Time, t *trouble) *trouble {
	at := t
	for range r.troubles { // a ring would end too
		c := r.cause(now, at)
		if c == nil {
			return at
		}
		at = c
	}
	return t
}

// gather gives the troubles of a sorted list that are told by themselves, each
// with what follows from it.
func (r *Router) gather(now time.Time, list []*trouble) []*trouble {
	var own []*trouble
	for _, t := range list {
		t.follow = nil
	}
	for _, t := range list {
		if root := r.root(now, t); root != t {
			root.follow = append(root.follow, t)
		} else {
			own = append(own, t)
		}
	}
	return own
}

// below names the active trouble that follows from t, by unit.
func (t *trouble) below() (units []string) {
	for _, f := range t.follow {
		if f.active() && f.raised.Kind != alarm.CommonCause && f.raised.Unit != t.raised.Unit && !slices.Contains(units, f.raised.Unit) {
			units = append(units, f.raised.Unit)
		}
	}
	return units
}

// belowWords counts the units below, "" for none.
func (t *trouble) belowWords() string {
	if n := len(t.below()); n > 0 {
		return measure.Count(n, "unit") + " below it"
	}
	return ""
}

// over counts the units where what followed from t is over with it.
func (t *trouble) over() int {
	var units []string
	for _, f := range t.follow {
		if !t.active() && !f.active() && f.raised.Unit != t.raised.Unit && !slices.Contains(units, f.raised.Unit) {
			units = append(units, f.raised.Unit)
		}
	}
	return len(units)
}

// mostNames is how many units are named of those that share one trouble.
const mostNames = 9

// followWords says what follows from t: "29 units low on flow: stack 1, stack 2
// and 27 more".
func (t *trouble) followWords() string {
	var kinds []string
	at := map[string][]string{}
	for _, f := range t.follow {
		if !f.active() || f.raised.Kind == alarm.CommonCause || f.raised.Unit == t.raised.Unit {
			continue
		}
		are := are(f.raised)
		if at[are] == nil {
			kinds = append(kinds, are)
		}
		if !slices.Contains(at[are], f.raised.Unit) {
			at[are] = append(at[are], f.raised.Unit)
		}
	}
	var parts []string
	for _, are := range kinds {
		names, rest := at[are], ""
		n := measure.Count(len(names), "unit") + " "
		if len(names) > mostNames+1 {
			rest = fmt.Sprintf(" and %d more", len(names)-mostNames)
			names = names[:mostNames]
		}
		parts = append(parts, n+are+": "+oneLine(strings.Join(names, ", "))+rest)
	}
	return strings.Join(parts, "; ")
}

// are says in what trouble units are that share one.
func are(tr alarm.Transition) string {
	switch tr.Kind {
	case alarm.LowFlow:
		return "low on flow"
	case alarm.LowOxygen:
		return "low on oxygen"
	case alarm.TemperatureBand, alarm.TemperatureDrift, alarm.FromSpring:
		return "off in temperature"
	default:
		_, what, ok := strings.Cut(tr.Trouble, ": ")
		if !ok {
			what = tr.Trouble
		}
		return "with " + oneLine(what)
	}
}

// belowEnd is belowWords as the end of a subject; "" where its value says it.
func (t *trouble) belowEnd() string {
	if s := t.belowWords(); s != "" && t.raised.Kind != alarm.CommonCause {
		return "; " + s
	}
	return ""
}
