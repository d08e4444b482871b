package notify

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"weirkeeper/notify/sms/gsm"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/measure"
)

// shortest is what one text message holds, in septets of the default alphabet
// (3GPP TS 23.038).
const shortest = 160

// personWidth is the most of a person's name in it, in septets (common practice,
// no source).
const personWidth = 20

// shortParts is what a text message may say, each part a sentence but the first
// four, which make one.
type shortParts struct {
	lead    string // before the trouble: "rowan is coming to: "
	trouble string // "Trough 3: low flow"
	value   string // "11.2 L/min", or how it ended
	// setpoint is what the value is held against, detail all the rest that
	// words it, the setpoint too.
	setpoint, detail string
	below            string // "14 units below it"
	others           int    // troubles that are not named
	// note says how the call-out stands: "Nobody has answered, 4th text";
	// noteShort the same in fewer words.
	note, noteShort string
	extra           string // gives way before all else
	stock           string // "12,000 fry"
	left, leftShort string // time that is left
	todo            string // what to do first, in the rule's words
	answer          string // how to answer
}

// said is which parts a text message has room for.
type said struct {
	left, stock, extra bool
	longLeft, longNote bool
	todo               string // a part of it that stands by itself
	warn               bool   // of electrical gear
	detail             string
}

// short words a text message of at most 160 septets. Unit, trouble, value, counts,
// a word on how it stands and how to answer are always there. What there is room
// for is added in this order, and so gives way in the other one: the time left,
// the first clause of what to do, the state in full, the warning of electrical
// gear, the time left in full, the setpoint, the stock, more of what to do, the
// rest. Nothing leads to electrical gear without the warning. Where even what is
// always there is too long, as with very long names, its words are cut in their
// middle.
func short(p shortParts) string {
	careful := power.MatchString(p.todo)
	todos := clauses(p.todo)
	p.noteShort = cmp.Or(p.noteShort, p.note)
	var now said
	for _, give := range []struct {
		s     *string
		least int
	}{{&p.value, 28}, {&p.lead, 24}, {&p.noteShort, 24}, {&p.trouble, 48}, {&p.value, 16}, {&p.trouble, 36}} {
		core, ok := p.fit(now)
		if ok {
			break
		}
		all, _ := gsm.Septets(core)
		_, n := plain(*give.s)
		*give.s = cutMiddle(*give.s, max(give.least, n-(all-shortest)))
	}
	try := func(next said) bool {
		if power.MatchString(next.todo) {
			next.warn = true
		}
		_, ok := p.fit(next)
		if ok {
			now = next
		}
		return ok
	}
	with := func(change func(*said)) {
		next := now
		change(&next)
		try(next)
	}
	with(func(s *said) { s.left = true })
	if n := len(todos); n > 0 {
		with(func(s *said) { s.todo = todos[n-1] })
	}
	with(func(s *said) { s.longNote = true })
	with(func(s *said) { s.warn = careful && s.todo != "" })
	with(func(s *said) { s.longLeft = s.left })
	with(func(s *said) { s.detail = p.setpoint })
	with(func(s *said) { s.stock = true })
	for _, todo := range todos {
		next := now
		if next.todo = todo; now.todo == "" || try(next) {
			break
		}
	}
	with(func(s *said) { s.detail = p.detail })
	with(func(s *said) { s.extra = true })
	out, ok := p.fit(now)
	if !ok {
		return cutMiddle(out, shortest)
	}
	return out
}

// fit joins what is said and reports whether it is short enough.
func (p *shortParts) fit(now said) (string, bool) {
	first := p.lead + p.trouble
	for _, s := range []string{p.value, now.detail} {
		if s != "" {
			first += ", " + s
		}
	}
	list := []string{sentence(first), sentence(p.below)}
	add := func(say bool, s string) {
		if say && s != "" {
			list = append(list, sentence(s))
		}
	}
	add(p.others > 0, fmt.Sprintf("And %d more", p.others))
	add(!now.longNote, p.noteShort)
	add(now.longNote, p.note)
	add(now.extra, p.extra)
	add(now.stock && p.stock != "", "At risk: "+p.stock)
	add(now.left && !now.longLeft, p.leftShort)
	add(now.left && now.longLeft, p.left)
	list = append(list, now.todo)
	switch {
	case now.warn && power.MatchString(now.todo):
		list = append(list, "Isolate first.")
	case now.warn:
		list = append(list, "Isolate electrical gear first.")
	}
	return join(append(list, sentence(p.answer))...)
}

