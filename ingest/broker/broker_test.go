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
	"github.com/eclipse/paho.mqtt.golang/packets"
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
	return startWith(t, opt, func(*broker.Broker) {})
}

func startWith(t testing.TB, opt broker.Options, change func(*broker.Broker)) *broker.Broker {
	t.Helper()
	b, err := broker.New(opt)
	if err != nil {
		t.Fatal(err)
	}
	change(b)
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
		OnLink: func(up bool, _ string) {
			select {
			case s.links <- up:
			default: // nobody counts them
			}
		},
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

// raw is a publisher that sends exactly what it is told.
type raw struct {
	net.Conn
	t *testing.T
}

func newRaw(t *testing.T, addr string) raw {
	t.Helper()
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	_ = c.SetDeadline(time.Now().Add(patience))
	r := raw{c, t}
	connect := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	connect.ProtocolName, connect.ProtocolVersion, connect.ClientIdentifier, connect.Keepalive = "MQTT", 4, "probe", 60
	r.send(connect)
	r.expect("CONNACK", func(p packets.ControlPacket) bool { _, ok := p.(*packets.ConnackPacket); return ok })
	return r
}

func (r raw) send(p packets.ControlPacket) {
	r.t.Helper()
	if err := p.Write(r); err != nil {
		r.t.Fatal(err)
	}
}

func (r raw) publish(mid uint16, dup bool, payload string) {
	r.t.Helper()
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Payload, p.Qos, p.MessageID, p.Dup = "a/temp", []byte(payload), 1, mid, dup
	r.send(p)
}

func (r raw) expect(what string, is func(packets.ControlPacket) bool) {
	r.t.Helper()
	p, err := packets.ReadPacket(r)
	if err != nil || !is(p) {
		r.t.Fatalf("got %v (%v), want %s", p, err, what)
	}
}

func (r raw) expectPuback(mid uint16) {
	r.t.Helper()
	r.expect(fmt.Sprintf("PUBACK %d", mid), func(p packets.ControlPacket) bool {
		ack, ok := p.(*packets.PubackPacket)
		return ok && ack.MessageID == mid
	})
}

// ping returns when the broker has dealt with everything sent before, having
// written nothing else meanwhile.
func (r raw) ping() {
	r.t.Helper()
	r.send(packets.NewControlPacket(packets.Pingreq))
	r.expect("PINGRESP", func(p packets.ControlPacket) bool { _, ok := p.(*packets.PingrespPacket); return ok })
}

// TestPublisherSendsAgain holds that what is under way is not handed on twice,
// and that the connection it was last sent on gets the acknowledgement.
func TestPublisherSendsAgain(t *testing.T) {
	b := start(t, held())
	s := subscribe(t, b.Addr(), nil, "a/temp")
	p := newRaw(t, b.Addr())
	p.publish(1, false, "8.1")
	first := wait(t, s.got, "the message")
	p.ping()
	_ = p.Close()

	p = newRaw(t, b.Addr())
	p.publish(1, true, "8.1")
	p.ping()
	p.publish(2, true, "8.2") // marked, but not under way
	second := wait(t, s.got, "the next message")
	if string(second.Payload) != "8.2" {
		t.Fatalf("got %q again while it was under way", second.Payload)
	}
	first.Ack()
	p.expectPuback(1)
	second.Ack()
	p.expectPuback(2)

	p.publish(1, false, "8.3") // the identifier is free again
	third := wait(t, s.got, "the third message")
	p.publish(1, true, "8.4") // not the same message: a probe that started afresh
	fourth := wait(t, s.got, "the fourth message")
	third.Ack()
	p.expectPuback(1)
	fourth.Ack()
	p.expectPuback(1)
	p.ping()
}

// TestFullSubscriberCostsThePublisherItsConnection holds that what cannot be
// handed on is neither acknowledged nor lost: its publisher has to send again.
func TestFullSubscriberCostsThePublisherItsConnection(t *testing.T) {
	b := startWith(t, held(), func(b *broker.Broker) { b.LimitInflight(3) })
	s := subscribe(t, b.Addr(), nil, "a/temp")
	p := newRaw(t, b.Addr())
	for mid := range uint16(4) {
		p.publish(mid+1, false, fmt.Sprint(mid+1))
	}
	if pk, err := packets.ReadPacket(p); err == nil {
		t.Fatalf("got %v, want the connection to end", pk)
	}
	p = newRaw(t, b.Addr())
	for mid := range uint16(3) {
		p.publish(mid+1, true, fmt.Sprint(mid+1))
	}
	p.ping()
	for mid := range uint16(3) {
		wait(t, s.got, "a message").Ack()
		p.expectPuback(mid + 1)
	}
	p.publish(4, true, "4")
	m := wait(t, s.got, "the message that did not fit")
	if string(m.Payload) != "4" {
		t.Errorf("got %q", m.Payload)
	}
	m.Ack()
	p.expectPuback(4)
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
	case <-s.done: //nolint:errcheck // it must not have ended at all
		t.Fatal("stopped with a message not acknowledged")
	case <-time.After(100 * time.Millisecond):
	}
	m.Ack()
	wait(t, sent.Done(), "PUBACK")
	if err := wait(t, s.done, "the subscriber's end"); err != nil {
		t.Error(err)
	}
}

