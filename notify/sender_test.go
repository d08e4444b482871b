package notify_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/notify"
	"weirkeeper/notify/notifytest"
	"weirkeeper/rules/callout"
)

// post is a Deliverer that answers as it is told, and keeps what it got.
type post struct {
	mu  sync.Mutex
	got []string // "id" or "id again" when it carries the note
	// short is what the text messages said.
	short []string
	// answer may be nil: all is well.
	answer func(ctx context.Context, m callout.Message) error
}

func (p *post) Deliver(ctx context.Context, m callout.Message) (string, error) {
	p.mu.Lock()
	s := m.ID
	if strings.HasPrefix(m.Text, notify.AlreadyNote+"\n\n") {
		s += " again"
	}
	p.got = append(p.got, s)
	p.short = append(p.short, m.Short)
	answer := p.answer
	p.mu.Unlock()
	if answer == nil {
		return "ok", nil
	}
	return "ok", answer(ctx, m)
}

func (p *post) take() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	got := p.got
	p.got, p.short = nil, nil
	return got
}

func (p *post) takeShort() []string {
	p.mu.Lock()
	short := p.short
	p.mu.Unlock()
	p.take()
	return short
}

func (p *post) set(answer func(ctx context.Context, m callout.Message) error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.answer = answer
}

func always(err error) func(context.Context, callout.Message) error {
	return func(context.Context, callout.Message) error { return err }
}

var (
	errRefused = &notify.DeliveryError{Err: errors.New("451 not now")}
	errForever = &notify.DeliveryError{Err: errors.New("550 nobody of that name"), Permanent: true}
	errUnknown = &notify.DeliveryError{Err: errors.New("connection broke"), Unknown: true}
)

// office runs a Sender inside a synctest bubble on a clock moved by hand.
type office struct {
	t      *testing.T
	post   post // by email
	texts  post
	quota  map[callout.Way]int
	outbox *notifytest.Outbox
	now    time.Time
	wake   chan struct{}
	log    strings.Builder
	health []string // of the mail
	// of the other ways, each with its name, and of the quota
	otherHealth, quotaNews []string
	counts                 map[notify.Outcome]int
	// aheadAt counts down the looks at the clock: at 1 it is decades ahead.
	aheadAt int
	stop    context.CancelFunc
	ended   chan error
}

func openOffice(t *testing.T, messages ...callout.Message) *office {
	t.Helper()
	o := &office{t: t, outbox: notifytest.NewOutbox(messages...), now: evening}
	o.open()
	return o
}

func (o *office) open() {
	ctx, stop := context.WithCancel(context.Background())
	o.stop, o.wake, o.ended = stop, make(chan struct{}), make(chan error, 1)
	o.counts = map[notify.Outcome]int{}
	var mu sync.Mutex // the callbacks come from workers
	s := notify.NewSender(notify.SenderOptions{
		Outbox: o.outbox, Log: slog.New(slog.NewTextHandler(&o.log, nil)),
		Deliverers: map[callout.Way]notify.Deliverer{callout.Email: &o.post, callout.SMS: &o.texts},
		Timeouts:   map[callout.Way]time.Duration{callout.Email: 20 * time.Second}, Quota: o.quota,
		Now: func() time.Time {
			mu.Lock()
			defer mu.Unlock()
			o.aheadAt--
			if o.aheadAt == 0 {
				return o.now.AddDate(30, 0, 0)
			}
			return o.now
		},
		OnHealth: func(way callout.Way, ok bool, detail string) {
			mu.Lock()
			defer mu.Unlock()
			if way == callout.Email {
				o.health = append(o.health, fmt.Sprintf("%t: %s", ok, detail))
			} else {
				o.otherHealth = append(o.otherHealth, fmt.Sprintf("%s %t: %s", way, ok, detail))
			}
		},
		OnQuota: func(reached bool, detail string) {
			mu.Lock()
			defer mu.Unlock()
			o.quotaNews = append(o.quotaNews, fmt.Sprintf("%t: %s", reached, detail))
		},
		Count: func(_ callout.Way, out notify.Outcome, n int) {
			mu.Lock()
			defer mu.Unlock()
			o.counts[out] += n
		},
	})
	go func() { o.ended <- s.Run(ctx, o.wake) }()
	synctest.Wait()
}

