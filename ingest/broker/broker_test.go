package broker_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/goleak"

	"weirkeeper/ingest"
	"weirkeeper/ingest/broker"
	"weirkeeper/ingest/mqtt"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience bounds every wait for something that must happen.
const patience = 10 * time.Second

func discard() *slog.Logger { return slog.New(slog.DiscardHandler) }

// held are the options of a broker whose subscriber is "daemon".
func held() broker.Options {
	return broker.Options{Listen: "127.0.0.1:0", Log: discard(), Anonymous: true, SubscriberID: "daemon"}
}

// start runs a broker until the test ends.
func start(t testing.TB, opt broker.Options) *broker.Broker {
	t.Helper()
	b, err := broker.New(opt)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	select {
	case <-b.Ready():
	case err := <-done:
		t.Fatal(err)
	}
	return b
}

// subscriber is the daemon's client; it acknowledges nothing by itself.
type subscriber struct {
	got    chan ingest.Message
	links  chan bool
	cancel context.CancelFunc
	done   chan error
}

func subscribe(t testing.TB, addr string, change func(*mqtt.Options), topics ...string) *subscriber {
	t.Helper()
	s := &subscriber{got: make(chan ingest.Message, 1<<17), links: make(chan bool, 100), done: make(chan error, 1)}
	opt := mqtt.Options{
		URLs: []string{"mqtt://" + addr}, ClientID: "daemon", Topics: topics, Log: discard(), Now: time.Now, Retry: time.Millisecond,
		Handle: func(m ingest.Message) { s.got <- m },
		OnLink: func(up bool, _ string) { s.links <- up },
	}
	if change != nil {
		change(&opt)
	}
	c, err := mqtt.New(opt)
	if err != nil {
		t.Fatal(err)
	}
	var ctx context.Context
	ctx, s.cancel = context.WithCancel(context.Background())
	go func() { s.done <- c.Run(ctx) }()
	t.Cleanup(func() { s.stop(t) })
	if !wait(t, s.links, "the subscriber's link") {
		t.Fatal("the subscriber cannot connect")
	}
	return s
}

func (s *subscriber) stop(t testing.TB) {
	t.Helper()
	if s.cancel == nil {
		return
	}
	s.cancel()
	s.cancel = nil
	if err := wait(t, s.done, "the subscriber's end"); err != nil {
		t.Error(err)
	}
}

func wait[T any](t testing.TB, c <-chan T, what string) T {
	t.Helper()
	select {
	case v := <-c:
		return v
	case <-time.After(patience):
		t.Fatalf("waited too long for %s", what)
		panic("not reached")
	}
}

// publisher is a probe.
func publisher(t testing.TB, addr, id string, change func(*paho.ClientOptions)) paho.Client {
	t.Helper()
	o := paho.NewClientOptions().AddBroker("mqtt://" + addr).SetClientID(id).SetCleanSession(false).
		SetMaxReconnectInterval(50 * time.Millisecond).SetProtocolVersion(4)
	if change != nil {
		change(o)
	}
	c := paho.NewClient(o)
	token := c.Connect()
	wait(t, token.Done(), "the publisher's CONNACK")
	if err := token.Error(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Disconnect(50) })
	return c
}

// roundTrip returns when the broker has dealt with everything the client sent
// before, so that an acknowledgement written at once would be there.
func roundTrip(t testing.TB, c paho.Client) {
	t.Helper()
	wait(t, c.Subscribe("round/trip", 0, nil).Done(), "SUBACK")
}

func done(token paho.Token) bool {
	select {
	case <-token.Done():
		return true
	default:
		return false
	}
}

func TestAcknowledgedOnlyAfterTheSubscriber(t *testing.T) {
	for _, qos := range []byte{1, 2} {
		t.Run(fmt.Sprintf("QoS %d", qos), func(t *testing.T) {
			b := start(t, held())
			s := subscribe(t, b.Addr(), nil, "a/temp", "b/temp")
			p := publisher(t, b.Addr(), "probe", nil)

			first, second := p.Publish("a/temp", qos, false, "8.1"), p.Publish("b/temp", qos, false, "8.2")
			m1, m2 := wait(t, s.got, "the first message"), wait(t, s.got, "the second message")
			if string(m1.Payload) != "8.1" || m1.QoS != 1 || m1.Dup || m1.MID == 0 || m1.Retained {
				t.Errorf("got %+v", m1)
			}
			roundTrip(t, p)
			if done(first) || done(second) {
				t.Fatal("acknowledged before the subscriber has")
			}
			m2.Ack()
			wait(t, second.Done(), "the second acknowledgement")
			roundTrip(t, p)
			if done(first) {
				t.Error("the first message was acknowledged with the second")
			}
			m1.Ack()
			wait(t, first.Done(), "the first acknowledgement")
		})
	}
}

