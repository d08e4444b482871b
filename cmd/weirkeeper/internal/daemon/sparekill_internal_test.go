package daemon

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/ingest/ledger"
	"weirkeeper/notify"
	"weirkeeper/rules/callout"
)

// Each run begins at another step, so that all of them have their turn.
var killStride = flag.Int("kill-stride", 9, "kill a call-out with spares at one in so many of its steps; 1 for each")

var errKilled = errors.New("killed")

// life is a process that is killed at its n-th step: from then on nothing that it
// does has any effect. A step is before or after a write or a delivery.
type life struct {
	mu    sync.Mutex
	steps int
	end   int // 0: never
}

// step reports whether the process is still there.
func (l *life) step() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.steps++
	return l.end == 0 || l.steps < l.end
}

func (l *life) do(f func() error) error {
	if !l.step() {
		return errKilled
	}
	err := f()
	if !l.step() {
		return errKilled
	}
	return err
}

// mortalStore is the ledger of a life.
type mortalStore struct {
	*fullStore
	life *life
}

func (s mortalStore) BeginAttempt(ctx context.Context, id string, now time.Time) (n int, err error) {
	err = s.life.do(func() error { n, err = s.fullStore.BeginAttempt(ctx, id, now); return err })
	return n, err
}

func (s mortalStore) MarkSent(ctx context.Context, id string, now time.Time, detail string) error {
	return s.life.do(func() error { return s.fullStore.MarkSent(ctx, id, now, detail) })
}

func (s mortalStore) MarkFailed(ctx context.Context, id string, now time.Time, cause string, next time.Time, unknown, giveUp bool) error {
	return s.life.do(func() error { return s.fullStore.MarkFailed(ctx, id, now, cause, next, unknown, giveUp) })
}

func (s mortalStore) MarkReport(ctx context.Context, id string, arrived bool, words string, now time.Time) error {
	return s.life.do(func() error { return s.fullStore.MarkReport(ctx, id, arrived, words, now) })
}

// bell is a way: it keeps what got there.
type bell struct {
	name string
	fail error
	life *life
	mu   *sync.Mutex
	rang *[]string
}

func (b bell) Deliver(_ context.Context, m callout.Message) (string, error) {
	err := b.life.do(func() error {
		if b.fail != nil {
			return b.fail
		}
		b.mu.Lock()
		defer b.mu.Unlock()
		s := b.name
		if strings.HasPrefix(m.Text, notify.AlreadyNote) {
			s += " again"
		}
		*b.rang = append(*b.rang, s)
		return nil
	})
	return "ok", err
}

