package notify

import (
	"strings"
	"time"

	"weirkeeper/rules/act"
	"weirkeeper/rules/callout"
)

// drill is a test call-out.
type drill struct {
	started act.Act
	// answer is the answer that the others do not know of yet.
	answer    *act.Act
	told      bool
	firstTold time.Time
	heard     map[string]*heard // by person
}

// open reports whether it waits for an answer, as far as is known.
func (d *drill) open() bool { return d != nil && d.answer == nil }

// over reports whether its time has run out.
func (d *drill) over(now time.Time) bool {
	return !d.started.Until.IsZero() && !now.Before(d.started.Until)
}

// to is what a person knows of it, to be changed.
func (d *drill) to(person string) *heard {
	if d == nil {
		return &heard{}
	}
	h := d.heard[person]
	if h == nil {
		h = &heard{}
		d.heard[person] = h
	}
	return h
}

// mark notes that a person was told of it.
func (d *drill) mark(person, code string, at time.Time) {
	if !d.told {
		d.told, d.firstTold = true, at
	}
	h := d.to(person)
	h.note(h.times > 0, at, code)
}

// DrillStarted takes in the act that starts a drill: a test call-out, told like
// any other until it is answered or a.Until has come. Another drill ends by it.
// After Restore, before the first Due, it is given once more for a drill that
// stands; who was told of it is then known from the messages.
func (r *Router) DrillStarted(a act.Act) {
	if r.drill != nil && r.drill.started.ID == a.ID {
		return
	}
	r.drill = &drill{started: a, heard: map[string]*heard{}}
	for _, m := range r.drilled {
		if !m.CreatedAt.Before(a.At) {
			r.drill.mark(m.Person, m.Code, m.CreatedAt)
		}
	}
}

// DrillAnswered takes in the answer to the drill that stands; Due then tells it
// to the others who were told of the drill. Too late is no answer.
func (r *Router) DrillAnswered(a act.Act) {
	if r.drill.open() && !r.drill.over(a.At) {
		r.drill.answer = &a
	}
}

// RestoreDrills takes in the acts of the record, in their order, after Restore
// and before the first Due. An answer is stored together with the messages about
// it, so nobody is told of it again.
func (r *Router) RestoreDrills(acts []act.Act) {
	for _, a := range acts {
		if a.Kind == act.DrillStarted {
			r.DrillStarted(a)
		}
		if a.Kind == act.DrillAnswered {
			r.drill = nil
		}
	}
}

// endDrill ends a drill whose time has run out.
func (r *Router) endDrill(now time.Time) {
	if r.drill.open() && r.drill.over(now) {
		r.drill = nil
	}
}

// dueDrill tells of a drill, and that it was answered. While real trouble stands
// unanswered it says nothing; it does not count for Gather.
func (r *Router) dueDrill(now time.Time) []callout.Message {
	d := r.drill
	r.drilled = nil
	if d == nil {
		return nil
	}
	if d.answer != nil {
		r.drill = nil
		var out []callout.Message
		for _, p := range r.people {
			if !d.to(p.Name).told || strings.EqualFold(p.Name, d.answer.By) {
				continue
			}
			w := r.drillAnsweredText(now, r.hearer(now, p, ""), d.answer.By, max(0, d.answer.At.Sub(d.started.At)))
			out = append(out, r.write(now, &letter{why: callout.Answered, to: p, words: w, ways: 1, spare: true})...)
		}
		return out
	}
	for _, t := range r.troubles {
		if t.unanswered() {
			return nil
		}
	}
	d.firstTold = notAfter(now, d.firstTold, r.policy.Climb)
	c := r.whom(now, d.firstTold, d.told, nil, func(p *ear) bool { return d.to(p.Name).told })
	var to, joining []*ear
	for _, p := range r.people {
		h := d.to(p.Name)
		h.at = notAfter(now, h.at, r.policy.Repeat)
		if c.in[p] && (!h.told || now.Sub(h.at) >= r.policy.Repeat) {
			to = append(to, p)
			if d.told && !h.told {
				joining = append(joining, p)
			}
		}
	}
	var out []callout.Message
	for _, p := range to {
		n := d.to(p.Name).times
		l := letter{why: callout.Drill, to: p, code: r.codeFor(now, p, true), ways: 1 + n, spare: true, until: d.started.Until}
		h := r.hearer(now, p, l.code)
		if !r.everybody() {
			r.whoElse(&h, p, joining, c, func(p *ear) (time.Time, bool) { return d.to(p.Name).first, d.to(p.Name).told })
		}
		l.words = r.drillText(now, h, n+1, d.started.By, d.started.Until)
		out = append(out, r.write(now, &l)...)
		if len(p.Reach) == 0 {
			d.mark(p.Name, "", now)
		}
	}
	for _, m := range out {
		d.mark(m.Person, m.Code, now)
	}
	return out
}
