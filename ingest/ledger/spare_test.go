package ledger_test

import (
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/rules/callout"
)

// text is a text message to kim, and its spares by email and by a hook, due two
// and four minutes later.
func text() []callout.Message {
	m, mail, hook := message("text", 0), message("mail", 0), message("hook", 0)
	m.Way, m.Address, m.Short, m.Code = callout.SMS, "+447700900123", "Trough 3: low flow", "4711"
	mail.Unless, mail.NotBefore = "text", at(2*time.Minute)
	hook.Way, hook.Address, hook.Unless, hook.NotBefore = callout.Hook, "bell", "mail", at(4*time.Minute)
	return []callout.Message{m, mail, hook}
}

func states(t *testing.T, l *ledger.Ledger) map[string]ledger.MessageState {
	t.Helper()
	all := map[string]ledger.MessageState{}
	for _, r := range records(t, l, 0) {
		all[r.ID] = r.State
	}
	return all
}

func TestMessageKeepsEveryField(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := ledgertest.MustOpenAt(t, path)
	want := text()[1]
	want.Short, want.Code, want.Attempts = "Trough 3: low flow", "4711", 3
	if zero := unset(reflect.ValueOf(want), "message"); zero != nil {
		t.Fatalf("not tried: %v", zero)
	}
	commit(t, l, ledger.Batch{Messages: []callout.Message{want}})
	ok(t, l.Close())
	l = ledgertest.MustOpenAt(t, path)
	equal(t, "record", records(t, l, 0), []ledger.MessageRecord{{Message: want, State: ledger.Pending, NextAttempt: at(2 * time.Minute)}})
	equal(t, "due before its time", due(t, l, 2*time.Minute-time.Microsecond, 9), nil)
	equal(t, "due without a first", due(t, l, 2*time.Minute, 9), []string{"mail"})
}

