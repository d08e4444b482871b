package mqtt

import (
	"context"
	"maps"
	"slices"
	"sync"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// words are what the daemon says on topics: the newest of each.
type words struct {
	mu     sync.Mutex
	newest map[string]word
	unsaid map[string]bool // not published on this link
	wake   chan struct{}
}

type word struct {
	payload  []byte
	retained bool
}

// Say publishes payload at QoS 1, now or as soon as there is a link; of several
// on one topic that wait, the newest only. It goes out again on each new link,
// since the old one may not have carried it. It does not wait. retained asks the
// broker to keep it for who comes later.
func (c *Client) Say(topic string, payload []byte, retained bool) {
	c.words.mu.Lock()
	if c.words.newest == nil {
		c.words.newest, c.words.unsaid = make(map[string]word), make(map[string]bool)
	}
	c.words.newest[topic] = word{slices.Clone(payload), retained}
	c.words.unsaid[topic] = true
	c.words.mu.Unlock()
	select {
	case c.words.wake <- struct{}{}:
	default:
	}
}

// speak publishes what is said until ctx ends, which is with the link.
func (c *Client) speak(ctx context.Context, client paho.Client) {
	c.words.mu.Lock()
	for t := range c.words.newest {
		c.words.unsaid[t] = true
	}
	c.words.mu.Unlock()
	for {
		c.words.mu.Lock()
		now := make(map[string]word, len(c.words.unsaid))
		for t := range c.words.unsaid {
			now[t] = c.words.newest[t]
		}
		clear(c.words.unsaid)
		c.words.mu.Unlock()
		for _, t := range slices.Sorted(maps.Keys(now)) {
			if ctx.Err() != nil {
				return
			}
			token := client.Publish(t, 1, now[t].retained, now[t].payload)
			select {
			case <-token.Done():
				if err := token.Error(); err != nil {
					c.log.Warn("not published; it goes out with the next link", "topic", t, "err", err)
				}
			case <-ctx.Done():
				return
			}
		}
		select {
		case <-c.words.wake:
		case <-ctx.Done():
			return
		}
	}
}
