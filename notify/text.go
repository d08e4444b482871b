package notify

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/measure"
)

// width is the longest line of a body, in characters.
const width = 78

// fullBlocks is how many alarms are told in full. The others get a line each:
// nobody reads ten screens at 3 a.m.
const fullBlocks = 3

// subjectWidth is how long a subject may become before its values are cut, in
// characters (common practice, no source): unit and trouble stay whole.
const subjectWidth = 120

// nameWidth is the most that is said of a name, in characters.
const nameWidth = 40

// stump is how much of a clause says nothing by itself, in bytes.
const stump = 15

// AlreadyNote heads the body of a message whose earlier copy may have arrived.
const AlreadyNote = "You may have had this message already."

const (
	soleSupport = "This monitor is never the sole life support.\n" +
		"If in doubt, go and look at the water."
	electrical = "Do not touch electrical gear with wet hands; isolate first; do not work alone."
)

// power finds advice that may lead to electrical gear.
var power = regexp.MustCompile(`(?i)\b(pump|power|mains|electri|breaker|fuse|generator|plug|socket|motor|blower|aerat|heater|chiller|switch|cable|wir(e|ing)|battery|ups\b|rcd|gfci|unplug)`)

// words is what a message says.
type words struct{ subject, text, short string }

// hearer is the person a message is written for, as far as its words depend on
// who it is. The zero hearer is anybody: no code, no link, and what the troubles
// say of how often they were told.
type hearer struct {
	name string
	code string // what the person answers with, "" where there is nothing to answer
	link string // the link by which the person answers, "" for none
	// byText: the person has a number to text from, so that a code is of use.
	byText bool
	// times counts the messages that told the person of a trouble, since it was
	// last reopened and before this one; nil: they are the trouble's own.
	times func(*trouble) int
	// silent are the others who were told and have not answered, in the order in
	// which they were called, and silentSince when the first of them was.
	silent      []string
	silentSince time.Time
	// joins: the person is called now because those did not answer. also are the
	// others who are called now for the same reason.
	joins bool
	also  []string
	// next are called at nextAt when nobody answers; nil when all are called
	// already.
	next   []string
	nextAt time.Time
}

// told reports whether the person knows of a trouble, or that somebody answers.
func (h hearer) told(t *trouble) bool {
	if h.times != nil {
		return h.times(t) > 0
	}
	return t.told
}

// nth is the number of this message about a trouble, to this person.
func (h hearer) nth(t *trouble) int {
	if h.times != nil {
		return h.times(t) + 1
	}
	return t.times + 1
}

// callOutText tells of trouble that nobody has answered, new or not, worst
// first, and names what stands besides.
func (r *Router) callOutText(now time.Time, h hearer, list, besides []*trouble) words {
	var fresh, before []*trouble
	for _, t := range list {
		switch {
		case h.told(t):
			before = append(before, t)
		case !t.reopened:
			fresh = append(fresh, t)
		}
	}
	b := r.begin(now)
	var note []string
	if r.flood && len(list)+len(besides) > 1 {
		n := r.standing()
		note = append(note, fmt.Sprintf("flood of alarms, %d stand", n))
		b.para("", fmt.Sprintf("Flood of alarms: %d call-outs stand. They may have one cause, and what comes first here is likely to be it.", n))
		b.blank()
	}
	again := ""
	if !h.told(list[0]) {
		again = list[0].stillThere(now)
	}
	if again != "" {
		note = append(note, again)
	}
	switch n := len(before); {
	case h.joins && len(h.silent) > 0:
		note = append(note, silentWords(h.silent))
	case n == 0:
	case again != "":
		note = append(note, fmt.Sprintf("%d more unanswered", n))
	case h.told(list[0]):
		note = append(note, fmt.Sprintf("again, nobody has answered, %s time", ordinal(h.nth(list[0]))))
		if len(fresh) > 0 {
			note = append(note, fmt.Sprintf("%d new", len(fresh)))
		}
	default:
		note = append(note, fmt.Sprintf("nobody has answered %d of them", n))
	}
	switch {
	case len(before) == len(list):
		b.line(fmt.Sprintf("Nobody has answered. This is message number %d about it.", h.nth(list[0])))
		b.blank()
	case len(before) > 0:
		s := "Nobody has answered what was told before: " + names(before) + "."
		if len(fresh) > 0 {
			s += " New: " + oneLine(fresh[0].raised.Trouble)
			if !fresh[0].active() {
				s += " (" + fresh[0].ended() + ")"
			}
			s += more(len(fresh)) + "."
		}
		b.para("", s)
		b.blank()
	}
	b.whoIsCalled(h)
	b.troubles(list)
	b.besides(besides)
	b.howToAnswer(h, list)
	return words{subject: subject(headline(list[0]), list[0].belowEnd(), len(list), strings.Join(note, "; ")), text: b.end(), short: r.shortCallOut(now, h, list)}
}

