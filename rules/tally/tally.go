// Package tally owns the statistics of alarms: how often each rule raised one,
// how often that was false by the keeper's own mark, how long people took to
// answer, what stands, chatters and floods. It is worked out from the journal
// and the acts alone. It does no I/O.
//
// The figures by which chatter, flood and long standing are told follow free
// texts that quote the alarm-management standards, as far as they were found
// (flood: more than 10 alarms in 10 minutes, over when fewer than 5; standing:
// over 24 h, from memory). Readings here come once a minute, so an alarm is
// taken to chatter at 3 raises in 30 minutes (common practice, no source).
package tally

import (
	"cmp"
	"slices"
	"time"

	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
)

const (
	// ChatterRaises in ChatterWithin make an alarm chattering.
	ChatterRaises = 3
	ChatterWithin = 30 * time.Minute
	// LongStanding is how long an alarm must be active to count as standing
	// long.
	LongStanding = 24 * time.Hour
	// A flood begins with more than FloodBegins alarms in FloodWithin and ends
	// with fewer than FloodEnds.
	FloodBegins = 10
	FloodEnds   = 5
	FloodWithin = 10 * time.Minute
)

// Rule is what one rule did.
type Rule struct {
	Kind alarm.Kind
	Name string
	// At is where it was written when it last spoke; "" for a built-in one.
	At       string
	Priority alarm.Priority
	// Raised counts raises, Hidden those of them nobody was called for (shelved,
	// being cleaned, out of service), Followed those that followed from another
	// alarm, False those a keeper marked as no trouble.
	Raised, Hidden, Followed, False int
	// Answered counts raises that somebody acknowledged; Median and Worst are
	// the times from raise to answer, 0 without any. Unanswered returned to
	// normal before anybody answered.
	Answered, Unanswered int
	Median, Worst        time.Duration
	// Standing is how many alarms are active now, StandingLong of them for
	// LongStanding or more.
	Standing, StandingLong int
	// Chattering counts alarms that chattered at some time.
	Chattering int
	// Active is the time for which its alarms were active, added up.
	Active time.Duration
}

// Flood is a time with more alarms than anybody can take in.
type Flood struct {
	From, To time.Time // To is zero while it goes on
	Alarms   int
}

// Tally is the statistics of a span.
type Tally struct {
	From, To time.Time
	// Rules are those that have alarms in the span, the ones that raised most
	// first, then by kind and name.
	Rules  []Rule
	Floods []Flood
	// Raised counts all raises; CallOuts those of call-out priority that were
	// neither hidden nor followed from another.
	Raised, CallOuts int
}

// FloodRule is the name of the built-in note of a flood, FloodTrouble its words.
// It is not one of the alarms that make one.
const (
	FloodRule    = "flood of alarms"
	FloodTrouble = "weirkeeper: " + FloodRule
)

type ruleName struct {
	kind alarm.Kind
	name string
}

// life is one alarm through the journal.
type life struct {
	rule     ruleName
	raisedAt time.Time // of the newest raise
	active   bool
	answered bool // of the newest raise
	inSpan   bool // its newest raise is
	raises   []time.Time
	chatter  bool
}