// join puts sentences together in the default alphabet, and reports whether one
// text message holds them.
func join(sentences ...string) (string, bool) {
	s, n := plain(strings.Join(sentences, " "))
	return s, n <= shortest
}

// plain puts s into the default alphabet, on one line, and counts its septets.
func plain(s string) (string, int) {
	s = oneLine(s)
	n, ok := gsm.Septets(s)
	if !ok {
		s = gsm.Plain(s)
		n, _ = gsm.Septets(s)
	}
	return s, n
}

// sentence gives s as one, "" for none.
func sentence(s string) string {
	s = strings.TrimRight(oneLine(s), " ,;:")
	if s == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, "!") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}

// cutMiddle shortens s to n septets from its middle: a unit's number is at the end
// of its name, and what is wrong after it.
func cutMiddle(s string, n int) string {
	s, have := plain(s)
	if have <= n {
		return s
	}
	const dots = "..."
	c := []rune(s)
	head, tail := len(c)/2, len(c)/2
	for {
		out := strings.TrimRight(string(c[:head]), " ,;:") + dots + strings.TrimLeft(string(c[tail:]), " ,;:")
		if have, _ = gsm.Septets(out); have <= n || head == 0 && tail == len(c) {
			return out
		}
		// The tail, where number and trouble are, keeps about two thirds.
		if len(c)-tail > 2*head || head == 0 {
			tail++
		} else {
			head--
		}
	}
}

// whole finds sentences that say something else, or leave out the warning, when
// they are cut.
var whole = regexp.MustCompile(`(?i)^(if|when|where|after|before|unless|never|do not|don't|without|once|as|while|until|in case|only)\b`)

// clauseEnd finds where a sentence may end early: the rest adds to it.
var clauseEnd = regexp.MustCompile(`; |: |, (?:and|then) `)

// clauses gives what of advice can stand by itself, from all of it down to its
// first clause.
func clauses(advice string) []string {
	advice = oneLine(advice)
	var out []string
	at := 0 // where this sentence begins
	for at < len(advice) {
		end := len(advice)
		for i := at; i+2 < len(advice); i++ {
			if strings.IndexByte(".!?", advice[i]) >= 0 && advice[i+1] == ' ' && !isLower(advice[i+2:]) {
				end = i + 1
				break
			}
		}
		if s := advice[at:end]; !whole.MatchString(s) {
			for _, m := range clauseEnd.FindAllStringIndex(s, -1) {
				if m[0] >= stump {
					out = append(out, sentence(advice[:at+m[0]]))
				}
			}
		}
		out = append(out, sentence(advice[:end]))
		at = end
		for at < len(advice) && advice[at] == ' ' {
			at++
		}
	}
	slices.Reverse(out)
	return out
}

// departure finds words on how far a value is from another one, or from what it
// was.
var departure = regexp.MustCompile(`^(up|down|rising|falling) | (above|below) `)

var comma = regexp.MustCompile(`[,;:] `)

func isLower(s string) bool {
	r, _ := utf8.DecodeRuneInString(s)
	return strings.ToLower(string(r)) == string(r) && strings.ToUpper(string(r)) != string(r)
}

// shortName is a person's name in a text message.
func shortName(name string) string { return cutMiddle(person(name), personWidth) }

// shortParts words one trouble; others counts those that are not named.
func (t *trouble) shortParts(r *Router, others int) shortParts {
	p := shortParts{trouble: oneLine(t.raised.Trouble), others: others}
	if !t.active() {
		p.value = t.ended()
		if d := oneLine(t.latest.Detail); !t.gone() && d != "" {
			p.detail = "now " + d
		}
		return p
	}
	p.value, p.detail = t.value(), ""
	if at := comma.FindStringIndex(outside(p.value)); at != nil && at[0] > 0 {
		p.value, p.detail = p.value[:at[0]], p.value[at[1]:]
	}
	rest := comma.Split(p.detail, -1)
	for i, s := range rest {
		if strings.HasPrefix(s, "setpoint ") || strings.HasPrefix(s, "limit ") {
			p.setpoint = s
			// A limit of how far apart or how fast says nothing of the value itself.
			if far, _, _ := strings.Cut(rest[0], " ("); i > 0 && departure.MatchString(far) {
				p.setpoint = far + ", " + s
			}
		}
	}
	if t.raised.Kind != alarm.CommonCause {
		p.below = t.belowWords()
	}
	p.stock = r.shortStock(t)
	p.left, p.leftShort = shortLeft(t.raised.Left)
	p.todo = t.raised.ToDo
	return p
}

