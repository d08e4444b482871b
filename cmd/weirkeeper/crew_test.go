package main

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/ingest/ledger"
	"weirkeeper/notify/sms/modem/modemtest"
	"weirkeeper/notify/smtp/sink"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

const leesNumber = "+447700900789"

// crewSite is read with the modem's device, the port of the mail server, what is to
// be in call_out, the address of the page, the broker and more blocks.
const crewSite = `
site "Alder Fork" {
  timezone = "UTC"
}
unit "spring" {
  kind = "spring"
}
probe "spring flow" {
  quantity = "flow"
  at       = "spring"
  topic    = "crew/flow"
}
person "kim" {
  mobile = "` + kimsNumber + `"
  email  = "kim@alderfork.example"
}
person "rowan" {
  mobile = "` + rowansNumber + `"
  email  = "rowan@alderfork.example"
}
person "lee" {
  mobile = "` + leesNumber + `"
  email  = "lee@alderfork.example"
}
watch "always" {
  people = ["kim", "rowan", "lee"]
}
sms {
  device   = %q
  timeout  = "20 s"
  per_hour = 100
}
mail {
  host = "127.0.0.1"
  port = %s
  tls  = "none"
  from = "weirkeeper@alderfork.example"
}
call_out {
  %s
}
web {
  listen = "127.0.0.1:%s"
}
broker {
  %s
}
%s`

const crewRules = `
low_flow "spring" {
  covers {
    kinds = ["spring"]
  }
  setpoint   = "100 L/min"
  on_delay   = "0 s"
  off_delay  = "0 s"
  re_alarm   = "1 h"
  priority   = "call-out"
  can_happen = "Everything below goes dry."
  to_do      = "Look at the intake."
}
`

// letters is a mail server that keeps what it took.
type letters struct {
	server *sink.Server
	mu     sync.Mutex
	all    []sink.Message
}

func newLetters(t *testing.T) *letters {
	t.Helper()
	l := &letters{}
	var err error
	l.server, err = sink.Listen(t.Context(), sink.Options{Now: time.Now, Handle: func(m sink.Message) {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.all = append(l.all, m)
	}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan error, 1)
	go func() { done <- l.server.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-done; err != nil {
			t.Errorf("mail server: %v", err)
		}
	})
	return l
}

func (l *letters) port() string {
	_, port, _ := strings.Cut(l.server.Addr(), ":")
	return port
}

// to gives the mails to a person, in order.
func (l *letters) to(person string) (out []sink.Message) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, m := range l.all {
		if slices.Contains(m.To, person+"@alderfork.example") {
			out = append(out, m)
		}
	}
	return out
}

// about counts the mails to a person of which the subject has words.
func (l *letters) about(person, words string) (n int) {
	for _, m := range l.to(person) {
		if strings.Contains(m.Subject, words) {
			n++
		}
	}
	return n
}

// crew is a daemon in this process, started from a site file, with a modem on a
// pseudo-terminal, a mail server, and three people who are called one after the
// other.
type crew struct {
	*inProcess
	t     *testing.T
	dir   string
	modem *modemtest.Modem
	mails *letters
	pub   *sim.Publisher
	said  string // by the probe, last
	// external is the URL of a broker that is not the daemon's own, "" for that.
	external string
	tick     time.Duration
	// noTexts: the modem sends none, so nobody waits for those that are due.
	noTexts bool
}

type crewOptions struct {
	callOut, more string // of the site file
	external      string // the URL of a broker; "" for the daemon's own
	now           time.Time
	tick          time.Duration // 0 for a second
}