// withSpares is the file of a ledger with a call-out and its spares.
func withSpares(t *testing.T, now time.Time) []byte {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := ledger.Open(t.Context(), ledger.Options{Path: path, Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	m := callout.Message{ID: "1", Reason: callout.First, Person: "kim", Way: callout.SMS, Address: "+447700900123", Text: "x", CreatedAt: now, ExpiresAt: now.Add(time.Hour)}
	mail, hook := m, m
	mail.ID, mail.Way, mail.Address, mail.Unless, mail.NotBefore = "2", callout.Email, "kim@alderfork.example", "1", now.Add(2*time.Minute)
	hook.ID, hook.Way, hook.Address, hook.Unless, hook.NotBefore = "3", callout.Hook, "bell", "2", now.Add(4*time.Minute)
	_, err = l.Commit(t.Context(), ledger.Batch{Messages: []callout.Message{m, mail, hook}})
	if err := errors.Join(err, l.Close()); err != nil {
		t.Fatal(err)
	}
	file, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return file
}

// A call-out by text message with a spare by mail and one of that by hook, over
// eight minutes, with kills at the steps there are: it always gets there by the way
// that works, a second copy says so, and what is not needed does not go.
func TestSparesOverKills(t *testing.T) {
	start := time.Date(2026, 11, 3, 1, 0, 0, 0, time.UTC)
	fresh := withSpares(t, start)
	refused := &notify.DeliveryError{Err: errors.New("not now")}
	for _, tt := range []struct {
		name          string
		noTexts, lost bool
		text, mail    error
		want          []string
		kills         int // at the least, so that the test cannot run empty
	}{
		{"all is well", false, false, nil, nil, []string{"text"}, 6},
		{"no network", false, false, refused, nil, []string{"mail"}, 14},
		{"no network, nor a mail server", false, false, refused, refused, []string{"hook"}, 20},
		{"no texts set up", true, false, nil, nil, []string{"mail"}, 8},
		{"the text does not arrive", false, true, nil, nil, []string{"mail", "text"}, 14},
		{"nor is there a mail server", false, true, nil, refused, []string{"hook", "text"}, 14},
	} {
		t.Run(tt.name, func(t *testing.T) {
			run := func(t *testing.T, end int) (steps int) {
				t.Helper()
				synctest.Test(t, func(t *testing.T) {
					now := start
					path := filepath.Join(t.TempDir(), "ledger.db")
					if err := os.WriteFile(path, fresh, 0o600); err != nil {
						t.Fatal(err)
					}
					var mu sync.Mutex
					var rang []string
					reported := false
					l := &life{end: end}
					for restart := true; restart; {
						led, err := ledger.Open(t.Context(), ledger.Options{Path: path, Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler)})
						if err != nil {
							t.Fatal(err)
						}
						o := newOutbox(mortalStore{&fullStore{Ledger: led}, l})
						ways := map[callout.Way]notify.Deliverer{
							callout.SMS: bell{"text", tt.text, l, &mu, &rang}, callout.Email: bell{"mail", tt.mail, l, &mu, &rang}, callout.Hook: bell{"hook", nil, l, &mu, &rang},
						}
						if tt.noTexts {
							delete(ways, callout.SMS)
						}
						s := notify.NewSender(notify.SenderOptions{Outbox: o, Deliverers: ways, Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler)})
						ctx, stop := context.WithCancel(context.Background())
						wake, ended := make(chan struct{}), make(chan error, 1)
						go func() { ended <- s.Run(ctx, wake) }()
						synctest.Wait()
						dead := func() bool { l.mu.Lock(); defer l.mu.Unlock(); return l.end > 0 && l.steps >= l.end }
						for now.Sub(start) < 8*time.Minute && !dead() {
							now = now.Add(time.Minute)
							wake <- struct{}{}
							synctest.Wait()
							if tt.lost && !reported && now.Sub(start) >= 5*time.Minute && !dead() {
								// The network says it until it is taken.
								reported = o.MarkReport(ctx, "1", false, "status 70", now) == nil && !dead()
							}
						}
						stop()
						if err := <-ended; err != nil {
							t.Error(err)
						}
						if err := led.Close(); err != nil {
							t.Error(err)
						}
						steps = l.steps
						if restart = dead(); restart {
							l = &life{}
						}
					}
					slices.Sort(rang)
					if end == 0 {
						if diff := cmp.Diff(tt.want, rang); diff != "" {
							t.Errorf("what got there without a kill (-want +got):\n%s", diff)
						}
						return
					}
					once := slices.DeleteFunc(slices.Clone(rang), func(s string) bool { return strings.HasSuffix(s, " again") })
					again := len(rang) - len(once)
					// A copy may be marked though the kill came before the first one
					// went: then the marked one is all there is.
					for _, w := range tt.want {
						if !slices.Contains(rang, w) && !slices.Contains(rang, w+" again") {
							t.Errorf("killed at step %d: nothing by %s got there: %q", end, w, rang)
						}
					}
					for _, s := range once {
						if !slices.Contains(tt.want, s) {
							t.Errorf("killed at step %d: %s went for nothing: %q", end, s, rang)
						}
					}
					if len(slices.Compact(slices.Clone(once))) != len(once) || again > 1 {
						t.Errorf("killed at step %d: a double that is not marked: %q", end, rang)
					}
				})
				return steps
			}
			steps := run(t, 0)
			if steps < tt.kills {
				t.Fatalf("only %d steps", steps)
			}
			for end := 1 + rand.IntN(*killStride); end <= steps; end += *killStride {
				t.Run(fmt.Sprint(end), func(t *testing.T) { run(t, end) })
			}
		})
	}
}
