package daemon_test

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"weirkeeper/cmd/weirkeeper/internal/clock"
	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/config"
	"weirkeeper/ingest/broker"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
)

const benchProbes = 1000

// benchSite is a site of many flow probes, each with a rule that watches it.
func benchSite(b *testing.B) (*config.Config, *lang.Program) {
	b.Helper()
	var s strings.Builder
	s.WriteString("site \"Bench\" {\n}\nweb {\n  listen = \"127.0.0.1:0\"\n}\nbroker {\n  listen = \"127.0.0.1:0\"\n}\n")
	for i := range benchProbes {
		fmt.Fprintf(&s, "unit \"trough %d\" {\n  kind = \"trough\"\n}\nprobe \"flow %d\" {\n  quantity = \"flow\"\n  at = \"trough %d\"\n  topic = \"bench/%d\"\n}\n", i, i, i, i)
	}
	files := hclread.NewFiles()
	c, diags := config.Parse(files, "site.hcl", []byte(s.String()), config.Options{Now: time.Now()})
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

// underWay is how many messages the publisher has sent and not seen
// acknowledged.
const underWay = 4000

// publish sends n messages over the probes' topics at QoS 1 and waits until
// all are acknowledged.
func publish(b *testing.B, addr string, n int) {
	b.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker("mqtt://" + addr).SetClientID("bench-probes").SetAutoReconnect(false).SetMessageChannelDepth(underWay))
	if t := c.Connect(); t.Wait() && t.Error() != nil {
		b.Fatal(t.Error())
	}
	defer c.Disconnect(100)
	slots := make(chan paho.Token, underWay)
	done := make(chan error, 1)
	go func() {
		for t := range slots {
			if t.Wait(); t.Error() != nil {
				done <- t.Error()
				return
			}
		}
		done <- nil
	}()
	for i := range n {
		slots <- c.Publish(fmt.Sprintf("bench/%d", i%benchProbes), 1, false, fmt.Sprintf("%d.%d", 30+i%7, i%10))
	}
	close(slots)
	if err := <-done; err != nil {
		b.Fatal(err)
	}
}

// BenchmarkIngest measures readings from a probe's PUBLISH to its PUBACK at QoS
// 1 through the embedded broker: "committed" with the whole daemon between,
// decode, engine and fsynced commit; "floor" with a client that only receives
// and acknowledges.
func BenchmarkIngest(b *testing.B) {
	b.Run("floor", func(b *testing.B) {
		const id = "bench-receiver"
		br, err := broker.New(broker.Options{Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler), Anonymous: true, SubscriberID: id})
		if err != nil {
			b.Fatal(err)
		}
		ctx, stop := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- br.Run(ctx) }()
		<-br.Ready()
		var received atomic.Int64
		c := paho.NewClient(paho.NewClientOptions().AddBroker("mqtt://" + br.Addr()).SetClientID(id).SetCleanSession(false).SetMessageChannelDepth(underWay))
		if t := c.Connect(); t.Wait() && t.Error() != nil {
			b.Fatal(t.Error())
		}
		if t := c.Subscribe("bench/+", 1, func(paho.Client, paho.Message) { received.Add(1) }); t.Wait() && t.Error() != nil {
			b.Fatal(t.Error())
		}
		b.ResetTimer()
		publish(b, br.Addr(), b.N)
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "readings/s")
		b.StopTimer()
		c.Disconnect(100)
		stop()
		if err := <-ended; err != nil {
			b.Fatal(err)
		}
		if received.Load() != int64(b.N) {
			b.Fatalf("%d of %d received", received.Load(), b.N)
		}
	})
	b.Run("committed", func(b *testing.B) {
		c, p := benchSite(b)
		d, err := daemon.New(b.Context(), daemon.Options{Config: c, Program: p, Clock: clock.Real{}, Log: slog.New(slog.DiscardHandler), Getenv: os.Getenv, ReadFile: os.ReadFile})
		if err != nil {
			b.Fatal(err)
		}
		ctx, stop := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- d.Run(ctx) }()
		addr, err := d.BrokerAddr(ctx)
		if err != nil {
			b.Fatal(err)
		}
		publish(b, addr, 1) // returns once the daemon has subscribed
		b.ResetTimer()
		publish(b, addr, b.N)
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "readings/s")
		b.StopTimer()
		counts, err := d.Ledger().CountReadings(ctx)
		if err != nil {
			b.Fatal(err)
		}
		n := 0
		for _, k := range counts {
			n += k
		}
		stop()
		if err := <-ended; err != nil {
			b.Fatal(err)
		}
		if n != b.N+1 {
			b.Fatalf("%d of %d in the record", n, b.N+1)
		}
	})
}