func TestTopicOfNobodyIsAcknowledgedAtOnce(t *testing.T) {
	b := start(t, held())
	subscribe(t, b.Addr(), nil, "a/temp")
	p := publisher(t, b.Addr(), "probe", nil)
	wait(t, p.Publish("other", 1, false, "x").Done(), "PUBACK")
	got := make(chan string, 1)
	wait(t, p.Subscribe("other", 1, func(_ paho.Client, m paho.Message) { got <- string(m.Payload()) }).Done(), "SUBACK")
	wait(t, p.Publish("other", 1, false, "y").Done(), "PUBACK")
	if v := wait(t, got, "the message"); v != "y" {
		t.Errorf("got %q", v)
	}
}

func TestOrdinaryBroker(t *testing.T) {
	opt := held()
	opt.SubscriberID = ""
	b := start(t, opt)
	p := publisher(t, b.Addr(), "probe", nil)
	wait(t, p.Publish("a/temp", 1, false, "x").Done(), "PUBACK")
}

func TestPublishersWaitForTheFirstSubscription(t *testing.T) {
	b := start(t, held())
	p := paho.NewClient(paho.NewClientOptions().AddBroker("mqtt://" + b.Addr()).SetClientID("probe"))
	token := p.Connect()
	defer p.Disconnect(50)
	select {
	case <-token.Done():
		t.Fatal("a publisher was let in before the subscriber")
	case <-time.After(100 * time.Millisecond):
	}
	s := subscribe(t, b.Addr(), nil, "a/temp")
	wait(t, token.Done(), "CONNACK")
	sent := p.Publish("a/temp", 1, false, "8.1")
	wait(t, s.got, "the message").Ack()
	wait(t, sent.Done(), "PUBACK")
}

// TestStopWithWaitingClients holds that Run returns (start waits for that)
// while a client waits for the subscriber and a connection has not become a
// client.
func TestStopWithWaitingClients(t *testing.T) {
	var token paho.Token
	t.Cleanup(func() { // runs after the broker has stopped
		wait(t, token.Done(), "the end of the connection")
		if token.Error() == nil {
			t.Error("connected, want an error")
		}
	})
	b := start(t, held())
	idle, err := net.Dial("tcp", b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = idle.Close() })
	token = paho.NewClient(paho.NewClientOptions().AddBroker("mqtt://" + b.Addr()).SetClientID("probe")).Connect()
}

// proxy is a TCP link that can be cut.
type proxy struct {
	net.Listener
	mu    sync.Mutex
	conns []net.Conn
	wg    sync.WaitGroup
}

func newProxy(t *testing.T, to string) *proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{Listener: l}
	p.wg.Go(func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", to)
			if err != nil {
				_ = in.Close()
				continue
			}
			p.mu.Lock()
			p.conns = append(p.conns, in, out)
			p.mu.Unlock()
			for _, c := range [][2]net.Conn{{in, out}, {out, in}} {
				p.wg.Go(func() {
					_, _ = io.Copy(c[0], c[1])
					_, _ = c[0].Close(), c[1].Close()
				})
			}
		}
	})
	t.Cleanup(func() { _ = l.Close(); p.cut(); p.wg.Wait() })
	return p
}

func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.conns {
		_ = c.Close()
	}
	p.conns = nil
}

func TestSubscriberLinkLost(t *testing.T) {
	b := start(t, held())
	px := newProxy(t, b.Addr())
	s := subscribe(t, px.Addr().String(), nil, "a/temp")
	p := publisher(t, b.Addr(), "probe", nil)

	first := p.Publish("a/temp", 1, false, "8.1")
	m := wait(t, s.got, "the message")
	px.cut()
	m.Ack() // for a link that is gone, or about to be
	if wait(t, s.links, "link down") {
		t.Fatal("link up, want down")
	}
	if !wait(t, s.links, "link up") {
		t.Fatal("link down, want up")
	}
	if !done(first) {
		again := wait(t, s.got, "the message again")
		if !again.Dup || again.MID != m.MID || string(again.Payload) != "8.1" {
			t.Errorf("got %+v, want a duplicate of %+v", again, m)
		}
		again.Ack()
	}
	wait(t, first.Done(), "PUBACK")

	// What is published while the subscriber is away is kept and not
	// acknowledged.
	s.stop(t)
	second := p.Publish("a/temp", 1, false, "8.2")
	roundTrip(t, p)
	if done(second) {
		t.Fatal("acknowledged while the subscriber was away")
	}
	s = subscribe(t, b.Addr(), nil, "a/temp")
	wait(t, s.got, "the message of before").Ack()
	wait(t, second.Done(), "PUBACK")
}