// outside is s with what stands in brackets, and the commas within numbers,
// blanked: of the same length.
func outside(s string) string {
	b := []byte(s)
	depth := 0
	for i, c := range b {
		switch {
		case c == '(':
			depth++
		case c == ')':
			depth = max(0, depth-1)
		case depth > 0, c == ',' && (i+1 == len(b) || b[i+1] != ' '):
			b[i] = '_'
		}
	}
	return string(b)
}

// shortStock says what is at risk: in the unit, or in the first that holds
// anything of those below it.
func (r *Router) shortStock(t *trouble) string {
	if s := r.stock(t.raised.Unit); s != "" {
		return s
	}
	first, more := "", 0
	for _, u := range t.below() {
		switch s := r.stock(u); {
		case s == "":
		case first == "":
			first = s + " in " + u
		default:
			more++
		}
	}
	if more > 0 {
		first += fmt.Sprintf(" and %d more", more)
	}
	return first
}

// shortLeft words the time left in full and in fewer words, "" when it is not
// known.
func shortLeft(left string) (full, brief string) {
	left = oneLine(left)
	left, _, _ = strings.Cut(left, "; not known")
	if left == "" || strings.Contains(left, "not known") {
		return "", ""
	}
	full, brief = measure.Capital(left), measure.Capital(left)
	if stops, rest, ok := strings.Cut(left, " first: "); ok && strings.HasPrefix(stops, "if the water stops, ") {
		brief = "If it stops: " + rest
	}
	return full, brief
}

// shortNote says how a call-out stands.
func shortNote(now time.Time, h hearer, list []*trouble) (note, brief string) {
	t := list[0]
	before, fresh := 0, 0
	for _, t := range list {
		switch {
		case h.told(t):
			before++
		case !t.reopened:
			fresh++
		}
	}
	texts := ordinal(h.nth(t)) + " text"
	if fresh > 0 {
		texts += fmt.Sprintf(", %d new", fresh)
	}
	switch again := t.stillThere(now); {
	case h.joins && len(h.silent) > 0:
		note = shortSilent(h.silent)
		brief = note
		if !h.silentSince.IsZero() {
			note += " for " + minutes(now.Sub(h.silentSince))
		}
	case !h.told(t) && again != "":
		if !t.answered.At.IsZero() {
			again = "still there " + measure.FormatDuration(max(0, now.Sub(t.answered.At))) + " after " + shortName(t.answered.By) + " answered"
		}
		note, brief = measure.Capital(again), "Still there"
	case before > 0 && h.told(t):
		note, brief = "Nobody has answered, "+texts, texts
	case before > 0:
		note = fmt.Sprintf("Nobody has answered %d of them", before)
		brief = fmt.Sprintf("%d unanswered", before)
	}
	return note, brief
}

// minutes words how long somebody has been silent: nobody counts seconds.
func minutes(d time.Duration) string {
	if d < time.Minute {
		return "a minute"
	}
	return measure.FormatDuration(max(2*time.Minute, d.Round(time.Minute)))
}

// shortSilent names who has not answered.
func shortSilent(names []string) string {
	first := shortName(names[0])
	switch len(names) {
	case 1:
		return first + " has not answered"
	case 2:
		return first + " and " + shortName(names[1]) + " have not answered"
	}
	return fmt.Sprintf("%s and %d others have not answered", first, len(names)-1)
}

// reply is how a text message is answered, "" where the person has no code or no
// number from which it is taken.
func (h hearer) reply(when string) string {
	if h.code == "" || !h.byText {
		return ""
	}
	return "Reply " + h.code + " " + when
}

