package notify

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"log/slog"
	"slices"
	"sync"
	"time"

	"weirkeeper/rules/callout"
)

// Outbox is the durable queue of messages.
type Outbox interface {
	// DueMessages gives the messages whose next attempt is due and whose time
	// has not run out, oldest first. The spare of a message is not among them
	// before its time, nor once that one was handed over, unless it did not
	// arrive.
	DueMessages(ctx context.Context, now time.Time, limit int) ([]callout.Message, error)
	// BeginAttempt records, durably, that an attempt begins, and gives its
	// number, from 1; 0 when the message is not to be sent any more.
	BeginAttempt(ctx context.Context, id string, now time.Time) (int, error)
	MarkSent(ctx context.Context, id string, now time.Time, detail string) error
	// MarkFailed records why an attempt failed, or why there will be none.
	// unknown: it may have arrived all the same. A spare of what is given up
	// is due at once.
	MarkFailed(ctx context.Context, id string, now time.Time, cause string, next time.Time, unknown, giveUp bool) error
	// ExpireMessages takes out what has run out of time, and counts it.
	ExpireMessages(ctx context.Context, now time.Time) (int, error)
	// SentSince gives when the attempts by a way began that were handed over,
	// or may have been, since a time, in order.
	SentSince(ctx context.Context, way callout.Way, since time.Time) ([]time.Time, error)
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

// What can be unhealthy besides an address.
var (
	outboxRead  = callout.Reach{Address: "/read"}
	outboxWrite = callout.Reach{Address: "/write"}
)

// markTimeout bounds the record of an outcome, which is made even when the
// daemon is stopping.
const markTimeout = 10 * time.Second

// SenderOptions are what a Sender works with. Outbox, Now and Log are needed.
type SenderOptions struct {
	Outbox Outbox
	// Deliverers are by way. What is to go by a way without one is given up at
	// once, so that its spare goes.
	Deliverers map[callout.Way]Deliverer
	Now        func() time.Time
	Log        *slog.Logger
	// Timeouts bound one delivery by each way, in real time; 0 means a minute.
	Timeouts map[callout.Way]time.Duration
	// Quota is the most messages that go by a way within an hour, counted over
	// restarts; 0 and none are no bound.
	Quota map[callout.Way]int
	// Location is where the clock on the wall hangs; nil means UTC.
	Location *time.Location
	// OnHealth is told whether messages go out by a way, whenever that changes:
	// not ok from a failure until each address that failed has had one, and
	// while the outbox cannot be used. It must not block. May be nil.
	OnHealth func(way callout.Way, ok bool, detail string)
	// OnPerson is told whether everybody can be reached, whenever that changes:
	// not ok while messages to some address fail on a way that carries those to
	// others. It must not block. May be nil.
	OnPerson func(ok bool, detail string)
	// OnQuota is told, at the start and whenever that changes, whether a quota
	// holds messages back. It must not block. May be nil.
	OnQuota func(reached bool, detail string)
	// Count is told of outcomes; way is "" for what ran out of time while it
	// waited. It must not block. May be nil.
	Count func(way callout.Way, o Outcome, n int)
}

// Sender carries messages from the outbox to the Deliverers.
//
// Each address has its own order and its own pace: while one stalls or fails,
// the others go on. At most one delivery per address runs at a time, so there
// are never more than people have addresses.
//
// After a temporary failure (no connection, no TLS, refused log-in, 4xx) the
// later messages of that person wait for the earlier one, whose next attempt
// comes after 15 s, doubling to 5 min. A permanent failure (5xx) is tried again
// every 5 min and holds nobody up: servers say 5xx for what an operator can put
// right, and a call-out is given up only when its time runs out.
type Sender struct {
	opt SenderOptions

	mu sync.Mutex
	// people is by way and address, kept for the life of the process.
	people map[callout.Reach]*recipient
	// ended is by message ID: attempts whose record did not succeed, or that
	// are known not to have arrived.
	ended     map[string]ending
	unhealthy map[callout.Reach]illness // or one of the outbox's
	outcomes  int                       // so far
	carried   map[callout.Way]int       // the number of the newest outcome that was a success
	person    bool                      // OnPerson was told of somebody
	down      map[callout.Way]bool
	quotas    map[callout.Way]*quota
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
	if opt.OnPerson == nil {
		opt.OnPerson = func(bool, string) {}
	}
	if opt.OnHealth == nil {
		opt.OnHealth = func(callout.Way, bool, string) {}
	}
	if opt.OnQuota == nil {
		opt.OnQuota = func(bool, string) {}
	}
	if opt.Count == nil {
		opt.Count = func(callout.Way, Outcome, int) {}
	}
	if opt.Location == nil {
		opt.Location = time.UTC
	}
	s := &Sender{
		opt: opt, people: map[callout.Reach]*recipient{}, ended: map[string]ending{},
		unhealthy: map[callout.Reach]illness{}, carried: map[callout.Way]int{}, down: map[callout.Way]bool{}, quotas: map[callout.Way]*quota{},
	}
	for way, n := range opt.Quota {
		if n > 0 {
			s.quotas[way] = &quota{limit: n}
		}
	}
	return s
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

// start begins a worker for each address that has due messages and no worker,
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
	s.loadQuotas(ctx, now)
	work := map[*recipient][]callout.Message{}
	var order []*recipient
	for _, m := range due {
		to := callout.Reach{Way: m.Way, Address: m.Address}
		r := s.people[to]
		if r == nil {
			r = &recipient{}
			s.people[to] = r
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
		s.opt.Count("", Expired, n)
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

// deliverAll sends the messages for one address in order, until one must wait. Only
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
// other messages by that way must wait; zero means not at all.
func (s *Sender) deliver(ctx context.Context, m callout.Message) (hold time.Time) {
	log := s.opt.Log.With("component", "notify", "message", m.ID, "person", m.Person, "way", string(m.Way))
	past := s.ending(m.ID)
	if past.sent { // only the record of it is missing
		return s.recordSent(ctx, log, m, past.detail)
	}
	now := s.opt.Now()
	if !now.Before(m.ExpiresAt) {
		return time.Time{} // out of time, or the clock was set: the outbox knows
	}
	d := s.opt.Deliverers[m.Way]
	if d == nil {
		s.undeliverable(ctx, log, m, now)
		return time.Time{}
	}
	taken, ok := s.take(&m, now)
	if !ok { // the others may be ones that are let through
		s.setEnding(m.ID, ending{refused: past.refused, expires: m.ExpiresAt, next: now.Add(firstWait)})
		return time.Time{}
	}
	n, err := s.opt.Outbox.BeginAttempt(ctx, m.ID, now)
	if err != nil || n == 0 {
		s.release(m.Way, taken)
	}
	if err != nil {
		if ctx.Err() != nil {
			return time.Time{}
		}
		s.health(outboxWrite, err)
		log.Error("attempt cannot be recorded, nothing sent", "err", err)
		return now.Add(firstWait)
	}
	s.health(outboxWrite, nil)
	if n == 0 {
		return time.Time{}
	}
	m.Attempts = n
	if past.refused != n-1 {
		m.Text = AlreadyNote + "\n\n" + m.Text
		if m.Short != "" {
			m.Short = againShort + m.Short
		}
	}
	dctx, cancel := context.WithTimeout(ctx, s.timeout(m.Way))
	detail, err := d.Deliver(dctx, m)
	cancel()
	switch {
	case err == nil:
		s.opt.Count(m.Way, Sent, 1)
		s.health(callout.Reach{Way: m.Way, Address: m.Address}, nil)
		log.Info("message handed over", "reason", m.Reason, "attempt", n)
		return s.recordSent(ctx, log, m, detail)
	case ctx.Err() != nil:
		return time.Time{} // stopping: the attempt is recorded, its outcome is not known
	}
	if f := (*DeliveryError)(nil); errors.As(err, &f) && !f.Unknown {
		s.release(m.Way, taken)
	}
	return s.recordFailed(ctx, log, m, now, err, past.refused == n-1)
}

func (s *Sender) timeout(way callout.Way) time.Duration {
	return cmp.Or(s.opt.Timeouts[way], time.Minute)
}

// undeliverable gives up a message for which there is no way, so that its spare
// goes.
func (s *Sender) undeliverable(ctx context.Context, log *slog.Logger, m callout.Message, now time.Time) {
	cause := fmt.Sprintf("the site file sets up no %s; write the block for it, or take the way out of the person's reach", nouns(m.Way))
	if err := s.opt.Outbox.MarkFailed(ctx, m.ID, now, cause, now, false, true); err != nil {
		s.health(outboxWrite, err)
		s.setEnding(m.ID, ending{expires: m.ExpiresAt, next: now.Add(firstWait)})
		return
	}
	s.opt.Count(m.Way, Permanent, 1)
	log.Error("message given up", "err", cause)
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
	if now.Sub(begun) > 2*s.timeout(m.Way) {
		now = begun // no delivery takes that long: the clock was set, perhaps for a moment
	}
	next := now.Add(wait)
	giveUp := next.After(m.ExpiresAt)
	s.opt.Count(m.Way, outcome, 1)
	s.healthOf(callout.Reach{Way: m.Way, Address: m.Address}, m.Person, cause)
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
		s.opt.Count(m.Way, Expired, 1)
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

// health notes what is wrong with an address or the outbox, nil for nothing,
// and tells when a way as a whole starts or stops going out.
func (s *Sender) health(who callout.Reach, err error) { s.healthOf(who, "", err) }

// illness is what is wrong with an address.
type illness struct {
	since  int // the number of the outcome that was its first failure
	person string
	err    error
}

func (s *Sender) healthOf(who callout.Reach, person string, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.outcomes++
	if err == nil {
		delete(s.unhealthy, who)
		s.carried[who.Way] = s.outcomes
	} else {
		since := s.outcomes
		if old, ok := s.unhealthy[who]; ok {
			since = old.since
		}
		s.unhealthy[who] = illness{since, person, err}
	}
	bad := map[callout.Way]bool{} // "" is all
	var alone []string            // whose address it is, and not the way
	for r, i := range s.unhealthy {
		if i.person != "" && s.carried[r.Way] > i.since {
			alone = append(alone, fmt.Sprintf("%s to %s: %v", nouns(r.Way), i.person, i.err))
		} else {
			bad[r.Way] = true
		}
	}
	for _, way := range callout.Ways() {
		if s.opt.Deliverers[way] == nil || s.down[way] == (bad[way] || bad[""]) {
			continue
		}
		s.down[way] = !s.down[way]
		switch {
		case !s.down[way]:
			s.opt.OnHealth(way, true, GoesOut(way)+" again")
		case person == "":
			s.opt.OnHealth(way, false, err.Error())
		default:
			s.opt.OnHealth(way, false, "to "+person+": "+err.Error())
		}
	}
	if s.person == (len(alone) > 0) {
		return
	}
	if s.person = !s.person; s.person {
		s.opt.OnPerson(false, slices.Min(alone))
	} else {
		s.opt.OnPerson(true, "everybody is reached again")
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
