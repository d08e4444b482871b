package daemon_test

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"weirkeeper/cmd/weirkeeper/internal/clock"
	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/config"
	"weirkeeper/ingest/broker"
	"weirkeeper/ingest/ledger"
	"weirkeeper/notify/smtp"
	"weirkeeper/notify/smtp/sink"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/reading"
)

// leaps is the machine's clock, and all the time that was leapt over.
type leaps struct {
	clock.Real
	by atomic.Int64
}

func (l *leaps) Now() time.Time      { return l.Real.Now().Add(time.Duration(l.by.Load())) }
func (l *leaps) Mono() time.Duration { return l.Real.Mono() + time.Duration(l.by.Load()) }

func latencySite(b *testing.B, smtpAddr string) (*config.Config, *lang.Program) {
	b.Helper()
	_, port, _ := strings.Cut(smtpAddr, ":")
	files := hclread.NewFiles()
	c, diags := config.Parse(files, "site.hcl", fmt.Appendf(nil, `
site "Bench" {
  timezone = "UTC"
}
unit "trough 1" {
  kind = "trough"
}
probe "flow 1" {
  quantity = "flow"
  at       = "trough 1"
  topic    = "bench/1"
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
  listen = "127.0.0.1:0"
}
broker {
  listen = "127.0.0.1:0"
}
`, port), config.Options{Now: time.Now()})
	if diags.HasErrors() {
		b.Fatal(diags)
	}
	c.Paths.Data = b.TempDir()
	p, diags := lang.Parse(files, []lang.Source{{Name: "rules.hcl", Text: []byte(`
low_flow "troughs" {
  covers {
    kinds = ["trough"]
  }
  setpoint   = "20 L/min"
  on_delay   = "0 s"
  off_delay  = "0 s"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen."
}
`)}}, c.Site)
	if diags.HasErrors() {
		b.Fatal(diags)
	}
	return c, p
}

// mailServer is a sink that tells of each mail, its subject, when it has it.
func mailServer(b *testing.B) (addr string, got chan string) {
	b.Helper()
	got = make(chan string, 64)
	s, err := sink.Listen(b.Context(), sink.Options{Now: time.Now, Handle: func(m sink.Message) { got <- m.Subject }})
	if err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	b.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			b.Error(err)
		}
	})
	return s.Addr(), got
}

func await(b *testing.B, got <-chan string, fits func(subject string) bool) {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.Context(), time.Minute)
	defer cancel()
	for {
		select {
		case s := <-got:
			if fits(s) {
				return
			}
		case <-ctx.Done():
			b.Fatal("no such mail within a minute")
		}
	}
}

func connect(b *testing.B, addr, id string) paho.Client {
	b.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker("mqtt://" + addr).SetClientID(id).SetCleanSession(false).SetAutoReconnect(false))
	if t := c.Connect(); t.Wait() && t.Error() != nil {
		b.Fatal(t.Error())
	}
	b.Cleanup(func() { c.Disconnect(100) })
	return c
}

