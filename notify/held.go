package notify

import (
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

// hold is trouble whose call-outs a person holds back, of which the others do not
// know yet.
type hold struct {
	by    string
	keys  []alarm.Key
	until time.Time
	site  bool // all of the site is paused
}

// HeldBack takes in an act by which a person holds back the call-outs of an alarm
// (act.Shelved) or of all but the daemon's own (act.Paused), before what the engine
// makes of it. Due then tells the others who were called for what nobody has
// answered: they would else wait for each other, and whoever holds back half
// asleep, again and again, would be alone with it. The act is stored together with
// the messages about it, so after a restart it is not given again.
func (r *Router) HeldBack(a act.Act) {
	h := hold{by: a.By, until: a.Until, site: a.Kind == act.Paused}
	for _, t := range r.byKey() {
		own := t.raised.Kind == alarm.DaemonHealth
		if t.raised.Priority == alarm.CallOut && t.latest.To == alarm.Unacknowledged && (h.site && !own || !h.site && t.raised.Key == a.Alarm) {
			h.keys = append(h.keys, t.raised.Key)
		}
	}
	if len(h.keys) == 0 {
		return
	}
	if n := len(r.held) - 1; n >= 0 && r.held[n].by == h.by && r.held[n].until.Equal(h.until) && r.held[n].site == h.site {
		r.held[n].keys = append(r.held[n].keys, h.keys...) // one message tells of all
		return
	}
	r.held = append(r.held, h)
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
	name, until := person(h.by), act.Clock(h.until, now, r.policy.Location)
	p := list[0].shortParts(r, len(list)-1)
	p.todo, p.answer = "", "If it is still there then, it calls again"
	p.lead = shortName(h.by) + " holds back until " + until + ": "
	head := "Held back by " + name + " until " + until
	first := name + " holds this back: nobody is called for it until " + until + "."
	if h.site {
		p.lead = shortName(h.by) + " paused the site until " + until + ". Still there: "
		head = "Site paused by " + name + " until " + until
		first = name + " has paused the whole site: nobody is called for anything but weirkeeper itself until " + until + "."
	}
	b := r.begin(now)
	b.para("", first+" The trouble itself is still there; what has not ended by then calls again.")
	b.blank()
	for _, t := range list {
		b.item(t)
	}
	return words{
		subject: subject(head+" — "+oneLine(list[0].raised.Trouble), list[0].belowEnd(), len(list), ""),
		text:    b.end(), short: short(p),
	}
}
