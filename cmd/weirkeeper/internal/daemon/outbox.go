package daemon

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/notify"
	"weirkeeper/rules/callout"
)

// store is the ledger's outbox.
type store interface {
	notify.Outbox
	MarkReport(ctx context.Context, id string, arrived bool, words string, now time.Time) error
}

// outbox is the ledger's outbox, which goes on from memory while the ledger
// cannot be written: a full disk must not keep anybody asleep. What was done
// from memory is written down once the ledger takes it; a crash before that
// does it again.
type outbox struct {
	store // the ledger's

	mu      sync.Mutex
	held    map[string]callout.Message // not in the ledger yet
	next    map[string]time.Time       // of failed attempts that could not be written
	begun   map[string]int             // attempts that could not be written
	sent    map[string]note            // to be written
	over    map[string]bool            // given up, which could not be written
	reports map[string]note            // to be written
}

type note struct {
	at      time.Time
	words   string
	arrived bool // of a report
}

func newOutbox(l store) *outbox {
	return &outbox{
		store: l, held: map[string]callout.Message{}, next: map[string]time.Time{}, begun: map[string]int{}, sent: map[string]note{},
		over: map[string]bool{}, reports: map[string]note{},
	}
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
		if _, err := o.store.BeginAttempt(ctx, id, s.at); err != nil && !errors.Is(err, ledger.ErrNotFound) {
			return err
		}
		if err := o.store.MarkSent(ctx, id, s.at, s.words); err != nil {
			return err
		}
		delete(o.sent, id)
		delete(o.held, id)
	}
	for id, r := range o.reports {
		if err := o.store.MarkReport(ctx, id, r.arrived, r.words, r.at); err != nil && !errors.Is(err, ledger.ErrNotFound) {
			return err
		}
		delete(o.reports, id)
	}
	clear(o.held)
	clear(o.next)
	clear(o.begun)
	clear(o.over)
	return nil
}

// stuck reports whether the ledger cannot be written: for want of room or a
// turn, or because the disk is dying.
func stuck(err error) bool {
	return err != nil && !errors.Is(err, ledger.ErrNotFound) && !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded)
}

func (o *outbox) DueMessages(ctx context.Context, now time.Time, limit int) ([]callout.Message, error) {
	due, err := o.store.DueMessages(ctx, now, limit)
	o.mu.Lock()
	defer o.mu.Unlock()
	if len(o.held)+len(o.sent)+len(o.next)+len(o.over)+len(o.reports) == 0 {
		return due, err
	}
	all := map[string]callout.Message{}
	for _, m := range due {
		all[m.ID] = m
	}
	for id, m := range o.held {
		all[id] = m
	}
	var out []callout.Message
	for id, m := range all {
		_, sent := o.sent[id]
		if !sent && !o.over[id] && !now.Before(o.next[id]) && (m.ExpiresAt.IsZero() || m.ExpiresAt.After(now)) && o.wanted(all, m, now) {
			out = append(out, m)
		}
	}
	slices.SortFunc(out, func(a, b callout.Message) int {
		return cmp.Or(a.CreatedAt.Compare(b.CreatedAt), cmp.Compare(a.ID, b.ID))
	})
	return out, nil
}

// wanted reports whether a message is to go now, by what is known from memory:
// a spare is while its first is on its way no longer than until its time, and
// none of those before it was handed over.
func (o *outbox) wanted(all map[string]callout.Message, m callout.Message, now time.Time) bool {
	_, held := o.held[m.ID]
	due := !held || !m.NotBefore.After(now) // what the ledger gives is due
	for first := m.Unless; first != ""; first = all[first].Unless {
		report, told := o.reports[first]
		lost := told && !report.arrived
		if _, sent := o.sent[first]; sent && !lost {
			return false
		}
		if first != m.Unless {
			continue
		}
		f, known := all[first]
		due = due || lost || o.over[first] || known && !f.ExpiresAt.IsZero() && !f.ExpiresAt.After(now)
	}
	return due
}

func (o *outbox) BeginAttempt(ctx context.Context, id string, now time.Time) (int, error) {
	o.mu.Lock()
	_, held := o.held[id]
	o.mu.Unlock()
	if !held {
		n, err := o.store.BeginAttempt(ctx, id, now)
		if errors.Is(err, ledger.ErrNotFound) {
			return 0, nil // its first was handed over meanwhile
		}
		if !stuck(err) {
			return n, err
		}
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.begun[id]++
	return o.begun[id], nil
}

// inMemory reports whether the newest attempt at a message is in memory only.
func (o *outbox) inMemory(id string) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	_, begun := o.begun[id]
	_, held := o.held[id]
	return begun || held
}

func (o *outbox) MarkSent(ctx context.Context, id string, now time.Time, detail string) error {
	if !o.inMemory(id) {
		if err := o.store.MarkSent(ctx, id, now, detail); !stuck(err) {
			return err
		}
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.sent[id] = note{at: now, words: detail}
	return nil
}

func (o *outbox) MarkFailed(ctx context.Context, id string, now time.Time, cause string, next time.Time, unknown, giveUp bool) error {
	if !o.inMemory(id) {
		if err := o.store.MarkFailed(ctx, id, now, cause, next, unknown, giveUp); !stuck(err) {
			return err
		}
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.next[id] = next
	if giveUp {
		o.over[id] = true
	}
	return nil
}

// MarkReport records what was said later of whether a message arrived.
func (o *outbox) MarkReport(ctx context.Context, id string, arrived bool, words string, now time.Time) error {
	o.mu.Lock()
	_, held := o.held[id]
	_, sent := o.sent[id]
	o.mu.Unlock()
	if !held && !sent {
		if err := o.store.MarkReport(ctx, id, arrived, words, now); !stuck(err) {
			return err
		}
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.reports[id] = note{at: now, words: words, arrived: arrived}
	return nil
}

func (o *outbox) ExpireMessages(ctx context.Context, now time.Time) (int, error) {
	n, err := o.store.ExpireMessages(ctx, now)
	if stuck(err) {
		return 0, nil
	}
	return n, err
}