// standing counts the call-outs whose trouble is there.
func (r *Router) standing() (n int) {
	for _, t := range r.troubles {
		if t.raised.Priority == alarm.CallOut && t.active() && !t.hidden {
			n++
		}
	}
	return n
}

// morningText tells what waited for the morning hour, the night's extremes, and
// what of the call-outs in the list still stands.
func (r *Router) morningText(now time.Time, h hearer, list []*trouble, night []Extreme, aside []Aside) words {
	var waited, standing []*trouble
	for _, t := range list {
		if t.raised.Priority == alarm.CallOut {
			standing = append(standing, t)
		} else {
			waited = append(waited, t)
		}
	}
	if len(waited) == 0 {
		return r.allWellText(now, h, standing, night, aside)
	}
	b := r.begin(now)
	if len(standing) > 0 {
		b.line("Still there from the night:")
		b.blank()
		for _, t := range standing {
			b.standing(t)
		}
		b.blank()
	}
	b.line("Morning round: what waited for the morning hour.")
	b.blank()
	b.troubles(waited)
	b.aside(aside)
	b.night(night)
	b.howToAnswer(h, waited)
	w := words{
		subject: subject(headline(waited[0]), waited[0].belowEnd(), len(waited), "morning round"),
		text:    b.end(),
		short:   r.shortMorning(h, waited),
	}
	if len(standing) > 0 {
		w.subject = subject("Still there: "+headline(standing[0]), standing[0].belowEnd(), len(list), "morning round")
		w.short = r.shortStanding("Good morning. Still there: ", standing, len(list)-1)
	}
	return w
}

// answeredText tells that somebody else is coming.
func (r *Router) answeredText(now time.Time, h hearer, name string, list []*trouble) words {
	name = person(name)
	b := r.begin(now)
	b.para("", name+" has answered and is coming. What is answered is not repeated for now, but the trouble itself is still there:")
	b.blank()
	for _, t := range list {
		b.item(t)
	}
	return words{subject: subject("Answered: "+name+" is coming — "+oneLine(list[0].raised.Trouble), list[0].belowEnd(), len(list), ""), text: b.end(), short: r.shortAnswered(name, list)}
}

// returnedText tells that all is over. What merely lost its rule is told first
// and as that.
func (r *Router) returnedText(now time.Time, h hearer, list []*trouble) words {
	var gone, well []*trouble
	for _, t := range list {
		if t.gone() {
			gone = append(gone, t)
		} else {
			well = append(well, t)
		}
	}
	b := r.begin(now)
	if len(gone) > 0 {
		b.para("", "No longer watched: the rule or the probe is gone from the files. Nothing is known of the water there.")
		b.blank()
		for _, t := range gone {
			b.item(t)
		}
		b.blank()
	}
	if len(well) > 0 {
		b.line("Back to normal, all that you were told of:")
		b.blank()
		for _, t := range well {
			b.item(t)
		}
		b.blank()
	}
	b.line("Look at the water once more: the same cause may come again.")
	w := words{text: b.end(), short: r.shortReturned(gone, well)}
	switch {
	case len(gone) == 0:
		w.subject = subject("Back to normal: "+oneLine(well[0].raised.Trouble), "", len(well), "")
	case len(well) == 0:
		w.subject = subject("No longer watched: "+oneLine(gone[0].raised.Trouble), "", len(gone), "")
	default:
		w.subject = subject("No longer watched: "+names(gone)+"; back to normal: "+names(well), "", 0, "")
	}
	return w
}

// headline is unit and trouble, then the value against the setpoint.
func headline(t *trouble) string {
	s := oneLine(t.raised.Trouble)
	if !t.active() {
		return s + " — " + t.ended()
	}
	if d := t.value(); d != "" {
		s += " — " + d
	}
	return s
}

// subject says what is below, counts the others and adds a note. The head gives
// way where the whole becomes too long, from its tail.
func subject(head, below string, n int, note string) string {
	end := below + more(n)
	if note != "" {
		end += " (" + note + ")"
	}
	return cut(head, max(subjectWidth/2, subjectWidth-utf8.RuneCountInString(end))) + end
}

func more(n int) string {
	if n > 1 {
		return fmt.Sprintf(" + %d more", n-1)
	}
	return ""
}

