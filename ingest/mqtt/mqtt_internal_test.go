package mqtt

import (
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// stuck is a message whose acknowledgement cannot be written.
type stuck struct {
	paho.Message
	release chan struct{}
}

func (s stuck) Ack() { <-s.release }

// TestAckNeverBlocksTheCaller holds that acknowledging returns at once while
// the link takes nothing.
func TestAckNeverBlocksTheCaller(t *testing.T) {
	a := acks{wake: make(chan struct{}, 1), idle: make(chan struct{}), quit: make(chan struct{})}
	done := make(chan struct{})
	go func() { a.run(); close(done) }()
	release := make(chan struct{})
	pushed := make(chan struct{})
	go func() {
		defer close(pushed)
		for range 1000 {
			if a.begin() {
				a.push(stuck{release: release})
			}
		}
	}()
	select {
	case <-pushed:
	case <-time.After(10 * time.Second):
		t.Fatal("acknowledging blocks")
	}
	a.stop()
	if a.begin() {
		t.Error("a message was handed on after the stop")
	}
	select {
	case <-a.idle:
		t.Error("idle with acknowledgements not written")
	default:
	}
	close(release)
	select {
	case <-a.idle:
	case <-time.After(10 * time.Second):
		t.Fatal("never idle")
	}
	close(a.quit)
	<-done
}
