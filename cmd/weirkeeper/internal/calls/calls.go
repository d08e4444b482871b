// Package calls owns the wording of what was said to people and by them: each
// message with its attempts and what became of it, answers, drills and pauses, from
// the ledger. The command and the page show the same words.
package calls

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/measure"
)

// Record is what was said to people and by them in a span of time.
type Record struct {
	zone     *time.Location
	messages []ledger.MessageRecord
	attempts map[string][]ledger.Attempt // by message
	answers  []alarm.Transition
	acts     []act.Act
	inbox    []ledger.InboxEntry
	waiting  map[alarm.Key]bool // alarms that nobody has answered
	lost     map[string]bool    // messages that did not get there
}

// Read reads what came about with from <= its time < to; a zero to is no end.
func Read(ctx context.Context, l *ledger.Ledger, from, to time.Time, zone *time.Location) (*Record, error) {
	r := &Record{zone: zone}
	if to.IsZero() {
		return r, r.read(ctx, l, from, time.UnixMicro(math.MaxInt64))
	}
	return r, r.read(ctx, l, from, to)
}

func (r *Record) read(ctx context.Context, l *ledger.Ledger, from, to time.Time) (err error) {
	if r.messages, err = l.Messages(ctx, from); err != nil {
		return err
	}
	r.messages = slices.DeleteFunc(r.messages, func(m ledger.MessageRecord) bool { return !m.CreatedAt.Before(to) })
	attempts, err := l.Attempts(ctx, from)
	if err != nil {
		return err
	}
	r.attempts, r.lost = map[string][]ledger.Attempt{}, map[string]bool{}
	for _, m := range r.messages {
		r.lost[m.ID] = m.State == ledger.GivenUp || m.State == ledger.Expired || m.Report == ledger.Failed
	}
	for _, a := range attempts {
		r.attempts[a.Message] = append(r.attempts[a.Message], a)
	}
	for t, err := range l.Transitions(ctx, from, to) {
		if err != nil {
			return err
		}
		if t.By != "" && t.From != alarm.Normal && t.To != alarm.Unacknowledged && t.From != alarm.LatchedAcknowledged {
			r.answers = append(r.answers, t)
		}
	}
	acts, err := l.Acts(ctx, from)
	if err != nil {
		return err
	}
	for _, a := range acts {
		if !a.At.Before(to) {
			continue
		}
		switch a.Kind {
		case act.Paused, act.Resumed, act.DrillStarted, act.DrillAnswered:
			r.acts = append(r.acts, a)
		case act.CleaningStarted, act.CleaningFinished, act.Shelved, act.Unshelved, act.OutOfService, act.InService, act.Reset, act.MarkedFalse:
		}
	}
	if r.inbox, err = l.Inbox(ctx, from); err != nil {
		return err
	}
	r.inbox = slices.DeleteFunc(r.inbox, func(e ledger.InboxEntry) bool { return !e.At.Before(to) })
	standing, err := l.Standing(ctx)
	r.waiting = map[alarm.Key]bool{}
	for _, t := range standing {
		r.waiting[t.Key] = t.To != alarm.Acknowledged && t.To != alarm.LatchedAcknowledged
	}
	return err
}

// KeepOpen leaves what waits to be handed over or to be answered.
func (r *Record) KeepOpen() {
	r.answers, r.acts, r.inbox = nil, nil, nil
	r.messages = slices.DeleteFunc(r.messages, func(m ledger.MessageRecord) bool {
		called := m.Reason == callout.First || m.Reason == callout.Repeat
		return m.State != ledger.Pending && !(called && m.State != ledger.NotNeeded && slices.ContainsFunc(m.Alarms, func(k alarm.Key) bool { return r.waiting[k] }))
	})
}

// Line is what happened at a time, with more below it.
type Line struct {
	At   time.Time
	Head string
	More []string
}

// Lines words the record by time.
func (r *Record) Lines() []Line {
	var lines []Line
	for _, m := range r.messages {
		lines = append(lines, r.message(m))
	}
	for _, t := range r.answers {
		lines = append(lines, Line{t.At, "answered by " + t.By + via(t.Via), []string{t.Trouble}})
	}
	for _, a := range r.acts {
		l := Line{At: a.At, Head: string(a.Kind) + " by " + a.By + via(a.Via)}
		if a.By == "" {
			l.Head = string(a.Kind)
		}
		if !a.Until.IsZero() {
			l.Head += ", until " + r.clock(a.Until, a.At)
		}
		if a.Why != "" {
			l.More = []string{a.Why}
		}
		lines = append(lines, l)
	}
	for _, e := range r.inbox {
		who := e.Person
		if who == "" {
			who = "somebody unknown"
		}
		l := Line{e.At, "from " + who + via(string(e.Way)) + ", " + e.Sender + ": " + e.Outcome, []string{fmt.Sprintf("they wrote %q", e.Body)}}
		if e.Said != "" {
			l.More = append(l.More, fmt.Sprintf("they were told %q", e.Said))
		}
		lines = append(lines, l)
	}
	slices.SortStableFunc(lines, func(a, b Line) int { return a.At.Compare(b.At) })
	return lines
}

// Messages is how many messages there were.
func (r *Record) Messages() int { return len(r.messages) }

// Missed is how many messages were never handed over.
func (r *Record) Missed() (n int) {
	for _, m := range r.messages {
		if m.State == ledger.GivenUp || m.State == ledger.Expired {
			n++
		}
	}
	return n
}

