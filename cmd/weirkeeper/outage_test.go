package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/clock"
	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
)

const outageSite = `
site "Outage" {
  timezone = "UTC"
}
unit "spring" {
  kind = "spring"
}
probe "spring flow" {
  quantity = "flow"
  at       = "spring"
  topic    = "outage/flow"
}
web {
  listen = "127.0.0.1:0"
}
broker {
  url = "mqtt://127.0.0.1:%s"
}
`

const outageRules = `
low_flow "spring" {
  covers {
    kinds = ["spring"]
  }
  setpoint   = "100 L/min"
  priority   = "call-out"
  can_happen = "Everything below goes dry."
  to_do      = "Look at the intake."
}
`

// inProcess is a daemon in this process on a clock moved by hand.
type inProcess struct {
	*daemon.Daemon
	clock *clock.Stepped
	stop  func()
}

func startInProcess(t *testing.T, dir string, now time.Time) *inProcess {
	t.Helper()
	return startOnClock(t, dir, now, false)
}

// startOnClock does the same with a clock that the system does not vouch for.
func startOnClock(t *testing.T, dir string, now time.Time, unsynced bool) *inProcess {
	t.Helper()
	return startTicking(t, dir, now, unsynced, time.Second)
}

// startTicking does the same with another time between two ticks, for long nights.
func startTicking(t *testing.T, dir string, now time.Time, unsynced bool, every time.Duration) *inProcess {
	t.Helper()
	e, _, _ := testEnv()
	l, err := e.load(dir+"/site.hcl", nil, now)
	if err != nil {
		t.Fatal(err)
	}
	if faulty, err := l.say(os.Stderr); faulty || err != nil {
		t.Fatalf("site: faulty %v, %v", faulty, err)
	}
	p := &inProcess{clock: clock.NewStepped(now)}
	p.Daemon, err = daemon.New(t.Context(), daemon.Options{
		Config: l.config, Program: l.program, Clock: p.clock, Log: slog.New(slog.DiscardHandler), Getenv: os.Getenv, ReadFile: os.ReadFile, Synced: func() bool { return !unsynced }, TickEvery: every,
		LoadRules: func() (*lang.Program, error) { return e.rulesAnew(dir+"/site.hcl", l.config) },
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan error, 1)
	go func() { done <- p.Run(ctx) }()
	stopped := false
	p.stop = func() {
		t.Helper()
		if stopped {
			return
		}
		stopped = true
		cancel()
		if err := <-done; err != nil {
			t.Errorf("daemon: %v", err)
		}
	}
	t.Cleanup(p.stop)
	return p
}

// advance moves the clock on, second by second.
func (p *inProcess) advance(t *testing.T, d time.Duration) {
	t.Helper()
	if err := p.clock.Advance(t.Context(), d); err != nil {
		t.Fatal(err)
	}
}

func (p *inProcess) stored(t *testing.T) int {
	t.Helper()
	counts, err := p.Ledger().CountReadings(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, c := range counts {
		n += c
	}
	return n
}

// flows are n lines, each a flow that is different from all others.
func flows(from, n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "%d\n", 1000+from+i)
	}
	return b.String()
}

// TestBrokerOutage stops Debian's mosquitto for a while. The daemon says so by
// an alarm of its own that comes and goes, connects again, and loses nothing of
// what was published at QoS 1: before the outage, right after it, and while the
// daemon itself was away.
func TestBrokerOutage(t *testing.T) {
	broker := newMosquitto(t)
	dir := writeFiles(t, map[string]string{"site.hcl": fmt.Sprintf(outageSite, broker.port), "rules.hcl": outageRules})
	now := time.Date(2026, 11, 20, 22, 0, 0, 0, time.UTC)
	d := startInProcess(t, dir, now)
	eventually(t, "the daemon is connected", func() bool { d.advance(t, time.Second); return d.Health() == "" })

	const each = 200
	broker.publish(t, "outage/flow", flows(0, each))
	eventually(t, "the first readings are safe", func() bool { return d.stored(t) == each })

	broker.stop(t)
	eventually(t, "the daemon notices", func() bool { return d.Health() == "no connection to the broker" })
	d.advance(t, 3*time.Minute)
	gone := func(to alarm.State) bool {
		d.advance(t, time.Second)
		journal, err := d.Ledger().Journal(t.Context(), now, d.clock.Now().Add(time.Second))
		if err != nil {
			t.Fatal(err)
		}
		for _, tr := range journal {
			if tr.Kind == alarm.DaemonHealth && tr.Trouble == "weirkeeper: broker gone" && tr.To == to {
				return true
			}
		}
		return false
	}
	eventually(t, "the alarm broker gone is raised", func() bool { return gone(alarm.Unacknowledged) })

	broker.start(t)
	broker.publish(t, "outage/flow", flows(each, each))
	eventually(t, "the daemon is connected again", func() bool { d.advance(t, time.Second); return d.Health() == "" })
	eventually(t, "what was published meanwhile is safe", func() bool { return d.stored(t) == 2*each })
	eventually(t, "the alarm broker gone has returned", func() bool { return gone(alarm.ReturnedUnacknowledged) })

	end := d.clock.Now()
	d.stop()
	broker.publish(t, "outage/flow", flows(2*each, each))
	d = startInProcess(t, dir, end.Add(time.Minute))
	eventually(t, "what was published while the daemon was away is safe", func() bool { return d.stored(t) == 3*each })

	seen := map[float64]int{}
	for r, err := range d.Ledger().Readings(t.Context(), "spring flow", now.Add(-time.Hour), end.Add(time.Hour)) {
		if err != nil {
			t.Fatal(err)
		}
		seen[r.Value]++
	}
	for i := range 3 * each {
		if v := float64(1000 + i); seen[v] != 1 {
			t.Errorf("flow %v is %d times in the record, want once", v, seen[v])
		}
	}
}