// later moves the clock and lets the sender do all it can.
func (o *office) later(d time.Duration) {
	o.now = o.now.Add(d)
	o.wake <- struct{}{}
	synctest.Wait()
}

func (o *office) close() {
	o.t.Helper()
	o.stop()
	if err := <-o.ended; err != nil {
		o.t.Errorf("Run: %v, want nil", err)
	}
}

func mail(id, person string, life time.Duration) callout.Message {
	return callout.Message{
		ID: id, Person: person, Address: person + "@alderfork.example", Subject: "s", Text: "body\n",
		CreatedAt: evening, ExpiresAt: evening.Add(life),
	}
}

func expect(t *testing.T, what string, got []string, want ...string) {
	t.Helper()
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", what, diff)
	}
}

func TestSenderOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := openOffice(t, mail("a", "kim", time.Hour), mail("b", "kim", time.Hour))
		defer o.close()
		expect(t, "at the start", o.post.take(), "a", "b")
		o.post.set(always(errRefused))
		o.outbox.Add(mail("c", "kim", time.Hour), mail("d", "kim", time.Hour))
		o.later(0)
		o.outbox.Add(mail("e", "kim", time.Hour))
		o.later(time.Second)
		expect(t, "while the first one waits", o.post.take(), "c")
		o.post.set(nil)
		o.later(20 * time.Second)
		expect(t, "when it may go", o.post.take(), "c", "d", "e")
		if diff := cmp.Diff(map[notify.Outcome]int{notify.Sent: 5, notify.Temporary: 1}, o.counts); diff != "" {
			t.Errorf("counts (-want +got):\n%s", diff)
		}
		expect(t, "health", o.health, "false: to kim: 451 not now", "true: mail goes out again")
	})
}

func TestSenderStuckRecipient(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var queue []callout.Message
		for i := range 200 {
			queue = append(queue, mail(fmt.Sprintf("kim%d", i), "kim", time.Hour))
		}
		queue = append(queue, mail("rowan", "rowan", time.Hour))
		released := make(chan struct{})
		o := &office{t: t, outbox: notifytest.NewOutbox(queue...), now: evening}
		o.post.answer = func(ctx context.Context, m callout.Message) error {
			if m.Person == "kim" {
				<-ctx.Done()
				close(released)
				return ctx.Err()
			}
			return nil
		}
		o.open()
		defer o.close()
		if got := o.outbox.Row("rowan").State; got != "sent" {
			t.Errorf("rowan's message is %s while kim's is stuck, want sent", got)
		}
		<-released // the bubble's clock runs to the timeout
		synctest.Wait()
		if got := o.outbox.Row("kim0"); got.Detail != context.DeadlineExceeded.Error() || got.State != "pending" {
			t.Errorf("kim's first message is %s: %s, want it pending after a timeout", got.State, got.Detail)
		}
	})
}

func TestSenderBackoff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := &office{t: t, outbox: notifytest.NewOutbox(mail("a", "kim", time.Hour)), now: evening}
		o.post.answer = always(errRefused)
		o.open()
		defer o.close()
		for i, base := range []time.Duration{15, 30, 60, 120, 240, 300, 300} {
			base *= time.Second
			if got := o.outbox.Row("a").Next.Sub(o.now); got < base || got > base+base/4 {
				t.Errorf("after attempt %d: next in %s, want %s to %s", i+1, got, base, base+base/4)
			}
			o.later(o.outbox.Row("a").Next.Sub(o.now) - time.Second)
			if got := o.outbox.Row("a").Message.Attempts; got != i+1 {
				t.Fatalf("%d attempts a second before the next is due, want %d", got, i+1)
			}
			o.later(time.Second)
			if got := o.outbox.Row("a").Message.Attempts; got != i+2 {
				t.Fatalf("%d attempts when the next is due, want %d", got, i+2)
			}
		}
		for range 20 {
			o.later(5 * time.Minute)
		}
		if got := o.outbox.Row("a").State; got != "given up" {
			t.Errorf("after its time it is %s, want given up", got)
		}
		if o.counts[notify.Expired] != 1 {
			t.Errorf("counts %v, want one expired", o.counts)
		}
	})
}

