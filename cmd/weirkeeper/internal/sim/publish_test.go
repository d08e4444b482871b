package sim_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"slices"
	"sync"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"go.uber.org/goleak"

	"weirkeeper/cmd/weirkeeper/internal/sim"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// intake is a broker's hook that lets everybody in and sees every message
// before it is acknowledged.
type intake struct {
	mochi.HookBase
	take func(payload string) error
}

func (*intake) ID() string { return "intake" }
func (*intake) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck || b == mochi.OnPublish
}
func (*intake) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (*intake) OnACLCheck(*mochi.Client, string, bool) bool              { return true }

func (h *intake) OnPublish(_ *mochi.Client, p packets.Packet) (packets.Packet, error) {
	if p.FixedHeader.Qos != 1 || p.FixedHeader.Retain {
		return p, fmt.Errorf("quality of service %d, retained %v", p.FixedHeader.Qos, p.FixedHeader.Retain)
	}
	return p, h.take(string(p.Payload))
}

// broker runs a broker until stop is called or the test ends.
func broker(t *testing.T, addr string, take func(payload string) error) (at string, stop func()) {
	t.Helper()
	s := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	l := listeners.NewTCP(listeners.Config{ID: "tcp", Address: addr})
	for _, err := range []error{s.AddHook(&intake{take: take}, nil), s.AddListener(l), s.Serve()} {
		if err != nil {
			t.Fatal(err)
		}
	}
	stop = sync.OnceFunc(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(stop)
	return l.Address(), stop
}

func publisher(t *testing.T, addr string, log io.Writer) *sim.Publisher {
	t.Helper()
	p := sim.NewPublisher(sim.PublisherOptions{URL: "mqtt://" + addr, ClientID: "probes", Log: slog.New(slog.NewTextHandler(log, nil))})
	t.Cleanup(p.Close)
	return p
}

func messages(n int) []sim.Due {
	due := make([]sim.Due, n)
	for i := range due {
		due[i] = sim.Due{Topic: "test/flow", Payload: fmt.Appendf(nil, "%d", i)}
	}
	return due
}

func TestPublishSendsAllInOrder(t *testing.T) {
	var mu sync.Mutex
	var got []string
	addr, _ := broker(t, "127.0.0.1:0", func(payload string) error {
		mu.Lock()
		defer mu.Unlock()
		got = append(got, payload)
		return nil
	})
	p := publisher(t, addr, io.Discard)
	due := messages(1000)
	for _, part := range [][]sim.Due{nil, due[:1], due[1:]} {
		if err := p.Publish(t.Context(), part); err != nil {
			t.Fatal(err)
		}
	}
	mu.Lock()
	defer mu.Unlock()
	for i, d := range due {
		if i >= len(got) || got[i] != string(d.Payload) {
			t.Fatalf("message %d is not there or out of order (%d came)", i, len(got))
		}
	}
	if len(got) != len(due) {
		t.Errorf("%d messages came, want %d", len(got), len(due))
	}
}

func TestPublishWaitsForTheAcknowledgement(t *testing.T) {
	came, release := make(chan struct{}), make(chan struct{})
	addr, _ := broker(t, "127.0.0.1:0", func(string) error {
		close(came)
		<-release
		return nil
	})
	p := publisher(t, addr, io.Discard)
	result := make(chan error, 1)
	go func() { result <- p.Publish(t.Context(), messages(1)) }()
	<-came
	select {
	case err := <-result:
		t.Fatalf("Publish returned %v before the broker acknowledged", err)
	default:
	}
	close(release)
	if err := <-result; err != nil {
		t.Fatal(err)
	}
}

func TestPublishGivesUpWithItsContext(t *testing.T) {
	t.Run("not acknowledged", func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		addr, _ := broker(t, "127.0.0.1:0", func(string) error {
			cancel()
			return packets.ErrRejectPacket // read, but never acknowledged
		})
		if err := publisher(t, addr, io.Discard).Publish(ctx, messages(1)); !errors.Is(err, context.Canceled) {
			t.Errorf("error %v, want the context's", err)
		}
	})
	t.Run("no broker", func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		err := publisher(t, freeAddr(t), cancelOnWrite(cancel)).Publish(ctx, messages(1))
		if !errors.Is(err, context.Canceled) {
			t.Errorf("error %v, want the context's", err)
		}
	})
}

// TestPublishSurvivesTheBroker stops the broker while messages are under way
// and not acknowledged, and starts it again once the publisher has noticed.
func TestPublishSurvivesTheBroker(t *testing.T) {
	const total, before = 30, 10
	stopNow := make(chan struct{})
	var mu sync.Mutex
	var first, second []string
	addr, stop := broker(t, "127.0.0.1:0", func(payload string) error {
		mu.Lock()
		defer mu.Unlock()
		if len(first) == before {
			select {
			case <-stopNow:
			default:
				close(stopNow)
			}
			return packets.ErrRejectPacket
		}
		first = append(first, payload)
		return nil
	})
	var log bytes.Buffer
	noticed := make(chan struct{})
	p := publisher(t, addr, io.MultiWriter(&log, cancelOnWrite(sync.OnceFunc(func() { close(noticed) }))))
	result := make(chan error, 1)
	go func() { result <- p.Publish(t.Context(), messages(total)) }()
	<-stopNow
	stop()
	<-noticed
	broker(t, addr, func(payload string) error {
		mu.Lock()
		defer mu.Unlock()
		second = append(second, payload)
		return nil
	})
	if err := <-result; err != nil {
		t.Fatal(err)
	}
	mu.Lock()
	defer mu.Unlock()
	for _, d := range messages(total) {
		if s := string(d.Payload); !slices.Contains(first, s) && !slices.Contains(second, s) {
			t.Errorf("message %s was never taken", s)
		}
	}
	if len(first) != before || len(second) < total-before {
		t.Errorf("%d and %d messages taken, want %d and at least %d", len(first), len(second), before, total-before)
	}
	if !bytes.Contains(log.Bytes(), []byte("publisher lost its broker")) {
		t.Errorf("log says nothing of the loss:\n%s", &log)
	}
}

type cancelOnWrite func()

func (c cancelOnWrite) Write(b []byte) (int, error) {
	c()
	return len(b), nil
}

// freeAddr is an address nobody listens on.
func freeAddr(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// TestNightOverMQTT publishes a simulated half hour to a real broker, with a
// deadline well above what it takes.
func TestNightOverMQTT(t *testing.T) {
	var mu sync.Mutex
	count := 0
	addr, _ := broker(t, "127.0.0.1:0", func(string) error {
		mu.Lock()
		defer mu.Unlock()
		count++
		return nil
	})
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	m, p, sent := newModel(t, sim.Options{}), publisher(t, addr, io.Discard), 0
	for minute := range 30 {
		due := m.Due(start.Add(time.Duration(minute+1) * time.Minute))
		if err := p.Publish(ctx, due); err != nil {
			t.Fatal(err)
		}
		sent += len(due)
	}
	mu.Lock()
	defer mu.Unlock()
	if count != sent || sent < 24*28 {
		t.Errorf("%d messages came of %d sent", count, sent)
	}
}
