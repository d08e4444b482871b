package main

import (
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/ingest/ledger"
	"weirkeeper/notify/sms/modem/modemtest"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

// A daemon that is stopped and started in the middle of calling people goes on where
// it was: nobody is left out, told twice or given another code, and the next person's
// turn comes when it would have come.
func TestRestartWhileCalling(t *testing.T) {
	c := newCrew(t, crewOptions{})
	began := c.clock.Now()
	c.flow("42")
	c.pass(12 * time.Minute) // kim at once, rowan after 10 min
	codes := []string{c.code("kim"), c.code("rowan")}
	for range 3 {
		c.restart(20 * time.Second)
		c.flow("42")
	}
	c.pass(began.Add(29 * time.Minute).Sub(c.clock.Now()))
	var got []string
	for _, m := range c.messages(func(m ledger.MessageRecord) bool { return m.State == ledger.Sent }) {
		got = append(got, fmt.Sprintf("%s %s %s at %d min", m.Person, m.Reason, m.Way, int(m.CreatedAt.Sub(began).Minutes())))
	}
	if d := cmp.Diff([]string{
		"kim first sms at 0 min", "rowan first sms at 10 min", "kim repeat sms at 15 min", "kim repeat email at 15 min", "lee first sms at 20 min",
		"rowan repeat sms at 25 min", "rowan repeat email at 25 min",
	}, got); d != "" {
		t.Errorf("told (-want +got):\n%s", d)
	}
	if d := cmp.Diff([]int{2, 2, 1}, []int{len(c.texts(kimsNumber)), len(c.texts(rowansNumber)), len(c.texts(leesNumber))}); d != "" {
		t.Errorf("texts (-want +got):\n%s", d)
	}
	if d := cmp.Diff(codes, []string{c.code("kim"), c.code("rowan")}); d != "" {
		t.Errorf("codes (-before +after):\n%s", d)
	}
	c.receive("obeyed", func() error { return c.modem.Receive(kimsNumber, codes[0]) })
	c.settle()
	c.restart(time.Second)
	if tr := c.newest(lowFlow); tr.To != alarm.Acknowledged || tr.By != "kim" {
		t.Errorf("after an answer and a restart: %s by %q", tr.To, tr.By)
	}
	c.told(leesNumber, "kim is coming")
	for _, number := range []string{kimsNumber, rowansNumber, leesNumber} {
		for i, text := range c.texts(number) { // what was under way at a stop would be marked
			if strings.Contains(text, "(Again)") || slices.Contains(c.texts(number)[:i], text) {
				t.Errorf("%s was told twice: %q", number, text)
			}
		}
	}
}

// A daemon killed while the modem hands a text to the network, so that nobody knows
// whether it went, sends it again, marked and with the same code, and takes the answer.
func TestKilledWhileTexting(t *testing.T) {
	m, device := newModem(t)
	mails := newLetters(t)
	port, page := freePort(t), freePort(t)
	dir := writeFiles(t, map[string]string{
		"site.hcl":  fmt.Sprintf(crewSite, device, mails.port(), "", page, `listen = "127.0.0.1:`+port+`"`, ""),
		"rules.hcl": crewRules,
	})
	metric := func(line string) bool {
		return strings.Contains(get(t, "http://127.0.0.1:"+page+"/metrics"), "\n"+line+"\n")
	}
	m.Next(modemtest.AtPDU, modemtest.Mute)
	d := startChild(t, dir)
	eventually(t, "the modem is in the network; the daemon said:\n"+d.out.String(), func() bool {
		return metric("weirkeeper_modem_registered 1") && metric("weirkeeper_broker_connected 1")
	})
	pub := sim.NewPublisher(sim.PublisherOptions{URL: "mqtt://127.0.0.1:" + port, ClientID: "probe", Log: slog.New(slog.DiscardHandler)})
	if err := pub.Publish(t.Context(), []sim.Due{{Topic: "crew/flow", Payload: []byte("42")}}); err != nil {
		t.Fatal(err)
	}
	pub.Close()
	eventually(t, "the network took the text", func() bool { return len(m.Taken()) == 1 })
	d.kill(t)

	d = startChild(t, dir)
	eventually(t, "the text goes again", func() bool { return len(m.Taken()) == 2 })
	l, err := ledger.OpenReader(t.Context(), dir+"/weirkeeper-data/"+daemon.LedgerFile)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	all, err := l.Messages(t.Context(), time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	var calls []ledger.MessageRecord
	for _, o := range all {
		if o.Way == callout.SMS {
			calls = append(calls, o)
		}
	}
	taken := m.Taken()
	if len(calls) != 1 || calls[0].Person != "kim" || len(calls[0].Code) != 4 || taken[0].To != kimsNumber || taken[1].To != kimsNumber || taken[1].Text != "(Again) "+taken[0].Text {
		t.Fatalf("call-outs %+v; texts %+v", calls, taken)
	}
	has(t, taken[0].Text, calls[0].Code)
	if err := m.Receive(kimsNumber, calls[0].Code); err != nil {
		t.Fatal(err)
	}
	eventually(t, "kim is thanked", func() bool {
		return slices.ContainsFunc(m.Taken(), func(o modemtest.Taken) bool { return strings.Contains(o.Text, "Thank you, kim") })
	})
	d.end(t)
	standing, err := l.Standing(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, tr := range standing {
		if tr.Key == lowFlow && tr.To != alarm.Acknowledged {
			t.Errorf("the alarm is %s", tr.To)
		}
	}
}
