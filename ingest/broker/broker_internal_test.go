package broker

import (
	"context"
	"fmt"
	"log/slog"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"weirkeeper/ingest"
	"weirkeeper/ingest/mqtt"
)

// TestFullSubscriberCostsThePublisherItsConnection lowers the number of
// messages that may be under way: what does not fit is neither acknowledged nor
// lost, because its publisher has to send it again. Some may come twice.
func TestFullSubscriberCostsThePublisherItsConnection(t *testing.T) {
	b, err := New(Options{Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler), Anonymous: true, SubscriberID: "daemon"})
	if err != nil {
		t.Fatal(err)
	}
	b.server.Options.Capabilities.MaximumInflight = 3
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ended := make(chan error, 2)
	go func() { ended <- b.Run(ctx) }()
	<-b.Ready()

	got, up := make(chan ingest.Message, 100), make(chan bool, 100)
	s, err := mqtt.New(mqtt.Options{
		URLs: []string{"mqtt://" + b.Addr()}, ClientID: "daemon", Topics: []string{"a"}, Log: slog.New(slog.DiscardHandler), Now: time.Now,
		Handle: func(m ingest.Message) { got <- m }, OnLink: func(u bool, _ string) { up <- u },
	})
	if err != nil {
		t.Fatal(err)
	}
	sctx, stop := context.WithCancel(t.Context())
	defer stop()
	stopped := make(chan error, 1)
	go func() { stopped <- s.Run(sctx) }()
	<-up

	lost := make(chan error, 100)
	p := paho.NewClient(paho.NewClientOptions().AddBroker("mqtt://" + b.Addr()).SetClientID("probe").SetCleanSession(false).
		SetMaxReconnectInterval(50 * time.Millisecond).SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err }))
	<-p.Connect().Done()
	var tokens []paho.Token
	for i := range 5 {
		tokens = append(tokens, p.Publish("a", 1, false, fmt.Sprint(i)))
	}
	wait := func(c <-chan error) {
		t.Helper()
		select {
		case <-c:
		case <-time.After(10 * time.Second):
			t.Fatal("waited too long")
		}
	}
	wait(lost)
	seen := make(map[string]int)
	for len(seen) < 5 {
		select {
		case m := <-got:
			seen[string(m.Payload)]++
			m.Ack()
		case <-time.After(10 * time.Second):
			t.Fatalf("only %v came", seen)
		}
	}
	for i, token := range tokens {
		if !token.WaitTimeout(10 * time.Second) {
			t.Errorf("message %d was never acknowledged", i)
		}
	}
	p.Disconnect(50)
	stop()
	wait(stopped)
	cancel()
	wait(ended)
}