// Each step is done to the first, and what is due is asked a little later, so
// that nothing may be due before its time.
func TestSpares(t *testing.T) {
	type dues = map[time.Duration][]string
	begin := func(id string, d time.Duration) func(*testing.T, *ledger.Ledger) {
		return func(t *testing.T, l *ledger.Ledger) {
			t.Helper()
			_, err := l.BeginAttempt(t.Context(), id, at(d))
			ok(t, err)
		}
	}
	sent := func(id string, d time.Duration) func(*testing.T, *ledger.Ledger) {
		return func(t *testing.T, l *ledger.Ledger) {
			t.Helper()
			begin(id, d)(t, l)
			ok(t, l.MarkSent(t.Context(), id, at(d), "ok"))
		}
	}
	failed := func(id string, d time.Duration, giveUp bool) func(*testing.T, *ledger.Ledger) {
		return func(t *testing.T, l *ledger.Ledger) {
			t.Helper()
			begin(id, d)(t, l)
			ok(t, l.MarkFailed(t.Context(), id, at(d), "no network", at(d+10*time.Minute), false, giveUp))
		}
	}
	report := func(id string, d time.Duration, arrived bool) func(*testing.T, *ledger.Ledger) {
		return func(t *testing.T, l *ledger.Ledger) {
			t.Helper()
			ok(t, l.MarkReport(t.Context(), id, arrived, "status 70", at(d)))
		}
	}
	expire := func(d time.Duration) func(*testing.T, *ledger.Ledger) {
		return func(t *testing.T, l *ledger.Ledger) {
			t.Helper()
			_, err := l.ExpireMessages(t.Context(), at(d))
			ok(t, err)
		}
	}
	m := time.Minute
	for _, tt := range []struct {
		name  string
		steps []func(*testing.T, *ledger.Ledger)
		due   dues
		state map[string]ledger.MessageState
		depth int
	}{
		{
			"nothing done", nil,
			dues{m: {"text"}, 2 * m: {"text", "mail"}, 4 * m: {"text", "mail", "hook"}},
			map[string]ledger.MessageState{"text": ledger.Pending, "mail": ledger.Pending, "hook": ledger.Pending},
			1,
		},
		{
			"begun and not ended",
			[]func(*testing.T, *ledger.Ledger){begin("text", m)},
			dues{m: {"text"}, 2 * m: {"text", "mail"}},
			map[string]ledger.MessageState{"text": ledger.Pending, "mail": ledger.Pending, "hook": ledger.Pending},
			1,
		},
		{
			"handed over",
			[]func(*testing.T, *ledger.Ledger){sent("text", m)},
			dues{m: nil, 10 * m: nil},
			map[string]ledger.MessageState{"text": ledger.Sent, "mail": ledger.NotNeeded, "hook": ledger.NotNeeded},
			0,
		},
		{
			"failed for now",
			[]func(*testing.T, *ledger.Ledger){failed("text", m, false)},
			dues{m: nil, 2 * m: {"mail"}, 4 * m: {"mail", "hook"}},
			map[string]ledger.MessageState{"text": ledger.Pending, "mail": ledger.Pending, "hook": ledger.Pending},
			1,
		},
		{
			"given up",
			[]func(*testing.T, *ledger.Ledger){failed("text", m, true)},
			dues{m: {"mail"}, 4 * m: {"mail", "hook"}},
			map[string]ledger.MessageState{"text": ledger.GivenUp, "mail": ledger.Pending, "hook": ledger.Pending},
			1,
		},
		{
			"given up, and its spare too",
			[]func(*testing.T, *ledger.Ledger){failed("text", m, true), failed("mail", m, true)},
			dues{m: {"hook"}},
			map[string]ledger.MessageState{"text": ledger.GivenUp, "mail": ledger.GivenUp, "hook": ledger.Pending},
			1,
		},
		{
			"given up, and the spare handed over",
			[]func(*testing.T, *ledger.Ledger){failed("text", m, true), sent("mail", m)},
			dues{m: nil, 10 * m: nil},
			map[string]ledger.MessageState{"text": ledger.GivenUp, "mail": ledger.Sent, "hook": ledger.NotNeeded},
			0,
		},
		{
			"given up, and the spare failed for now",
			[]func(*testing.T, *ledger.Ledger){failed("text", m, true), failed("mail", m, false)},
			dues{2 * m: nil, 4 * m: {"hook"}, 11 * m: {"mail", "hook"}},
			map[string]ledger.MessageState{"text": ledger.GivenUp, "mail": ledger.Pending, "hook": ledger.Pending},
			1,
		},
		{
			"handed over while the spare was failing",
			[]func(*testing.T, *ledger.Ledger){failed("mail", 2*m, false), sent("text", 3*m)},
			dues{13 * m: nil},
			map[string]ledger.MessageState{"text": ledger.Sent, "mail": ledger.NotNeeded, "hook": ledger.NotNeeded},
			0,
		},
		{
			"did not arrive, before the spare's time",
			[]func(*testing.T, *ledger.Ledger){sent("text", m), report("text", m, false)},
			dues{m: {"mail"}, 4 * m: {"mail", "hook"}},
			map[string]ledger.MessageState{"text": ledger.Sent, "mail": ledger.Pending, "hook": ledger.Pending},
			1,
		},
		{
			"did not arrive, long after",
			[]func(*testing.T, *ledger.Ledger){sent("text", m), report("text", 30*m, false)},
			dues{29 * m: nil, 30 * m: {"mail"}, 32 * m: {"mail", "hook"}},
			map[string]ledger.MessageState{"text": ledger.Sent, "mail": ledger.Pending, "hook": ledger.Pending},
			1,
		},
		{
			"did not arrive, nor did the spare",
			[]func(*testing.T, *ledger.Ledger){sent("text", m), report("text", 30*m, false), sent("mail", 31*m), report("mail", 33*m, false)},
			dues{32 * m: nil, 33 * m: {"hook"}},
			map[string]ledger.MessageState{"text": ledger.Sent, "mail": ledger.Sent, "hook": ledger.Pending},
			1,
		},
		{
			"did not arrive, and the spare was given up",
			[]func(*testing.T, *ledger.Ledger){failed("mail", 2*m, true), sent("text", 3*m), report("text", 30*m, false)},
			dues{29 * m: nil, 30 * m: {"hook"}},
			map[string]ledger.MessageState{"text": ledger.Sent, "mail": ledger.GivenUp, "hook": ledger.Pending},
			1,
		},
		{
			"did not arrive, twice",
			[]func(*testing.T, *ledger.Ledger){sent("text", m), report("text", 30*m, false), sent("mail", 31*m), report("text", 41*m, false)},
			dues{50 * m: nil},
			map[string]ledger.MessageState{"text": ledger.Sent, "mail": ledger.Sent, "hook": ledger.NotNeeded},
			0,
		},
		{
			"said not to have arrived before its own answer",
			[]func(*testing.T, *ledger.Ledger){begin("text", m), report("text", m, false), func(t *testing.T, l *ledger.Ledger) {
				t.Helper()
				ok(t, l.MarkSent(t.Context(), "text", at(m), "ok"))
			}},
			dues{m: {"mail"}},
			map[string]ledger.MessageState{"text": ledger.Sent, "mail": ledger.Pending, "hook": ledger.Pending},
			1,
		},
		{
			"arrived",
			[]func(*testing.T, *ledger.Ledger){sent("text", m), report("text", m, true)},
			dues{10 * m: nil},
			map[string]ledger.MessageState{"text": ledger.Sent, "mail": ledger.NotNeeded, "hook": ledger.NotNeeded},
			0,
		},
		{
			"out of time",
			[]func(*testing.T, *ledger.Ledger){func(t *testing.T, l *ledger.Ledger) {
				t.Helper()
				ok(t, l.Exec(t.Context(), `UPDATE outbox SET expires_at = next_attempt_at + 60000000 WHERE id = 'text'`))
			}, expire(m)},
			dues{m: {"mail"}},
			map[string]ledger.MessageState{"text": ledger.Expired, "mail": ledger.Pending, "hook": ledger.Pending},
			1,
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			l := ledgertest.MustOpen(t)
			commit(t, l, ledger.Batch{Messages: text()})
			for _, step := range tt.steps {
				step(t, l)
			}
			equal(t, "states", states(t, l), tt.state)
			for now, want := range tt.due {
				equal(t, "due after "+now.String(), due(t, l, now, 9), want)
			}
			depth, _, err := l.OutboxDepth(t.Context())
			ok(t, err)
			equal(t, "depth", depth, tt.depth)
		})
	}
}

