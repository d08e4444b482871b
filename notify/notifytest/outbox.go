// Package notifytest is an outbox in memory, for tests of notify and of its
// deliveries. It keeps nothing over a restart of the process; a restart of the
// sender is played by giving the same Outbox to another Sender.
package notifytest

import (
	"context"
	"slices"
	"sync"
	"testing"
	"time"

	"weirkeeper/rules/callout"
)

// Row is a message in the outbox.
type Row struct {
	Message callout.Message
	State   string // "pending", "sent", "given up", "expired" or "not needed"
	Next    time.Time
	Detail  string // what the server said, or the last cause
}

// Outbox is a notify.Outbox.
type Outbox struct {
	mu      sync.Mutex
	rows    []Row
	changed chan struct{} // closed and replaced at each change
	begun   []begun
	// fail is asked before each write; op is the method's name.
	fail func(op, id string) error
}

type begun struct {
	id     string
	at     time.Time
	open   bool
	failed bool // and certainly did not arrive
}

// NewOutbox makes an outbox with messages, each of them due.
func NewOutbox(messages ...callout.Message) *Outbox {
	o := &Outbox{changed: make(chan struct{})}
	o.Add(messages...)
	return o
}

// Add stores messages.
func (o *Outbox) Add(messages ...callout.Message) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, m := range messages {
		if m.Way == "" {
			m.Way = callout.Email
		}
		o.rows = append(o.rows, Row{Message: m, State: "pending", Next: m.NotBefore})
	}
}

// Fail makes writes fail where f gives an error; nil ends that.
func (o *Outbox) Fail(f func(op, id string) error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.fail = f
}

// Row gives one message's row.
func (o *Outbox) Row(id string) Row {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.rows[o.find(id)]
}

// Await waits until the row of a message fits, and fails the test after 20 s.
func (o *Outbox) Await(t *testing.T, id string, fits func(Row) bool) Row {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for {
		o.mu.Lock()
		r, changed := o.rows[o.find(id)], o.changed
		o.mu.Unlock()
		if fits(r) {
			return r
		}
		select {
		case <-changed:
		case <-ctx.Done():
			t.Fatalf("message %s stayed at %+v", id, r)
		}
	}
}

func (o *Outbox) find(id string) int {
	return slices.IndexFunc(o.rows, func(r Row) bool { return r.Message.ID == id })
}

func (o *Outbox) write(op, id string, do func(*Row)) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.fail != nil {
		if err := o.fail(op, id); err != nil {
			return err
		}
	}
	do(&o.rows[o.find(id)])
	close(o.changed)
	o.changed = make(chan struct{})
	return nil
}

// DueMessages gives what is due, in the order it was added.
func (o *Outbox) DueMessages(ctx context.Context, now time.Time, limit int) ([]callout.Message, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	var out []callout.Message
	for _, r := range o.rows {
		if r.State == "pending" && !now.Before(r.Next) && now.Before(r.Message.ExpiresAt) && len(out) < limit {
			out = append(out, r.Message)
		}
	}
	return out, ctx.Err()
}

// BeginAttempt counts an attempt.
func (o *Outbox) BeginAttempt(_ context.Context, id string, now time.Time) (int, error) {
	n := 0
	err := o.write("BeginAttempt", id, func(r *Row) {
		if r.State != "pending" {
			return
		}
		r.Message.Attempts++
		n = r.Message.Attempts
		o.begun = append(o.begun, begun{id: id, at: now, open: true})
	})
	return n, err
}

// spares does something to the pending spares of a message, and to theirs.
func (o *Outbox) spares(id string, do func(*Row)) {
	for i := range o.rows {
		if r := &o.rows[i]; id != "" && r.Message.Unless == id && r.State == "pending" {
			do(r)
			o.spares(r.Message.ID, do)
		}
	}
}

// MarkSent ends a message.
func (o *Outbox) MarkSent(ctx context.Context, id string, _ time.Time, detail string) error {
	return o.write("MarkSent", id, func(r *Row) {
		r.State, r.Detail = "sent", detail
		o.spares(id, func(s *Row) { s.State = "not needed" })
	})
}

// MarkFailed puts a message off, or gives it up.
func (o *Outbox) MarkFailed(ctx context.Context, id string, _ time.Time, cause string, next time.Time, unknown, giveUp bool) error {
	return o.write("MarkFailed", id, func(r *Row) {
		r.Next, r.Detail = next, cause
		for i := range o.begun {
			if o.begun[i].id == id && o.begun[i].open {
				o.begun[i].open, o.begun[i].failed = false, !unknown
			}
		}
		if giveUp {
			r.State = "given up"
			for i := range o.rows {
				if s := &o.rows[i]; s.Message.Unless == id {
					s.Next = time.Time{}
				}
			}
		}
	})
}

// SentSince gives the attempts that may have arrived.
func (o *Outbox) SentSince(_ context.Context, way callout.Way, since time.Time) ([]time.Time, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	var all []time.Time
	for _, b := range o.begun {
		if o.rows[o.find(b.id)].Message.Way == way && !b.failed && !b.at.Before(since) {
			all = append(all, b.at)
		}
	}
	return all, nil
}

// ExpireMessages takes out what has run out of time.
func (o *Outbox) ExpireMessages(ctx context.Context, now time.Time) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.fail != nil {
		if err := o.fail("ExpireMessages", ""); err != nil {
			return 0, err
		}
	}
	n := 0
	for i, r := range o.rows {
		if r.State == "pending" && !now.Before(r.Message.ExpiresAt) {
			o.rows[i].State = "expired"
			n++
		}
	}
	return n, nil
}
