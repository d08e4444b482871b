package sim

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// PublisherOptions is where and as whom to publish.
type PublisherOptions struct {
	// URL is the broker's, such as "mqtt://127.0.0.1:1883".
	URL            string
	ClientID       string
	User, Password string
	Log            *slog.Logger
}

// Publisher sends messages over MQTT at QoS 1. It is not safe for concurrent
// use.
//
// It makes a client anew for each connection instead of letting one reconnect:
// the library's client reports a message that was under way when a connection
// went as delivered once it has connected again, before any PUBACK.
type Publisher struct {
	opt    PublisherOptions
	client mqtt.Client // nil when there is no connection
}

// NewPublisher starts nothing; Publish connects.
func NewPublisher(opt PublisherOptions) *Publisher { return &Publisher{opt: opt} }

const (
	window       = 200 // messages under way at once
	dialTimeout  = 5 * time.Second
	keepAlive    = 10 * time.Second
	firstBackoff = 50 * time.Millisecond
	lastBackoff  = 5 * time.Second
)

// Publish sends the messages in order and returns when the broker has
// acknowledged every one. It connects when it has to, for as long as it takes;
// what was not acknowledged when a connection went is sent again, so that a
// message may arrive twice, or after a later one.
//
// Errors: the context's.
func (p *Publisher) Publish(ctx context.Context, due []Due) error {
	for len(due) > 0 {
		if err := p.connect(ctx); err != nil {
			return err
		}
		batch := due[:min(len(due), window)]
		tokens := make([]mqtt.Token, len(batch))
		for i, d := range batch {
			tokens[i] = p.client.Publish(d.Topic, 1, false, d.Payload)
		}
		var again []Due
		var lost error
		for i, t := range tokens {
			select {
			case <-t.Done():
			case <-ctx.Done():
				return fmt.Errorf("sim: publish %q: %w", batch[i].Topic, ctx.Err())
			}
			if err := t.Error(); err != nil {
				lost = err
				again = append(again, batch[i])
			}
		}
		due = append(again, due[len(batch):]...)
		if lost != nil {
			p.opt.Log.Warn("publisher lost its broker; sending again", "unacknowledged", len(again), "err", lost)
			p.Close()
		}
	}
	return nil
}

// connect returns with a live connection, or the context's error.
func (p *Publisher) connect(ctx context.Context) error {
	if p.client != nil && p.client.IsConnectionOpen() {
		return nil
	}
	p.Close()
	o := mqtt.NewClientOptions().AddBroker(p.opt.URL).SetClientID(p.opt.ClientID).
		SetUsername(p.opt.User).SetPassword(p.opt.Password).
		SetCleanSession(true).SetAutoReconnect(false).
		SetConnectTimeout(dialTimeout).SetWriteTimeout(dialTimeout).SetKeepAlive(keepAlive)
	for wait := firstBackoff; ; wait = min(2*wait, lastBackoff) {
		client := mqtt.NewClient(o)
		t := client.Connect()
		select {
		case <-t.Done():
		case <-ctx.Done():
			client.Disconnect(0)
			return fmt.Errorf("sim: connect to %q: %w", p.opt.URL, ctx.Err())
		}
		if t.Error() == nil {
			p.client = client
			return nil
		}
		p.opt.Log.Warn("publisher cannot connect; trying again", "url", p.opt.URL, "err", t.Error())
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return fmt.Errorf("sim: connect to %q: %w", p.opt.URL, ctx.Err())
		}
	}
}

// Close ends the connection, if there is one. Publish may be called again.
func (p *Publisher) Close() {
	if p.client != nil {
		p.client.Disconnect(uint((100 * time.Millisecond).Milliseconds()))
		p.client = nil
	}
}
