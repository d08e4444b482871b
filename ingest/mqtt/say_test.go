package mqtt_test

import (
	"context"
	"testing"

	"weirkeeper/ingest"
	"weirkeeper/ingest/mqtt"
)

// speaker is a running client that says things.
func speaker(t *testing.T, url string) (*mqtt.Words, chan bool) {
	t.Helper()
	opt := options(url)
	opt.ClientID, opt.Words = "speaker", mqtt.NewWords()
	links := make(chan bool, 1000)
	opt.OnLink = func(up bool, _ string) { links <- up }
	c, err := mqtt.New(opt)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	return opt.Words, func() chan bool {
		go func() { done <- c.Run(ctx) }()
		t.Cleanup(func() {
			cancel()
			if err := wait(t, done, "the end of Run"); err != nil {
				t.Error(err)
			}
		})
		return links
	}()
}

func hears(t *testing.T, d *daemon, topic, payload string) ingest.Message {
	t.Helper()
	for {
		m := wait(t, d.got, topic+" "+payload)
		if m.Ack != nil {
			m.Ack()
		}
		if m.Topic == topic && string(m.Payload) == payload {
			return m
		}
		if m.Topic == topic {
			t.Logf("heard %q before %q", m.Payload, payload)
		}
	}
}

func TestSay(t *testing.T) {
	m := newMosquitto(t)
	c, links := speaker(t, m.url())
	c.Say("horn", []byte("OFF"), true)
	c.Say("horn", []byte("ON"), true)
	c.Say("alive", []byte("1"), false)
	for !wait(t, links, "a link") {
	}

	d := run(t, options(m.url(), "horn", "alive"))
	d.until(t, true)
	if got := hears(t, d, "horn", "ON"); got.QoS != 1 {
		t.Errorf("came at QoS %d", got.QoS)
	}
	c.Say("alive", []byte("2"), false)
	hears(t, d, "alive", "2")
	c.Say("horn", []byte("OFF"), true)
	hears(t, d, "horn", "OFF")

	// A broker that comes back without its memory is told anew.
	m.stop(t)
	d.until(t, false)
	c.Say("horn", []byte("ON"), true)
	c.Say("alive", []byte("3"), false)
	m.start(t)
	d.until(t, true)
	hears(t, d, "horn", "ON")
}