func TestPublisherLinkLost(t *testing.T) {
	b := start(t, held())
	px := newProxy(t, b.Addr())
	s := subscribe(t, b.Addr(), nil, "a/temp")
	back := make(chan bool, 10)
	p := publisher(t, px.Addr().String(), "probe", func(o *paho.ClientOptions) {
		o.SetOnConnectHandler(func(paho.Client) { back <- true })
	})
	wait(t, back, "the first connection")
	sent := p.Publish("a/temp", 1, false, "8.1")
	m := wait(t, s.got, "the message")
	px.cut()
	wait(t, back, "the second connection")
	// Once this one is here, the first has been sent again and recognised.
	last := p.Publish("a/temp", 1, false, "8.2")
	next := wait(t, s.got, "the next message")
	if string(next.Payload) != "8.2" {
		t.Fatalf("got %q again while it was under way", next.Payload)
	}
	m.Ack()
	wait(t, sent.Done(), "PUBACK for the message sent again")
	next.Ack()
	wait(t, last.Done(), "PUBACK for the last")
}

func TestRetained(t *testing.T) {
	b := start(t, held())
	s := subscribe(t, b.Addr(), nil, "a/temp")
	p := publisher(t, b.Addr(), "probe", nil)
	sent := p.Publish("a/temp", 1, true, "8.1")
	// A publication close to the subscription may come as retained as well.
	for fresh := false; !done(sent); {
		select {
		case m := <-s.got:
			fresh = fresh || !m.Retained
			m.Ack()
		case <-sent.Done():
			if !fresh {
				t.Error("the message came only as retained")
			}
		case <-time.After(patience):
			t.Fatal("waited too long for PUBACK")
		}
	}
	s.stop(t)
	s = subscribe(t, b.Addr(), nil, "a/temp")
	m := wait(t, s.got, "the retained message")
	if !m.Retained || string(m.Payload) != "8.1" {
		t.Errorf("got %+v, want it retained", m)
	}
	m.Ack()
}

func TestWhoMayConnect(t *testing.T) {
	for _, tc := range []struct {
		name               string
		anonymous          bool
		id, user, password string
		want               bool
	}{
		{"known user", false, "probe", "rowan", "secret", true},
		{"wrong password", false, "probe", "rowan", "other", false},
		{"no user", false, "probe", "", "", false},
		{"anonymous", true, "probe", "", "", true},
		{"unknown user counts as anonymous", true, "probe", "kim", "x", true},
		{"known user, wrong password", true, "probe", "rowan", "other", false},
		{"subscriber", false, "daemon", "any", "own", true},
		{"false subscriber", true, "daemon", "", "", false},
		{"false subscriber with a user's password", false, "daemon", "rowan", "secret", false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			opt := held()
			opt.Anonymous, opt.SubscriberPassword = tc.anonymous, "own"
			opt.Users = map[string]string{"rowan": "secret"}
			b := start(t, opt)
			subscribe(t, b.Addr(), func(o *mqtt.Options) { o.User, o.Password = "any", "own" }, "a/temp")
			c := paho.NewClient(paho.NewClientOptions().AddBroker("mqtt://" + b.Addr()).SetClientID(tc.id).SetUsername(tc.user).SetPassword(tc.password).
				SetAutoReconnect(false).SetProtocolVersion(4))
			token := c.Connect()
			wait(t, token.Done(), "CONNACK")
			if got := token.Error() == nil; got != tc.want {
				t.Errorf("let in: %v (%v), want %v", got, token.Error(), tc.want)
			}
			if token.Error() == nil {
				c.Disconnect(50)
			}
		})
	}
}

func TestNewRefuses(t *testing.T) {
	opt := held()
	opt.Anonymous = false
	if _, err := broker.New(opt); err == nil || !strings.Contains(err.Error(), "name users or allow anonymous") {
		t.Errorf("got error %v", err)
	}
}

