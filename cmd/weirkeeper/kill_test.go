package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/ingest/ledger"
	"weirkeeper/notify/smtp/sink"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
)

const killRounds = 20

const killSite = `
site "Kill" {
  timezone = "UTC"
}
unit "trough 1" {
  kind = "trough"
}
unit "trough 2" {
  kind = "trough"
}
probe "flow 1" {
  quantity    = "flow"
  at          = "trough 1"
  topic       = "kill/flow-1"
  format      = "json"
  value_path  = "v"
  time_path   = "t"
  time_format = "unix-ms"
  plausible {
    low  = "0 L/min"
    high = "100 L/min"
  }
}
probe "flow 2" {
  quantity    = "flow"
  at          = "trough 2"
  topic       = "kill/flow-2"
  format      = "json"
  value_path  = "v"
  time_path   = "t"
  time_format = "unix-ms"
  plausible {
    low  = "0 L/min"
    high = "100 L/min"
  }
}
person "kim" {
  email = "kim@alderfork.example"
}
call_out {
  gather = "0 s"
}
mail {
  host = "127.0.0.1"
  port = %s
  tls  = "none"
  from = "weirkeeper@alderfork.example"
}
web {
  listen = "127.0.0.1:%s"
}
broker {
  %s
}
`

const killRules = `
low_flow "troughs" {
  covers {
    kinds = ["trough"]
  }
  setpoint   = "20 L/min"
  deadband   = "2 L/min"
  on_delay   = "0 s"
  off_delay  = "0 s"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen."
}
`

// TestKill kills the daemon with SIGKILL at random times while a publisher
// sends readings at QoS 1: once with Debian's mosquitto between them, once with
// the daemon's own broker, which dies with it. Whatever the publisher was told
// is safe must be in the record, once; the alarm that stands must stand and not
// be raised again; and every mail that was due must arrive.
func TestKill(t *testing.T) {
	t.Run("external broker", func(t *testing.T) {
		m := newMosquitto(t)
		testKill(t, "url = \"mqtt://127.0.0.1:"+m.port+"\"", "mqtt://127.0.0.1:"+m.port)
	})
	t.Run("embedded broker", func(t *testing.T) {
		port := freePort(t)
		testKill(t, "listen = \"127.0.0.1:"+port+"\"", "mqtt://127.0.0.1:"+port)
	})
}

