package notify

import (
	"fmt"
	"strconv"
	"time"

	"weirkeeper/rules/alarm"
)

// Source makes what must be new.
type Source struct {
	// ID must give a new ID at each call, unique for ever.
	ID func(now time.Time) string
	// Code gives four digits that nobody can foresee. nil: messages carry no
	// code.
	Code func(now time.Time) string
}

// CodeState is what a person's code stands for.
type CodeState uint8

const (
	// CodeWrong: it was not given to that person, or too long ago.
	CodeWrong CodeState = iota
	// CodeGood: something waits for an answer with it.
	CodeGood
	// CodeOver: what it was given for is answered already, or over.
	CodeOver
)

// rested is for how long a code that was used is not used again.
const rested = 24 * time.Hour

// Remembers is how far back Restore needs the messages at least: codes that are
// over are told from wrong ones for that long, and no morning is told of twice.
const Remembers = 2 * rested

// codeUse is who was given a code, and when last.
type codeUse struct {
	person string
	at     time.Time
}

// holds reports whether something that a person can answer with the newest code
// stands unanswered: trouble, or the drill.
func (r *Router) holds(p *ear) bool { return r.holdsTrouble(p) || r.holdsDrill(p) }

func (r *Router) holdsTrouble(p *ear) bool {
	if p.code == "" {
		return false
	}
	for _, t := range r.troubles {
		if h := t.knows(p); h.told && h.code == p.code && t.latest.To == alarm.Unacknowledged {
			return true
		}
	}
	return false
}

func (r *Router) holdsDrill(p *ear) bool {
	h := r.drill.to(p.Name)
	return p.code != "" && r.drill.open() && h.told && h.code == p.code
}

// codeFor is the code for a person's next call-out, or message about the drill:
// the same as long as one stands unanswered, else one that nobody has and that has
// rested. Whoever answers a drill has not answered trouble that was told meanwhile,
// so a code never stands for both.
func (r *Router) codeFor(now time.Time, p *ear, drill bool) string {
	if r.make.Code == nil || len(p.Reach) == 0 {
		return ""
	}
	if drill && r.holdsDrill(p) || !drill && r.holdsTrouble(p) {
		r.useCode(p, p.code, now)
		return p.code
	}
	free := func(code string) bool {
		use, used := r.codes[code]
		if used && now.Sub(use.at) < rested {
			return false
		}
		for _, o := range r.people {
			if o.code == code && r.holds(o) {
				return false
			}
		}
		return true
	}
	code := r.make.Code(now)
	for n := 0; n < 100 && !free(code); n++ {
		code = r.make.Code(now)
	}
	// Hardly ever: the next that is free.
	for n := 0; n < 10_000 && !free(code); n++ {
		i, _ := strconv.Atoi(code)
		code = fmt.Sprintf("%04d", (i+1)%10_000)
	}
	r.useCode(p, code, now)
	return code
}

func (r *Router) useCode(p *ear, code string, at time.Time) {
	p.code = code
	r.codes[code] = codeUse{p.Name, at}
	for c, use := range r.codes {
		if at.Sub(use.at) > Remembers {
			delete(r.codes, c)
		}
	}
}

// Answerable gives what a person answers with a code: the alarms that messages
// with it told that person of and that stand unanswered, and the drill, by the ID
// of the act that started it.
func (r *Router) Answerable(person, code string) (keys []alarm.Key, drill string, state CodeState) {
	if use, ok := r.codes[code]; !ok || use.person != person {
		return nil, "", CodeWrong
	}
	for _, t := range r.byKey() {
		if h := t.heard[person]; h != nil && h.told && h.code == code && t.latest.To == alarm.Unacknowledged {
			keys = append(keys, t.raised.Key)
		}
	}
	if h := r.drill.to(person); r.drill.open() && h.told && h.code == code {
		drill = r.drill.started.ID
	}
	if len(keys) == 0 && drill == "" {
		return nil, "", CodeOver
	}
	return keys, drill, CodeGood
}

// Code is what a person answers now, "" when nothing waits for an answer of
// theirs.
func (r *Router) Code(person string) string {
	for _, p := range r.people {
		if p.Name == person && r.holds(p) {
			return p.code
		}
	}
	return ""
}
