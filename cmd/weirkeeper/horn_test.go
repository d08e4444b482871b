package main

import (
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"weirkeeper/rules/alarm"
)

// client connects to a broker as something in the house.
func client(t *testing.T, url, id string) paho.Client {
	t.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker(url).SetClientID(id).SetAutoReconnect(false).SetOrderMatters(false))
	if k := c.Connect(); k.Wait() && k.Error() != nil {
		t.Fatal(k.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

// siren is a horn that says what it does, and can be stuck.
type siren struct {
	client paho.Client
	mu     sync.Mutex
	told   []string
	stuck  bool
}

func newSiren(t *testing.T, url string) *siren {
	t.Helper()
	s := &siren{client: client(t, url, "siren")}
	k := s.client.Subscribe("crew/horn/set", 1, func(c paho.Client, m paho.Message) {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.told = append(s.told, string(m.Payload()))
		if !s.stuck {
			c.Publish("crew/horn/state", 1, false, m.Payload())
		}
	})
	if k.Wait() && k.Error() != nil {
		t.Fatal(k.Error())
	}
	return s
}

func (s *siren) last() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.told) == 0 {
		return ""
	}
	return s.told[len(s.told)-1]
}

func (s *siren) stick(stuck bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stuck = stuck
}

// A horn sounds at a call-out and stops at an answer; a button silences it and
// answers nothing; one that does not do what it is told is an alarm.
func TestHorn(t *testing.T) {
	c := newCrew(t, crewOptions{more: `
horn "yard" {
  topic    = "crew/horn/set"
  feedback = "crew/horn/state"
}
button "quiet" {
  topic    = "crew/quiet"
  silences = "horn yard"
}`})
	s := newSiren(t, c.brokerURL())
	says := func(want string) {
		t.Helper()
		eventually(t, "the horn is told "+want, func() bool { c.advance(t, time.Second); return s.last() == want })
	}
	says("OFF")
	c.flow("42")
	says("ON")
	if !c.metric(`weirkeeper_horn_sounding{horn="yard"} 1`) {
		t.Error("the metrics do not say that it sounds")
	}
	c.told(kimsNumber, "low flow")
	c.receive("obeyed", func() error { return c.modem.Receive(kimsNumber, c.code("kim")) })
	says("OFF")

	c.flow("142")
	c.pass(10 * time.Minute)
	c.flow("42")
	says("ON")
	if k := s.client.Publish("crew/quiet", 1, false, "press"); k.Wait() && k.Error() != nil {
		t.Fatal(k.Error())
	}
	says("OFF")
	if tr := c.newest(lowFlow); tr.To != alarm.Unacknowledged {
		t.Errorf("the button made it %s", tr.To)
	}
	c.pass(4 * time.Minute)
	if tr := c.ownAlarm("horn not answering"); tr.To != alarm.Normal {
		t.Errorf("a horn that obeys: %s, %s", tr.To, tr.Detail)
	}
	s.stick(true)
	c.pass(12 * time.Minute) // the next repeat sounds again
	says("ON")
	c.pass(2 * time.Minute)
	if tr := c.ownAlarm("horn not answering"); tr.To != alarm.Unacknowledged || tr.Detail != "yard was told ON and says OFF" {
		t.Errorf("a horn that is stuck: %s, %s", tr.To, tr.Detail)
	}
	s.stick(false)
	if k := s.client.Publish("crew/horn/state", 1, false, "ON"); k.Wait() && k.Error() != nil {
		t.Fatal(k.Error())
	}
	eventually(t, "the horn is well again", func() bool {
		c.advance(t, time.Second)
		to := c.ownAlarm("horn not answering").To
		return to == alarm.ReturnedUnacknowledged || to == alarm.Normal
	})
}
