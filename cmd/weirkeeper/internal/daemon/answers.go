package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/config"
	"weirkeeper/ingest/ledger"
	"weirkeeper/notify"
	"weirkeeper/notify/answer"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

// What people say to a call-out, by text message, by the link in a mail and by
// command. The number that a text message comes from can be forged by anybody who
// wants to, so it proves nothing: the code does, which was sent to that number
// alone, and which is only good while something stands unanswered. What an answer
// can do is bounded all the same. It silences what its code stands for, or holds it
// back for at most answer.MaxPause; the others hear who did it; and trouble that
// goes on calls again. A number that is nobody's is never answered, and a code
// cannot be found by trying: see wrongCodes.

// Outcome is what became of a message that somebody sent us.
type Outcome string

// The outcomes.
const (
	Obeyed        Outcome = "obeyed"
	StatusAsked   Outcome = "status"
	NotClear      Outcome = "unclear"
	WrongCode     Outcome = "wrong code"
	Over          Outcome = "over" // answered or over already
	Late          Outcome = "late" // sent before what stands now was told, or long ago
	UnknownNumber Outcome = "unknown number"
	Double        Outcome = "double" // it was taken before
	Locked        Outcome = "locked" // too many wrong codes
)

// Bounds of what one number may send (common practice, no source).
const (
	// wrongCodes in an hour, and for an hour after the last of them no code from
	// that number is taken: 120 tries of 10,000 in a day at the most.
	wrongCodes = 5
	// idleReplies is how many messages an hour are answered that were not obeyed,
	// so that two machines do not talk to each other for ever.
	idleReplies = 10
	// strangers is how many messages an hour from unknown numbers are written
	// down; the others are only counted.
	strangers = 60
	// bodyBytes is how much of a message is written down.
	bodyBytes = 1000
)

// AnswerIn is a text message that somebody sent us.
type AnswerIn struct {
	// ID is made of the message itself, so that the same one read twice counts
	// once; not empty.
	ID string
	// At is when it was sent, as far as is known; zero when it is not. See meant.
	At time.Time
	// From is the number it came from, whatever it claims.
	From string
	Text string
}

// answers is what the keeper knows of those who answer.
type answers struct {
	people map[string][]string // names by number
	heard  []heardText         // of the last hour, oldest first
}

// heardText is a text message that came in.
type heardText struct {
	at       time.Time
	number   string // "" for an unknown one
	outcome  Outcome
	answered bool
}

func newAnswers(people []config.Person) *answers {
	a := &answers{people: make(map[string][]string)}
	for _, p := range people {
		if p.Mobile != "" {
			n := number(p.Mobile)
			a.people[n] = append(a.people[n], p.Name)
		}
	}
	return a
}

// number brings a number to the international form. What is none stays as it is,
// in at most 40 bytes; a number without its country is nobody's.
func number(s string) string {
	digits := strings.Map(func(c rune) rune {
		switch {
		case '0' <= c && c <= '9':
			return c
		case strings.ContainsRune(" -()./+", c):
			return -1
		}
		return 'x'
	}, s)
	if digits == "" || strings.Contains(digits, "x") || len(digits) > 17 {
		return cutBytes(s, 40)
	}
	if !strings.Contains(s, "+") {
		digits = strings.TrimPrefix(digits, "00")
	}
	return "+" + digits
}

// nationalDigits is the fewest digits by which a number without its country is
// told apart (common practice, no source).
const nationalDigits = 8

// known gives the number of the site file that is meant by one that some networks
// give without its country: the only one that ends in its digits. Else it stays as
// it is.
func (a *answers) known(from string) string {
	if _, ok := a.people[from]; ok {
		return from
	}
	digits := strings.TrimLeft(from, "+0")
	if len(digits) < nationalDigits || !strings.HasPrefix(from, "+") {
		return from
	}
	found := ""
	for n := range a.people {
		if strings.HasSuffix(n, digits) {
			if found != "" {
				return from
			}
			found = n
		}
	}
	return cmp.Or(found, from)
}

// cutBytes is the start of a text in at most n bytes.
func cutBytes(s string, n int) string { return strings.ToValidUTF8(s[:min(n, len(s))], "") }

// masked is a number for the log.
func masked(n string) string {
	if len(n) < 8 || n[0] != '+' {
		return "…"
	}
	return n[:3] + "…" + n[len(n)-2:]
}

func (a *answers) note(h heardText) {
	a.heard = slices.DeleteFunc(a.heard, func(o heardText) bool { return h.at.Sub(o.at).Abs() >= time.Hour })
	a.heard = append(a.heard, h)
}