func (r *Router) shortCallOut(now time.Time, h hearer, list []*trouble) string {
	p := list[0].shortParts(r, len(list)-1)
	p.note, p.noteShort = shortNote(now, h, list)
	if r.flood && len(list) > 1 {
		p.extra = fmt.Sprintf("Flood of alarms, %d stand", r.standing())
	}
	if slices.ContainsFunc(list, func(t *trouble) bool { return t.latest.To == alarm.Unacknowledged }) {
		p.answer = h.reply("if you come")
	}
	return short(p)
}

func (r *Router) shortMorning(h hearer, list []*trouble) string {
	p := list[0].shortParts(r, len(list)-1)
	p.lead = "Morning round: "
	p.answer = h.reply("if you see to it")
	return short(p)
}

func (r *Router) shortAnswered(name string, list []*trouble) string {
	p := list[0].shortParts(r, len(list)-1)
	p.lead, p.todo, p.answer = shortName(name)+" is coming to: ", "", "The trouble is still there"
	return short(p)
}

func (r *Router) shortReturned(gone, well []*trouble) string {
	head := func(lead string, list []*trouble) shortParts {
		p := shortParts{lead: lead, trouble: oneLine(list[0].raised.Trouble), others: len(list) - 1}
		if d := oneLine(list[0].latest.Detail); d != "" && !list[0].gone() {
			p.detail = "now " + d
		}
		return p
	}
	switch {
	case len(gone) == 0:
		p := head("Back to normal: ", well)
		p.todo = "Look at the water once more: the same cause may come again"
		return short(p)
	case len(well) == 0:
		p := head("No longer watched: ", gone)
		p.below = "Nothing is known of the water there"
		return short(p)
	}
	p := head("No longer watched: ", gone)
	p.note = "Back to normal: " + oneLine(well[0].raised.Trouble) + more(len(well))
	p.noteShort = fmt.Sprintf("%d back to normal", len(well))
	p.below = "Nothing is known of the water there"
	return short(p)
}

// shortNight fills what is left of a text message with the night's extremes:
// what was silent first.
func shortNight(first string, night []Extreme) string {
	out, _ := join(sentence(first))
	said := ""
	list := slices.Clone(night)
	slices.SortStableFunc(list, func(a, b Extreme) int { return boolOrder(a.Min == "", b.Min == "") })
	for i, x := range list {
		if said != "" {
			said += ", "
		}
		said += extremeName(x, nil) + " " + x.span()
		with := said
		if rest := len(list) - i - 1; rest > 0 {
			with += ", and " + measure.Count(rest, "probe") + " more"
		}
		s, ok := join(sentence(first), sentence(measure.Capital(with)))
		if !ok {
			break
		}
		out = s
	}
	return out
}

// span is the night of a probe in a few words, "7.9 to 8.2 degC".
func (x Extreme) span() string {
	switch x.Min {
	case "":
		return "silent"
	case x.Max:
		return x.Min
	}
	if v, unit, ok := strings.Cut(x.Min, " "); ok && strings.HasSuffix(x.Max, " "+unit) {
		return v + " to " + x.Max
	}
	return x.Min + " to " + x.Max
}

// lastShort is a text message that is the last one for now: no more than perHour
// go out in an hour, the next at a time on the wall. It gives up sentences of the
// text for it, from its end, but not the first, counts, and how to answer.
func lastShort(short string, perHour int, next time.Time) string {
	until := "Last text until " + next.Format("15:04")
	sentences := strings.SplitAfter(short, ". ")
	for i := range sentences {
		sentences[i] = strings.TrimSpace(sentences[i])
	}
	for _, words := range []string{fmt.Sprintf("%s: limit of %d an hour.", until, perHour), until + "."} {
		list := slices.Clone(sentences)
		for i := len(list) - 1; i >= 0; i-- {
			if s, ok := join(append(slices.Clone(list), words)...); ok {
				return s
			}
			if s := list[i]; i > 0 && !strings.HasPrefix(s, "Reply ") && !strings.HasPrefix(s, "And ") && !strings.HasSuffix(s, " below it.") {
				list = slices.Delete(list, i, i+1)
			}
		}
	}
	n, _ := gsm.Septets(until)
	return cutMiddle(short, shortest-n-2) + " " + until + "."
}
