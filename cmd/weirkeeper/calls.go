package main

import (
	"bufio"
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/measure"
)

func runCalls(ctx context.Context, e env, args []string) int {
	fs := flag.NewFlagSet("calls", flag.ContinueOnError)
	path := fs.String("site", defaultSite, "site `file`")
	days := fs.Int("days", 7, "how many `days` to look back")
	since := fs.String("since", "", "first `time` instead, such as 2026-11-01 or \"2026-11-01 22:30\", in the site's time zone")
	open := fs.Bool("open", false, "only what waits to be handed over, and call-outs that nobody has answered")
	rest, code, ok := e.parse("calls", fs, args)
	if !ok {
		return code
	}
	if len(rest) > 0 || *days < 1 || *days > 3660 {
		return e.usage("calls", "calls takes no arguments besides its flags; --days is a number from 1")
	}
	c, err := e.readSite(*path)
	if err != nil {
		return e.fault(err)
	}
	from := e.now().AddDate(0, 0, -*days)
	if *since != "" {
		if from, err = parseWhen(*since, c.Site.Location); err != nil {
			return e.usage("calls", "--since: %v", err)
		}
	}
	l, err := ledger.OpenReader(ctx, filepath.Join(c.Paths.Data, daemon.LedgerFile))
	if err != nil {
		return e.fault(err)
	}
	defer func() { _ = l.Close() }() // nothing was written
	r := callsRecord{zone: c.Site.Location}
	if err := r.read(ctx, l, from); err != nil {
		return e.fault(err)
	}
	if *open {
		r.keepOpen()
	}
	b := bufio.NewWriter(e.out)
	r.write(b, c.Site.Name, from)
	if err := b.Flush(); err != nil {
		return e.fault(err)
	}
	return exitOK
}

// callsRecord is what was said to people and by them in a span.
type callsRecord struct {
	zone     *time.Location
	messages []ledger.MessageRecord
	attempts map[string][]ledger.Attempt // by message
	answers  []alarm.Transition
	acts     []act.Act
	inbox    []ledger.InboxEntry
	waiting  map[alarm.Key]bool // alarms that nobody has answered
	lost     map[string]bool    // messages that did not get there
}

func (r *callsRecord) read(ctx context.Context, l *ledger.Ledger, from time.Time) (err error) {
	if r.messages, err = l.Messages(ctx, from); err != nil {
		return err
	}
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
	for t, err := range l.Transitions(ctx, from, time.UnixMicro(math.MaxInt64)) {
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
		switch a.Kind {
		case act.Paused, act.Resumed, act.DrillStarted, act.DrillAnswered:
			r.acts = append(r.acts, a)
		case act.CleaningStarted, act.CleaningFinished, act.Shelved, act.Unshelved, act.OutOfService, act.InService, act.Reset, act.MarkedFalse:
		}
	}
	if r.inbox, err = l.Inbox(ctx, from); err != nil {
		return err
	}
	standing, err := l.Standing(ctx)
	r.waiting = map[alarm.Key]bool{}
	for _, t := range standing {
		r.waiting[t.Key] = t.To != alarm.Acknowledged && t.To != alarm.LatchedAcknowledged
	}
	return err
}

// keepOpen leaves what waits to be handed over or to be answered.
func (r *callsRecord) keepOpen() {
	r.answers, r.acts, r.inbox = nil, nil, nil
	r.messages = slices.DeleteFunc(r.messages, func(m ledger.MessageRecord) bool {
		called := m.Reason == callout.First || m.Reason == callout.Repeat
		return m.State != ledger.Pending && !(called && m.State != ledger.NotNeeded && slices.ContainsFunc(m.Alarms, func(k alarm.Key) bool { return r.waiting[k] }))
	})
}

// line is what happened at a time, with more below it.
type line struct {
	at   time.Time
	head string
	more []string
}

