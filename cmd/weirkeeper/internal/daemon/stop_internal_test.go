package daemon

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/clock"
	"weirkeeper/config"
	"weirkeeper/ingest/ledger"
	"weirkeeper/notify/sms/modem"
	"weirkeeper/notify/sms/modem/modemtest"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
)

const stopSite = `
site "Alder Fork" {
  timezone = "UTC"
}
unit "trough 1" {
  kind = "trough"
}
probe "flow 1" {
  quantity = "flow"
  at       = "trough 1"
  topic    = "alder/flow1"
  every    = "1 h"
}
person "kim" {
  mobile = "+44 7700 900123"
  email  = "kim@alderfork.example"
  reach  = ["sms", "email", "hook desk"]
}
mail {
  host = "127.0.0.1"
  port = %d
  tls  = "none"
  from = "weir@alderfork.example"
}
sms {
  device = "/dev/ttyUSB2"
}
hook "desk" {
  url = %q
}
heartbeat "outside" {
  url   = %q
  every = "1 min"
}
web {
  listen = "127.0.0.1:0"
}
broker {
  listen = "127.0.0.1:0"
}
`

// The daemon stops at once though the modem waits for the network to take a text,
// the mail server says nothing and a hook does not answer; what was under way stays
// in the outbox.
func TestStopWhileNothingAnswers(t *testing.T) {
	under := make(chan string, 16)
	hung := make(chan struct{})
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body) // so that the server sees the client go
		under <- "hook"
		select {
		case <-hung:
		case <-r.Context().Done():
		}
	}))
	defer server.Close()
	defer close(hung)
	silent, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	go func() {
		for {
			c, err := silent.Accept()
			if err != nil {
				return
			}
			defer c.Close()
			under <- "mail"
		}
	}()
	sim := modemtest.New(modemtest.Options{Wait: waitReal, Now: time.Now, Draw: func(p modemtest.Point) modemtest.Fault {
		if p == modemtest.AtPDU {
			under <- "text"
			return modemtest.Mute
		}
		return modemtest.None
	}})
	defer sim.Close()

	files := hclread.NewFiles()
	c, diags := config.Parse(files, "site.hcl", fmt.Appendf(nil, stopSite, silent.Addr().(*net.TCPAddr).Port, server.URL, server.URL), config.Options{Now: time.Now()})
	if diags.HasErrors() {
		t.Fatal(diags)
	}
	c.Paths.Data = t.TempDir()
	p, diags := lang.Parse(files, []lang.Source{{Name: "rules.hcl", Text: []byte(callRules)}}, c.Site)
	if diags.HasErrors() {
		t.Fatal(diags)
	}
	log := slog.New(slog.DiscardHandler)
	l, err := ledger.Open(t.Context(), ledger.Options{Path: c.Paths.Data + "/" + LedgerFile, Now: time.Now, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now().UTC().Truncate(time.Microsecond)
	m := callout.Message{ID: "1", Reason: callout.Reply, Person: "kim", Way: callout.SMS, Address: "+447700900123", Subject: "x", Text: "x", Short: "x", CreatedAt: now, ExpiresAt: now.Add(time.Hour)}
	mail, hook := m, m
	mail.ID, mail.Way, mail.Address = "2", callout.Email, "kim@alderfork.example"
	hook.ID, hook.Way, hook.Address = "3", callout.Hook, "desk"
	if _, err := l.Commit(t.Context(), ledger.Batch{Messages: []callout.Message{m, mail, hook}}); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}

	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	d, err := New(ctx, Options{
		Config: c, Program: p, Clock: clock.Real{}, Log: log, Getenv: func(string) string { return "" }, Synced: func() bool { return true },
		OpenPort: func(string, int) func(context.Context) (modem.Port, error) {
			return func(ctx context.Context) (modem.Port, error) { return sim.Dial(ctx) }
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	for seen := map[string]bool{}; len(seen) < 3; {
		select {
		case w := <-under:
			seen[w] = true
		case err := <-done:
			t.Fatalf("it ended: %v", err)
		}
	}
	stop()
	if err := <-done; err != nil { // a stage that does not stop in time is one
		t.Errorf("stop: %v", err)
	}
	if l, err = ledger.Open(t.Context(), ledger.Options{Path: c.Paths.Data + "/" + LedgerFile, Now: time.Now, Log: log}); err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	all, err := l.Messages(t.Context(), now.Add(-time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range all {
		if m.ID <= "3" && (m.State != ledger.Pending || m.Attempts == 0) {
			t.Errorf("%s by %s is %s after %d attempts", m.ID, m.Way, m.State, m.Attempts)
		}
	}
}
