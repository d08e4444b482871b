package notify_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"weirkeeper/notify"
	"weirkeeper/notify/notifytest"
	"weirkeeper/rules/callout"
)

// byText is a text message to a person, its spare by mail two minutes later.
func byText(id, person string, life time.Duration) (first, spare callout.Message) {
	first, spare = mail(id, person, life), mail(id+" spare", person, life)
	first.Way, first.Address, first.Short = callout.SMS, "+447700900123", "Trough 3: low flow."
	spare.Unless, spare.NotBefore = id, evening.Add(2*time.Minute)
	return first, spare
}

func TestSenderSpares(t *testing.T) {
	tests := []struct {
		name   string
		answer error // to texts
		mails  map[time.Duration][]string
		state  string // of the spare in the end
	}{
		{"handed over", nil, map[time.Duration][]string{0: nil, 2 * time.Minute: nil, 10 * time.Minute: nil}, "not needed"},
		{"not handed over", errRefused, map[time.Duration][]string{0: nil, 2*time.Minute - time.Second: nil, 2 * time.Minute: {"a spare"}}, "sent"},
		{"refused for good", errForever, map[time.Duration][]string{0: nil, 2 * time.Minute: {"a spare"}}, "sent"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := &office{t: t, now: evening}
				first, spare := byText("a", "kim", time.Hour)
				o.outbox = notifytest.NewOutbox(first, spare)
				o.texts.answer = always(tt.answer)
				if tt.answer == nil {
					o.texts.answer = nil
				}
				o.open()
				defer o.close()
				for _, d := range []time.Duration{0, 2*time.Minute - time.Second, 2 * time.Minute, 10 * time.Minute} {
					o.later(d - o.now.Sub(evening))
					if want, asked := tt.mails[d]; asked {
						expect(t, "mails after "+d.String(), o.post.take(), want...)
					}
				}
				if got := o.outbox.Row("a spare").State; got != tt.state {
					t.Errorf("the spare is %s, want %s", got, tt.state)
				}
			})
		})
	}
}

// A stuck way does not hold up the same person's other ways, and each has its
// own health.
func TestSenderWaysAreApart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		first, _ := byText("a", "kim", time.Hour)
		o := &office{t: t, outbox: notifytest.NewOutbox(first, mail("b", "kim", time.Hour)), now: evening}
		o.texts.answer = always(errRefused)
		o.open()
		defer o.close()
		expect(t, "mails", o.post.take(), "b")
		expect(t, "health of the mail", o.health)
		expect(t, "health of the texts", o.otherHealth, "sms false: to kim: 451 not now")
		o.texts.set(nil)
		o.later(20 * time.Second)
		expect(t, "health of the texts then", o.otherHealth, "sms false: to kim: 451 not now", "sms true: text messages go out again")
	})
}

func TestSenderWithoutThatWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hook := mail("a", "kim", time.Hour)
		hook.Way, hook.Address = callout.Hook, "bell"
		spare := mail("a spare", "kim", time.Hour)
		spare.Unless, spare.NotBefore = "a", evening.Add(2*time.Minute)
		o := &office{t: t, outbox: notifytest.NewOutbox(hook, spare), now: evening}
		o.open()
		defer o.close()
		o.later(0)
		if got := o.outbox.Row("a"); got.State != "given up" || got.Message.Attempts != 0 || !strings.Contains(got.Detail, "sets up no hooks") {
			t.Errorf("it is %s after %d attempts: %s", got.State, got.Message.Attempts, got.Detail)
		}
		expect(t, "the spare goes at once", o.post.take(), "a spare")
	})
	t.Run("and no record of it", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			hook := mail("a", "kim", time.Hour)
			hook.Way, hook.Address = callout.Hook, "bell"
			o := &office{t: t, outbox: notifytest.NewOutbox(hook), now: evening}
			tried := 0
			o.outbox.Fail(func(op, _ string) error {
				if op == "MarkFailed" {
					tried++
					return errors.New("disk full")
				}
				return nil
			})
			o.open()
			defer o.close()
			for range 5 {
				o.later(time.Second)
			}
			if tried != 1 {
				t.Errorf("tried %d times within 5 s, want once", tried)
			}
		})
	})
}

// The copy of a text message is marked too.
func TestSenderAgainInText(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		first, _ := byText("a", "kim", time.Hour)
		o := &office{t: t, outbox: notifytest.NewOutbox(first), now: evening}
		o.texts.answer = always(errUnknown)
		o.open()
		defer o.close()
		o.texts.set(nil)
		o.later(20 * time.Second)
		expect(t, "texts", o.texts.takeShort(), "Trough 3: low flow.", "(Again) Trough 3: low flow.")
	})
}

// queue is n messages for as many people, each with its own number.
func queue(why callout.Reason, name string, n int) []callout.Message {
	var all []callout.Message
	for i := range n {
		m, _ := byText(fmt.Sprintf("%s%02d", name, i), "kim", 5*time.Hour)
		m.Reason = why
		m.CreatedAt = evening.Add(time.Duration(i) * time.Second)
		all = append(all, m)
	}
	return all
}