// Of works out the statistics of from <= time < to. The journal is in the order
// it was committed and should begin some days before from, so that what stood
// then is known; acts may be all there are.
func Of(journal []alarm.Transition, acts []act.Act, from, to time.Time) Tally {
	t := Tally{From: from, To: to}
	rules := make(map[ruleName]*Rule)
	lives := make(map[alarm.Key]*life)
	waits := make(map[ruleName][]time.Duration)
	of := func(tr alarm.Transition) *Rule {
		id := ruleName{tr.Kind, tr.Rule}
		r := rules[id]
		if r == nil {
			r = &Rule{Kind: tr.Kind, Name: tr.Rule}
			rules[id] = r
		}
		r.At, r.Priority = tr.RuleAt, tr.Priority
		return r
	}
	// spend books the time from a raise to its end that lies in the span.
	spend := func(l *life, end time.Time) {
		begin := l.raisedAt
		if begin.Before(from) {
			begin = from
		}
		if end.After(to) {
			end = to
		}
		if end.After(begin) {
			rules[l.rule].Active += end.Sub(begin)
		}
	}
	var raises []time.Time
	for _, tr := range journal {
		// A note of the past and what draws near in a lot are no alarms.
		if !tr.At.Before(to) || tr.From == alarm.Normal && tr.To == alarm.Normal || tr.Kind == alarm.LotDue {
			continue
		}
		r, l := of(tr), lives[tr.Key]
		if l == nil {
			l = &life{rule: ruleName{tr.Kind, tr.Rule}}
			lives[tr.Key] = l
			if !tr.Raised() && tr.From.Active() {
				l.active, l.raisedAt = true, tr.Since
			}
		}
		in := !tr.At.Before(from)
		switch {
		case tr.Raised():
			l.active, l.answered, l.raisedAt, l.inSpan = true, false, tr.At, in
			if !in {
				break
			}
			r.Raised++
			t.Raised++
			if tr.Kind != alarm.DaemonHealth || tr.Rule != FloodRule {
				raises = append(raises, tr.At)
			}
			switch {
			case tr.Hidden != "":
				r.Hidden++
			case tr.Cause != "":
				r.Followed++
			case tr.Priority == alarm.CallOut:
				t.CallOuts++
			}
			l.raises = append(l.raises, tr.At)
			if n := len(l.raises); n >= ChatterRaises && tr.At.Sub(l.raises[n-ChatterRaises]) <= ChatterWithin && !l.chatter {
				l.chatter = true
				r.Chattering++
			}
		case tr.Returned():
			if in && l.active {
				spend(l, tr.At)
			}
			if in && l.inSpan && !l.answered && tr.To != alarm.Normal {
				r.Unanswered++
			}
			l.active = false
		}
		if tr.To == alarm.Acknowledged && tr.From != alarm.Acknowledged && !l.answered {
			l.answered = true
			if in && l.inSpan {
				r.Answered++
				waits[l.rule] = append(waits[l.rule], tr.At.Sub(l.raisedAt))
			}
		}
	}
	for _, l := range lives {
		if !l.active {
			continue
		}
		r := rules[l.rule]
		r.Standing++
		if to.Sub(l.raisedAt) >= LongStanding {
			r.StandingLong++
		}
		spend(l, to)
	}
	t.marks(rules, lives, journal, acts)
	for id, r := range rules {
		if w := waits[id]; len(w) > 0 {
			slices.Sort(w)
			r.Worst = w[len(w)-1]
			if r.Median = w[len(w)/2]; len(w)%2 == 0 {
				r.Median = (w[len(w)/2-1] + w[len(w)/2]) / 2
			}
		}
		if r.Raised+r.Standing > 0 {
			t.Rules = append(t.Rules, *r)
		}
	}
	slices.SortFunc(t.Rules, func(a, b Rule) int {
		return cmp.Or(cmp.Compare(b.Raised, a.Raised), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Name, b.Name))
	})
	t.floods(raises)
	return t
}

// marks counts the raises that keepers marked as false, each once.
func (t *Tally) marks(rules map[ruleName]*Rule, lives map[alarm.Key]*life, journal []alarm.Transition, acts []act.Act) {
	type raise struct {
		key alarm.Key
		n   uint64
	}
	in := make(map[raise]bool)
	for _, tr := range journal {
		if tr.Raised() && !tr.At.Before(t.From) && tr.At.Before(t.To) {
			in[raise{tr.Key, tr.Occurrence}] = true
		}
	}
	for _, a := range acts {
		if id := (raise{a.Alarm, a.Occurrence}); a.Kind == act.MarkedFalse && in[id] {
			delete(in, id)
			rules[lives[a.Alarm].rule].False++
		}
	}
}

// floods finds them by a window that slides over the raises.
func (t *Tally) floods(raises []time.Time) {
	slices.SortFunc(raises, time.Time.Compare)
	var f *Flood
	first := 0
	end := func() {
		if f != nil {
			t.Floods = append(t.Floods, *f)
			f = nil
		}
	}
	for i, at := range raises {
		if f != nil {
			// It may have ended between two raises: when fewer than FloodEnds
			// were left in the window.
			if n := i - FloodEnds + 1; n >= 0 {
				if over := raises[n].Add(FloodWithin); over.Before(at) {
					f.To = over
					end()
				}
			}
		}
		for at.Sub(raises[first]) >= FloodWithin {
			first++
		}
		switch n := i - first + 1; {
		case f != nil:
			f.Alarms++
		case n > FloodBegins:
			f = &Flood{From: raises[first], Alarms: n}
		}
	}
	if f != nil {
		if over := raises[len(raises)-min(FloodEnds, len(raises))].Add(FloodWithin); over.Before(t.To) {
			f.To = over
		}
		end()
	}
}