func (r *callsRecord) write(w io.Writer, site string, from time.Time) {
	var lines []line
	missed := 0
	for _, m := range r.messages {
		lines = append(lines, r.message(m))
		if m.State == ledger.GivenUp || m.State == ledger.Expired {
			missed++
		}
	}
	for _, t := range r.answers {
		lines = append(lines, line{t.At, "answered by " + t.By + via(t.Via), []string{t.Trouble}})
	}
	for _, a := range r.acts {
		l := line{at: a.At, head: string(a.Kind) + " by " + a.By + via(a.Via)}
		if a.By == "" {
			l.head = string(a.Kind)
		}
		if !a.Until.IsZero() {
			l.head += ", until " + r.clock(a.Until, a.At)
		}
		if a.Why != "" {
			l.more = []string{a.Why}
		}
		lines = append(lines, l)
	}
	for _, e := range r.inbox {
		who := e.Person
		if who == "" {
			who = "somebody unknown"
		}
		l := line{e.At, "from " + who + via(string(e.Way)) + ", " + e.Sender + ": " + e.Outcome, []string{fmt.Sprintf("they wrote %q", e.Body)}}
		if e.Said != "" {
			l.more = append(l.more, fmt.Sprintf("they were told %q", e.Said))
		}
		lines = append(lines, l)
	}
	slices.SortStableFunc(lines, func(a, b line) int { return a.at.Compare(b.at) })
	fmt.Fprintf(w, "%s, call-outs since %s: %s, %d never handed over\n", site, r.day(from), measure.Count(len(r.messages), "message"), missed)
	if len(lines) == 0 {
		fmt.Fprint(w, "\nNothing was said to anybody, nor by anybody.\n")
	}
	for _, l := range lines {
		fmt.Fprintln(w)
		fold(w, r.day(l.at)+"  ", l.head)
		for _, s := range l.more {
			fold(w, "    ", s)
		}
	}
}

func (r *callsRecord) day(t time.Time) string { return t.In(r.zone).Format("2 Jan 15:04:05") }

// clock is a time of day, with its day, or its zone, where that is another than
// that of a time nearby.
func (r *callsRecord) clock(t, nearby time.Time) string {
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
func (r *callsRecord) message(m ledger.MessageRecord) line {
	why := reasons[m.Reason]
	if why == "" {
		why = string(m.Reason)
	}
	l := line{at: m.CreatedAt, head: why + " to " + m.Person + via(string(m.Way)) + ", " + m.Address}
	if m.Unless != "" {
		l.head += ", in case the way before fails"
	}
	clock := func(t time.Time) string { return r.clock(t, m.CreatedAt) }
	l.more = append(l.more, m.Subject)
	attempts := r.attempts[m.ID]
	if n := m.Attempts - len(attempts); n > 0 {
		l.more = append(l.more, fmt.Sprintf("%s not written down one by one", measure.Count(n, "attempt")))
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
		l.more = append(l.more, s)
	}
	switch m.State {
	case ledger.Sent:
		if len(attempts) == 0 {
			l.more = append(l.more, strings.TrimSuffix("handed over "+clock(m.SentAt)+": "+m.Detail, ": "))
		}
	case ledger.Pending:
		s := "waits to be handed over, the next attempt at " + clock(m.NextAttempt)
		if m.Attempts == 0 && m.Unless != "" && !r.lost[m.Unless] {
			s = "goes at " + clock(m.NextAttempt) + " if the way before has failed by then"
		}
		l.more = append(l.more, s)
	case ledger.GivenUp:
		s := "GIVEN UP " + clock(m.FailedAt)
		if len(attempts) == 0 {
			s += ": " + m.LastError
		}
		l.more = append(l.more, s)
	case ledger.Expired:
		l.more = append(l.more, "RAN OUT OF TIME "+clock(m.ExpiresAt))
	case ledger.NotNeeded:
		l.more = append(l.more, "not needed: the way before worked")
	}
	switch m.Report {
	case ledger.Delivered:
		l.more = append(l.more, strings.TrimSuffix(clock(m.ReportedAt)+" it arrived: "+m.ReportWords, ": "))
	case ledger.Failed:
		l.more = append(l.more, strings.TrimSuffix(clock(m.ReportedAt)+" it did NOT arrive: "+m.ReportWords, ": "))
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