func TestSenderQuota(t *testing.T) {
	const last = "Trough 3: low flow. Last text until 21:00: limit of %d an hour."
	tests := []struct {
		limit, others int // all that may go, and without what is kept
	}{{1, 1}, {2, 2}, {3, 2}, {6, 4}, {14, 10}, {15, 10}, {30, 25}}
	for _, tt := range tests {
		t.Run(fmt.Sprint(tt.limit), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := &office{t: t, outbox: notifytest.NewOutbox(queue(callout.Repeat, "r", tt.limit+5)...), now: evening, quota: map[callout.Way]int{callout.SMS: tt.limit}}
				o.open()
				got := o.texts.takeShort()
				if len(got) != tt.others || got[len(got)-1] != fmt.Sprintf(last, tt.limit) || len(got) > 1 && got[len(got)-2] != "Trough 3: low flow." {
					t.Errorf("%d repeats went, want %d; the last says %q", len(got), tt.others, got[len(got)-1])
				}
				o.outbox.Add(queue(callout.First, "f", tt.limit)...)
				o.later(time.Minute)
				got = o.texts.takeShort()
				if kept := tt.limit - tt.others; len(got) != kept || kept > 0 && got[kept-1] != fmt.Sprintf(last, tt.limit) {
					t.Errorf("%d first call-outs went then, want %d: %q", len(got), kept, got)
				}
				o.later(59*time.Minute - time.Second)
				expect(t, "before the hour is over", o.texts.take())
				// A restart forgets nothing of it.
				o.close()
				o.open()
				expect(t, "after a restart", o.texts.take())
				o.later(time.Second)
				o.later(firstWaitOver)
				if got := o.texts.take(); len(got) != tt.others {
					t.Errorf("%d went when the hour was over, want %d: %q", len(got), tt.others, got)
				}
				o.later(2 * time.Hour)
				o.later(2 * time.Hour)
				o.close()
				if n := len(o.quotaNews); n < 4 || o.quotaNews[0] != "false: text messages go out again" ||
					!strings.HasPrefix(o.quotaNews[1], fmt.Sprintf("true: text messages have reached their limit of %d an hour, the next goes after 21:00", tt.limit)) ||
					o.quotaNews[n-1] != "false: text messages go out again" {
					t.Errorf("told of the quota: %q", o.quotaNews)
				}
			})
		})
	}
}

// firstWaitOver is after what a quota held back is looked at again.
const firstWaitOver = 15 * time.Second

// What was certainly refused is not counted; what may have gone is.
func TestSenderQuotaCountsWhatWent(t *testing.T) {
	for name, tt := range map[string]struct {
		answer error
		went   int
	}{"refused": {errRefused, 3}, "unknown": {errUnknown, 2}} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				a := queue(callout.First, "a", 4)
				for i := range a {
					a[i].Address += fmt.Sprint(i)
				}
				o := &office{t: t, outbox: notifytest.NewOutbox(a[0]), now: evening, quota: map[callout.Way]int{callout.SMS: 3}}
				o.texts.answer = always(tt.answer)
				o.open()
				defer o.close()
				o.texts.take()
				o.texts.set(nil)
				o.outbox.Add(a[1:]...)
				o.later(time.Second)
				if got := o.texts.take(); len(got) != tt.went {
					t.Errorf("%d went after it, want %d: %q", len(got), tt.went, got)
				}
			})
		})
	}
}

// A clock that was set back does not close a way for longer than the quota.
func TestSenderQuotaClockSetBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := queue(callout.First, "a", 2)
		o := &office{t: t, outbox: notifytest.NewOutbox(a[0]), now: evening.Add(2 * time.Hour), quota: map[callout.Way]int{callout.SMS: 1}}
		o.open()
		defer o.close()
		o.texts.take()
		o.outbox.Add(a[1])
		o.later(-2 * time.Hour)
		expect(t, "at once", o.texts.take())
		o.later(time.Hour)
		expect(t, "an hour later", o.texts.take(), "a01")
	})
}

var _ notify.Outbox = (*notifytest.Outbox)(nil)

// Drills leave the room that is kept for first call-outs, and replies that of
// repeats too.
func TestSenderQuotaByReason(t *testing.T) {
	tests := []struct {
		why   callout.Reason
		limit int
		want  int
	}{
		{callout.Drill, 30, 25},
		{callout.Drill, 6, 4},
		{callout.Reply, 30, 20},
		{callout.Reply, 6, 2},
		{callout.Reply, 1, 1},
	}
	for _, tt := range tests {
		t.Run(fmt.Sprint(tt.why, tt.limit), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := &office{t: t, outbox: notifytest.NewOutbox(queue(tt.why, "x", tt.limit+5)...), now: evening, quota: map[callout.Way]int{callout.SMS: tt.limit}}
				o.open()
				if got := o.texts.take(); len(got) != tt.want {
					t.Errorf("%d went, want %d", len(got), tt.want)
				}
				if reached := slices.ContainsFunc(o.quotaNews, func(s string) bool { return strings.HasPrefix(s, "true") }); reached == (tt.why == callout.Reply) {
					t.Errorf("told of the quota: %q", o.quotaNews)
				}
				o.outbox.Add(queue(callout.First, "f", tt.limit)...)
				o.later(time.Minute)
				if got := o.texts.take(); len(got) != tt.limit-tt.want {
					t.Errorf("%d first call-outs went then, want %d", len(got), tt.limit-tt.want)
				}
				o.close()
			})
		})
	}
}
