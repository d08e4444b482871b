package notify

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"log/slog"
	"sync"
	"time"

	"weirkeeper/rules/callout"
)

// Outbox is the durable queue of messages.
type Outbox interface {
	// DueMessages gives the messages whose next attempt is due and whose time
	// has not run out, oldest first.
	DueMessages(ctx context.Context, now time.Time, limit int) ([]callout.Message, error)
	// BeginAttempt records, durably, that an attempt begins, and gives its
	// number, from 1.
	BeginAttempt(ctx context.Context, id string, now time.Time) (int, error)
	MarkSent(ctx context.Context, id string, now time.Time, detail string) error
	MarkFailed(ctx context.Context, id string, now time.Time, cause string, next time.Time, unknown, giveUp bool) error
	// ExpireMessages takes out what has run out of time, and counts it.
	ExpireMessages(ctx context.Context, now time.Time) (int, error)
}

// Deliverer hands one message over. It must return when ctx ends, and may be
// called from several goroutines. detail is what the other side said.
type Deliverer interface {
	Deliver(ctx context.Context, m callout.Message) (detail string, err error)
}

// DeliveryError is what a Deliverer knows of a failure. Any other error counts
// as temporary with an unknown outcome.
type DeliveryError struct {
	Err error
	// Permanent: the other side said that trying again is of no use.
	Permanent bool
	// Unknown: the message may have arrived all the same.
	Unknown bool
}

func (e *DeliveryError) Error() string { return e.Err.Error() }

// Unwrap gives the cause.
func (e *DeliveryError) Unwrap() error { return e.Err }

// Outcome is what became of an attempt, for counters.
type Outcome string

// The outcomes.
const (
	Sent      Outcome = "sent"
	Temporary Outcome = "temporary"
	Permanent Outcome = "permanent"
	// Expired: the time of a message ran out before it could be sent.
	Expired Outcome = "expired"
)

// Outcomes lists every outcome.
func Outcomes() []Outcome { return []Outcome{Sent, Temporary, Permanent, Expired} }

// The waits between attempts, a quarter at most longer by the message's ID so
// that messages do not all come at once.
const (
	firstWait = 15 * time.Second
	// longWait is the longest wait, and the only one after a permanent error.
	longWait = 5 * time.Minute
)

// What can be unhealthy besides a person's mail.
const (
	outboxRead  = "/read"
	outboxWrite = "/write"
)

// markTimeout bounds the record of an outcome, which is made even when the
// daemon is stopping.
const markTimeout = 10 * time.Second

// SenderOptions are what a Sender works with. Outbox, Deliverer, Now and Log
// are needed.
type SenderOptions struct {
	Outbox    Outbox
	Deliverer Deliverer
	Now       func() time.Time
	Log       *slog.Logger
	// Timeout bounds one delivery, in real time; 0 means a minute.
	Timeout time.Duration
	// OnHealth is told whether mail goes out, whenever that changes: not ok
	// from a failure until each person whose mail failed has had one, and
	// while the outbox cannot be used. It must not block. May be nil.
	OnHealth func(ok bool, detail string)
	// Count is told of outcomes. It must not block. May be nil.
	Count func(o Outcome, n int)
}

// Sender carries messages from the outbox to the Deliverer.
//
// Each address has its own order and its own pace: while one stalls or fails,
// the others go on. At most one delivery per address runs at a time, so there
// are never more than there are people.
//
// After a temporary failure (no connection, no TLS, refused log-in, 4xx) the
// later messages of that person wait for the earlier one, whose next attempt
// comes after 15 s, doubling to 5 min. A permanent failure (5xx) is tried again
// every 5 min and holds nobody up: servers say 5xx for what an operator can put
// right, and a call-out is given up only when its time runs out.
type Sender struct {
	opt SenderOptions

	mu sync.Mutex
	// people is by address, kept for the life of the process.
	people map[string]*recipient
	// ended is by message ID: attempts whose record did not succeed, or that
	// are known not to have arrived.
	ended     map[string]ending
	unhealthy map[string]bool // by person, or one of the outbox's
	healthy   bool
	// Only Run uses these: when it last looked for messages, and whether they
	// could not be expired then.
	looked      time.Time
	notExpiring bool
}

type recipient struct {
	busy bool      // a worker is at it
	hold time.Time // nothing before this
}

type ending struct {
	sent    bool
	detail  string
	refused int // the attempts up to this number did certainly not arrive
	expires time.Time
	next    time.Time // the next attempt, where that is not in the outbox
}

