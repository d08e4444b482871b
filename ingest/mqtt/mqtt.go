// Package mqtt is the daemon's end of the MQTT link: it connects, subscribes to
// the probes' topics at QoS 1 in a persistent session, hands on each message
// and acknowledges it when told to.
//
// It decodes nothing and keeps nothing: a message that was not acknowledged
// before the link broke or the process ended stays with the broker, which sends
// it again. An acknowledgement for a link that has broken since is dropped, so
// that message comes again too, marked as a possible duplicate.
//
// Handle may block; that is the back-pressure on the broker. While it blocks,
// the link's keepalive is not answered, so after about 40 seconds the link is
// given up and made anew.
//
// To stop: end the context of Run, and keep committing and acknowledging what
// was handed on until Run has returned.
package mqtt

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"weirkeeper/ingest"
)

// Times of the link (common practice, no source).
const (
	connectTimeout = 10 * time.Second
	writeTimeout   = 2 * time.Second
	subackTimeout  = 30 * time.Second
	keepAlive      = 20 * time.Second
	pingTimeout    = 20 * time.Second
	maxRetry       = 10 * time.Second
	// grace is how long a stop waits for what was handed on to be
	// acknowledged.
	grace = 5 * time.Second
	// quiesceMS is how long the last packets may take to be written,
	// milliseconds.
	quiesceMS = 250
)

// subackRefused is the SUBACK code of a refused topic (MQTT 3.1.1, section
// 3.9.3, from memory).
const subackRefused = 0x80

// Options say which broker and what to do with its messages.
type Options struct {
	// URLs are the broker's addresses, tried in order: mqtt://host:1883,
	// mqtts://host:8883, ws:// or wss://.
	URLs []string
	// ClientID names the session at the broker. It must be the same after a
	// restart and used by no other client.
	ClientID       string
	User, Password string
	TLS            *tls.Config // nil for the system's defaults
	Topics         []string
	Log            *slog.Logger
	Now            func() time.Time
	// Handle gets every message in the order of arrival, one at a time. It may
	// block.
	Handle func(ingest.Message)
	// Words, if set, are published on each link. They are one client's alone.
	Words *Words
	// OnLink, if set, is told when the link comes up or goes down, or when the
	// reason changes. While up, a detail says which topics were refused. It is
	// called from Run, one call at a time.
	OnLink func(up bool, detail string)
	// Retry is the first wait before connecting again, doubled up to 10 s; 0
	// means 1 s.
	Retry time.Duration
}

// Client is one link to a broker.
type Client struct {
	opt  Options
	log  *slog.Logger
	acks acks

	subscribing sync.WaitGroup

	// The last thing said to OnLink.
	said       bool
	lastUp     bool
	lastDetail string
}

// New checks the options; it does not connect.
func New(opt Options) (*Client, error) {
	if len(opt.URLs) == 0 {
		return nil, errors.New("mqtt: no broker address; give one such as mqtt://127.0.0.1:1883")
	}
	if opt.ClientID == "" {
		return nil, errors.New("mqtt: no client id; give one, or the broker cannot keep messages while the daemon is away")
	}
	if opt.Handle == nil || opt.Now == nil || opt.Log == nil {
		return nil, errors.New("mqtt: Handle, Now and Log must be set")
	}
	if opt.Retry == 0 {
		opt.Retry = time.Second
	}
	return &Client{
		opt:  opt,
		log:  opt.Log.With("component", "mqtt"),
		acks: acks{wake: make(chan struct{}, 1), idle: make(chan struct{}), quit: make(chan struct{})},
	}, nil
}

