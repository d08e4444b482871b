package daemon

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/rules"
	"weirkeeper/rules/callout"
)

// fullStore is a ledger that cannot be written while full.
type fullStore struct {
	*ledger.Ledger
	full bool
}

func (f *fullStore) err() error {
	if f.full {
		return ledger.ErrFull
	}
	return nil
}

func (f *fullStore) BeginAttempt(ctx context.Context, id string, now time.Time) (int, error) {
	if err := f.err(); err != nil {
		return 0, err
	}
	return f.Ledger.BeginAttempt(ctx, id, now)
}

func (f *fullStore) MarkSent(ctx context.Context, id string, now time.Time, detail string) error {
	if err := f.err(); err != nil {
		return err
	}
	return f.Ledger.MarkSent(ctx, id, now, detail)
}

func (f *fullStore) MarkFailed(ctx context.Context, id string, now time.Time, cause string, next time.Time, unknown, giveUp bool) error {
	if err := f.err(); err != nil {
		return err
	}
	return f.Ledger.MarkFailed(ctx, id, now, cause, next, unknown, giveUp)
}

func (f *fullStore) MarkReport(ctx context.Context, id string, arrived bool, words string, now time.Time) error {
	if err := f.err(); err != nil {
		return err
	}
	return f.Ledger.MarkReport(ctx, id, arrived, words, now)
}

func (f *fullStore) ExpireMessages(ctx context.Context, now time.Time) (int, error) {
	if err := f.err(); err != nil {
		return 0, err
	}
	return f.Ledger.ExpireMessages(ctx, now)
}

