package main

import (
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/ingest/ledger"
	"weirkeeper/notify/sms/gsm"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

// nameText is the PDU of a text that comes from a name and no number (3GPP TS
// 23.040 clauses 9.1.2.5 and 9.2.2.1), as anybody can send it.
func nameText(t *testing.T, name, text string) string {
	t.Helper()
	from, err := gsm.Encode(name)
	if err != nil {
		t.Fatal(err)
	}
	body, err := gsm.Encode(text)
	if err != nil {
		t.Fatal(err)
	}
	pdu := []byte{0x00, 0x04, byte((7*len(from) + 3) / 4), 0xd0}
	pdu = append(pdu, gsm.Pack(from, 0)...)
	pdu = append(pdu, 0x00, 0x00, 0x62, 0x11, 0x02, 0x01, 0x00, 0x00, 0x00, byte(len(body))) // 2026-11-20 10:00:00
	return strings.ToUpper(hex.EncodeToString(append(pdu, gsm.Pack(body, 0)...)))
}

// Nobody answers for eight hours: three people are called one after the other, by
// text and then by mail too, over and over, and the record shows every attempt.
// Forged answers change nothing. One text with the right code ends it, until it has
// lasted an hour more.
func TestThreePeopleForEightHours(t *testing.T) {
	c := newCrew(t, crewOptions{tick: 10 * time.Second})
	began := c.clock.Now()
	c.flow("42")
	c.told(kimsNumber, "low flow")
	c.pass(8*time.Hour - 2*time.Minute)

	// kim at once, rowan after 10 min, lee after 20, each again every 15 min; by
	// mail too from the second time on. Each repeat may come a tick late, so the last
	// one may be missing.
	most := map[string]int{"kim": 32, "rowan": 32, "lee": 31}
	calls := c.command("calls", "--site", c.dir+"/site.hcl", "--since", "2026-11-20")
	for person, number := range map[string]string{"kim": kimsNumber, "rowan": rowansNumber, "lee": leesNumber} {
		arrived := [2]int{len(c.texts(number)), len(c.mails.to(person))}
		if n := arrived[0]; n > most[person] || n < most[person]-1 || arrived[1] != n-1 {
			t.Errorf("%d texts and %d mails reached %s, want %d and one less", arrived[0], arrived[1], person, most[person])
		}
		byText, byMail := 0, 0
		for _, entry := range strings.Split(calls, "\n\n") {
			entry = strings.Join(strings.Fields(entry), " ")
			if !strings.Contains(entry, " to "+person+" by ") || !strings.Contains(entry, "attempt 1, handed over") {
				continue
			}
			if strings.Contains(entry, "by text message, "+number) {
				byText++
			} else if strings.Contains(entry, "by email, "+person+"@") {
				byMail++
			}
		}
		if d := cmp.Diff(arrived, [2]int{byText, byMail}); d != "" {
			t.Errorf("what weirkeeper calls shows of %s (-arrived +shown):\n%s", person, d)
		}
	}
	first := func(person string) time.Duration {
		m := c.messages(func(m ledger.MessageRecord) bool { return m.Person == person })[0]
		return m.CreatedAt.Sub(began).Truncate(time.Minute)
	}
	if d := cmp.Diff([]time.Duration{0, 10 * time.Minute, 20 * time.Minute}, []time.Duration{first("kim"), first("rowan"), first("lee")}); d != "" {
		t.Errorf("first told after (-want +got):\n%s", d)
	}

	code := c.code("rowan")
	wrong := "0000"
	for n := 1; slices.Contains([]string{code, c.code("kim"), c.code("lee")}, wrong); n++ {
		wrong = fmt.Sprintf("%04d", n)
	}
	c.receive("unknown number", func() error { return c.modem.Receive("+447700900999", code) })
	c.receive("wrong code", func() error { return c.modem.Receive(kimsNumber, wrong) })
	c.receive("wrong code", func() error { return c.modem.Receive(kimsNumber, code) }) // rowan's is none of kim's
	c.receive("unknown number", func() error { c.modem.ReceivePDU(nameText(t, "kim", c.code("kim"))); return nil })
	c.receive("unknown number", func() error { c.modem.ReceivePDU(nameText(t, "07700900123", c.code("kim"))); return nil })
	if tr := c.newest(lowFlow); tr.To != alarm.Unacknowledged || tr.By != "" {
		t.Errorf("after forged answers the alarm is %s by %q", tr.To, tr.By)
	}
	senders := map[string]bool{}
	for _, e := range c.inbox() {
		senders[e.Sender] = true
	}
	if d := cmp.Diff(map[string]bool{"+447700900999": true, kimsNumber: true, `"kim"`: true, `"07700900123"`: true}, senders); d != "" {
		t.Errorf("senders written down (-want +got):\n%s", d)
	}
	for _, line := range []string{
		`weirkeeper_answers_total{outcome="unknown number",via="text"} 3`, `weirkeeper_answers_total{outcome="wrong code",via="text"} 2`,
		`weirkeeper_modem_events_total{event="text received"} 5`,
	} {
		if !c.metric(line) {
			t.Errorf("the metrics lack %s", line)
		}
	}

	c.receive("obeyed", func() error { return c.modem.Receive(rowansNumber, code+" coming") })
	if tr := c.newest(lowFlow); tr.To != alarm.Acknowledged || tr.By != "rowan" || tr.Via != "text" || tr.At.Sub(began).Truncate(time.Minute) != 7*time.Hour+58*time.Minute {
		t.Errorf("the journal has %s by %q via %q at %s", tr.To, tr.By, tr.Via, tr.At)
	}
	c.told(rowansNumber, "Thank you, rowan")
	c.told(kimsNumber, "rowan is coming")
	c.told(leesNumber, "rowan is coming")
	calls = c.command("calls", "--site", c.dir+"/site.hcl", "--since", "2026-11-20")
	has(t, calls, "answered by rowan by text message", `from somebody unknown by text message, "kim": unknown`, "from kim by text message, "+kimsNumber+": wrong code")
	called := func() (who []string) {
		for _, m := range c.messages(func(m ledger.MessageRecord) bool {
			return (m.Reason == callout.First || m.Reason == callout.Repeat) && m.Unless == ""
		}) {
			who = append(who, m.Person)
		}
		return who
	}
	before := len(called())
	c.pass(58 * time.Minute)
	if after := called()[before:]; len(after) != 0 {
		t.Errorf("call-outs to %q after the answer", after)
	}
	// After re_alarm it calls again: first who answered.
	c.pass(4 * time.Minute)
	if d := cmp.Diff([]string{"rowan"}, called()[before:]); d != "" {
		t.Errorf("called again (-want +got):\n%s", d)
	}
	if c.code("rowan") == code {
		t.Error("with the code that was answered")
	}
}