// bareParts is the least that an alarm can take on the way to the mail server: a
// reading through the embedded broker, one commit before the acknowledgement,
// one before the delivery, the delivery, one after another in one place.
func bareParts(b *testing.B, addr string, got chan string) (once func() time.Duration) {
	b.Helper()
	const receiver = "bench-receiver"
	l, err := ledger.Open(b.Context(), ledger.Options{Path: filepath.Join(b.TempDir(), "ledger.db"), Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = l.Close() })
	br, err := broker.New(broker.Options{Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler), Anonymous: true, SubscriberID: receiver})
	if err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- br.Run(ctx) }()
	<-br.Ready()
	b.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			b.Error(err)
		}
	})
	var port int
	if _, err := fmt.Sscanf(addr, "127.0.0.1:%d", &port); err != nil {
		b.Fatal(err)
	}
	mailer, err := smtp.New(smtp.Options{Host: "127.0.0.1", Port: port, Mode: smtp.None, From: "weirkeeper@alderfork.example", Timeout: time.Minute, Now: time.Now})
	if err != nil {
		b.Fatal(err)
	}
	n := 0
	batch := func() ledger.Batch {
		n++
		now := time.Now().UTC()
		return ledger.Batch{
			Readings:    []reading.Reading{{Probe: "flow 1", At: now, ArrivedAt: now, Value: float64(n)}},
			Transitions: []alarm.Transition{{Key: "low_flow/trough 1", Kind: alarm.LowFlow, Occurrence: uint64(n), To: alarm.Unacknowledged, At: now, Priority: alarm.CallOut, Trouble: "Trough 1: low flow"}},
			Messages: []callout.Message{{
				ID: fmt.Sprint("floor-", n), Reason: callout.First, Person: "kim", Way: callout.Email, Address: "kim@alderfork.example",
				Subject: "low", Text: strings.Repeat("Trough 1: low flow, 12 L/min, setpoint 20 L/min.\n", 12), CreatedAt: now, ExpiresAt: now.Add(time.Hour),
			}},
		}
	}
	committed := make(chan callout.Message, 1)
	c := connect(b, br.Addr(), receiver)
	if t := c.Subscribe("bench/+", 1, func(paho.Client, paho.Message) { // paho acknowledges when this returns
		next := batch()
		if _, err := l.Commit(ctx, next); err != nil {
			b.Error(err)
		}
		committed <- next.Messages[0]
	}); t.Wait() && t.Error() != nil {
		b.Fatal(t.Error())
	}
	probe := connect(b, br.Addr(), "bench-probe")
	return func() time.Duration {
		began := time.Now()
		acked := probe.Publish("bench/1", 1, false, "12")
		m := <-committed
		var err error
		if m.Attempts, err = l.BeginAttempt(ctx, m.ID, time.Now()); err == nil {
			_, err = mailer.Deliver(ctx, m)
		}
		if err != nil {
			b.Fatal(err)
		}
		await(b, got, func(string) bool { return true })
		took := time.Since(began)
		if acked.Wait() && acked.Error() != nil {
			b.Fatal(acked.Error())
		}
		if err := l.MarkSent(ctx, m.ID, time.Now(), "ok"); err != nil {
			b.Fatal(err)
		}
		return took
	}
}

// BenchmarkAlarmToHandedOver measures from the PUBLISH of the reading that raises
// an alarm, on-delay 0, to the mail server having the call-out, and the bare
// parts of that in turn with it.
func BenchmarkAlarmToHandedOver(b *testing.B) {
	addr, got := mailServer(b)
	floorAddr, floorGot := mailServer(b)
	floor := bareParts(b, floorAddr, floorGot)
	c, p := latencySite(b, addr)
	now := &leaps{}
	d, err := daemon.New(b.Context(), daemon.Options{
		Config: c, Program: p, Clock: now, Log: slog.New(slog.DiscardHandler), Getenv: os.Getenv, ReadFile: os.ReadFile, Synced: func() bool { return true },
	})
	if err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- d.Run(ctx) }()
	mqttAddr, err := d.BrokerAddr(ctx)
	if err != nil {
		b.Fatal(err)
	}
	probe := connect(b, mqttAddr, "bench-probe")
	publish := func(payload string) paho.Token { return probe.Publish("bench/1", 1, false, payload) }
	publish("30").Wait() // returns once the daemon has subscribed
	var took, bare []time.Duration
	low := func(s string) bool { return strings.Contains(s, "low flow") }
	b.ResetTimer()
	for range b.N {
		bare = append(bare, floor())
		now.by.Add(int64(2 * time.Hour)) // so that nothing chatters
		began := time.Now()
		acked := publish("12")
		await(b, got, low)
		took = append(took, time.Since(began))
		acked.Wait()
		b.StopTimer()
		now.by.Add(int64(10 * time.Second))
		publish("30").Wait()
		await(b, got, low)
		b.StartTimer()
	}
	b.StopTimer()
	for name, all := range map[string][]time.Duration{"": took, "floor-": bare} {
		slices.Sort(all)
		b.ReportMetric(float64(all[len(all)/2].Microseconds())/1000, name+"p50-ms")
		b.ReportMetric(float64(all[len(all)*99/100].Microseconds())/1000, name+"p99-ms")
	}
	stop()
	if err := <-ended; err != nil {
		b.Fatal(err)
	}
}