// NewSender makes a Sender. It starts nothing.
func NewSender(opt SenderOptions) *Sender {
	if opt.Timeout == 0 {
		opt.Timeout = time.Minute
	}
	if opt.OnHealth == nil {
		opt.OnHealth = func(bool, string) {}
	}
	if opt.Count == nil {
		opt.Count = func(Outcome, int) {}
	}
	return &Sender{
		opt: opt, people: map[string]*recipient{}, ended: map[string]ending{},
		unhealthy: map[string]bool{}, healthy: true,
	}
}

// Run sends what is due at its start and at each wake, until ctx ends. Wake it
// when messages were stored, and every few seconds for those that are tried
// again. It returns nil when ctx has ended and all deliveries have come back.
func (s *Sender) Run(ctx context.Context, wake <-chan struct{}) error {
	done := make(chan *recipient)
	running := 0
	for {
		running += s.start(ctx, done)
		select {
		case <-ctx.Done():
			for ; running > 0; running-- {
				<-done
			}
			return nil
		case <-wake:
		case r := <-done:
			r.busy = false
			running--
		}
	}
}

// start begins a worker for each person who has due messages and no worker,
// and counts them.
func (s *Sender) start(ctx context.Context, done chan<- *recipient) int {
	if ctx.Err() != nil {
		return 0
	}
	now := s.opt.Now()
	due, err := s.due(ctx, now)
	if err != nil {
		if ctx.Err() == nil {
			s.health(outboxRead, err)
			s.opt.Log.Error("outbox cannot be read", "component", "notify", "err", err)
		}
		return 0
	}
	s.health(outboxRead, nil)
	work := map[*recipient][]callout.Message{}
	var order []*recipient
	for _, m := range due {
		r := s.people[m.Address]
		if r == nil {
			r = &recipient{}
			s.people[m.Address] = r
		}
		if r.busy || waits(now, r.hold) || waits(now, s.ending(m.ID).next) {
			continue
		}
		if work[r] == nil {
			order = append(order, r)
		}
		work[r] = append(work[r], m)
	}
	for _, r := range order {
		r.busy = true
		go func() {
			s.deliverAll(ctx, r, work[r])
			done <- r
		}()
	}
	return len(order)
}

// waits reports whether now is before until, which is never far ahead unless the
// clock was set back.
func waits(now, until time.Time) bool {
	return now.Before(until) && until.Sub(now) <= 2*longWait
}

// due gives all due messages. It asks for more until there are no more, so
// that one person's long queue cannot hide another's message.
func (s *Sender) due(ctx context.Context, now time.Time) ([]callout.Message, error) {
	// What is out of time now is not due, but it ends only if it was so at the
	// last look too: the clock may be far ahead for a moment.
	expired := now
	if s.looked.Before(now) {
		expired = s.looked
	}
	s.looked = now
	s.forget(expired)
	n, err := s.opt.Outbox.ExpireMessages(ctx, expired)
	switch {
	case err == nil:
		s.notExpiring = false
	case ctx.Err() == nil && !s.notExpiring: // said once; what has expired is not due all the same
		s.notExpiring = true
		s.opt.Log.Warn("expired messages stay in the outbox for now", "component", "notify", "err", err)
	}
	if n > 0 {
		s.opt.Count(Expired, n)
		s.opt.Log.Warn("messages expired unsent", "component", "notify", "count", n)
	}
	for limit := 64; ; limit *= 2 {
		due, err := s.opt.Outbox.DueMessages(ctx, now, limit)
		if err != nil {
			return nil, fmt.Errorf("notify: read due messages: %w", err)
		}
		if len(due) < limit {
			return due, nil
		}
	}
}

// deliverAll sends one person's messages in order, until one must wait. Only
// it touches r.hold while r is busy.
func (s *Sender) deliverAll(ctx context.Context, r *recipient, list []callout.Message) {
	for _, m := range list {
		r.hold = s.deliver(ctx, m)
		if !r.hold.IsZero() || ctx.Err() != nil {
			return
		}
	}
}

// deliver makes one attempt at one message, and says until when the person's
// other messages must wait; zero means not at all.
func (s *Sender) deliver(ctx context.Context, m callout.Message) (hold time.Time) {
	log := s.opt.Log.With("component", "notify", "message", m.ID, "person", m.Person)
	past := s.ending(m.ID)
	if past.sent { // only the record of it is missing
		return s.recordSent(ctx, log, m, past.detail)
	}
	now := s.opt.Now()
	if !now.Before(m.ExpiresAt) {
		return time.Time{} // out of time, or the clock was set: the outbox knows
	}
	n, err := s.opt.Outbox.BeginAttempt(ctx, m.ID, now)
	if err != nil {
		if ctx.Err() != nil {
			return time.Time{}
		}
		s.health(outboxWrite, err)
		log.Error("attempt cannot be recorded, nothing sent", "err", err)
		return now.Add(firstWait)
	}
	s.health(outboxWrite, nil)
	m.Attempts = n
	if past.refused != n-1 {
		m.Text = AlreadyNote + "\n\n" + m.Text
	}
	dctx, cancel := context.WithTimeout(ctx, s.opt.Timeout)
	detail, err := s.opt.Deliverer.Deliver(dctx, m)
	cancel()
	switch {
	case err == nil:
		s.opt.Count(Sent, 1)
		s.health(m.Person, nil)
		log.Info("message handed over", "reason", m.Reason, "attempt", n)
		return s.recordSent(ctx, log, m, detail)
	case ctx.Err() != nil:
		return time.Time{} // stopping: the attempt is recorded, its outcome is not known
	}
	return s.recordFailed(ctx, log, m, now, err, past.refused == n-1)
}

