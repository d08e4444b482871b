package notify

import (
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

// AlreadyNote heads the body of a message whose earlier copy may have arrived.
const AlreadyNote = "You may have had this message already."

const (
	soleSupport = "This monitor is never the sole life support.\n" +
		"If in doubt, go and look at the water."
	electrical = "Do not touch electrical gear with wet hands; isolate first; do not work alone."
)

// power finds advice that may lead to electrical gear.
var power = regexp.MustCompile(`(?i)\b(pump|power|mains|electri|breaker|fuse|generator|plug|socket|motor|blower|aerat|heater|chiller|switch|cable|wir(e|ing)|battery|ups\b|rcd|gfci|unplug)`)

// firstText tells of new trouble, and of what stands and is unanswered besides.
func (r *Router) firstText(now time.Time, fresh, unanswered []*trouble) (subject, text string) {
	b := r.begin(now)
	all := slices.Concat(fresh, unanswered)
	b.troubles(all)
	b.howToAnswer(all)
	return subjectOf(headline(fresh[0]), len(all)), b.end()
}

func (r *Router) repeatText(now time.Time, list []*trouble) (subject, text string) {
	b := r.begin(now)
	again := fmt.Sprintf("again, nobody has answered, %s time", ordinal(list[0].times+1))
	b.line(fmt.Sprintf("Nobody has answered. This is message number %d about it.", list[0].times+1))
	b.blank()
	b.troubles(list)
	b.howToAnswer(list)
	return subjectOf(headline(list[0]), len(list)) + " (" + again + ")", b.end()
}

func (r *Router) morningText(now time.Time, list []*trouble) (subject, text string) {
	b := r.begin(now)
	b.line("Morning round: what waited for the morning hour.")
	b.blank()
	b.troubles(list)
	b.howToAnswer(list)
	return subjectOf(headline(list[0]), len(list)) + " (morning round)", b.end()
}

func (r *Router) answeredText(now time.Time, name string, list []*trouble) (subject, text string) {
	if name == "" {
		name = "somebody"
	}
	name = oneLine(name)
	b := r.begin(now)
	b.para("", name+" has answered and is coming. The repeats stop; the trouble itself is still there:")
	b.blank()
	for _, t := range list {
		b.item(t)
	}
	return subjectOf("Answered: "+name+" is coming — "+oneLine(list[0].raised.Trouble), len(list)), b.end()
}

func (r *Router) returnedText(now time.Time, list []*trouble) (subject, text string) {
	b := r.begin(now)
	b.line("Back to normal, all that you were told of:")
	b.blank()
	for _, t := range list {
		b.item(t)
	}
	b.blank()
	b.line("Look at the water once more: the same cause may come again.")
	return subjectOf("Back to normal: "+oneLine(list[0].raised.Trouble), len(list)), b.end()
}

// headline is unit and trouble, then the value against the setpoint.
func headline(t *trouble) string {
	s := oneLine(t.raised.Trouble)
	if !t.active() {
		return s + " — came and went"
	}
	if d := t.value(); d != "" {
		s += " — " + d
	}
	return s
}

func subjectOf(s string, n int) string {
	if n > 1 {
		s += fmt.Sprintf(" + %d more", n-1)
	}
	return s
}

// value is the bad value against its setpoint, the newest that is known.
func (t *trouble) value() string {
	if t.active() && t.latest.Detail != "" {
		return oneLine(t.latest.Detail)
	}
	return oneLine(t.raised.Detail)
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
	var rules []string
	var rest []*trouble
	careful := false
	for _, t := range list {
		careful = careful || power.MatchString(t.raised.ToDo)
		if len(rules) == fullBlocks || slices.Contains(rules, t.raised.Rule) {
			rest = append(rest, t)
			continue
		}
		if len(rules) > 0 {
			b.blank()
		}
		rules = append(rules, t.raised.Rule)
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
	b.field("Value", t.value())
	b.field("Since", b.since(t.raised.Since))
	if !t.active() {
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
		b.field("Answered by", t.latest.By)
	}
	b.field("What can happen", t.raised.CanHappen)
	b.field("Do first", t.raised.ToDo)
	rule := t.raised.Rule
	if t.raised.RuleAt != "" {
		rule += " (" + t.raised.RuleAt + ")"
	}
	b.field("Rule", rule)
}

func (b *body) field(name, s string) {
	if s != "" {
		b.para("  ", name+": "+s)
	}
}

// item writes one alarm in a line or two.
func (b *body) item(t *trouble) {
	s := "- " + t.raised.Trouble
	if t.active() {
		if d := t.value(); d != "" {
			s += ", " + d
		}
		s += ", since " + b.clock(t.raised.Since)
	} else {
		s += fmt.Sprintf(", %s to %s", b.clock(t.raised.Since), b.clock(t.latest.At))
		if d := t.latest.Detail; d != "" {
			s += ", now " + d
		}
	}
	if t.raises > 1 {
		s += fmt.Sprintf(", raised %d times", t.raises)
	}
	b.para("  ", s)
}

func (b *body) howToAnswer(list []*trouble) {
	open := func(t *trouble) bool { return t.latest.To == alarm.Unacknowledged }
	if !slices.ContainsFunc(list, open) {
		return
	}
	b.blank()
	b.line("To answer, on the hatchery computer:  weirkeeper ack")
	if !slices.ContainsFunc(list, func(t *trouble) bool { return open(t) && t.raised.Priority == alarm.CallOut }) {
		b.line("Answering keeps it out of the next morning round. It does not end the alarm.")
		return
	}
	b.para("", "Answering tells the others that you are coming. It does not end the alarm. "+
		"Until somebody answers, this comes again every "+measure.FormatDuration(b.r.policy.Repeat)+".")
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