// names gives the first trouble of a list and counts the others.
func names(list []*trouble) string {
	return oneLine(list[0].raised.Trouble) + more(len(list))
}

// cut shortens s to n characters, between words where it can, and between
// clauses where that leaves no more than a stump of the last one.
func cut(s string, n int) string {
	c := []rune(s)
	if len(c) <= n {
		return s
	}
	s = string(c[:n-1])
	if i := strings.LastIndexByte(s, ' '); i > len(s)/2 {
		s = s[:i]
	}
	if i := strings.LastIndex(s, "; "); i > len(s)/2 && len(s)-i < stump {
		s = s[:i]
	}
	return strings.TrimRight(s, " ,;—") + "…"
}

func person(name string) string {
	return cmp.Or(cut(oneLine(name), nameWidth), "somebody")
}

// ended says in a few words how trouble that nobody was told of ended.
func (t *trouble) ended() string {
	if t.gone() {
		return "no longer watched"
	}
	return "came and went"
}

// stillThere says that an answer did not help, "" when that is not so.
func (t *trouble) stillThere(now time.Time) string {
	switch {
	case !t.reopened:
		return ""
	case t.answered.At.IsZero():
		return "still there after an answer"
	}
	return "still there " + measure.FormatDuration(max(0, now.Sub(t.answered.At))) + " after " + person(t.answered.By) + " answered"
}

// newest is the value as it is now, "" when that is not known.
func (t *trouble) newest() string {
	if t.active() && t.current == "" && !t.told {
		return oneLine(t.latest.Detail)
	}
	return t.current
}

// value is the newest value against the setpoint that is known at all.
func (t *trouble) value() string {
	return cmp.Or(t.newest(), oneLine(t.raised.Detail))
}

// body writes the lines of a message.
type body struct {
	r   *Router
	now time.Time
	buf strings.Builder
}

func (r *Router) begin(now time.Time) *body {
	b := &body{r: r, now: now}
	b.para("", r.policy.SiteName+", "+now.In(r.policy.Location).Format("Mon 2 Jan 2006 15:04"))
	b.blank()
	return b
}

func (b *body) end() string {
	if b.r.policy.PageURL != "" {
		b.blank()
		b.line("Page: " + oneLine(b.r.policy.PageURL))
	}
	b.blank()
	b.line(soleSupport)
	return b.buf.String()
}

func (b *body) blank()        { b.buf.WriteByte('\n') }
func (b *body) line(s string) { b.buf.WriteString(s + "\n") }

// para writes a paragraph wrapped to width, its later lines indented.
func (b *body) para(indent, s string) {
	n := 0
	for i, w := range strings.Fields(oneLine(s)) {
		l := utf8.RuneCountInString(w)
		switch {
		case i == 0:
		case n+1+l > width:
			b.buf.WriteString("\n" + indent)
			n = len(indent)
		default:
			b.buf.WriteByte(' ')
			n++
		}
		b.buf.WriteString(w)
		n += l
	}
	b.blank()
}

// troubles writes the first alarm of each rule in full, since one rule's
// advice is the same for all its units, and a line for each other.
func (b *body) troubles(list []*trouble) {
	type name struct {
		kind alarm.Kind
		rule string
	}
	var rules []name // a name is used once for each kind
	var rest []*trouble
	careful := false
	for _, t := range list {
		careful = careful || power.MatchString(t.raised.ToDo)
		rule := name{t.raised.Kind, t.raised.Rule}
		if len(rules) == fullBlocks || slices.Contains(rules, rule) {
			rest = append(rest, t)
			continue
		}
		if len(rules) > 0 {
			b.blank()
		}
		rules = append(rules, rule)
		b.block(t)
	}
	if len(rest) > 0 {
		b.blank()
		b.line("Also:")
		for _, t := range rest {
			b.item(t)
		}
	}
	if careful {
		b.blank()
		b.line(electrical)
	}
}