// Run keeps the link until ctx ends, then waits a few seconds for the messages
// handed on to be acknowledged and disconnects. It returns nil and may be called
// once.
func (c *Client) Run(ctx context.Context) error {
	var acking sync.WaitGroup
	acking.Go(c.acks.run)
	defer acking.Wait()
	defer close(c.acks.quit)
	defer c.subscribing.Wait()

	wait := c.opt.Retry
	for ctx.Err() == nil {
		linked, err := c.link(ctx)
		if ctx.Err() != nil {
			break
		}
		c.say(false, err.Error())
		if linked {
			wait = c.opt.Retry
		}
		pause(ctx, wait)
		wait = min(2*wait, maxRetry)
	}
	c.acks.stop() // in case it was never up
	c.say(false, "stopped")
	return nil
}

// pause waits for d or until ctx ends.
func pause(ctx context.Context, d time.Duration) {
	ctx, cancel := context.WithTimeout(ctx, d)
	defer cancel()
	<-ctx.Done()
}

// link makes one connection and returns when it is gone, or after a clean stop
// when ctx ends; linked says that the broker accepted it. Each connection has a
// client of its own, so that nothing of an old one can be taken for the new
// one's.
func (c *Client) link(ctx context.Context) (linked bool, err error) {
	lost := make(chan error, 1)
	client := paho.NewClient(c.clientOptions(lost))
	connect := client.Connect().(*paho.ConnectToken)
	select {
	case <-connect.Done():
	case <-ctx.Done():
		client.Disconnect(0)
		return false, ctx.Err()
	}
	if err := connect.Error(); err != nil {
		return false, fmt.Errorf("cannot connect to the broker: %w", err)
	}
	defer client.Disconnect(quiesceMS)
	detail, err := c.subscribe(ctx, client, lost)
	if err != nil {
		return true, err
	}
	c.log.Info("link up", "session_present", connect.SessionPresent(), "topics", len(c.opt.Topics))
	c.say(true, detail)
	speaking, hush := context.WithCancel(ctx)
	defer hush()
	if w := c.opt.Words; w != nil {
		c.subscribing.Go(func() { c.speak(speaking, client, w) })
	}
	select {
	case err := <-lost:
		return true, fmt.Errorf("link lost: %w", err)
	case <-ctx.Done():
	}
	c.acks.stop()
	drain, cancel := context.WithTimeout(context.WithoutCancel(ctx), grace)
	defer cancel()
	select {
	case <-c.acks.idle:
	case <-lost: //nolint:errcheck // why it was lost has been said
	case <-drain.Done():
		c.log.Warn("stopped with messages not acknowledged; the broker will send them again")
	}
	return true, ctx.Err()
}

func (c *Client) clientOptions(lost chan<- error) *paho.ClientOptions {
	o := paho.NewClientOptions()
	for _, u := range c.opt.URLs {
		o.AddBroker(u)
	}
	o.SetClientID(c.opt.ClientID)
	o.SetUsername(c.opt.User)
	o.SetPassword(c.opt.Password)
	if c.opt.TLS != nil {
		o.SetTLSConfig(c.opt.TLS)
	}
	o.SetProtocolVersion(4)
	o.SetCleanSession(false)
	o.SetAutoAckDisabled(true)
	o.SetOrderMatters(true)
	o.SetConnectTimeout(connectTimeout)
	o.SetWriteTimeout(writeTimeout)
	o.SetKeepAlive(keepAlive)
	o.SetPingTimeout(pingTimeout)
	// Connecting again is done by Run, which can be stopped while it waits.
	o.SetAutoReconnect(false)
	o.SetConnectRetry(false)
	// Messages of a resumed session come before the subscription.
	o.SetDefaultPublishHandler(c.receive)
	o.SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err })
	return o
}