func (a *answers) count(now time.Time, f func(heardText) bool) (n int, last time.Time) {
	for _, h := range a.heard {
		if now.Sub(h.at).Abs() < time.Hour && f(h) {
			n, last = n+1, h.at
		}
	}
	return n, last
}

// wrong counts the wrong codes of a number within an hour.
func (a *answers) wrong(now time.Time, from string) int {
	n, _ := a.count(now, func(h heardText) bool { return h.number == from && h.outcome == WrongCode })
	return n
}

// restoreAnswers reads out of the record what the bounds count from.
func (k *keeper) restoreAnswers(ctx context.Context, now time.Time) error {
	rows, err := k.ledger.Inbox(ctx, now.Add(-time.Hour))
	if err != nil {
		return fmt.Errorf("daemon: read what people sent us: %w", err)
	}
	for _, e := range rows {
		h := heardText{at: e.At, number: e.Sender, outcome: Outcome(e.Outcome), answered: e.Said != ""}
		if h.outcome == UnknownNumber {
			h.number = ""
		}
		k.answers.note(h)
	}
	return nil
}

// Answer takes a text message that came in: it is obeyed or not, written down, and
// answered. said is what the sender is answered, "" for nothing. The same message,
// by its ID, counts once, over restarts too.
// Errors: that it could not be stored; it is then to be given again.
func (k *keeper) Answer(ctx context.Context, in AnswerIn) (said string, o Outcome, err error) {
	if in.ID == "" {
		return "", "", errors.New("daemon: a message that came in has no ID")
	}
	err = k.do(ctx, func(now time.Time) error {
		said, o = k.textIn(ctx, now, in)
		return nil
	})
	return said, o, err
}

func (k *keeper) textIn(ctx context.Context, now time.Time, in AnswerIn) (said string, o Outcome) {
	from := k.answers.known(number(in.From))
	defer func() {
		k.metrics.answers.WithLabelValues(viaText, string(o)).Inc()
		k.log.Info("text message came in", "from", masked(from), "sent", in.At, "outcome", string(o))
	}()
	if k.knowsText(ctx, in.ID) {
		return "", Double
	}
	e := ledger.InboxEntry{ID: in.ID, At: now.UTC().Truncate(time.Microsecond), Way: callout.SMS, Sender: from, Body: cutBytes(in.Text, bodyBytes)}
	h := heardText{at: now}
	people := k.answers.people[from]
	if len(people) == 0 {
		n, _ := k.answers.count(now, func(h heardText) bool { return h.outcome == UnknownNumber })
		if h.outcome = UnknownNumber; n < strangers {
			e.Outcome = string(h.outcome)
			k.batch.Inbox = append(k.batch.Inbox, e)
			k.answers.note(h)
		}
		return "", UnknownNumber
	}
	h.number = from
	idle, _ := k.answers.count(now, func(h heardText) bool { return h.number == from && h.answered && h.outcome != Obeyed })
	a, perr := answer.Parse(in.Text)
	person, r := people[0], reply{}
	switch {
	case a.Verb == answer.Status:
		r = reply{outcome: StatusAsked}
		r.words(k.router.Status(now, k.look(now)))
	case k.answers.wrong(now, from) >= wrongCodes:
		r = reply{outcome: Locked}
	case perr != nil:
		r = reply{outcome: NotClear}
		r.words(k.router.SayUnclear(now, person, k.router.Code(person)))
	default:
		for _, p := range people { // who share a telephone
			if _, _, state := k.router.Answerable(p, a.Code); state != notify.CodeWrong {
				person = p
			}
		}
		r = k.obey(now, "text/"+in.ID, viaText, person, a.Code, a.For, func(keys []alarm.Key) ([]alarm.Key, bool) { return k.meant(ctx, now, person, a.Code, in.At, keys) })
		if r.outcome == WrongCode && k.answers.wrong(now, from) == wrongCodes-1 {
			const s = "Too many wrong codes: for an hour no code from this number is taken. Answer by the link in the mail or on the hatchery computer."
			r.subject, r.text, r.short = "Too many wrong codes", s, s
		}
	}
	if r.short != "" && (r.outcome == Obeyed || idle < idleReplies) {
		k.batch.Messages = append(k.batch.Messages, k.router.Reply(now, person, callout.SMS, r.subject, r.text, r.short)...)
		said = r.short
	}
	e.Person, e.Outcome, e.Said = person, string(r.outcome), said
	k.batch.Inbox = append(k.batch.Inbox, e)
	h.outcome, h.answered = r.outcome, said != ""
	k.answers.note(h)
	return said, r.outcome
}