func TestSenderPermanent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := &office{t: t, outbox: notifytest.NewOutbox(mail("a", "kim", time.Hour), mail("b", "kim", time.Hour)), now: evening}
		o.post.answer = func(_ context.Context, m callout.Message) error {
			if m.ID == "a" {
				return errForever
			}
			return nil
		}
		o.open()
		defer o.close()
		expect(t, "a refused one holds up none", o.post.take(), "a", "b")
		o.later(4 * time.Minute)
		expect(t, "before five minutes", o.post.take())
		o.later(time.Minute)
		expect(t, "after five minutes", o.post.take(), "a")
		o.post.set(nil)
		o.later(5 * time.Minute)
		expect(t, "put right by an operator", o.post.take(), "a")
		if got := o.outbox.Row("a").State; got != "sent" {
			t.Errorf("it is %s, want sent", got)
		}
	})
}

func TestSenderAlreadyNote(t *testing.T) {
	tests := []struct {
		name    string
		answers []error
		want    []string
	}{
		{"refused for certain", []error{errRefused, errRefused, nil}, []string{"a", "a", "a"}},
		{"unknown once, refused after", []error{errUnknown, errRefused, nil}, []string{"a", "a again", "a again"}},
		{"refused, then unknown", []error{errRefused, errUnknown, nil}, []string{"a", "a", "a again"}},
		{"an error that says nothing", []error{errors.New("oops"), nil}, []string{"a", "a again"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := &office{t: t, outbox: notifytest.NewOutbox(mail("a", "kim", time.Hour)), now: evening}
				n := 0
				o.post.answer = func(context.Context, callout.Message) error { n++; return tt.answers[n-1] }
				o.open()
				defer o.close()
				for o.outbox.Row("a").State != "sent" && n < len(tt.answers) {
					o.later(6 * time.Minute)
				}
				expect(t, "deliveries", o.post.take(), tt.want...)
			})
		})
	}
}

// The process is gone between the hand-over and its record: nothing in memory
// is left, and the outbox says that an attempt was begun.
func TestSenderAfterCrash(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := openOffice(t)
		o.outbox.Fail(func(op, _ string) error {
			if op == "MarkSent" {
				return errors.New("gone")
			}
			return nil
		})
		o.outbox.Add(mail("a", "kim", time.Hour))
		o.later(0)
		o.close()
		o.outbox.Fail(nil)
		o.open()
		defer o.close()
		expect(t, "deliveries", o.post.take(), "a", "a again")
		if got := o.outbox.Row("a").State; got != "sent" {
			t.Errorf("it is %s, want sent", got)
		}
	})
}

func TestSenderOutboxTrouble(t *testing.T) {
	full := errors.New("disk full")
	failing := func(ops ...string) func(op, _ string) error {
		return func(op, _ string) error {
			for _, o := range ops {
				if o == op {
					return full
				}
			}
			return nil
		}
	}
	t.Run("no attempt without a record of it", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			o := openOffice(t)
			defer o.close()
			o.outbox.Fail(failing("BeginAttempt"))
			o.outbox.Add(mail("a", "kim", time.Hour))
			for range 5 {
				o.later(20 * time.Second)
			}
			expect(t, "while it cannot be recorded", o.post.take())
			o.outbox.Fail(nil)
			o.later(20 * time.Second)
			expect(t, "when it can", o.post.take(), "a")
			expect(t, "health", o.health, "false: disk full", "true: mail goes out again")
		})
	})
	t.Run("a sent one is not sent again for want of a record", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			o := openOffice(t)
			defer o.close()
			o.outbox.Fail(failing("MarkSent"))
			o.outbox.Add(mail("a", "kim", time.Hour))
			for range 5 {
				o.later(20 * time.Second)
			}
			o.outbox.Fail(nil)
			o.later(20 * time.Second)
			expect(t, "deliveries", o.post.take(), "a")
			if got := o.outbox.Row("a").State; got != "sent" {
				t.Errorf("it is %s, want sent", got)
			}
			expect(t, "health", o.health, "false: disk full", "true: mail goes out again")
		})
	})
	t.Run("a failed one is not tried at once for want of a record", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			o := openOffice(t)
			defer o.close()
			o.post.set(always(errRefused))
			o.outbox.Fail(failing("MarkFailed"))
			o.outbox.Add(mail("a", "kim", time.Hour))
			for range 10 {
				o.later(time.Second)
			}
			expect(t, "deliveries", o.post.take(), "a")
		})
	})
}

