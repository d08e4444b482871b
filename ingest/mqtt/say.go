package mqtt

import (
	"context"
	"maps"
	"slices"
	"sync"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// Words are what the daemon says on topics: the newest of each. They live longer
// than any client.
type Words struct {
	mu     sync.Mutex
	newest map[string]word
	unsaid map[string]bool // not published on this link
	wake   chan struct{}
}

// NewWords is nothing said.
func NewWords() *Words {
	return &Words{newest: make(map[string]word), unsaid: make(map[string]bool), wake: make(chan struct{}, 1)}
}

type word struct {
	payload  []byte
	retained bool
}

// Say publishes payload at QoS 1, now or as soon as there is a link; of several
// on one topic that wait, the newest only. It goes out again on each new link,
// since the old one may not have carried it. It does not wait. retained asks the
// broker to keep it for who comes later.
func (w *Words) Say(topic string, payload []byte, retained bool) {
	w.mu.Lock()
	w.newest[topic] = word{slices.Clone(payload), retained}
	w.unsaid[topic] = true
	w.mu.Unlock()
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

// all makes everything unsaid, for a new link.
func (w *Words) all() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for t := range w.newest {
		w.unsaid[t] = true
	}
}

// take gives what is unsaid, which then counts as said.
func (w *Words) take() map[string]word {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := make(map[string]word, len(w.unsaid))
	for t := range w.unsaid {
		now[t] = w.newest[t]
	}
	clear(w.unsaid)
	return now
}

// speak publishes what is said until ctx ends, which is with the link.
func (c *Client) speak(ctx context.Context, client paho.Client, w *Words) {
	w.all()
	for {
		now := w.take()
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
		case <-w.wake:
		case <-ctx.Done():
			return
		}
	}
}