func (b *body) block(t *trouble) {
	b.para("  ", t.raised.Trouble)
	if s := t.stillThere(b.now); s != "" {
		b.para("  ", "S"+s[1:])
	}
	raised := oneLine(t.raised.Detail)
	switch now := t.newest(); {
	case now == raised:
		b.field("Value", raised)
	case now == "" && t.active():
		now = "not known"
		fallthrough
	default:
		b.field("Now", now)
		b.field("When raised", raised)
	}
	if s := oneLine(t.raised.Left); s != "" && t.active() {
		b.para("  ", measure.Capital(estimate(s)))
	}
	b.field("At risk", b.r.stockWords(t))
	b.field("What follows from it", t.followWords())
	if c := b.r.troubles[t.latest.Cause]; c != nil && c.active() && c.latest.To == alarm.Acknowledged {
		b.field("Follows from", c.raised.Trouble+", answered by "+person(c.latest.By))
	}
	b.field("Since", b.since(t.raised.Since))
	switch {
	case t.active():
	case t.gone():
		b.field("No longer watched", "since "+b.since(t.latest.At)+"; nothing is known of the water there")
	default:
		over := b.since(t.latest.At)
		if d := oneLine(t.latest.Detail); d != "" {
			over += ", " + d
		}
		b.field("Came and went", "back to normal since "+over)
	}
	if t.raises > 1 {
		b.field("Raised", fmt.Sprintf("%d times since %s", t.raises, b.clock(t.firstRaise)))
	}
	if t.latest.To == alarm.Acknowledged {
		b.field("Answered by", person(t.latest.By))
	}
	b.field("What can happen", t.raised.CanHappen)
	b.field("Do first", t.raised.ToDo)
	rule := t.raised.Rule
	if t.raised.RuleAt != "" {
		rule += " (" + t.raised.RuleAt + ")"
	}
	b.field("Rule", rule)
}

// estimate marks a time that is left as what it is; where it is not known there is
// none.
func estimate(left string) string {
	known, unknown, ok := strings.Cut(left, "; not known")
	if strings.Contains(known, "not known") {
		return left
	}
	known += ", an estimate, never a promise"
	if ok {
		known += "; not known" + unknown
	}
	return known
}

func (b *body) field(name, s string) {
	if s != "" {
		b.para("  ", name+": "+s)
	}
}

// item writes one alarm in a line or two.
func (b *body) item(t *trouble) {
	s := "- " + b.words(t)
	if !t.active() {
		s = fmt.Sprintf("- %s, %s to %s", t.raised.Trouble, b.clock(t.raised.Since), b.clock(t.latest.At))
		switch d := t.latest.Detail; {
		case t.gone():
			s += ", no longer watched"
		case d != "":
			s += ", now " + d
		}
	}
	if n := t.over(); n > 0 {
		s += fmt.Sprintf(", with what followed from it at %s", measure.Count(n, "unit"))
	}
	if t.raises > 1 {
		s += fmt.Sprintf(", raised %d times", t.raises)
	}
	switch t.latest.To {
	case alarm.LatchedUnacknowledged:
		s += ", latched: to let it go, weirkeeper ack and then weirkeeper reset"
	case alarm.LatchedAcknowledged:
		s += ", latched: to let it go, weirkeeper reset"
	case alarm.Normal, alarm.Unacknowledged, alarm.Acknowledged, alarm.ReturnedUnacknowledged:
	}
	b.para("  ", s)
}

// words gives active trouble in a sentence.
func (b *body) words(t *trouble) string {
	s := t.raised.Trouble
	if d := t.value(); d != "" {
		s += ", " + d
	}
	s += ", since " + b.clock(t.raised.Since)
	if below := t.belowWords(); below != "" {
		s += ", " + below
	}
	if still := t.stillThere(b.now); still != "" {
		s += ", " + still
	}
	return s
}

// besides names what else stands, since it may be the cause, and what nothing
// watches any more. What is simply over is told when all is.
func (b *body) besides(list []*trouble) {
	n := 0
	for _, t := range list {
		if !t.active() && !t.gone() {
			continue
		}
		if n++; n > fullBlocks {
			continue
		}
		if n == 1 {
			b.blank()
		}
		if t.gone() {
			b.para("  ", "No longer watched: "+t.raised.Trouble+", since "+b.clock(t.latest.At))
		} else {
			b.para("  ", "Also standing, answered by "+person(t.latest.By)+": "+b.words(t))
		}
	}
	if n > fullBlocks {
		b.line(fmt.Sprintf("And %d more that are answered or no longer watched.", n-fullBlocks))
	}
}

