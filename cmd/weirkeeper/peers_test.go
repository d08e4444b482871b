package main

import (
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

// Two daemons on one broker watch each other. When one is stopped the other calls
// out within silent_after; when it is back that is over. One that is started while
// the other is away, or one that has lost the broker itself, knows nothing yet and
// says nothing before its time.
func TestDaemonsWatchEachOther(t *testing.T) {
	const silent = 2 * time.Minute
	broker := newMosquitto(t)
	url := "mqtt://127.0.0.1:" + broker.port
	type beat struct{ from string }
	beats := make(chan beat, 1000)
	listener := client(t, url, "listener")
	if k := listener.Subscribe("+/weirkeeper/alive", 1, func(_ paho.Client, m paho.Message) {
		site, _, _ := strings.Cut(m.Topic(), "/")
		beats <- beat{site}
	}); k.Wait() && k.Error() != nil {
		t.Fatal(k.Error())
	}
	probe := sim.NewPublisher(sim.PublisherOptions{URL: url, ClientID: "probes", Log: slog.New(slog.DiscardHandler)})
	defer probe.Close()
	newOne := func(name, other string) *crew {
		c := newCrewAt(t, crewOptions{external: url, more: fmt.Sprintf(`
alive {
  topic = "%s/weirkeeper/alive"
  every = "10 s"
}
peer "%s" {
  topic        = "%s/weirkeeper/alive"
  silent_after = "2 min"
}`, name, other, other)}, name)
		return c
	}
	upper, lower := newOne("upper", "lower"), newOne("lower", "upper")
	names := map[*crew]string{upper: "upper", lower: "lower"}
	// step lets 10 s go by for those that run, and waits until what they said of
	// themselves has come to the others.
	readings := 0
	step := func(running ...*crew) {
		t.Helper()
		for _, c := range running {
			c.advance(t, 10*time.Second)
			for said := range beats {
				if said.from == names[c] {
					break
				}
			}
		}
		// The broker keeps the order: a reading after them comes after them.
		readings++
		for _, c := range running {
			before := c.stored(t)
			if err := probe.Publish(t.Context(), []sim.Due{{Topic: names[c] + "/flow", Payload: fmt.Appendf(nil, "%d", 150+readings%7)}}); err != nil {
				t.Fatal(err)
			}
			eventually(t, "a reading comes to "+names[c], func() bool { return c.stored(t) > before })
			c.settle()
		}
	}
	const name = "other watcher silent"
	quiet := func(c *crew, when string) {
		t.Helper()
		if tr := c.ownAlarm(name); tr.To != alarm.Normal {
			t.Errorf("%s, %s: %s, %s", names[c], when, tr.To, tr.Detail)
		}
	}
	for range 15 {
		step(upper, lower)
	}
	quiet(upper, "both run")
	quiet(lower, "both run")

	lower.stop()
	for range int((silent - 20*time.Second) / (10 * time.Second)) {
		step(upper)
	}
	quiet(upper, "the other has just been stopped")
	for range 5 {
		step(upper)
	}
	tr := upper.ownAlarm(name)
	if tr.To != alarm.Unacknowledged || tr.Priority != alarm.CallOut || !strings.Contains(tr.Detail, "lower has said nothing for 2 min") {
		t.Errorf("the other is stopped: %s, %s", tr.To, tr.Detail)
	}
	upper.told(kimsNumber, name)

	lower.start(lower.clock.Now().Add(4 * time.Minute))
	for range 6 {
		step(upper, lower)
	}
	if tr := upper.ownAlarm(name); tr.To.Active() {
		t.Errorf("the other is back: %s, %s", tr.To, tr.Detail)
	}
	eventually(t, "kim hears that it is over", func() bool {
		upper.advance(t, time.Second)
		upper.settle()
		return len(upper.messages(func(m ledger.MessageRecord) bool {
			return m.Person == "kim" && m.Reason == callout.Returned && m.State == ledger.Sent
		})) == 1
	})
	quiet(lower, "it was away itself")
}