// knowsText reports whether a message was taken before. When the record cannot be
// read it counts as new: an answer lost is worse than one given twice.
func (k *keeper) knowsText(ctx context.Context, id string) bool {
	if slices.ContainsFunc(k.batch.Inbox, func(e ledger.InboxEntry) bool { return e.ID == id }) {
		return true
	}
	known, err := k.ledger.KnowsInbox(ctx, id)
	if err != nil {
		k.log.Warn("whether a message came before cannot be looked up", "err", err)
	}
	return known
}

// Ways that an answer comes, in Via.
const (
	viaText    = "text"
	viaCommand = "command"
	viaPage    = "page"
)

// reply is what became of an answer, and the words for the one who gave it.
type reply struct {
	outcome              Outcome
	subject, text, short string
}

func (r *reply) words(subject, text, short string) { r.subject, r.text, r.short = subject, text, short }

// obey does what a person says with a code: that they come, or with pause that
// its call-outs are held back for so long. meant gives those of the alarms that the
// code stands for that the person can have meant, and whether it can still be meant
// at all; nil for all of them.
func (k *keeper) obey(now time.Time, id, via, person, code string, pause time.Duration, meant func([]alarm.Key) ([]alarm.Key, bool)) (r reply) {
	keys, drill, state := k.router.Answerable(person, code)
	if meant != nil && state == notify.CodeGood {
		some, fits := meant(keys)
		if keys = some; !fits || len(keys) == 0 && drill == "" {
			r.outcome = Late
			r.words(k.router.SayLate(now, code))
			return r
		}
	}
	switch state {
	case notify.CodeWrong:
		r.outcome = WrongCode
		r.words(k.router.SayWrong(now, person, code))
		return r
	case notify.CodeOver:
		r.outcome = Over
		r.words(k.router.SayOver(now, person, code))
		return r
	case notify.CodeGood:
	}
	r.outcome = Obeyed
	for _, key := range keys { // it may be held back for as long as an answer holds, no longer
		if hold := k.engine.AnswerHolds(key); pause > 0 && hold > 0 {
			pause = min(pause, hold)
		}
	}
	switch started, _ := k.engine.Acts().Drill(); { // the words first, as long as it waits
	case len(keys) == 0:
		r.words(k.router.SayDrill(now, person, max(0, now.Sub(started.At))))
	case pause > 0:
		r.words(k.router.SayPaused(now, person, keys, now.Add(pause)))
	default:
		r.words(k.router.SayComing(now, person, keys))
	}
	done := 0
	var all []alarm.Transition // observed together: one message tells of all
	for i, key := range keys {
		var trs []alarm.Transition
		var err error
		if pause > 0 {
			a := act.Act{ID: fmt.Sprintf("%s/%d", id, i), Kind: act.Shelved, By: person, Via: via, Alarm: key, Why: "held back by an answer"}
			_, trs, err = k.takeAct(now, a, pause)
		} else {
			trs, err = k.acknowledge(now, key, person, via)
		}
		if err != nil { // it ended just now, say
			k.log.Warn("answer fits nothing", "alarm", string(key), "by", person, "err", err)
			continue
		}
		all, done = append(all, trs...), done+1
	}
	if drill != "" && (pause == 0 || len(keys) == 0) {
		if _, trs, err := k.takeAct(now, act.Act{ID: id + "/drill", Kind: act.DrillAnswered, By: person, Via: via}, 0); err != nil {
			k.log.Warn("answer to a drill fits nothing", "by", person, "err", err)
		} else {
			all, done = append(all, trs...), done+1
		}
	}
	k.observe(all)
	k.due(now) // a drill makes no transition
	if done == 0 {
		r.outcome = Over
		r.words(k.router.SayOver(now, person, code))
	}
	return r
}

// Networks deliver texts hours late at times (common practice, no source).
const (
	// lateText is how old a text may be that is obeyed. More than an hour, since the
	// clocks of networks are off by one at times.
	lateText = 90 * time.Minute
	// clocksDiffer is how far the network's clock and ours are apart at most.
	clocksDiffer = 2 * time.Minute
)

