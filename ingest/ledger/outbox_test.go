package ledger_test

import (
	"errors"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

func message(id string, created time.Duration) callout.Message {
	return callout.Message{
		ID: id, Reason: callout.First, Person: "kim", Way: callout.Email, Address: "kim@alderfork.example", Subject: "Trough 3: low flow", Text: "Trough 3: low flow\n\nGo and look.\n",
		Alarms: []alarm.Key{"trough flow/Trough 3"}, CreatedAt: at(created), ExpiresAt: at(created + time.Hour),
	}
}

func due(t *testing.T, l *ledger.Ledger, now time.Duration, limit int) []string {
	t.Helper()
	due, err := l.DueMessages(t.Context(), at(now), limit)
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, m := range due {
		ids = append(ids, m.ID)
	}
	return ids
}

func records(t *testing.T, l *ledger.Ledger, since time.Duration) []ledger.MessageRecord {
	t.Helper()
	all, err := l.Messages(t.Context(), at(since))
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func ok(tb testing.TB, err error) {
	tb.Helper()
	if err != nil {
		tb.Fatal(err)
	}
}

func TestDueMessages(t *testing.T) {
	l := ledgertest.MustOpen(t)
	never := message("never expires", 3*time.Minute)
	never.ExpiresAt, never.Alarms = time.Time{}, nil
	commit(t, l, ledger.Batch{Messages: []callout.Message{message("b", time.Minute), message("c", time.Minute), message("a", 0), never}})
	changed := message("a", 0)
	changed.Text = "another text under an ID that is there already"
	commit(t, l, ledger.Batch{Messages: []callout.Message{changed}})

	got, err := l.DueMessages(t.Context(), at(3*time.Minute), 10)
	ok(t, err)
	equal(t, "messages", got, []callout.Message{message("a", 0), message("b", time.Minute), message("c", time.Minute), never})
	for _, tt := range []struct {
		name  string
		now   time.Duration
		limit int
		want  []string
	}{
		{"before the first is due", -time.Microsecond, 10, nil},
		{"the first is due when it is created", 0, 10, []string{"a"}},
		{"oldest first", time.Minute, 10, []string{"a", "b", "c"}},
		{"limit", time.Minute, 2, []string{"a", "b"}},
		{"just before the first expires", time.Hour - time.Microsecond, 10, []string{"a", "b", "c", "never expires"}},
		{"expired at its time", time.Hour, 10, []string{"b", "c", "never expires"}},
		{"one never expires", 1000 * time.Hour, 10, []string{"never expires"}},
	} {
		t.Run(tt.name, func(t *testing.T) { equal(t, "due", due(t, l, tt.now, tt.limit), tt.want) })
	}
}

func TestMessageIsSent(t *testing.T) {
	l := ledgertest.MustOpen(t)
	commit(t, l, ledger.Batch{Messages: []callout.Message{message("a", 0)}})
	n, err := l.BeginAttempt(t.Context(), "a", at(time.Minute))
	ok(t, err)
	if n != 1 {
		t.Errorf("attempt %d, want 1", n)
	}
	ok(t, l.MarkFailed(t.Context(), "a", at(2*time.Minute), "421 try later", at(5*time.Minute), false, false))
	equal(t, "due before the next attempt", due(t, l, 5*time.Minute-time.Microsecond, 10), nil)
	equal(t, "due at the next attempt", due(t, l, 5*time.Minute, 10), []string{"a"})
	n, err = l.BeginAttempt(t.Context(), "a", at(5*time.Minute))
	ok(t, err)
	if n != 2 {
		t.Errorf("attempt %d, want 2", n)
	}
	// The outcome is not known yet: after a crash it is due again.
	equal(t, "due while under way", due(t, l, 5*time.Minute, 10), []string{"a"})
	ok(t, l.MarkSent(t.Context(), "a", at(6*time.Minute), "250 queued as 7"))
	equal(t, "due when sent", due(t, l, 30*time.Minute, 10), nil)

	want := ledger.MessageRecord{
		Message: message("a", 0), State: ledger.Sent, NextAttempt: at(5 * time.Minute), AttemptedAt: at(5 * time.Minute),
		LastError: "421 try later", FailedAt: at(2 * time.Minute), SentAt: at(6 * time.Minute), Detail: "250 queued as 7",
	}
	want.Attempts = 2
	equal(t, "record", records(t, l, 0), []ledger.MessageRecord{want})
	equal(t, "records since later", len(records(t, l, time.Microsecond)), 0)
	tries, err := l.Attempts(t.Context(), at(0))
	ok(t, err)
	equal(t, "attempts", tries, []ledger.Attempt{
		{Message: "a", N: 1, BeganAt: at(time.Minute), EndedAt: at(2 * time.Minute), Outcome: "failed", Detail: "421 try later"},
		{Message: "a", N: 2, BeganAt: at(5 * time.Minute), EndedAt: at(6 * time.Minute), Outcome: "sent", Detail: "250 queued as 7"},
	})

	// What has been sent stays sent.
	ok(t, l.MarkFailed(t.Context(), "a", at(7*time.Minute), "late news", at(8*time.Minute), true, true))
	if _, err := l.ExpireMessages(t.Context(), at(100*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if got := records(t, l, 0)[0].State; got != ledger.Sent {
		t.Errorf("state %q, want %q", got, ledger.Sent)
	}
	if _, err := l.BeginAttempt(t.Context(), "a", at(time.Hour)); !errors.Is(err, ledger.ErrNotFound) {
		t.Errorf("attempt on a sent message: error %v, want %v", err, ledger.ErrNotFound)
	}
}

func TestMessageIsGivenUpOrExpires(t *testing.T) {
	l := ledgertest.MustOpen(t)
	commit(t, l, ledger.Batch{Messages: []callout.Message{message("a", 0), message("b", time.Minute), message("c", 2*time.Minute)}})
	depth := func(want int, oldest time.Time) {
		t.Helper()
		n, at, err := l.OutboxDepth(t.Context())
		ok(t, err)
		if n != want || !at.Equal(oldest) {
			t.Errorf("%d pending, the oldest of %v, want %d, %v", n, at, want, oldest)
		}
	}
	depth(3, at(0))
	ok(t, l.MarkFailed(t.Context(), "a", at(time.Minute), "550 no such box", at(time.Minute), false, true))
	depth(2, at(time.Minute))
	n, err := l.ExpireMessages(t.Context(), at(61*time.Minute))
	ok(t, err)
	if n != 1 {
		t.Errorf("%d expired, want 1", n)
	}
	depth(1, at(2*time.Minute))
	var states []ledger.MessageState
	for _, m := range records(t, l, 0) {
		states = append(states, m.State)
	}
	equal(t, "states", states, []ledger.MessageState{ledger.GivenUp, ledger.Expired, ledger.Pending})
	// A delivery that ends after the expiry did take place.
	ok(t, l.MarkSent(t.Context(), "b", at(62*time.Minute), ""))
	ok(t, l.MarkSent(t.Context(), "c", at(62*time.Minute), ""))
	depth(0, time.Time{})
	if got := records(t, l, time.Minute)[0].State; got != ledger.Sent {
		t.Errorf("state %q, want %q", got, ledger.Sent)
	}
}

func TestUnknownMessage(t *testing.T) {
	l := ledgertest.MustOpen(t)
	_, err := l.BeginAttempt(t.Context(), "x", at(0))
	for name, err := range map[string]error{
		"begin":  err,
		"sent":   l.MarkSent(t.Context(), "x", at(0), ""),
		"failed": l.MarkFailed(t.Context(), "x", at(0), "", at(0), false, false),
		"report": l.MarkReport(t.Context(), "x", false, "", at(0)),
	} {
		if !errors.Is(err, ledger.ErrNotFound) {
			t.Errorf("%s: error %v, want %v", name, err, ledger.ErrNotFound)
		}
	}
}
