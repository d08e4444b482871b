package daemon

import (
	"context"
	"errors"
	"sync"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/notify"
	"weirkeeper/rules/callout"
)

// outbox is the ledger's outbox, which goes on from memory while the ledger
// cannot be written: a full disk must not keep anybody asleep. What was sent
// from memory is written down once the ledger takes it; a crash before that
// sends it again.
type outbox struct {
	notify.Outbox // the ledger's

	mu    sync.Mutex
	held  map[string]callout.Message // not in the ledger yet
	next  map[string]time.Time       // of failed attempts that could not be written
	begun map[string]int             // attempts that could not be written
	sent  map[string]sentNote        // to be written
}

type sentNote struct {
	at     time.Time
	detail string
}

func newOutbox(l notify.Outbox) *outbox {
	return &outbox{Outbox: l, held: map[string]callout.Message{}, next: map[string]time.Time{}, begun: map[string]int{}, sent: map[string]sentNote{}}
}

// hold takes messages that could not be committed.
func (o *outbox) hold(messages []callout.Message) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, m := range messages {
		o.held[m.ID] = m
	}
}

// settle writes down what was done from memory, after a commit that stored the
// messages held.
func (o *outbox) settle(ctx context.Context) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	for id, s := range o.sent {
		if _, err := o.Outbox.BeginAttempt(ctx, id, s.at); err != nil && !errors.Is(err, ledger.ErrNotFound) {
			return err
		}
		if err := o.Outbox.MarkSent(ctx, id, s.at, s.detail); err != nil {
			return err
		}
		delete(o.sent, id)
		delete(o.held, id)
	}
	clear(o.held)
	clear(o.next)
	clear(o.begun)
	return nil
}

// stuck reports whether the ledger cannot be written: for want of room or a
// turn, or because the disk is dying.
func stuck(err error) bool {
	return err != nil && !errors.Is(err, ledger.ErrNotFound) && !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded)
}

func (o *outbox) DueMessages(ctx context.Context, now time.Time, limit int) ([]callout.Message, error) {
	due, err := o.Outbox.DueMessages(ctx, now, limit)
	o.mu.Lock()
	defer o.mu.Unlock()
	if len(o.held) == 0 && len(o.sent) == 0 && len(o.next) == 0 {
		return due, err
	}
	var out []callout.Message
	add := func(m callout.Message) {
		if _, sent := o.sent[m.ID]; !sent && !now.Before(o.next[m.ID]) && (m.ExpiresAt.IsZero() || m.ExpiresAt.After(now)) {
			out = append(out, m)
		}
	}
	for _, m := range due {
		if _, held := o.held[m.ID]; !held {
			add(m)
		}
	}
	for _, m := range o.held {
		add(m)
	}
	return out, nil
}

func (o *outbox) BeginAttempt(ctx context.Context, id string, now time.Time) (int, error) {
	o.mu.Lock()
	_, held := o.held[id]
	o.mu.Unlock()
	if !held {
		n, err := o.Outbox.BeginAttempt(ctx, id, now)
		if !stuck(err) {
			return n, err
		}
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.begun[id]++
	return o.begun[id], nil
}

func (o *outbox) MarkSent(ctx context.Context, id string, now time.Time, detail string) error {
	o.mu.Lock()
	_, fromMemory := o.begun[id]
	o.mu.Unlock()
	if !fromMemory {
		if err := o.Outbox.MarkSent(ctx, id, now, detail); !stuck(err) {
			return err
		}
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.sent[id] = sentNote{now, detail}
	return nil
}

func (o *outbox) MarkFailed(ctx context.Context, id string, now time.Time, cause string, next time.Time, unknown, giveUp bool) error {
	o.mu.Lock()
	_, fromMemory := o.begun[id]
	o.mu.Unlock()
	if !fromMemory {
		if err := o.Outbox.MarkFailed(ctx, id, now, cause, next, unknown, giveUp); !stuck(err) {
			return err
		}
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.next[id] = next
	return nil
}

func (o *outbox) ExpireMessages(ctx context.Context, now time.Time) (int, error) {
	n, err := o.Outbox.ExpireMessages(ctx, now)
	if stuck(err) {
		return 0, nil
	}
	return n, err
}
