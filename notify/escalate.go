package notify

import (
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

// Who is called. One clock goes for all trouble: it begins when the first
// call-out about trouble that is now unanswered was told, and ends when nothing
// unanswered stands; what comes soon after goes on from there, see climb.go. At
// first the first of the watch list is called, after each Climb the next one too,
// beyond the last of them everybody. Whoever was told of what is still unanswered
// goes on being told, also when the watch changes.
//
// What each person knows is kept by person and trouble: so one who is called
// later is told at once, and of all that nobody has answered.

// ear is a person and what was told to that person last.
type ear struct {
	Person
	lastSent time.Time // the last message that Gather counts from
	lastTold time.Time // the last first or repeat, that Repeat counts from
	code     string    // the newest, also when it is over
}

// heard is what one person knows of one trouble, or of a drill.
type heard struct {
	told    bool      // of it, or that somebody answers, since it was last new
	ever    bool      // it was, and has not been told that it is over
	first   time.Time // told since it was last new
	at      time.Time // the newest message about it
	times   int       // messages that told of it, since it was last new
	repeats int       // those of them by which one more way is used
	code    string    // with which the person answers it
}

// note takes in a message.
func (h *heard) note(repeat bool, at time.Time, code string) {
	if h.times > 0 && h.at.Equal(at) {
		return // the same by another way
	}
	if h.times == 0 {
		h.first = at
	}
	if repeat {
		h.repeats++
	}
	h.told, h.ever, h.at, h.code = true, true, at, code
	h.times++
}

func (h *heard) shift(move func(...*time.Time)) { move(&h.first, &h.at) }

// to is what a person knows of a trouble, to be changed.
func (t *trouble) to(person string) *heard {
	if t.heard == nil {
		t.heard = map[string]*heard{}
	}
	h := t.heard[person]
	if h == nil {
		h = &heard{}
		t.heard[person] = h
	}
	return h
}

// knows is what a person knows of a trouble.
func (t *trouble) knows(p *ear) heard {
	if h := t.heard[p.Name]; h != nil {
		return *h
	}
	return heard{}
}

// anew makes a trouble one that people are to be told of again.
func (t *trouble) anew() {
	t.told, t.times, t.answer, t.firstTold = false, 0, false, time.Time{}
	for _, h := range t.heard {
		*h = heard{ever: h.ever}
	}
}

// unanswered reports whether people are to be called out for a trouble now.
func (t *trouble) unanswered() bool {
	return t.raised.Priority == alarm.CallOut && !t.hidden && t.latest.To == alarm.Unacknowledged
}

// everybody reports whether all are called at once, always.
func (r *Router) everybody() bool { return r.policy.Climb <= 0 }

// answeredBy notes who knows of a trouble by an answer to it: whoever answered,
// and where all are called at once, all: they hear of it in the same moment.
func (r *Router) answeredBy(t *trouble, by string) {
	for _, p := range r.people {
		if r.everybody() || strings.EqualFold(p.Name, by) {
			h := t.to(p.Name)
			h.told, h.ever = true, true
		}
	}
}

// call is whom call-outs go to.
type call struct {
	in map[*ear]bool
	// next are called at nextAt too; nil when everybody is called already.
	next   []string
	nextAt time.Time
}

// whom is who is called for what was first told at since (begun; otherwise now):
// those of the watch list that it has climbed to, first before all others, and
// who knows of it already.
func (r *Router) whom(now, since time.Time, begun bool, first []string, told func(*ear) bool) call {
	c := call{in: map[*ear]bool{}}
	order := r.order(now, first)
	upTo := func(level int64) []*ear {
		if r.everybody() || level >= int64(len(order)) {
			return r.people
		}
		return order[:level+1]
	}
	if !begun {
		since = now
	}
	level := int64(0)
	if !r.everybody() {
		level = min(int64(max(0, now.Sub(since))/r.policy.Climb), int64(len(order)))
	}
	for _, p := range upTo(level) {
		c.in[p] = true
	}
	for _, p := range r.people {
		c.in[p] = c.in[p] || told(p)
	}
	for l := level + 1; l <= int64(len(order)) && c.next == nil && !r.everybody(); l++ {
		for _, p := range upTo(l) {
			if !c.in[p] {
				c.next, c.nextAt = append(c.next, p.Name), since.Add(time.Duration(l)*r.policy.Climb)
			}
		}
	}
	return c
}

// order is the watch list of now, of those who can be reached: first before the
// others.
func (r *Router) order(now time.Time, first []string) []*ear {
	var order []*ear
	add := func(p *ear) {
		if !slices.Contains(order, p) {
			order = append(order, p)
		}
	}
	for _, name := range first {
		for _, p := range r.people {
			if strings.EqualFold(p.Name, name) {
				add(p)
			}
		}
	}
	if r.policy.Watch == nil {
		for _, p := range r.people {
			add(p)
		}
		return order
	}
	names, _ := r.policy.Watch.On(now)
	for _, name := range names {
		for _, p := range r.people {
			if p.Name == name {
				add(p)
			}
		}
	}
	return order
}

// calling is whom call-outs about trouble go to now. Where an answer did not
// help, whoever gave it comes first.
func (r *Router) calling(now time.Time) call {
	var since []time.Time
	var first []string
	list := r.sorted(alarm.CallOut)
	for _, t := range list {
		if !t.unanswered() {
			continue
		}
		if t.told {
			since = append(since, t.firstTold)
		}
		if t.reopened && t.answered.By != "" {
			first = append(first, t.answered.By)
		}
	}
	return r.whom(now, now.Add(-r.climbed(now, since)), true, first, func(p *ear) bool { return r.waitsFor(p, list) })
}

// waitsFor reports whether a person was told of trouble in a list that is
// unanswered.
func (r *Router) waitsFor(p *ear, list []*trouble) bool {
	return slices.ContainsFunc(list, func(t *trouble) bool { return t.unanswered() && t.knows(p).told })
}

// share is what one person is told in one message.
type share struct {
	to            *ear
	why           callout.Reason
	tell, besides []*trouble
	joins         bool // called since others have not answered
}

// dueCallOut gives at most one message to each person, and nothing before
// Gather is over.
func (r *Router) dueCallOut(now time.Time, c call) []callout.Message {
	list := r.sorted(alarm.CallOut)
	own := r.gather(now, list)
	var shares []share
	for _, p := range r.people {
		if now.Sub(p.lastSent) < r.policy.Gather {
			continue
		}
		if s := r.share(now, p, own, c.in[p]); s.why != "" {
			s.joins = s.why == callout.First && !r.everybody() && !r.waitsFor(p, list) && slices.ContainsFunc(s.tell, func(t *trouble) bool { return t.told })
			shares = append(shares, s)
		}
	}
	var out []callout.Message
	for _, s := range shares {
		l := letter{why: s.why, to: s.to, list: s.tell, ways: 1}
		switch s.why {
		case callout.Returned:
			l.list = slices.Concat(s.besides, s.tell)
			l.words = r.returnedText(now, r.hearer(now, s.to, ""), l.list)
		default:
			for _, t := range s.tell {
				l.ways = max(l.ways, 1+t.knows(s.to).repeats)
			}
			if s.why == callout.Repeat {
				l.ways++
			}
			l.spare, l.code = true, r.codeFor(now, s.to, false)
			h := r.hearer(now, s.to, l.code)
			if !r.everybody() {
				var joining []*ear
				for _, o := range shares {
					if o.joins {
						joining = append(joining, o.to)
					}
				}
				r.whoElse(&h, s.to, joining, c, func(p *ear) (first time.Time, told bool) {
					for _, t := range s.tell {
						if k := t.knows(p); k.told && t.unanswered() && (!told || k.first.Before(first)) {
							first, told = k.first, true
						}
					}
					return first, told
				})
			}
			l.words = r.callOutText(now, h, s.tell, s.besides)
		}
		out = append(out, r.write(now, &l)...)
	}
	// They are marked together: what one person is told takes nothing from
	// another's message.
	for _, m := range out {
		r.mark(m.Reason, m.Person, m.Alarms, m.Code, now)
	}
	for _, s := range shares {
		if len(s.to.Reach) == 0 {
			r.mark(s.why, s.to.Name, keysOf(slices.Concat(s.besides, s.tell), true), "", now)
		}
	}
	return out
}

// share decides what a person is told, if anything. own are the troubles that
// are told by themselves, called says whether the person is called out now.
func (r *Router) share(now time.Time, p *ear, own []*trouble, called bool) share {
	s := share{to: p}
	anyActive, fresh := false, false
	var answered []*trouble // by others, and not known to this person
	for _, t := range own {
		h := t.knows(p)
		anyActive = anyActive || t.active() && (h.ever || called && t.latest.To == alarm.Unacknowledged)
		for _, f := range t.follow {
			anyActive = anyActive || f.active() && (h.ever || f.knows(p).ever || called && f.latest.To == alarm.Unacknowledged)
		}
		switch {
		case h.told && t.latest.To != alarm.Unacknowledged:
			if h.ever {
				s.besides = append(s.besides, t)
			}
		case h.told:
			s.tell = append(s.tell, t)
		case t.latest.To == alarm.Unacknowledged:
			if called {
				s.tell, fresh = append(s.tell, t), true
			}
		case t.active():
			answered = append(answered, t)
		case !t.told && called: // it came and went
			s.tell, fresh = append(s.tell, t), true
		case h.ever:
			s.besides = append(s.besides, t)
		}
	}
	switch {
	case !anyActive && len(s.tell)+len(s.besides) > 0:
		s.why = callout.Returned
	case fresh:
		s.why = callout.First
	case len(s.tell) > 0 && now.Sub(p.lastTold) >= r.policy.Repeat:
		s.why = callout.Repeat
	}
	if s.why != callout.Returned {
		s.besides = append(s.besides, answered...)
	}
	return s
}

// hearer is what the words of a message to a person depend on.
func (r *Router) hearer(now time.Time, p *ear, code string) hearer {
	h := hearer{name: p.Name, code: code, times: func(t *trouble) int { return t.knows(p).times }}
	h.byText = slices.ContainsFunc(p.Reach, func(w callout.Reach) bool { return w.Way == callout.SMS })
	if code != "" && r.policy.Link != nil {
		h.link = r.policy.Link(p.Name, code, now.UTC().Add(r.policy.Expire))
	}
	return h
}

// whoElse says who else was told and has not answered, who is called with this
// person for that, and who next. told gives since when a person knows, if so.
func (r *Router) whoElse(h *hearer, me *ear, joining []*ear, c call, told func(*ear) (first time.Time, ok bool)) {
	type silent struct {
		name string
		at   time.Time
	}
	var others []silent
	for _, p := range r.people {
		if at, ok := told(p); ok && p != me {
			others = append(others, silent{p.Name, at})
		}
	}
	slices.SortStableFunc(others, func(a, b silent) int { return a.at.Compare(b.at) })
	for i, o := range others {
		if i == 0 {
			h.silentSince = o.at
		}
		h.silent = append(h.silent, o.name)
	}
	h.joins, h.next, h.nextAt = slices.Contains(joining, me), c.next, c.nextAt
	for _, o := range joining {
		if h.joins && o != me {
			h.also = append(h.also, o.Name)
		}
	}
}

// letter is a message before it has an address.
type letter struct {
	why   callout.Reason
	to    *ear
	words words
	code  string
	list  []*trouble
	// ways is how many of the person's ways it goes by, spare whether the others
	// stand by, each for the one before it. byMail: by email rather, where there is.
	ways   int
	spare  bool
	byMail bool
	// via is the only way it goes by, where the person has it.
	via   callout.Way
	until time.Time // when there is no more point in it, if that is sooner
}

// standBy is what Policy.Spare is when it is not set.
const standBy = 2 * time.Minute

// write addresses a letter.
func (r *Router) write(now time.Time, l *letter) []callout.Message {
	now = now.UTC()
	wait := r.policy.Expire
	if l.why == callout.Repeat {
		wait = min(wait, r.policy.Repeat)
	}
	m := callout.Message{
		Reason: l.why, Person: l.to.Name, Subject: l.words.subject, Text: l.words.text, Short: l.words.short, Code: l.code,
		Alarms: keysOf(l.list, true), CreatedAt: now, ExpiresAt: now.Add(wait),
	}
	if !l.until.IsZero() && l.until.Before(m.ExpiresAt) {
		m.ExpiresAt = l.until.UTC()
	}
	reach := l.to.Reach
	if l.byMail {
		l.via = callout.Email
	}
	if i := slices.IndexFunc(reach, func(w callout.Reach) bool { return w.Way == l.via }); i >= 0 {
		reach = reach[i : i+1]
	}
	spare := r.policy.Spare
	if spare <= 0 {
		spare = standBy
	}
	var out []callout.Message
	for i, w := range reach {
		m.Way, m.Address, m.Unless, m.NotBefore = w.Way, w.Address, "", time.Time{}
		if i >= l.ways {
			if !l.spare {
				break
			}
			m.Unless, m.NotBefore = out[i-1].ID, now.Add(time.Duration(i+1-l.ways)*spare)
		}
		m.ID = r.make.ID(now)
		out = append(out, m)
	}
	return out
}

// keysOf lists troubles, and what follows from each.
func keysOf(list []*trouble, follow bool) []alarm.Key {
	keys := make([]alarm.Key, 0, len(list))
	for _, t := range list {
		keys = append(keys, t.raised.Key)
		for _, f := range t.follow {
			if follow {
				keys = append(keys, f.raised.Key)
			}
		}
	}
	return keys
}

// Reply writes the answer to a person's own message, by the way it came; by the
// person's first way where that is not one of theirs. Nobody else gets it.
func (r *Router) Reply(now time.Time, person string, via callout.Way, subject, text, short string) []callout.Message {
	for _, p := range r.people {
		if p.Name == person {
			return r.write(now, &letter{why: callout.Reply, to: p, words: words{subject, text, short}, ways: 1, via: via})
		}
	}
	return nil
}