// Write writes the record as text of 80 columns.
func (r *Record) Write(w io.Writer, site string, from time.Time) {
	lines := r.Lines()
	fmt.Fprintf(w, "%s, call-outs since %s: %s, %d never handed over\n", site, r.day(from), measure.Count(len(r.messages), "message"), r.Missed())
	if len(lines) == 0 {
		fmt.Fprint(w, "\nNothing was said to anybody, nor by anybody.\n")
	}
	for _, l := range lines {
		fmt.Fprintln(w)
		fold(w, r.day(l.At)+"  ", l.Head)
		for _, s := range l.More {
			fold(w, "    ", s)
		}
	}
}

func (r *Record) day(t time.Time) string { return t.In(r.zone).Format("2 Jan 15:04:05") }

// clock is a time of day, with its day, or its zone, where that is another than
// that of a time nearby.
func (r *Record) clock(t, nearby time.Time) string {
	a, b := t.In(r.zone), nearby.In(r.zone)
	_, one := a.Zone()
	_, other := b.Zone()
	switch {
	case a.YearDay() != b.YearDay() || a.Year() != b.Year():
		return r.day(t)
	case one != other:
		return a.Format("15:04:05 MST")
	}
	return a.Format("15:04:05")
}

// reasons are why messages go, as told here.
var reasons = map[callout.Reason]string{
	callout.First: "call-out", callout.Repeat: "call-out repeated", callout.Returned: "news that it is over", callout.MorningRound: "morning round",
	callout.Answered: "news of an answer", callout.AllWell: "news that all is well", callout.Drill: "drill", callout.Reply: "reply", callout.Heartbeat: "sign of life",
}

// message words one message and what became of it.
func (r *Record) message(m ledger.MessageRecord) Line {
	why := reasons[m.Reason]
	if why == "" {
		why = string(m.Reason)
	}
	l := Line{At: m.CreatedAt, Head: why + " to " + m.Person + via(string(m.Way)) + ", " + m.Address}
	if m.Unless != "" {
		l.Head += ", in case the way before fails"
	}
	clock := func(t time.Time) string { return r.clock(t, m.CreatedAt) }
	l.More = append(l.More, m.Subject)
	attempts := r.attempts[m.ID]
	if n := m.Attempts - len(attempts); n > 0 {
		l.More = append(l.More, fmt.Sprintf("%s not written down one by one", measure.Count(n, "attempt")))
	}
	for _, a := range attempts {
		s := fmt.Sprintf("%s attempt %d", clock(a.BeganAt), a.N)
		switch a.Outcome {
		case "sent":
			s += ", handed over " + clock(a.EndedAt)
		case "failed":
			s += ", failed " + clock(a.EndedAt)
		case "unknown":
			s += ", failed " + clock(a.EndedAt) + " and may have arrived all the same"
		default:
			s += ", and no more is known of it"
		}
		if a.Detail != "" {
			s += ": " + a.Detail
		}
		l.More = append(l.More, s)
	}
	switch m.State {
	case ledger.Sent:
		if len(attempts) == 0 {
			l.More = append(l.More, strings.TrimSuffix("handed over "+clock(m.SentAt)+": "+m.Detail, ": "))
		}
	case ledger.Pending:
		s := "waits to be handed over, the next attempt at " + clock(m.NextAttempt)
		if m.Attempts == 0 && m.Unless != "" && !r.lost[m.Unless] {
			s = "goes at " + clock(m.NextAttempt) + " if the way before has failed by then"
		}
		l.More = append(l.More, s)
	case ledger.GivenUp:
		s := "GIVEN UP " + clock(m.FailedAt)
		if len(attempts) == 0 {
			s += ": " + m.LastError
		}
		l.More = append(l.More, s)
	case ledger.Expired:
		l.More = append(l.More, "RAN OUT OF TIME "+clock(m.ExpiresAt))
	case ledger.NotNeeded:
		l.More = append(l.More, "not needed: the way before worked")
	}
	switch m.Report {
	case ledger.Delivered:
		l.More = append(l.More, strings.TrimSuffix(clock(m.ReportedAt)+" it arrived: "+m.ReportWords, ": "))
	case ledger.Failed:
		l.More = append(l.More, strings.TrimSuffix(clock(m.ReportedAt)+" it did NOT arrive: "+m.ReportWords, ": "))
	case ledger.NoReport:
	}
	return l
}

// via words how something came or went, "" where that is not known.
func via(s string) string {
	switch s {
	case "":
		return ""
	case string(callout.SMS), "text":
		return " by text message"
	}
	return " by " + s
}

// fold writes s in lines of at most 80 columns behind start, the later ones
// four columns deeper.
func fold(w io.Writer, start, s string) {
	indent := strings.Repeat(" ", utf8.RuneCountInString(start)+4)
	if len(indent) > 12 {
		indent = "    "
	}
	var b strings.Builder
	b.WriteString(start)
	n := utf8.RuneCountInString(start)
	fresh := true
	s = strings.Map(func(c rune) rune {
		if !unicode.IsPrint(c) && !unicode.IsSpace(c) {
			return '?' // nobody's answer moves the cursor
		}
		return c
	}, s)
	for _, word := range strings.Fields(s) {
		k := utf8.RuneCountInString(word)
		if !fresh && n+1+k > 80 {
			b.WriteString("\n" + indent)
			n, fresh = len(indent), true
		}
		if !fresh {
			b.WriteByte(' ')
			n++
		}
		b.WriteString(word)
		n, fresh = n+k, false
	}
	fmt.Fprintln(w, b.String())
}
