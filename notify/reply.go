package notify

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/measure"
)

// nightName is the most that a probe's name takes in the table of the night.
const nightName = 28

// allWellText tells in the morning that nothing waits for anybody, or only what
// people know of already: standing.
func (r *Router) allWellText(now time.Time, h hearer, standing []*trouble, night []Extreme, aside []Aside) words {
	b := r.begin(now)
	besides := ""
	if n := len(aside); n > 0 {
		besides = ". " + measure.Capital(oneLine(aside[0].Words)) + moreOf(n-1)
	}
	var silent []string
	for _, x := range night {
		if x.Min == "" {
			silent = append(silent, extremeName(x, night))
		}
	}
	var w words
	switch {
	case len(standing) > 0:
		b.line("Nothing new waits for anybody. What still stands:")
		b.blank()
		for _, t := range standing {
			b.standing(t)
		}
		w.subject = subject("Good morning: still there: "+oneLine(standing[0].raised.Trouble), "", len(standing), answerState(standing[0]))
		w.short = r.shortStanding("Good morning. Still there: ", standing, len(standing)-1)
	case len(silent) > 0:
		b.para("", "No alarm stands, but nothing was heard of "+andList(silent[:min(len(silent), fullBlocks)])+moreOf(len(silent)-fullBlocks)+".")
		w.subject = subject("Good morning: no alarm, but nothing heard of "+silent[0], "", len(silent), "")
		w.short = shortNight("Good morning, "+cutMiddle(r.policy.SiteName, nameWidth)+": no alarm stands"+besides, night)
	default:
		b.line("All is well: no alarm stands and nothing waits for anybody.")
		w.subject = "All is well at " + cut(oneLine(r.policy.SiteName), nameWidth)
		if len(aside) > 0 {
			w.subject = subject("Good morning: no alarm, but "+oneLine(aside[0].Words), "", len(aside), "")
		}
		w.short = shortNight("All is well at "+cutMiddle(r.policy.SiteName, nameWidth)+", "+now.In(r.policy.Location).Format("2 Jan 15:04")+besides, night)
	}
	b.aside(aside)
	b.night(night)
	b.blank()
	b.para("", "Nothing to answer. It comes each morning: on a morning without it, go and look at the water and at the hatchery computer.")
	w.text = b.end()
	return w
}

func moreOf(n int) string {
	if n <= 0 {
		return ""
	}
	return fmt.Sprintf(" and %d more", n)
}

// extremeName names a probe's place and quantity, the probe itself where there
// are several of them.
func extremeName(x Extreme, night []Extreme) string {
	same := 0
	for _, y := range night {
		if y.Unit == x.Unit && y.Quantity == x.Quantity {
			same++
		}
	}
	if x.Unit == "" || same > 1 {
		return oneLine(x.Probe)
	}
	return oneLine(x.Unit + " " + x.Quantity)
}

// night writes the least and the most of each probe.
func (b *body) night(night []Extreme) {
	if len(night) == 0 {
		return
	}
	rows := [][4]string{{"The night", "least", "most", "silent for"}}
	for _, x := range night {
		row := [4]string{cutMiddle(extremeName(x, night), nightName), "nothing heard"}
		if x.Min != "" {
			row[1], row[2] = b.at(x.Min, x.MinAt), b.at(x.Max, x.MaxAt)
		}
		if x.Silent > 0 {
			row[3] = measure.FormatDuration(x.Silent)
		}
		rows = append(rows, row)
	}
	var wide [4]int
	for _, row := range rows {
		for i, s := range row {
			wide[i] = max(wide[i], utf8.RuneCountInString(s))
		}
	}
	b.blank()
	for _, row := range rows {
		var line strings.Builder
		for i, s := range row {
			line.WriteString(s + strings.Repeat(" ", wide[i]-utf8.RuneCountInString(s)+2))
		}
		b.line(strings.TrimRight(line.String(), " "))
	}
}

// at is a value with its time of the night.
func (b *body) at(v string, at time.Time) string {
	return oneLine(v) + " " + at.In(b.r.policy.Location).Format("15:04")
}

// aside writes what nobody is called for at somebody's word.
func (b *body) aside(aside []Aside) {
	if len(aside) == 0 {
		return
	}
	b.blank()
	b.line("Held back, so nobody is called:")
	for _, a := range aside {
		b.para("  ", "- "+oneLine(a.Words))
	}
}

// standing writes trouble and who answered it.
func (b *body) standing(t *trouble) {
	b.para("  ", "- "+b.words(t)+", "+answerState(t))
}