// plainName is a name that a shell takes as it is.
var plainName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]*$`)

// howToAnswer gives the ways to answer: a text message with the person's own code,
// the link, the command.
func (b *body) howToAnswer(h hearer, list []*trouble) {
	open := func(t *trouble) bool { return t.latest.To == alarm.Unacknowledged }
	if !slices.ContainsFunc(list, open) {
		return
	}
	b.blank()
	calls := slices.ContainsFunc(list, func(t *trouble) bool { return open(t) && t.raised.Priority == alarm.CallOut })
	b.answerWays(h, calls)
	if !calls {
		b.line("Answering keeps it out of the next morning round. It does not end the alarm.")
		return
	}
	b.para("", "Answering tells the others that you are coming. It does not end the alarm. "+
		"Until somebody answers, this comes again every "+measure.FormatDuration(b.r.policy.Repeat)+".")
}

// answerWays gives the ways to answer; hold: also to hold it back.
func (b *body) answerWays(h hearer, hold bool) {
	name := "YOUR-NAME"
	if plainName.MatchString(h.name) {
		name = h.name
	}
	command := "weirkeeper ack --by " + name
	if at := oneLine(b.r.policy.CommandAddr); at != "" {
		command += " --at " + at
	}
	if h.code != "" && h.byText {
		b.line("To answer, by text message to the hatchery's number, with your own code:\n    " + h.code)
		if hold {
			b.line("or, to be called again in 30 min:\n    pause 30 " + h.code)
		}
	}
	if h.link != "" {
		b.line("To answer, by link, on the hatchery's own network:\n    " + oneLine(h.link))
	}
	b.line("To answer, on the hatchery computer:\n    " + command)
}

// whoIsCalled says who was called before, who is called now, and who is next.
func (b *body) whoIsCalled(h hearer) {
	var s []string
	if len(h.silent) > 0 {
		silent := silentWords(h.silent)
		if !h.silentSince.IsZero() {
			silent += " since " + b.clock(h.silentSince)
		}
		if h.joins {
			also := "; you are called too"
			if len(h.also) > 0 {
				also += ", and so " + areOrIs(h.also) + " " + andList(h.also)
			}
			silent += also
		}
		s = append(s, silent+".")
	}
	if len(h.next) > 0 {
		s = append(s, "Next, if nobody answers by "+b.clock(h.nextAt)+": "+andList(h.next)+".")
	}
	if len(s) > 0 {
		b.para("", strings.Join(s, " "))
		b.blank()
	}
}

// silentWords names who has not answered.
func silentWords(names []string) string {
	if len(names) == 1 {
		return person(names[0]) + " has not answered"
	}
	return andList(names) + " have not answered"
}

func areOrIs(names []string) string {
	if len(names) == 1 {
		return "is"
	}
	return "are"
}

// andList gives names in a sentence: "kim, rowan and lee".
func andList(names []string) string {
	var s strings.Builder
	for i, n := range names {
		switch {
		case i == 0:
		case i == len(names)-1:
			s.WriteString(" and ")
		default:
			s.WriteString(", ")
		}
		s.WriteString(person(n))
	}
	return s.String()
}

// stock words what a unit holds, "" when that is not known.
func (r *Router) stock(unit string) string {
	if r.look.Stock == nil || unit == "" {
		return ""
	}
	return oneLine(r.look.Stock(unit))
}

// stockWords says what is at risk: in the unit, and in those below it.
func (r *Router) stockWords(t *trouble) string {
	var parts []string
	if s := r.stock(t.raised.Unit); s != "" {
		parts = append(parts, s)
	}
	more := 0
	for _, u := range t.below() {
		switch s := r.stock(u); {
		case s == "":
		case len(parts) > mostNames:
			more++
		default:
			parts = append(parts, s+" in "+u)
		}
	}
	if more > 0 {
		parts = append(parts, "and "+measure.Count(more, "unit")+" more")
	}
	return strings.Join(parts, "; ")
}

func (b *body) since(at time.Time) string {
	return b.clock(at) + " (" + measure.FormatDuration(max(0, b.now.Sub(at))) + " ago)"
}

// clock is the time on the wall, with the day when it is not today's.
func (b *body) clock(at time.Time) string {
	at, now := at.In(b.r.policy.Location), b.now.In(b.r.policy.Location)
	if at.YearDay() == now.YearDay() && at.Year() == now.Year() {
		return at.Format("15:04")
	}
	return at.Format("Mon 2 Jan 15:04")
}

// oneLine makes a keeper's words fit for a line: white space of any kind
// becomes a space, other control characters go.
func oneLine(s string) string {
	s = strings.Map(func(c rune) rune {
		switch {
		case unicode.IsSpace(c):
			return ' '
		case unicode.IsControl(c):
			return -1
		}
		return c
	}, s)
	return strings.Join(strings.Fields(s), " ")
}

func ordinal(n int) string {
	end := "th"
	if n%100/10 != 1 {
		switch n % 10 {
		case 1:
			end = "st"
		case 2:
			end = "nd"
		case 3:
			end = "rd"
		}
	}
	return fmt.Sprintf("%d%s", n, end)
}