func testKill(t *testing.T, broker, url string) {
	t.Helper()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 0)) //nolint:gosec // a test's dice

	mails := startSink(t)
	_, mailPort, _ := strings.Cut(mails.server.Addr(), ":")
	webPort := freePort(t)
	dir := writeFiles(t, map[string]string{"site.hcl": fmt.Sprintf(killSite, mailPort, webPort, broker), "rules.hcl": killRules})
	page := "http://127.0.0.1:" + webPort

	var pub *publisher
	for range killRounds {
		d := startChild(t, dir)
		eventually(t, "healthy after a start; it said:\n"+d.out.String(), func() bool { return get(t, page+"/healthz") == "ok\n" })
		if pub == nil {
			// Only now: what a broker gets before anybody has subscribed it
			// keeps for nobody.
			pub = startPublisher(t, url)
		}
		eventually(t, "the alarm stands", func() bool { return strings.Contains(get(t, page+"/"), "Trough 1: low flow") })
		before := pub.count()
		eventually(t, "readings are acknowledged", func() bool { return pub.count() > before })
		time.Sleep(time.Duration(rnd.IntN(300)) * time.Millisecond) // when the power goes is anybody's guess
		d.kill(t)
	}

	d := startChild(t, dir)
	before := pub.count()
	eventually(t, "the publisher goes on", func() bool { return pub.count() > before })
	acked := pub.stop(t)
	// The broker has acknowledged the last batch to the publisher and may still
	// be handing it to the daemon: let it arrive, or be missing below.
	ledgerFile := filepath.Join(dir, "weirkeeper-data", daemon.LedgerFile)
	waitForAll(t, ledgerFile, acked)
	eventually(t, "the outbox is empty", func() bool { return strings.Contains(get(t, page+"/metrics"), "\nweirkeeper_outbox_depth 0\n") })
	d.end(t)
	if s := d.out.String(); strings.Contains(s, "DATA RACE") {
		t.Errorf("the daemon raced:\n%s", s)
	}

	l, err := ledger.Open(t.Context(), ledger.Options{Path: ledgerFile, Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	if err := l.Check(t.Context()); err != nil {
		t.Errorf("integrity: %v", err)
	}
	checkReadings(t, l, acked)
	checkAlarms(t, l, mails)
}

// waitForAll waits until the running daemon's record holds as many readings as
// were acknowledged, or a while.
func waitForAll(t *testing.T, file string, acked map[reading.ProbeID]map[int64]float64) {
	t.Helper()
	l, err := ledger.OpenReader(t.Context(), file)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		counts, err := l.CountReadings(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		all := true
		for id, want := range acked {
			all = all && counts[id] >= len(want)
		}
		if all {
			return
		}
	}
}

// checkReadings holds the record against the publisher's own list.
func checkReadings(t *testing.T, l *ledger.Ledger, acked map[reading.ProbeID]map[int64]float64) {
	t.Helper()
	for id, want := range acked {
		got := map[int64]int{}
		for r, err := range l.Readings(t.Context(), id, time.Unix(0, 0), time.Now().Add(time.Hour)) {
			if err != nil {
				t.Fatal(err)
			}
			ms := r.At.UnixMilli()
			got[ms]++
			if v, ok := want[ms]; ok && v != r.Value {
				t.Errorf("%s at %d: %v in the record, %v published", id, ms, r.Value, v)
			}
		}
		missing, doubled := 0, 0
		for ms, v := range want {
			switch {
			case got[ms] == 0:
				missing++
				t.Logf("%s: missing %v of %s", id, v, time.UnixMilli(ms).UTC().Format("15:04:05.000"))
			case got[ms] > 1:
				doubled++
			}
		}
		t.Logf("%s: %d readings acknowledged to the publisher, %d missing, %d doubled", id, len(want), missing, doubled)
		if missing > 0 || doubled > 0 || len(want) < killRounds {
			t.Errorf("%s: of %d acknowledged readings %d are missing and %d doubled", id, len(want), missing, doubled)
		}
	}
}

// checkAlarms holds the journal against itself and against the mail server.
func checkAlarms(t *testing.T, l *ledger.Ledger, mails *mailbox) {
	t.Helper()
	journal, err := l.Journal(t.Context(), time.Unix(0, 0), time.Now().Add(time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	records, err := l.Messages(t.Context(), time.Unix(0, 0))
	if err != nil {
		t.Fatal(err)
	}
	got := mails.ids()
	var arrived, twice int
	for _, m := range records {
		n := 0
		for id, count := range got {
			if strings.Contains(id, m.ID) {
				n = count
			}
		}
		switch {
		case n == 0:
			t.Errorf("message %s (%s) never arrived; its state is %s", m.ID, m.Subject, m.State)
		case n > 1:
			twice++
		}
		arrived++
	}
	raises := map[alarm.Key]int{}
	for _, tr := range journal {
		if !tr.Raised() {
			continue
		}
		raises[tr.Key]++
		told := false
		for _, m := range records {
			told = told || (!m.CreatedAt.Before(tr.At) && strings.Contains(fmt.Sprint(m.Alarms), string(tr.Key)))
		}
		if !told {
			t.Errorf("nobody was told that %s was raised at %s", tr.Key, tr.At)
		}
	}
	t.Logf("%d raises %v; %d messages, all arrived, %d of them more than once", len(raises), raises, arrived, twice)
	if n := raises["low_flow/troughs/flow 1"]; n != 1 {
		t.Errorf("the standing alarm was raised %d times, want once", n)
	}
	if n := raises["low_flow/troughs/flow 2"]; n < 2 {
		t.Errorf("the other alarm was raised %d times; the test needs it to come and go", n)
	}
	standing, err := l.Standing(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	found := false
	for _, tr := range standing {
		found = found || (tr.Key == "low_flow/troughs/flow 1" && tr.To == alarm.Unacknowledged)
	}
	if !found {
		t.Errorf("the alarm of trough 1 does not stand any more: %+v", standing)
	}
}

// child is the daemon in a process of its own.
type child struct {
	cmd *exec.Cmd
	out *safeBuffer
}

func startChild(t *testing.T, dir string) *child {
	t.Helper()
	c := &child{cmd: exec.CommandContext(context.WithoutCancel(t.Context()), os.Args[0], "run", "--site", filepath.Join(dir, "site.hcl")), out: &safeBuffer{}}
	c.cmd.Env = append(os.Environ(), childVariable+"=1")
	c.cmd.Stdout, c.cmd.Stderr = c.out, c.out
	if err := c.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if c.cmd.ProcessState == nil {
			_ = c.cmd.Process.Kill()
			_ = c.cmd.Wait()
		}
		if t.Failed() {
			t.Logf("the daemon said:\n%s", c.out.String())
		}
	})
	return c
}

// kill is what a power cut does to a process.
func (c *child) kill(t *testing.T) {
	t.Helper()
	if err := c.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = c.cmd.Wait() // it was killed
}

// end stops it in good order.
func (c *child) end(t *testing.T) {
	t.Helper()
	if err := c.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := c.cmd.Wait(); err != nil {
		t.Errorf("the daemon ended with %v", err)
	}
}

// get is the body of a page, "" while nobody answers.
func get(t *testing.T, url string) string {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Close = true
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return ""
	}
	defer func() { _ = resp.Body.Close() }()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		return ""
	}
	return string(b)
}