func newModem(t *testing.T) (m *modemtest.Modem, device string) {
	t.Helper()
	m = modemtest.New(modemtest.Options{Now: time.Now, Away: time.Millisecond, Wait: func(ctx context.Context, d time.Duration) error {
		timer := time.NewTimer(d)
		defer timer.Stop()
		select {
		case <-timer.C:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}})
	t.Cleanup(m.Close)
	device, err := m.Listen(t.TempDir())
	if err != nil {
		t.Skipf("no pseudo-terminal here: %v", err)
	}
	return m, device
}

func newCrew(t *testing.T, o crewOptions) *crew {
	t.Helper()
	return newCrewAt(t, o, "crew")
}

// newCrewAt does the same with another topic of the probe: name/flow.
func newCrewAt(t *testing.T, o crewOptions, name string) *crew {
	t.Helper()
	c := &crew{t: t, mails: newLetters(t), said: "142", external: o.external, tick: cmp.Or(o.tick, time.Second)}
	var device string
	c.modem, device = newModem(t)
	broker := `listen = "127.0.0.1:0"`
	if o.external != "" {
		broker = fmt.Sprintf("url       = %q\n  client_id = %q", o.external, name)
	}
	if o.now.IsZero() {
		o.now = time.Date(2026, 11, 20, 2, 0, 0, 0, time.UTC)
	}
	site := fmt.Sprintf(crewSite, device, c.mails.port(), o.callOut, "0", broker, o.more)
	site = strings.Replace(site, `"crew/flow"`, `"`+name+`/flow"`, 1)
	c.dir = writeFiles(t, map[string]string{"site.hcl": site, "rules.hcl": crewRules})
	c.start(o.now)
	return c
}

func (c *crew) start(now time.Time) {
	c.t.Helper()
	c.inProcess = startTicking(c.t, c.dir, now, false, c.tick)
	c.connect()
}

// connect waits for the broker and the modem.
func (c *crew) connect() {
	c.t.Helper()
	c.pub = sim.NewPublisher(sim.PublisherOptions{URL: c.brokerURL(), ClientID: "probe", Log: slog.New(slog.DiscardHandler)})
	c.t.Cleanup(c.pub.Close)
	eventually(c.t, "the daemon is connected", func() bool { c.advance(c.t, time.Second); return !strings.Contains(c.Health(), "broker") })
	eventually(c.t, "the modem is in the network", func() bool { return c.metric("weirkeeper_modem_registered 1") })
}

func (c *crew) brokerURL() string {
	c.t.Helper()
	if c.external != "" {
		return c.external
	}
	addr, err := c.BrokerAddr(c.t.Context())
	if err != nil {
		c.t.Fatal(err)
	}
	return "mqtt://" + addr
}

func (c *crew) metric(line string) bool {
	return strings.Contains(get(c.t, "http://"+c.WebAddr()+"/metrics"), "\n"+line+"\n")
}

func (c *crew) flow(payload string) {
	c.t.Helper()
	c.said = payload
	if err := c.pub.Publish(c.t.Context(), []sim.Due{{Topic: "crew/flow", Payload: []byte(payload)}}); err != nil {
		c.t.Fatal(err)
	}
	c.advance(c.t, 2*time.Second)
	c.settle()
}

// pass lets time go by, the probe saying the same every other minute, and what is
// due being handed over as it goes.
func (c *crew) pass(d time.Duration) {
	c.t.Helper()
	said := c.clock.Now()
	for end := said.Add(d); c.clock.Now().Before(end); {
		c.advance(c.t, min(30*time.Second, end.Sub(c.clock.Now())))
		c.settle()
		if c.clock.Now().Sub(said) >= 2*time.Minute {
			said = c.clock.Now()
			c.flow(c.said)
		}
	}
}

// settle waits until what is due has been tried.
func (c *crew) settle() {
	c.t.Helper()
	tried := func() bool {
		due, err := c.Ledger().DueMessages(c.t.Context(), c.clock.Now(), 100)
		if err != nil {
			c.t.Fatal(err)
		}
		return !slices.ContainsFunc(due, func(m callout.Message) bool { return !c.noTexts || m.Way != callout.SMS })
	}
	for range 20 { // soon, as a rule
		if tried() {
			return
		}
		time.Sleep(time.Millisecond)
	}
	eventually(c.t, "what is due was tried", tried)
}

// restart stops the daemon and starts another one on its record.
func (c *crew) restart(after time.Duration) {
	c.t.Helper()
	c.pub.Close()
	at := c.clock.Now()
	c.stop()
	c.start(at.Add(after))
}

// texts are those that the network took for a number: first parts of long ones
// only.
func (c *crew) texts(number string) (out []string) {
	for _, m := range c.modem.Taken() {
		if m.To == number && m.Seq <= 1 {
			out = append(out, m.Text)
		}
	}
	return out
}

// told waits until the newest texts to a number have words.
func (c *crew) told(number, words string) {
	c.t.Helper()
	eventually(c.t, number+" is told "+words, func() bool {
		return slices.ContainsFunc(c.modem.Taken(), func(m modemtest.Taken) bool { return m.To == number && strings.Contains(m.Text, words) })
	})
}

func (c *crew) messages(keep func(ledger.MessageRecord) bool) (out []ledger.MessageRecord) {
	c.t.Helper()
	all, err := c.Ledger().Messages(c.t.Context(), time.Time{})
	if err != nil {
		c.t.Fatal(err)
	}
	for _, m := range all {
		if keep(m) {
			out = append(out, m)
		}
	}
	return out
}

// code is what a person answers with, by the newest message that has one.
func (c *crew) code(person string) (code string) {
	c.t.Helper()
	for _, m := range c.messages(func(m ledger.MessageRecord) bool { return m.Person == person && m.Code != "" }) {
		code = m.Code
	}
	if len(code) != 4 {
		c.t.Fatalf("%s has the code %q", person, code)
	}
	return code
}

// newest is the newest transition of an alarm.
func (c *crew) newest(key alarm.Key) (last alarm.Transition) {
	c.t.Helper()
	all, err := c.Ledger().JournalSince(c.t.Context(), time.Time{})
	if err != nil {
		c.t.Fatal(err)
	}
	for _, tr := range all {
		if tr.Key == key {
			last = tr
		}
	}
	return last
}

// ownAlarm is the newest transition of an alarm of the daemon's own.
func (c *crew) ownAlarm(name string) (last alarm.Transition) {
	c.t.Helper()
	all, err := c.Ledger().JournalSince(c.t.Context(), time.Time{})
	if err != nil {
		c.t.Fatal(err)
	}
	for _, tr := range all {
		if tr.Kind == alarm.DaemonHealth && strings.Contains(tr.Trouble, name) {
			last = tr
		}
	}
	return last
}

// receive has a text message come in by the modem, and waits until it was judged.
func (c *crew) receive(outcome string, come func() error) {
	c.t.Helper()
	before := c.inbox()
	if err := come(); err != nil {
		c.t.Fatal(err)
	}
	eventually(c.t, "the text that came in is written down", func() bool { return len(c.inbox()) > len(before) })
	if got := c.inbox()[len(before)]; got.Outcome != outcome {
		c.t.Errorf("a text from %s, %q: %s, want %s", got.Sender, got.Body, got.Outcome, outcome)
	}
}

func (c *crew) inbox() []ledger.InboxEntry {
	c.t.Helper()
	all, err := c.Ledger().Inbox(c.t.Context(), time.Time{})
	if err != nil {
		c.t.Fatal(err)
	}
	return all
}

// command runs one of the program's.
func (c *crew) command(args ...string) string {
	c.t.Helper()
	e, out, errs := testEnv()
	e.now = c.clock.Now
	if code := run(c.t.Context(), args, e); code != exitOK {
		c.t.Errorf("%q: exit code %d, %s", args, code, errs.String())
	}
	return out.String() + errs.String()
}