// TestLinksCutAtRandom holds that, with both links cut again and again, every
// message is acknowledged in the end, and none before the subscriber has done so.
func TestLinksCutAtRandom(t *testing.T) {
	const publishers, each, window = 4, 150, 10
	b := start(t, held())
	near, far := newProxy(t, b.Addr()), newProxy(t, b.Addr())
	s := subscribe(t, near.Addr().String(), nil, "a/temp")
	var safe sync.Map // payloads that the subscriber has acknowledged
	stop := make(chan struct{})
	var committing sync.WaitGroup
	committing.Go(func() {
		for n := 1; ; n++ {
			select {
			case m := <-s.got:
				safe.Store(string(m.Payload), true)
				m.Ack()
			case <-stop:
				return
			}
			if n%37 == 0 {
				near.cut()
			}
			if n%101 == 0 {
				far.cut()
			}
		}
	})

	// publish sends a window of messages until each is acknowledged.
	publish := func(conn net.Conn, id string, from int, waiting map[uint16]string, dup bool) error {
		if !dup {
			for i := from; i < from+window; i++ {
				waiting[uint16(i+1)] = fmt.Sprintf("%s/%d", id, i)
			}
		}
		for mid := from + 1; mid <= from+window; mid++ {
			if payload, ok := waiting[uint16(mid)]; ok {
				p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
				p.TopicName, p.Payload, p.Qos, p.MessageID, p.Dup = "a/temp", []byte(payload), 1, uint16(mid), dup
				if err := p.Write(conn); err != nil {
					return err
				}
			}
		}
		for len(waiting) > 0 {
			pk, err := packets.ReadPacket(conn)
			if err != nil {
				return err
			}
			if ack, ok := pk.(*packets.PubackPacket); ok {
				if payload, ok := waiting[ack.MessageID]; ok {
					if _, ok := safe.Load(payload); !ok {
						t.Errorf("%s was acknowledged before the subscriber has", payload)
					}
				}
				delete(waiting, ack.MessageID)
			}
		}
		return nil
	}
	connect := func(id string) (net.Conn, error) {
		conn, err := net.Dial("tcp", far.Addr().String())
		if err != nil {
			return nil, err
		}
		_ = conn.SetDeadline(time.Now().Add(patience))
		p := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
		p.ProtocolName, p.ProtocolVersion, p.ClientIdentifier, p.Keepalive = "MQTT", 4, id, 60
		if err := p.Write(conn); err != nil {
			return conn, err
		}
		_, err = packets.ReadPacket(conn)
		return conn, err
	}
	var wg sync.WaitGroup
	for i := range publishers {
		wg.Go(func() {
			id := fmt.Sprintf("probe-%d", i)
			deadline := time.Now().Add(3 * patience)
			var conn net.Conn
			for from := 0; from < each; from += window {
				waiting, dup := make(map[uint16]string), false
				for {
					var err error
					if conn == nil {
						conn, err = connect(id)
					}
					if err == nil {
						if err = publish(conn, id, from, waiting, dup); err == nil {
							break
						}
						dup = true
					}
					if conn != nil {
						_ = conn.Close()
						conn = nil
					}
					if time.Now().After(deadline) {
						t.Errorf("%s: %d messages never acknowledged: %v", id, len(waiting), err)
						return
					}
				}
			}
			_ = conn.Close()
		})
	}
	wg.Wait()
	close(stop)
	committing.Wait()
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