// answerState says whether somebody comes, or why nobody is called.
func answerState(t *trouble) string {
	switch {
	case t.hidden:
		return oneLine(t.latest.Hidden)
	case t.latest.To == alarm.Acknowledged && t.latest.By != "":
		return "answered by " + person(t.latest.By)
	case t.latest.To == alarm.Acknowledged:
		return "answered"
	}
	return "nobody has answered"
}

// drillText asks for the answer to a test call-out, the nth message about it to
// this person. by is who started it, "" for the calendar; until when it is to be
// answered.
func (r *Router) drillText(now time.Time, h hearer, n int, by string, until time.Time) words {
	b := r.begin(now)
	title, again := "Drill, nothing is wrong: please answer", ""
	b.para("", "This is a drill: nothing is wrong with the water. It tests that a call-out reaches you and that your answer comes back.")
	if by != "" {
		b.para("", "Started by "+person(by)+".")
	}
	b.blank()
	if n > 1 {
		title += fmt.Sprintf(" (again, nobody has answered, %s time)", ordinal(n))
		again = fmt.Sprintf("Nobody has answered, %s text", ordinal(n))
		b.line(fmt.Sprintf("Nobody has answered. This is message number %d about it.", n))
		b.blank()
	}
	if h.joins && len(h.silent) > 0 {
		again = shortSilent(h.silent)
	}
	b.whoIsCalled(h)
	b.para("", "Answer by "+b.clock(until)+". A drill that nobody answers is an alarm of its own.")
	b.blank()
	b.answerWays(h, false)
	answer := cmp.Or(h.reply("by "+b.clock(until)), "Answer by "+b.clock(until))
	s, _ := join("Drill, nothing is wrong:", cutMiddle(r.policy.SiteName, nameWidth), "tests its call-outs.", sentence(again), sentence(answer))
	return words{subject: title, text: b.end(), short: s}
}

// drillAnsweredText tells that a drill was answered, took after it began.
func (r *Router) drillAnsweredText(now time.Time, h hearer, name string, took time.Duration) words {
	s := "Drill answered by " + person(name) + " after " + minutes(took)
	return r.letter(now, s, "Drill answered by "+shortName(name)+" after "+minutes(took)+". There is nothing to do.", s+". There is nothing to do.")
}

// letter is a message of few words.
func (r *Router) letter(now time.Time, subject, short string, paragraphs ...string) words {
	b := r.begin(now)
	for i, p := range paragraphs {
		if i > 0 {
			b.blank()
		}
		b.para("", p)
	}
	s, ok := join(short)
	if !ok {
		s = cutMiddle(s, shortest)
	}
	return words{subject: cut(subject, subjectWidth), text: b.end(), short: s}
}

// Status says what stands now, worst first, or that all is well: what "status"
// is answered with.
func (r *Router) Status(now time.Time, look Look) (subject, text, short string) {
	r.look = look
	list := slices.Concat(r.ranked(alarm.CallOut, (*trouble).active), r.ranked(alarm.Morning, (*trouble).active))
	for _, t := range list {
		if t.current = ""; look.Current != nil {
			t.current = oneLine(look.Current(t.raised.Key))
		}
	}
	list = r.gather(now, list)
	site := cut(oneLine(r.policy.SiteName), nameWidth)
	clock := now.In(r.policy.Location).Format("15:04")
	if why := look.blind(); len(list) == 0 && why != "" {
		s := "No alarm stands, but nothing is known of the water now: " + why + ". Ask again in a while, or go and look."
		w := r.letter(now, "Nothing is known of "+site+" now", clock+" "+s, s)
		return w.subject, w.text, w.short
	}
	if len(list) == 0 {
		w := r.letter(now, "All is well at "+site, "All is well at "+site+", "+clock+": no alarm stands.", "All is well: no alarm stands.")
		return w.subject, w.text, w.short
	}
	b := r.begin(now)
	b.line("What stands now, worst first:")
	b.blank()
	for _, t := range list {
		b.standing(t)
	}
	return statusSubject(list), b.end(), r.shortStanding(clock+" ", list, len(list)-1)
}

func statusSubject(list []*trouble) string {
	return subject(headline(list[0]), list[0].belowEnd(), len(list), "status; "+answerState(list[0]))
}

// shortStanding words the first of what stands, whether somebody comes to it, and
// how many others there are.
func (r *Router) shortStanding(lead string, list []*trouble, others int) string {
	p := list[0].shortParts(r, others)
	p.lead, p.todo = lead, ""
	if t := list[0]; t.hidden {
		p.note = measure.Capital(oneLine(t.latest.Hidden))
	} else if t.latest.To == alarm.Acknowledged {
		p.note = shortName(t.latest.By) + " has answered"
	} else {
		p.note = "Nobody has answered"
	}
	return short(p)
}