func (s *Sender) recordSent(ctx context.Context, log *slog.Logger, m callout.Message, detail string) (hold time.Time) {
	mctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), markTimeout)
	defer cancel()
	now := s.opt.Now()
	if err := s.opt.Outbox.MarkSent(mctx, m.ID, now, detail); err != nil {
		s.setEnding(m.ID, ending{sent: true, detail: detail, expires: m.ExpiresAt})
		s.health(outboxWrite, err)
		log.Error("sent message cannot be recorded as sent", "err", err)
		return now.Add(firstWait)
	}
	s.health(outboxWrite, nil)
	s.setEnding(m.ID, ending{})
	return time.Time{}
}

// recordFailed notes the failure of an attempt that was begun at a time at which
// the message had not expired. clean says that no attempt before this one can
// have arrived.
func (s *Sender) recordFailed(ctx context.Context, log *slog.Logger, m callout.Message, begun time.Time, cause error, clean bool) (hold time.Time) {
	f := &DeliveryError{Err: cause, Unknown: true}
	errors.As(cause, &f)
	wait, outcome := backoff(m.ID, m.Attempts), Temporary
	if f.Permanent {
		wait, outcome = longWait, Permanent
	}
	now := s.opt.Now()
	if now.Sub(begun) > 2*s.opt.Timeout {
		now = begun // no delivery takes that long: the clock was set, perhaps for a moment
	}
	next := now.Add(wait)
	giveUp := next.After(m.ExpiresAt)
	s.opt.Count(outcome, 1)
	s.health(m.Person, cause)
	log.Warn("message not handed over", "attempt", m.Attempts, "outcome", string(outcome), "next_s", int(wait.Seconds()), "give_up", giveUp, "err", cause)
	e := ending{refused: s.ending(m.ID).refused, expires: m.ExpiresAt}
	if clean && !f.Unknown {
		e.refused = m.Attempts
	}
	mctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), markTimeout)
	defer cancel()
	err := s.opt.Outbox.MarkFailed(mctx, m.ID, now, cause.Error(), next, f.Unknown, giveUp)
	switch {
	case err != nil: // it is still due
		s.health(outboxWrite, err)
		log.Error("failed attempt cannot be recorded", "err", err)
		e.next = next
	case giveUp:
		s.opt.Count(Expired, 1)
		e = ending{}
	}
	s.setEnding(m.ID, e)
	if f.Permanent || giveUp {
		return time.Time{}
	}
	return next
}

// backoff is the wait after attempt n: 15 s, doubling to 5 min, and up to a
// quarter more that only depends on the message and the attempt.
func backoff(id string, n int) time.Duration {
	d := longWait
	if n < 6 {
		d = min(d, firstWait<<max(0, n-1))
	}
	h := fnv.New32a()
	_, _ = fmt.Fprintf(h, "%s/%d", id, n)
	return d + d/4*time.Duration(h.Sum32()%1000)/1000
}

// health notes what is wrong with a person's mail or the outbox, nil for nothing, and tells when mail as a whole starts or stops going out.
func (s *Sender) health(who string, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err == nil {
		delete(s.unhealthy, who)
	} else {
		s.unhealthy[who] = true
	}
	if ok := len(s.unhealthy) == 0; ok != s.healthy {
		s.healthy = ok
		switch {
		case ok:
			s.opt.OnHealth(true, "mail goes out again")
		case who == outboxRead || who == outboxWrite:
			s.opt.OnHealth(false, err.Error())
		default:
			s.opt.OnHealth(false, "to "+who+": "+err.Error())
		}
	}
}

func (s *Sender) ending(id string) ending {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.ended[id]
}

func (s *Sender) setEnding(id string, e ending) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if e == (ending{}) {
		delete(s.ended, id)
		return
	}
	s.ended[id] = e
}

// forget drops what is known of messages that are out of time.
func (s *Sender) forget(now time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for id, e := range s.ended {
		if now.After(e.expires) {
			delete(s.ended, id)
		}
	}
}