func TestAddressInUse(t *testing.T) {
	first := start(t, held())
	opt := held()
	opt.Listen = first.Addr()
	b, err := broker.New(opt)
	if err != nil {
		t.Fatal(err)
	}
	if b.Addr() != "" {
		t.Errorf("address %q before it listens", b.Addr())
	}
	if err := b.Run(t.Context()); err == nil || !strings.Contains(err.Error(), "choose another address") {
		t.Errorf("got error %v", err)
	}
}

// TestStopKeepsWhatIsUnderWay holds that a subscriber told to stop still
// passes on the acknowledgement of what it had handed out.
func TestStopKeepsWhatIsUnderWay(t *testing.T) {
	b := start(t, held())
	s := subscribe(t, b.Addr(), nil, "a/temp")
	p := publisher(t, b.Addr(), "probe", nil)
	sent := p.Publish("a/temp", 1, false, "8.1")
	m := wait(t, s.got, "the message")
	s.cancel()
	s.cancel = nil
	select {
	case <-s.done:
		t.Fatal("stopped with a message not acknowledged")
	case <-time.After(100 * time.Millisecond):
	}
	m.Ack()
	wait(t, sent.Done(), "PUBACK")
	if err := wait(t, s.done, "the subscriber's end"); err != nil {
		t.Error(err)
	}
}

// TestThousandProbes holds that every message of a thousand clients is handed
// on once and acknowledged.
func TestThousandProbes(t *testing.T) {
	const probes, each = 1000, 3
	b := start(t, held())
	s := subscribe(t, b.Addr(), nil, "a/temp")
	var clients []paho.Client
	for i := range probes {
		clients = append(clients, publisher(t, b.Addr(), fmt.Sprintf("probe-%d", i), nil))
	}
	var tokens []paho.Token
	for j := range each {
		for i, c := range clients {
			tokens = append(tokens, c.Publish("a/temp", 1, false, fmt.Sprintf("%d.%d", i, j)))
		}
	}
	seen := make(map[string]bool)
	var batch []ingest.Message
	for range probes * each {
		m := wait(t, s.got, "a message")
		if seen[string(m.Payload)] {
			t.Fatalf("%s came twice", m.Payload)
		}
		seen[string(m.Payload)] = true
		if batch = append(batch, m); len(batch) == 500 {
			for _, m := range batch {
				m.Ack()
			}
			batch = batch[:0]
		}
	}
	for _, token := range tokens {
		wait(t, token.Done(), "PUBACK")
	}
}

// BenchmarkReceive measures messages a second from four publishers at QoS 1
// through the broker. "loop" is a subscriber that only receives and
// acknowledges, on an ordinary broker: the floor. "held" goes through the
// daemon's client and the held acknowledgement.
func BenchmarkReceive(b *testing.B) {
	run := func(b *testing.B, addr string, all <-chan struct{}) {
		b.Helper()
		const publishers = 4
		var clients []paho.Client
		for i := range publishers {
			clients = append(clients, publisher(b, addr, fmt.Sprintf("probe-%d", i), nil))
		}
		b.ResetTimer()
		var wg sync.WaitGroup
		for i, c := range clients {
			wg.Go(func() {
				window := make(chan paho.Token, 200)
				var acked sync.WaitGroup
				acked.Go(func() {
					for token := range window {
						<-token.Done()
					}
				})
				for range (b.N + publishers - 1 - i) / publishers {
					window <- c.Publish("a/temp", 1, false, "8.25")
				}
				close(window)
				acked.Wait()
			})
		}
		wg.Wait()
		wait(b, all, "the last messages")
		b.StopTimer()
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "msgs/s")
	}
	count := func(b *testing.B) (all chan struct{}, one func()) {
		b.Helper()
		var n atomic.Int64
		all = make(chan struct{})
		return all, func() {
			if n.Add(1) == int64(b.N) {
				close(all)
			}
		}
	}
	b.Run("loop", func(b *testing.B) {
		opt := held()
		opt.SubscriberID = ""
		br := start(b, opt)
		all, one := count(b)
		s := publisher(b, br.Addr(), "loop", nil)
		wait(b, s.Subscribe("a/temp", 1, func(paho.Client, paho.Message) { one() }).Done(), "SUBACK")
		run(b, br.Addr(), all)
	})
	b.Run("held", func(b *testing.B) {
		br := start(b, held())
		all, one := count(b)
		subscribe(b, br.Addr(), func(o *mqtt.Options) {
			o.Handle = func(m ingest.Message) { m.Ack(); one() }
		}, "a/temp")
		run(b, br.Addr(), all)
	})
}