// known gives the troubles of keys, worst first.
func (r *Router) known(keys []alarm.Key) []*trouble {
	of := func(t *trouble) bool { return slices.Contains(keys, t.raised.Key) } // what is put aside too
	return slices.Concat(r.ranked(alarm.CallOut, of), r.ranked(alarm.Morning, of))
}

// about names the troubles of keys: the mail's paragraph and the text message's
// first part.
func (r *Router) about(now time.Time, keys []alarm.Key) (long string, p shortParts) {
	list := r.gather(now, r.known(keys))
	if len(list) == 0 {
		return "what you were told of", shortParts{trouble: "what you were told of"}
	}
	p = list[0].shortParts(r, len(list)-1)
	p.todo, p.left, p.leftShort = "", "", ""
	return names(list), p
}

// SayComing thanks for an answer to the alarms of keys.
func (r *Router) SayComing(now time.Time, name string, keys []alarm.Key) (subject, text, short string) {
	long, p := r.about(now, keys)
	p.lead, p.answer = "Thank you, "+shortName(name)+". You are coming to: ", "The others are told"
	return r.say(now, "Thank you, you are coming to: "+long, p,
		"Thank you, "+person(name)+". You are coming to: "+long+". The others are told.",
		"It does not end the alarm: only the water does. If the trouble is still there after a while, it calls again.")
}

// SayPaused answers a person who held the alarms of keys back until a time.
func (r *Router) SayPaused(now time.Time, name string, keys []alarm.Key, until time.Time) (subject, text, short string) {
	long, p := r.about(now, keys)
	at := until.In(r.policy.Location).Format("15:04")
	p.lead, p.answer = "Held back until "+at+": ", "If it is still there then, it calls again"
	return r.say(now, "Held back until "+at+": "+long, p,
		"Held back until "+at+" at the word of "+person(name)+": "+long+". Nobody is called for it until then. If it is still there then, it calls again.")
}

// SayOver answers a code whose trouble is answered, or over, already.
func (r *Router) SayOver(now time.Time, name, code string) (subject, text, short string) {
	s := code + ": that is over already, or somebody has answered it."
	return r.letterOf(now, "Over or answered already: "+code, s+" Reply status for what stands now.", s)
}

// SayLate answers a text that was on its way for long, or was sent before what stands
// now was told.
func (r *Router) SayLate(now time.Time, code string) (subject, text, short string) {
	s := "Your text came late, and nothing was done: it was sent long ago, or before what stands now went out to you."
	return r.letterOf(now, "Came too late: "+code, s+" If you come, send "+code+" again.", s, "If you come, send "+code+" again.")
}

// SayWrong answers a code that is none of the person's.
func (r *Router) SayWrong(now time.Time, name, code string) (subject, text, short string) {
	return r.letterOf(now, "Not a code of yours: "+code, code+" is not a code of yours, so nothing was done. Reply with the 4 digits of your newest text, or status for what stands now.",
		code+" is not a code of yours, so nothing was done. Each person has a code of their own: answer with the 4 digits of your newest message.")
}

// SayUnclear answers what nobody can make sense of. code is the person's own, ""
// when nothing waits for an answer.
func (r *Router) SayUnclear(now time.Time, name, code string) (subject, text, short string) {
	if code == "" {
		return r.letterOf(now, "Not understood", "Not understood, so nothing was done. Nothing waits for an answer of yours. Reply status for what stands now.",
			"Your message was not understood, so nothing was done. Nothing waits for an answer of yours.")
	}
	return r.letterOf(now, "Not understood", "Not understood, so nothing was done. Reply "+code+" if you come, pause 30 "+code+" to hold it back for 30 min, or status for what stands.",
		"Your message was not understood, so nothing was done.", "Answer "+code+" if you come, pause 30 "+code+" to hold it back for 30 min, or status to hear what stands.")
}

// SayDrill thanks for the answer to a drill, took after it began.
func (r *Router) SayDrill(now time.Time, name string, took time.Duration) (subject, text, short string) {
	s := "Thank you. You answered the drill after " + minutes(took)
	return r.letterOf(now, s, s+". There is nothing more to do.", s+". There is nothing more to do.")
}

func (r *Router) say(now time.Time, subject string, p shortParts, paragraphs ...string) (string, string, string) {
	w := r.letter(now, subject, "", paragraphs...)
	return w.subject, w.text, short(p)
}

func (r *Router) letterOf(now time.Time, subject, short string, paragraphs ...string) (string, string, string) {
	w := r.letter(now, subject, short, paragraphs...)
	return w.subject, w.text, w.short
}
