package main

import (
	"strings"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

// While the modem sends nothing, what was to go by text goes by mail after 2 min; that
// nothing goes is a call-out of its own after half an hour, and over once texts go.
func TestModemTrouble(t *testing.T) {
	for _, o := range []struct {
		name, words string
		begin, end  func(c *crew)
	}{
		{"no network", "no network: searching since 02:0", func(c *crew) { c.modem.Register(2) }, func(c *crew) { c.modem.Register(1) }},
		{"no SIM", "no SIM in the modem (since 02:0", func(c *crew) { c.modem.TakeSIM(true) }, func(c *crew) { c.modem.TakeSIM(false) }},
	} {
		t.Run(o.name, func(t *testing.T) {
			c := newCrew(t, crewOptions{tick: 10 * time.Second})
			c.noTexts = true
			o.begin(c)
			began := c.clock.Now()
			c.flow("42")
			eventually(t, "the text did not go", func() bool {
				return len(c.messages(func(m ledger.MessageRecord) bool { return m.Way == callout.SMS && m.LastError != "" })) > 0
			})
			if n := len(c.mails.to("kim")); n != 0 {
				t.Errorf("%d mails at once", n)
			}
			c.pass(150 * time.Second)
			eventually(t, "the mail goes instead", func() bool { return c.mails.about("kim", "low flow") == 1 })
			spare := c.messages(func(m ledger.MessageRecord) bool { return m.Way == callout.Email })[0]
			if d := spare.SentAt.Sub(began); d < 2*time.Minute || d > 150*time.Second {
				t.Errorf("the mail went after %v", d)
			}
			if !c.metric("weirkeeper_modem_registered 0") {
				t.Error("the modem counts as registered")
			}
			c.pass(38 * time.Minute)
			const name = "text messages not going out"
			tr := c.ownAlarm(name)
			if d := tr.Since.Sub(began); tr.To != alarm.Unacknowledged || tr.Priority != alarm.CallOut || d < 0 || d > 2*time.Minute || !strings.Contains(tr.Detail, o.words) {
				t.Errorf("after 40 min: %s since %v, %s", tr.To, d, tr.Detail)
			}
			for _, person := range []string{"kim", "rowan", "lee"} {
				told := 0
				for _, m := range c.mails.to(person) {
					if strings.Contains(m.Body, name) {
						told++
					}
				}
				if told == 0 {
					t.Errorf("%s has no mail about it", person)
				}
			}
			if n := len(c.modem.Taken()); n != 0 {
				t.Errorf("%d texts went", n)
			}
			o.end(c)
			c.pass(12 * time.Minute)
			eventually(t, "it is over", func() bool { c.advance(t, time.Second); return !c.ownAlarm(name).To.Active() })
			if !c.metric("weirkeeper_modem_registered 1") {
				t.Error("the modem counts as not registered")
			}
			eventually(t, "texts go again", func() bool { return len(c.modem.Taken()) > 0 })
		})
	}
}
