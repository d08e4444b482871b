// Package broker is the embedded MQTT broker, for a site that has none.
//
// It differs from an ordinary broker in one way: a message that a probe
// publishes at QoS 1 is acknowledged to the probe only after the daemon's own
// client, the subscriber, has acknowledged it, which it does after the ledger's
// commit. The broker keeps nothing on disk, and need not: whatever was in it
// when the process was killed was never acknowledged, so the probes send it
// again. At QoS 2 the same holds for PUBREC, so QoS 2 gives no more than QoS 1
// when the process is killed. At QoS 0 nothing is promised.
//
//   - Until the subscriber has subscribed for the first time, other clients wait
//     for the answer to their CONNECT.
//   - On a topic the subscriber has not subscribed to, a message is acknowledged
//     at once, as usual.
//   - A message that cannot be handed to the subscriber (more than 65,535 under
//     way, or 4,096 waiting to be written) costs its publisher the connection,
//     so that it connects and sends again.
//   - A publisher that has lost its connection and sends a message again, which
//     is still under way to the subscriber, is acknowledged for both at once.
//
// Retained messages live as long as the process. Clients with a wrong password
// are refused; there are no rights by topic. There is no TLS: listen on the
// loopback or on a network of the probes' own. A connection that never sends its
// CONNECT is kept until the broker stops.
package broker

import (
	"context"
	"crypto/subtle"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
)

// Options of the embedded broker.
type Options struct {
	Listen string // host:port; port 0 takes a free one
	Log    *slog.Logger
	// Users are the passwords by user name.
	Users map[string]string
	// Anonymous lets in clients whose user name is not among Users, or that
	// give none.
	Anonymous bool
	// SubscriberID is the client id of the daemon's own client; "" makes an
	// ordinary broker.
	SubscriberID string
	// SubscriberPassword, if set, is asked of the client that calls itself
	// SubscriberID, whatever its user name, so that no other can take its
	// messages.
	SubscriberPassword string
}

// Broker is the embedded broker.
type Broker struct {
	opt    Options
	log    *slog.Logger
	server *mochi.Server
	ready  chan struct{}
	lis    *listener
}

// New makes a broker; it does not listen.
func New(opt Options) (*Broker, error) {
	if opt.Log == nil {
		return nil, errors.New("broker: Log must be set")
	}
	if len(opt.Users) == 0 && !opt.Anonymous {
		return nil, errors.New("broker: nobody could connect; name users or allow anonymous clients")
	}
	caps := mochi.NewDefaultServerCapabilities()
	caps.MaximumInflight = 65535           // under way to one client
	caps.MaximumClientWritesPending = 4096 // 8 bytes each a client, used or not
	caps.MaximumMessageExpiryInterval = 0  // never forget what is under way
	caps.MaximumPacketSize = 256 << 10
	b := &Broker{opt: opt, log: opt.Log.With("component", "broker"), ready: make(chan struct{})}
	b.server = mochi.New(&mochi.Options{
		Capabilities: caps,
		// The server logs whole packets, passwords among them; what matters is
		// logged here.
		Logger:                 slog.New(slog.DiscardHandler),
		SysTopicResendInterval: 3600,
	})
	return b, nil
}

// Ready is closed when the broker listens.
func (b *Broker) Ready() <-chan struct{} { return b.ready }

// Addr is the address it listens on, "" before Ready.
func (b *Broker) Addr() string {
	select {
	case <-b.ready:
		return b.lis.Address()
	default:
		return ""
	}
}

// Run listens and serves until ctx ends; then it closes every connection. It
// may be called once. An error says why it could not listen.
func (b *Broker) Run(ctx context.Context) error {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", b.opt.Listen)
	if err != nil {
		return fmt.Errorf("broker: listen on %q: %w; choose another address, or stop the program that uses it", b.opt.Listen, err)
	}
	h := newHook(b)
	b.lis = &listener{Listener: l, conns: make(map[net.Conn]struct{}), ended: h.moved}
	if err := errors.Join(b.server.AddHook(h, nil), b.server.AddListener(b.lis), b.server.Serve()); err != nil {
		return errors.Join(fmt.Errorf("broker: start: %w", err), l.Close())
	}
	b.log.Info("listening", "addr", b.lis.Address())
	close(b.ready)
	<-ctx.Done()
	// First let nobody wait any more, then close the connections, then let the
	// server wait for its clients, and last for our own writers.
	h.close()
	b.lis.shut()
	err = b.server.Close()
	h.writers.Wait()
	if err != nil {
		return fmt.Errorf("broker: stop: %w", err)
	}
	return nil
}

// listener serves TCP connections and, other than the one that comes with the
// server, closes also those that have not yet become clients.
type listener struct {
	net.Listener
	mu     sync.Mutex
	conns  map[net.Conn]struct{} // nil once shut
	served sync.WaitGroup
	ended  func(net.Conn) // told of the end of each
}

var _ listeners.Listener = (*listener)(nil)

func (l *listener) ID() string              { return "tcp" }
func (l *listener) Protocol() string        { return "tcp" }
func (l *listener) Address() string         { return l.Addr().String() }
func (l *listener) Init(*slog.Logger) error { return nil }
func (l *listener) Close(listeners.CloseFn) { l.shut() }

func (l *listener) Serve(establish listeners.EstablishFn) {
	for {
		c, err := l.Accept()
		if err != nil {
			return
		}
		l.mu.Lock()
		if l.conns == nil {
			l.mu.Unlock()
			_ = c.Close()
			return
		}
		l.conns[c] = struct{}{}
		l.served.Go(func() {
			// Why a client went is told by the hook.
			_ = establish(l.ID(), c)
			l.ended(c)
			l.mu.Lock()
			delete(l.conns, c)
			l.mu.Unlock()
			_ = c.Close()
		})
		l.mu.Unlock()
	}
}

// shut stops accepting, closes every connection and waits for their ends.
func (l *listener) shut() {
	_ = l.Listener.Close()
	l.mu.Lock()
	for c := range l.conns {
		_ = c.Close()
	}
	l.conns = nil
	l.mu.Unlock()
	l.served.Wait()
}

// allowed decides on a CONNECT.
func (b *Broker) allowed(id string, user, password []byte) bool {
	same := func(want string) bool { return subtle.ConstantTimeCompare([]byte(want), password) == 1 }
	if b.opt.SubscriberID != "" && id == b.opt.SubscriberID && b.opt.SubscriberPassword != "" {
		return same(b.opt.SubscriberPassword)
	}
	if want, ok := b.opt.Users[string(user)]; ok {
		return same(want)
	}
	return b.opt.Anonymous
}