// subscribe asks for all topics in one packet. Refused ones are named in the
// detail: the link is of use for the others.
func (c *Client) subscribe(ctx context.Context, client paho.Client, lost <-chan error) (detail string, err error) {
	if len(c.opt.Topics) == 0 {
		return "", nil
	}
	filters := make(map[string]byte, len(c.opt.Topics))
	for _, t := range c.opt.Topics {
		filters[t] = 1
	}
	ctx, cancel := context.WithTimeout(ctx, subackTimeout)
	defer cancel()
	// SubscribeMultiple blocks for as long as writeTimeout when the link has
	// just broken.
	answered := make(chan *paho.SubscribeToken, 1)
	c.subscribing.Go(func() {
		token := client.SubscribeMultiple(filters, nil).(*paho.SubscribeToken)
		select {
		case <-token.Done():
			answered <- token
		case <-ctx.Done():
		}
	})
	var token *paho.SubscribeToken
	select {
	case token = <-answered:
	case err := <-lost:
		return "", fmt.Errorf("link lost: %w", err)
	case <-ctx.Done():
		return "", fmt.Errorf("the broker did not answer the subscription: %w", ctx.Err())
	}
	if err := token.Error(); err != nil {
		return "", fmt.Errorf("cannot subscribe: %w", err)
	}
	var refused []string
	for topic, code := range token.Result() {
		if code >= subackRefused {
			refused = append(refused, topic)
		}
	}
	if len(refused) == 0 {
		return "", nil
	}
	slices.Sort(refused)
	n := len(refused)
	if n > 5 {
		refused = append(refused[:5], "...")
	}
	detail = fmt.Sprintf("the broker refused %d of %d topics (%s); allow client %q to read them",
		n, len(filters), strings.Join(refused, ", "), c.opt.ClientID)
	c.log.Error("subscription refused", "topics", n, "detail", detail)
	return detail, nil
}

// say tells OnLink and the log, unless that was the last thing said.
func (c *Client) say(up bool, detail string) {
	if c.said && c.lastUp == up && c.lastDetail == detail {
		return
	}
	c.said, c.lastUp, c.lastDetail = true, up, detail
	if !up {
		c.log.Warn("link down", "detail", detail)
	}
	if c.opt.OnLink != nil {
		c.opt.OnLink(up, detail)
	}
}

func (c *Client) receive(_ paho.Client, m paho.Message) {
	if !c.acks.begin() {
		return // stopping: it stays with the broker
	}
	msg := ingest.Message{
		Topic: m.Topic(), Payload: m.Payload(), QoS: m.Qos(), Retained: m.Retained(), Dup: m.Duplicate(), MID: m.MessageID(),
		ArrivedAt: c.opt.Now().UTC(),
	}
	if msg.QoS == 0 {
		c.opt.Handle(msg)
		c.acks.end(1)
		return
	}
	msg.Ack = sync.OnceFunc(func() { c.acks.push(m) })
	c.opt.Handle(msg)
}

// acks takes acknowledgements off their caller's hands: writing one can block
// for as long as the broker does not read.
type acks struct {
	mu      sync.Mutex
	queue   []paho.Message
	open    int  // handed on and not acknowledged
	stopped bool // nothing more is handed on
	wake    chan struct{}
	idle    chan struct{} // closed when stopped and nothing is open
	quit    chan struct{} // closed to end run
}

func (a *acks) begin() bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.stopped {
		return false
	}
	a.open++
	return true
}

func (a *acks) end(n int) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.open -= n
	if a.stopped && a.open == 0 && n > 0 {
		close(a.idle)
	}
}

func (a *acks) stop() {
	a.mu.Lock()
	defer a.mu.Unlock()
	if !a.stopped {
		a.stopped = true
		if a.open == 0 {
			close(a.idle)
		}
	}
}

func (a *acks) push(m paho.Message) {
	a.mu.Lock()
	a.queue = append(a.queue, m)
	a.mu.Unlock()
	select {
	case a.wake <- struct{}{}:
	default:
	}
}

func (a *acks) run() {
	for {
		select {
		case <-a.wake:
		case <-a.quit:
			return
		}
		a.mu.Lock()
		batch := a.queue
		a.queue = nil
		a.mu.Unlock()
		for _, m := range batch {
			m.Ack()
		}
		a.end(len(batch))
	}
}