// What is done about a text message, its spare by mail and the spare of that, on
// a full disk, and what is due then; and how they stand once there is room.
func TestOutboxFromMemory(t *testing.T) {
	const m = time.Minute
	at := func(d time.Duration) time.Time { return ledgertest.Start.Add(d) }
	message := func(id, unless string, notBefore time.Duration) callout.Message {
		msg := callout.Message{ID: id, Reason: callout.First, Person: "kim", Way: callout.SMS, Address: id, Unless: unless, CreatedAt: at(0), ExpiresAt: at(time.Hour)}
		if notBefore > 0 {
			msg.NotBefore = at(notBefore)
		}
		return msg
	}
	three := []callout.Message{message("1 text", "", 0), message("2 mail", "1 text", 2*m), message("3 hook", "2 mail", 4*m)}
	type step func(t *testing.T, o *outbox)
	must := func(t *testing.T, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	begin := func(t *testing.T, o *outbox, id string, d time.Duration) {
		t.Helper()
		n, err := o.BeginAttempt(t.Context(), id, at(d))
		if must(t, err); n == 0 {
			t.Fatalf("%s is not to be sent", id)
		}
	}
	sent := func(id string, d time.Duration) step {
		return func(t *testing.T, o *outbox) {
			t.Helper()
			begin(t, o, id, d)
			must(t, o.MarkSent(t.Context(), id, at(d), "ok"))
		}
	}
	failed := func(id string, d time.Duration, giveUp bool) step {
		return func(t *testing.T, o *outbox) {
			t.Helper()
			begin(t, o, id, d)
			must(t, o.MarkFailed(t.Context(), id, at(d), "no network", at(d+10*m), false, giveUp))
		}
	}
	lost := func(id string, d time.Duration) step {
		return func(t *testing.T, o *outbox) {
			t.Helper()
			must(t, o.MarkReport(t.Context(), id, false, "status 70", at(d)))
		}
	}
	for _, tt := range []struct {
		name  string
		steps []step
		due   map[time.Duration][]string
		state map[string]ledger.MessageState // once there is room
	}{
		{
			"nothing", nil,
			map[time.Duration][]string{m: {"1 text"}, 2 * m: {"1 text", "2 mail"}, 4 * m: {"1 text", "2 mail", "3 hook"}},
			map[string]ledger.MessageState{"1 text": ledger.Pending, "2 mail": ledger.Pending, "3 hook": ledger.Pending},
		},
		{
			"sent",
			[]step{sent("1 text", m)},
			map[time.Duration][]string{m: nil, 2 * m: nil, 30 * m: nil},
			map[string]ledger.MessageState{"1 text": ledger.Sent, "2 mail": ledger.NotNeeded, "3 hook": ledger.NotNeeded},
		},
		{
			"failed for now",
			[]step{failed("1 text", m, false)},
			map[time.Duration][]string{m: nil, 2 * m: {"2 mail"}, 11 * m: {"1 text", "2 mail", "3 hook"}},
			map[string]ledger.MessageState{"1 text": ledger.Pending, "2 mail": ledger.Pending, "3 hook": ledger.Pending},
		},
		{
			"failed, and the spare sent",
			[]step{failed("1 text", m, false), sent("2 mail", 2*m)},
			map[time.Duration][]string{4 * m: nil, 11 * m: {"1 text"}},
			map[string]ledger.MessageState{"1 text": ledger.Pending, "2 mail": ledger.Sent, "3 hook": ledger.NotNeeded},
		},
		{
			"given up",
			[]step{failed("1 text", m, true)},
			map[time.Duration][]string{m: {"2 mail"}, 30 * m: {"2 mail", "3 hook"}},
			map[string]ledger.MessageState{"1 text": ledger.Pending, "2 mail": ledger.Pending, "3 hook": ledger.Pending},
		},
		{
			"did not arrive",
			[]step{sent("1 text", m), lost("1 text", m)},
			map[time.Duration][]string{m: {"2 mail"}, 4 * m: {"2 mail", "3 hook"}},
			map[string]ledger.MessageState{"1 text": ledger.Sent, "2 mail": ledger.Pending, "3 hook": ledger.Pending},
		},
		{
			"did not arrive, and the spare sent",
			[]step{sent("1 text", m), lost("1 text", m), sent("2 mail", m)},
			map[time.Duration][]string{m: nil, 30 * m: nil},
			map[string]ledger.MessageState{"1 text": ledger.Sent, "2 mail": ledger.Sent, "3 hook": ledger.NotNeeded},
		},
	} {
		for _, stored := range []bool{false, true} { // before the disk was full
			t.Run(tt.name+map[bool]string{true: ", stored"}[stored], func(t *testing.T) {
				l := ledgertest.MustOpen(t)
				commit := func() {
					_, err := l.Commit(t.Context(), ledger.Batch{Messages: three})
					must(t, err)
				}
				s := &fullStore{Ledger: l, full: true}
				o := newOutbox(s)
				if stored {
					commit()
				} else {
					o.hold(three)
				}
				for _, do := range tt.steps {
					do(t, o)
				}
				for d, want := range tt.due {
					// What is stored comes at its own time, not before.
					if stored && d < 2*m && len(want) > 0 && want[0] == "2 mail" {
						continue
					}
					due, err := o.DueMessages(t.Context(), at(d), 9)
					must(t, err)
					var got []string
					for _, msg := range due {
						got = append(got, msg.ID)
					}
					if diff := cmp.Diff(want, got); diff != "" {
						t.Errorf("due after %s (-want +got):\n%s", d, diff)
					}
				}
				s.full = false
				if !stored {
					commit()
				}
				must(t, o.settle(t.Context()))
				all, err := l.Messages(t.Context(), at(0))
				must(t, err)
				state := map[string]ledger.MessageState{}
				for _, r := range all {
					state[r.ID] = r.State
				}
				if diff := cmp.Diff(tt.state, state); diff != "" {
					t.Errorf("with room again (-want +got):\n%s", diff)
				}
			})
		}
	}
}

// A part is well when all who speak for it say so.
func TestParts(t *testing.T) {
	var p parts
	look := func(want ...string) {
		t.Helper()
		var got []string
		p.take(func(part rules.Part, ok bool, detail string) {
			got = append(got, string(part)+map[bool]string{true: " well: ", false: " ill: "}[ok]+detail)
		})
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
	}
	look()
	p.say("texts", "sender", false, "no network")
	p.say("texts", "modem", true, "registered")
	p.say("mail", "sender", true, "mail goes out")
	look("mail well: mail goes out", "texts ill: no network")
	look()
	p.say("texts", "modem", false, "no SIM")
	p.say("texts", "sender", true, "text messages go out")
	look("texts ill: no SIM")
	p.say("texts", "modem", true, "registered")
	look("texts well: registered")
}