// mailbox is a mail server that counts what it took.
type mailbox struct {
	server *sink.Server
	mu     sync.Mutex
	count  map[string]int // by Message-ID
}

func startSink(t *testing.T) *mailbox {
	t.Helper()
	b := &mailbox{count: map[string]int{}}
	var err error
	b.server, err = sink.Listen(t.Context(), sink.Options{Now: time.Now, Handle: func(m sink.Message) {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.count[m.MessageID]++
	}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = b.server.Run(ctx)
	}()
	t.Cleanup(func() { stop(); <-done })
	return b
}

func (b *mailbox) ids() map[string]int {
	b.mu.Lock()
	defer b.mu.Unlock()
	c := make(map[string]int, len(b.count))
	for k, v := range b.count {
		c[k] = v
	}
	return c
}

// publisher sends readings as fast as they are acknowledged and keeps a list
// of those that were.
type publisher struct {
	cancel context.CancelFunc
	done   chan struct{}
	mu     sync.Mutex
	acked  map[reading.ProbeID]map[int64]float64
	n      int
}

func startPublisher(t *testing.T, url string) *publisher {
	t.Helper()
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	p := &publisher{cancel: cancel, done: make(chan struct{}), acked: map[reading.ProbeID]map[int64]float64{"flow 1": {}, "flow 2": {}}}
	go func() {
		defer close(p.done)
		pub := sim.NewPublisher(sim.PublisherOptions{URL: url, ClientID: "kill-publisher", Log: slog.New(slog.DiscardHandler)})
		defer pub.Close()
		last := time.Now().UnixMilli()
		for batch := 0; ctx.Err() == nil; batch++ {
			var due []sim.Due
			sent := map[reading.ProbeID]map[int64]float64{"flow 1": {}, "flow 2": {}}
			for i := range 10 {
				last = max(last+1, time.Now().UnixMilli())
				// Trough 1 runs low all the time, trough 2 comes and goes.
				id, topic, v := reading.ProbeID("flow 1"), "kill/flow-1", 5+float64(batch%100)/100
				if i%2 == 1 {
					id, topic, v = "flow 2", "kill/flow-2", 30.5
					if batch/20%2 == 1 {
						v = 3.5
					}
				}
				sent[id][last] = v
				due = append(due, sim.Due{Topic: topic, Payload: fmt.Appendf(nil, `{"t":%d,"v":%g}`, last, v)})
			}
			if err := pub.Publish(ctx, due); err != nil {
				return // not acknowledged: not on the list
			}
			p.mu.Lock()
			for id, m := range sent {
				for ms, v := range m {
					p.acked[id][ms] = v
				}
			}
			p.n += len(due)
			p.mu.Unlock()
		}
	}()
	t.Cleanup(func() { cancel(); <-p.done })
	return p
}

func (p *publisher) count() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.n
}

func (p *publisher) stop(t *testing.T) map[reading.ProbeID]map[int64]float64 {
	t.Helper()
	p.cancel()
	<-p.done
	return p.acked
}