// What cannot be written down stops no message.
func TestSenderGoesOn(t *testing.T) {
	full := errors.New("disk full")
	t.Run("nothing expires", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			o := openOffice(t, mail("z", "rowan", time.Minute))
			defer o.close()
			o.outbox.Fail(func(op, _ string) error {
				if op == "ExpireMessages" {
					return full
				}
				return nil
			})
			o.post.take()
			o.outbox.Add(mail("old", "kim", 0), mail("a", "kim", time.Hour))
			for range 5 {
				o.later(time.Second)
			}
			expect(t, "while none can be expired", o.post.take(), "a")
			if got := strings.Count(o.log.String(), full.Error()); got != 1 {
				t.Errorf("logged %d times, want once:\n%s", got, o.log.String())
			}
			expect(t, "health", o.health)
		})
	})
	t.Run("no failure is recorded", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			o := openOffice(t)
			defer o.close()
			o.outbox.Fail(func(op, _ string) error {
				if op == "MarkFailed" {
					return full
				}
				return nil
			})
			o.post.set(func(_ context.Context, m callout.Message) error {
				if m.ID == "a" {
					return errForever
				}
				return nil
			})
			// It would be given up, could that be written down.
			o.outbox.Add(mail("a", "kim", 2*time.Minute), mail("b", "kim", time.Hour))
			o.later(0)
			expect(t, "one that is refused for good holds up none", o.post.take(), "a", "b")
			o.later(time.Second)
			expect(t, "not tried again at once", o.post.take())
			if got := o.outbox.Row("a").State; got != "pending" || o.counts[notify.Expired] != 0 {
				t.Errorf("it is %s, counts %v, want it pending and none expired", got, o.counts)
			}
		})
	})
}

// The clock is decades ahead for one moment, at whichever look at it.
func TestSenderClockAheadForAMoment(t *testing.T) {
	for look := 1; look <= 4; look++ {
		t.Run(fmt.Sprintf("look %d", look), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := openOffice(t)
				defer o.close()
				o.post.set(func(context.Context, callout.Message) error {
					o.post.set(nil)
					return errRefused
				})
				o.outbox.Add(mail("a", "kim", time.Hour))
				o.aheadAt = look
				for range 3 {
					o.later(20 * time.Second)
				}
				if got := o.outbox.Row("a"); got.State != "sent" {
					t.Errorf("it is %s, next %s, want it sent", got.State, got.Next)
				}
				if n := o.counts[notify.Expired]; n > 0 || o.aheadAt > 0 {
					t.Errorf("%d expired, %d looks left", n, o.aheadAt)
				}
			})
		})
	}
}

// At the end Run waits for what is under way, and leaves it for the next start.
func TestSenderStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := &office{t: t, outbox: notifytest.NewOutbox(mail("a", "kim", time.Hour)), now: evening}
		o.post.answer = func(ctx context.Context, _ callout.Message) error { <-ctx.Done(); return ctx.Err() }
		o.open()
		o.close()
		if got := o.outbox.Row("a"); got.State != "pending" || got.Message.Attempts != 1 || !got.Next.IsZero() {
			t.Errorf("after the stop: %+v, want it pending, one attempt, due at once", got)
		}
		o.post.set(nil)
		o.open()
		o.close()
		expect(t, "deliveries", o.post.take(), "a", "a again")
	})
}

func TestSenderExpires(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := openOffice(t)
		defer o.close()
		o.outbox.Add(mail("a", "kim", time.Minute))
		o.later(time.Minute)
		o.later(time.Second)
		expect(t, "deliveries", o.post.take())
		if o.outbox.Row("a").State != "expired" || o.counts[notify.Expired] != 1 {
			t.Errorf("it is %s, counts %v, want it expired and counted", o.outbox.Row("a").State, o.counts)
		}
	})
}
