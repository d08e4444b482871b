package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"

	"weirkeeper/cmd/weirkeeper/internal/clock"
	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/config"
	"weirkeeper/rules"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/site"
)

// living is a daemon of which only what the heartbeat needs is there. What its
// keeper is told comes out of the channel.
func living(t *testing.T, c *config.Config) (*Daemon, *clock.Stepped, chan string) {
	t.Helper()
	cl := clock.NewStepped(dusk)
	s := &site.Site{Name: "Alder Fork", Location: time.UTC}
	c.Site = s
	d := &Daemon{opt: Options{Config: c, Clock: cl, Log: slog.New(slog.DiscardHandler), TickEvery: time.Second}}
	k := &keeper{
		site: s, engine: rules.New(s, &lang.Program{}), clock: cl, wall: newWall(cl, time.Time{}, func() bool { return true }),
		log: d.opt.Log, metrics: newMetrics(prometheus.NewRegistry()), commands: make(chan func(time.Time)),
	}
	d.keeper = k
	k.status.Store(&status.Status{})
	k.beat.Store(dusk.UnixMicro())
	d.linkUp.Store(true)
	told := make(chan string, 100)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case f := <-k.commands:
				f(cl.Now())
				told <- fmt.Sprint(d.outside.well(), " ", d.outside.words())
			case <-ctx.Done():
				return
			}
		}
	}()
	t.Cleanup(func() { cancel(); <-done })
	return d, cl, told
}

func TestHeartbeat(t *testing.T) {
	asked := make(chan struct{})
	answer := make(chan int)
	var count atomic.Int64
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		count.Add(1)
		asked <- struct{}{}
		switch code := <-answer; code {
		case http.StatusFound:
			http.Redirect(w, r, "/elsewhere", code)
		default:
			w.WriteHeader(code)
		}
	}))
	defer server.Close()
	d, cl, told := living(t, &config.Config{Heartbeats: []config.Heartbeat{{Name: "outside", URL: server.URL + "/secret-path", Every: time.Minute, Timeout: 20 * time.Second}}})
	d.openHeartbeats()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- d.runHeartbeats(ctx) }()
	advance := func() {
		t.Helper()
		d.keeper.beat.Store(cl.Now().Add(time.Minute).UnixMicro())
		if err := cl.Advance(t.Context(), time.Minute); err != nil {
			t.Fatal(err)
		}
	}
	step := func(code int) {
		t.Helper()
		advance()
		<-asked
		answer <- code
	}
	want := func(s string) {
		t.Helper()
		select {
		case got := <-told:
			if got != s {
				t.Errorf("told %q, want %q", got, s)
			}
			if strings.Contains(got, "secret-path") || strings.Contains(got, "127.0.0.1:") {
				t.Errorf("%q tells the address", got)
			}
		case <-time.After(20 * time.Second):
			t.Fatalf("not told %q", s)
		}
	}
	step(200)
	want("true told")
	step(204)
	step(503)
	want("false outside: it answered 503 Service Unavailable")
	step(503)
	step(302)
	step(500)
	step(200)
	want("true told")
	// Nor does one that calls nobody; one of two ways that is down is another thing.
	mails, texts := &way{}, &way{}
	d.ways = map[callout.Way]*way{callout.Email: mails, callout.SMS: texts}
	mails.down.Store(true)
	step(200)
	if got := d.Health(); got != "mail is not going out" {
		t.Errorf("health: %q", got)
	}
	texts.down.Store(true)
	for range 5 {
		advance()
	}
	advance() // the one before is over then
	texts.down.Store(false)
	// A daemon that does not watch says nothing.
	d.linkUp.Store(false)
	for range 5 {
		advance()
	}
	advance() // the one before is over then
	d.linkUp.Store(true)
	if n := count.Load(); n != 8 {
		t.Errorf("asked %d times, 8 of them while it watched", n)
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if len(told) > 0 {
		t.Errorf("told more: %v", <-told)
	}
}

func TestWatchdog(t *testing.T) {
	socket := filepath.Join(t.TempDir(), "notify")
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer manager.Close()
	t.Setenv("NOTIFY_SOCKET", socket)
	t.Setenv("WATCHDOG_USEC", "30000000")
	t.Setenv("WATCHDOG_PID", "")
	d, cl, _ := living(t, &config.Config{})
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	d.openHeartbeats()
	go func() { ended <- d.runWatchdog(ctx) }()
	advance := func(steps int, beat int64) {
		t.Helper()
		d.keeper.beat.Store(beat)
		for range steps {
			if err := cl.Advance(t.Context(), 10*time.Second); err != nil {
				t.Fatal(err)
			}
		}
	}
	// The last tick of each is over only with the first of the next.
	advance(3, dusk.Add(time.Hour).UnixMicro())
	advance(20, 0) // the keeper stands still
	advance(3, dusk.Add(time.Hour).UnixMicro())
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	var heard []string
	b := make([]byte, 100)
	for len(heard) == 0 || heard[len(heard)-1] != "STOPPING=1" {
		if err := manager.SetReadDeadline(time.Now().Add(20 * time.Second)); err != nil {
			t.Fatal(err)
		}
		n, err := manager.Read(b)
		if err != nil {
			t.Fatalf("heard %v, then %v", heard, err)
		}
		heard = append(heard, string(b[:n]))
	}
	if n := len(heard); heard[0] != "READY=1" || n < 2+4 || n > 2+7 {
		t.Errorf("heard %v", heard)
	}
	for _, h := range heard[1 : len(heard)-1] {
		if h != "WATCHDOG=1" {
			t.Errorf("heard %q", h)
		}
	}
}

func TestStockWords(t *testing.T) {
	lots := []lot.Lot{
		{ID: "A", Species: "brook trout", EggTake: dusk.AddDate(0, 0, -50), Start: lot.Eyed, StartUnits: 300, Eggs: 24000, Path: []lot.Stay{{Unit: "stack 1", From: dusk.AddDate(0, 0, -5)}}},
		{ID: "B", Species: "arctic char", EggTake: dusk.AddDate(0, 0, -9), Start: lot.Green, Eggs: 15000, Path: []lot.Stay{{Unit: "stack 1", From: dusk.AddDate(0, 0, -5)}}},
		{ID: "C", Species: "arctic char", EggTake: dusk.AddDate(0, 0, -50), Start: lot.Eyed, StartUnits: 300, Eggs: 1000, Path: []lot.Stay{{Unit: "stack 1", From: dusk.AddDate(0, 0, -5)}}},
	}
	var entries []book.Entry
	for _, l := range lots {
		entries = append(entries, book.FromSite(l)...)
	}
	for i := range entries {
		entries[i].Seq = int64(i + 1)
	}
	b := book.New(entries, book.Options{Units: []site.Unit{{Name: "stack 1", Kind: site.Stack, Trays: 8}}})
	if d := cmp.Diff(map[string]string{"stack 1": "15,000 green eggs and 25,000 eyed eggs"}, stockWords(b)); d != "" {
		t.Error(d)
	}
}