// meant gives those of a person's alarms that a text with a code can mean, by what
// was told with that code: not what has not gone out to the person yet, nor what was
// told only after the text was sent; and whether the text is not too old to be
// meant for now. The time of a text from before the code was made is no time. What
// cannot be known counts as meant.
func (k *keeper) meant(ctx context.Context, now time.Time, person, code string, sent time.Time, keys []alarm.Key) (some []alarm.Key, fits bool) {
	rows, err := k.ledger.Messages(ctx, now.Add(-notify.Remembers))
	if err != nil {
		k.log.Warn("what an answer can mean cannot be looked up", "err", err)
		return keys, true
	}
	if !k.failing { // then they may have gone out from memory
		for _, m := range k.batch.Messages {
			rows = append(rows, ledger.MessageRecord{Message: m})
		}
	}
	var made time.Time // the code
	told, tried := map[alarm.Key]time.Time{}, map[alarm.Key]bool{}
	earlier := func(a, b time.Time) bool { return a.IsZero() || b.Before(a) }
	for _, m := range rows {
		if m.Person != person || m.Code != code {
			continue
		}
		if earlier(made, m.CreatedAt) {
			made = m.CreatedAt
		}
		for _, key := range m.Alarms {
			if earlier(told[key], m.CreatedAt) {
				told[key] = m.CreatedAt
			}
			if m.Attempts > 0 {
				tried[key] = true
			}
		}
	}
	known := !sent.IsZero() && !made.IsZero() && !sent.Before(made.Add(-clocksDiffer)) && !sent.After(now.Add(clocksDiffer))
	if known && now.Sub(sent) > lateText {
		return nil, false
	}
	for _, key := range keys {
		at, ok := told[key]
		went, later := tried[key] || len(tried) == 0, known && at.After(sent.Add(clocksDiffer))
		if !ok || went && !later {
			some = append(some, key)
		}
	}
	return some, true
}

// acknowledge has the engine take an answer to one alarm.
// Errors: *rules.UnknownAlarmError.
func (k *keeper) acknowledge(now time.Time, key alarm.Key, by, via string) ([]alarm.Transition, error) {
	trs, err := k.engine.Acknowledge(now, key, by)
	for i := range trs {
		if trs[i].By != "" {
			trs[i].Via = via
		}
	}
	return trs, err
}

// AnswerCode carries out an answer by link or command and words what came of it.
// Errors: *act.Refusal when nothing waits for it, or that it could not be stored.
func (k *keeper) AnswerCode(ctx context.Context, c web.CodeAnswer) (string, error) {
	var r reply
	err := k.do(ctx, func(now time.Time) error {
		r = k.obey(now, c.Via+"/"+newMessageID(now), c.Via, c.Person, c.Code, c.Pause, nil)
		if c.Via == viaCommand {
			k.metrics.answers.WithLabelValues(c.Via, string(r.outcome)).Inc()
		}
		switch r.outcome {
		case Obeyed:
			return nil
		case WrongCode:
			return &act.Refusal{Reason: "nothing was done: " + c.Code + " is no code of " + c.Person + "'s, or too old"}
		default:
			return &act.Refusal{Reason: "nothing was done: somebody has answered already, or it is over"}
		}
	})
	if err != nil {
		return "", err
	}
	return r.short + "\n", nil
}

// Asked tells what waits for an answer of a person's by a code.
func (k *keeper) Asked(ctx context.Context, person, code string) (*web.Asked, error) {
	a := &web.Asked{Person: person, Site: k.site.Name, Zone: k.site.Location}
	err := k.ask(ctx, func(now time.Time) error {
		keys, drill, _ := k.router.Answerable(person, code)
		a.Now, a.Drill = now, drill != ""
		for _, s := range k.engine.Standing(now) {
			if slices.Contains(keys, s.Key) {
				a.Troubles = append(a.Troubles, web.AskedTrouble{Trouble: s.Trouble, Detail: s.Detail, Left: s.Left, Since: s.Since, Hidden: s.Hidden})
			}
		}
		return nil
	})
	return a, err
}

// Received takes a text message that a program on this computer got, and words
// what became of it. Errors: as Answer.
func (k *keeper) Received(ctx context.Context, c web.Received) (string, error) {
	said, o, err := k.Answer(ctx, AnswerIn{ID: c.ID, At: c.At, From: c.From, Text: c.Text})
	if err != nil {
		return "", err
	}
	what := map[Outcome]string{
		Obeyed: "Obeyed.", StatusAsked: "The status was asked for.", NotClear: "Not obeyed: it is not clear.", WrongCode: "Not obeyed: wrong code.",
		Over: "Not obeyed: answered or over already.", Late: "Not obeyed: it came too late, or before what stands now was told.", UnknownNumber: "Not obeyed: the number is nobody's in the site file. Nothing is sent back.",
		Double: "It was taken before.", Locked: "Not obeyed: too many wrong codes from that number. Nothing is sent back.",
	}[o]
	if said != "" {
		what += " Answer: " + said
	}
	return what + "\n", nil
}