// A spare whose first was handed over a moment ago is not begun any more.
func TestSpareIsNotBegunWhenNotNeeded(t *testing.T) {
	l := ledgertest.MustOpen(t)
	commit(t, l, ledger.Batch{Messages: text()})
	_, err := l.BeginAttempt(t.Context(), "text", at(3*time.Minute))
	ok(t, err)
	ok(t, l.MarkSent(t.Context(), "text", at(3*time.Minute), "ok"))
	if n, err := l.BeginAttempt(t.Context(), "mail", at(3*time.Minute)); err == nil {
		t.Errorf("attempt %d was begun", n)
	}
	tries, err := l.Attempts(t.Context(), at(0))
	ok(t, err)
	equal(t, "attempts", len(tries), 1)
}

func TestClockStepMovesSpares(t *testing.T) {
	l := ledgertest.MustOpen(t)
	commit(t, l, ledger.Batch{Messages: text()})
	ok(t, l.ShiftOutbox(t.Context(), time.Hour))
	equal(t, "due before", due(t, l, 62*time.Minute-time.Microsecond, 9), []string{"text"})
	equal(t, "due then", due(t, l, 62*time.Minute, 9), []string{"text", "mail"})
	_, err := l.BeginAttempt(t.Context(), "text", at(time.Hour))
	ok(t, err)
	ok(t, l.MarkSent(t.Context(), "text", at(time.Hour), "ok"))
	ok(t, l.ShiftOutbox(t.Context(), time.Hour))
	ok(t, l.MarkReport(t.Context(), "text", false, "", at(170*time.Minute)))
	equal(t, "due again", due(t, l, 170*time.Minute, 9), []string{"mail"})
	equal(t, "out of time", due(t, l, 180*time.Minute, 9), nil)
}

func TestSentSince(t *testing.T) {
	l := ledgertest.MustOpen(t)
	other := message("by mail", 0)
	commit(t, l, ledger.Batch{Messages: append(text(), other)})
	for i, end := range []func(id string) error{
		func(id string) error { return l.MarkFailed(t.Context(), id, at(0), "no network", at(0), false, false) },
		func(id string) error { return l.MarkFailed(t.Context(), id, at(0), "no answer", at(0), true, false) },
		func(string) error { return nil }, // killed
		func(id string) error { return l.MarkSent(t.Context(), id, at(0), "ok") },
	} {
		_, err := l.BeginAttempt(t.Context(), "text", at(time.Duration(i)*time.Minute))
		ok(t, err)
		ok(t, end("text"))
	}
	_, err := l.BeginAttempt(t.Context(), "by mail", at(0))
	ok(t, err)
	for since, want := range map[time.Duration][]time.Time{
		0:               {at(time.Minute), at(2 * time.Minute), at(3 * time.Minute)},
		2 * time.Minute: {at(2 * time.Minute), at(3 * time.Minute)},
		time.Hour:       nil,
	} {
		got, err := l.SentSince(t.Context(), callout.SMS, at(since))
		ok(t, err)
		equal(t, "sent since "+since.String(), got, want)
	}
}

func TestInbox(t *testing.T) {
	l := ledgertest.MustOpen(t)
	full := ledger.InboxEntry{ID: "a", At: at(0), Way: callout.SMS, Sender: "+447700900123", Person: "kim", Body: "4711 coming", Outcome: "answered", Said: "Thank you."}
	if zero := unset(reflect.ValueOf(full), "entry"); zero != nil {
		t.Fatalf("not tried: %v", zero)
	}
	bare := ledger.InboxEntry{ID: "b", At: at(time.Minute)}
	commit(t, l, ledger.Batch{Inbox: []ledger.InboxEntry{full}})
	again := full
	again.Body = "another text under an ID that is there already"
	commit(t, l, ledger.Batch{Inbox: []ledger.InboxEntry{again, bare}})
	got, err := l.Inbox(t.Context(), at(0))
	ok(t, err)
	equal(t, "inbox", got, []ledger.InboxEntry{full, bare})
	got, err = l.Inbox(t.Context(), at(time.Microsecond))
	ok(t, err)
	equal(t, "inbox of later", got, []ledger.InboxEntry{bare})
	for id, want := range map[string]bool{"a": true, "b": true, "c": false} {
		if known, err := l.KnowsInbox(t.Context(), id); err != nil || known != want {
			t.Errorf("%s: known %t, %v", id, known, err)
		}
	}
	if _, err := l.Commit(t.Context(), ledger.Batch{Inbox: []ledger.InboxEntry{{At: at(0)}}}); err == nil {
		t.Error("one without an ID was kept")
	}
	for _, q := range []string{`DELETE FROM inbox`, `UPDATE inbox SET body = ''`} {
		if err := l.Exec(t.Context(), q); err == nil {
			t.Errorf("%s was done", q)
		}
	}
}
