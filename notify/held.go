package notify

import (
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

// hold is trouble whose call-outs a person holds back, of which the others do not
// know yet.
type hold struct {
	by    string
	keys  []alarm.Key
	until time.Time
}

// HeldBack takes in that a person holds back the call-outs of alarms until a time;
// Due then tells the others who were called for them: they would else wait for
// each other, and whoever holds back half asleep, again and again, would be alone
// with it. It is stored together with the messages about it.
func (r *Router) HeldBack(by string, keys []alarm.Key, until time.Time) {
	r.held = append(r.held, hold{by, slices.Clone(keys), until})
}

// dueHeld tells the others who holds what back.
func (r *Router) dueHeld(now time.Time) []callout.Message {
	var out []callout.Message
	for _, h := range r.held {
		all := r.gather(now, r.ranked(alarm.CallOut, func(t *trouble) bool { return t.active() && slices.Contains(h.keys, t.raised.Key) }))
		for _, p := range r.people {
			if strings.EqualFold(p.Name, h.by) {
				continue
			}
			l := letter{why: callout.Answered, to: p, ways: 1, spare: true}
			for _, t := range all {
				if t.knows(p).ever || r.root(now, t).knows(p).ever {
					l.list = append(l.list, t)
				}
			}
			if len(l.list) > 0 {
				l.words = r.heldText(now, h, l.list)
				out = append(out, r.write(now, &l)...)
			}
		}
	}
	r.held = nil
	for _, m := range out {
		r.mark(m.Reason, m.Person, m.Alarms, m.Code, now)
	}
	return out
}

// heldText tells that nobody is called for a while, at whose word.
func (r *Router) heldText(now time.Time, h hold, list []*trouble) words {
	name, until := person(h.by), h.until.In(r.policy.Location).Format("15:04")
	b := r.begin(now)
	b.para("", name+" holds this back: nobody is called for it until "+until+". The trouble itself is still there; if it is still there then, it calls again.")
	b.blank()
	for _, t := range list {
		b.item(t)
	}
	p := list[0].shortParts(r, len(list)-1)
	p.lead, p.todo, p.answer = shortName(h.by)+" holds back until "+until+": ", "", "If it is still there then, it calls again"
	return words{
		subject: subject("Held back by "+name+" until "+until+" — "+oneLine(list[0].raised.Trouble), list[0].belowEnd(), len(list), ""),
		text:    b.end(), short: short(p),
	}
}
