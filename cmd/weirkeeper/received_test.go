package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

const (
	kimsNumber   = "+447700900123"
	rowansNumber = "+447700900456"
	lowFlow      = alarm.Key("low_flow/spring/spring flow")
)

var textSite = strings.Replace(answerSite, `person "kim" {
  email = "kim@alderfork.example"
}`, `person "kim" {
  mobile = "`+kimsNumber+`"
}
person "rowan" {
  mobile = "`+rowansNumber+`"
}
sms {
  run = ["/bin/true", "{to}"]
}`, 1)

// callOut is a daemon whose spring has low flow, of which kim and rowan were told
// by text message.
type callOut struct {
	*inProcess
	t   *testing.T
	dir string
	pub *sim.Publisher
	n   int
	// said is what the probe said last.
	said string
}

func newCallOut(t *testing.T) *callOut {
	t.Helper()
	c := &callOut{t: t, dir: writeFiles(t, map[string]string{"site.hcl": strings.Replace(textSite, `listen = "127.0.0.1:0"`, "listen = \"127.0.0.1:0\"\n  url = \"http://192.0.2.7:8370/\"", 1), "rules.hcl": answerRules})}
	c.start(time.Date(2026, 11, 20, 2, 0, 0, 0, time.UTC))
	c.flow("42")
	return c
}

func (c *callOut) start(now time.Time) {
	c.t.Helper()
	c.inProcess = startInProcess(c.t, c.dir, now)
	addr, err := c.BrokerAddr(c.t.Context())
	if err != nil {
		c.t.Fatal(err)
	}
	c.pub = sim.NewPublisher(sim.PublisherOptions{URL: "mqtt://" + addr, ClientID: "probe", Log: slog.New(slog.DiscardHandler)})
	c.t.Cleanup(c.pub.Close)
	eventually(c.t, "the daemon is connected", func() bool { c.advance(c.t, time.Second); return !strings.Contains(c.Health(), "broker") })
}

func (c *callOut) flow(payload string) {
	c.t.Helper()
	c.said = payload
	if err := c.pub.Publish(c.t.Context(), []sim.Due{{Topic: "answer/flow", Payload: []byte(payload)}}); err != nil {
		c.t.Fatal(err)
	}
	c.advance(c.t, 2*time.Second)
}

// pass lets time go by, the probe saying the same every other minute.
func (c *callOut) pass(d time.Duration) {
	c.t.Helper()
	for end := c.clock.Now().Add(d); c.clock.Now().Before(end); {
		c.advance(c.t, min(2*time.Minute, end.Sub(c.clock.Now())))
		c.flow(c.said)
	}
}

// restart stops the daemon and starts another one on its record.
func (c *callOut) restart() {
	c.t.Helper()
	c.pub.Close()
	at := c.clock.Now()
	c.stop()
	c.start(at.Add(time.Minute))
}

// code is what a person answers with, by the newest message that has one.
func (c *callOut) code(person string) (code string) {
	c.t.Helper()
	for _, m := range c.messages(person, "") {
		if m.Code != "" {
			code = m.Code
		}
	}
	if len(code) != 4 {
		c.t.Fatalf("%s has the code %q", person, code)
	}
	return code
}

// messages are those to a person for a reason, "" for any.
func (c *callOut) messages(person string, why callout.Reason) (out []callout.Message) {
	c.t.Helper()
	all, err := c.Ledger().Messages(c.t.Context(), time.Time{})
	if err != nil {
		c.t.Fatal(err)
	}
	for _, r := range all {
		if r.Person == person && (why == "" || r.Reason == why) {
			out = append(out, r.Message)
		}
	}
	return out
}

// text has a text message come in, and gives what is printed of it.
func (c *callOut) text(from, text string, args ...string) string {
	c.t.Helper()
	c.n++
	if len(args) == 0 {
		args = []string{"--id", fmt.Sprint("t", c.n)}
	}
	e, out, errs := testEnv()
	e.in = strings.NewReader(text)
	if code := run(c.t.Context(), append([]string{"received", "--at", c.WebAddr(), "--from", from}, args...), e); code != exitOK {
		c.t.Errorf("%q: exit code %d", text, code)
	}
	return out.String() + errs.String()
}

// state is that of the alarm; its newest transition tells who answered and how.
func (c *callOut) state() (alarm.State, alarm.Transition) {
	c.t.Helper()
	all, err := c.Ledger().JournalSince(c.t.Context(), time.Time{})
	if err != nil {
		c.t.Fatal(err)
	}
	var last alarm.Transition
	for _, tr := range all {
		if tr.Key == lowFlow {
			last = tr
		}
	}
	return last.To, last
}

func (c *callOut) standsUnanswered() {
	c.t.Helper()
	if s, tr := c.state(); s != alarm.Unacknowledged || tr.Hidden != "" {
		c.t.Errorf("the alarm is %s, hidden %q", s, tr.Hidden)
	}
}

// inbox is how often each outcome was written down.
func (c *callOut) inbox() map[string]int {
	c.t.Helper()
	all, err := c.Ledger().Inbox(c.t.Context(), time.Time{})
	if err != nil {
		c.t.Fatal(err)
	}
	n := map[string]int{}
	for _, e := range all {
		n[e.Outcome]++
		if e.At.IsZero() || e.Sender == "" || e.Way != callout.SMS || (e.Person == "") != (e.Outcome == "unknown number") {
			c.t.Errorf("written down as %+v", e)
		}
	}
	return n
}

// wrongCode is a code that nobody has.
func (c *callOut) wrongCode() string {
	for n := 1000; ; n++ {
		if s := fmt.Sprint(n); s != c.code("kim") && s != c.code("rowan") {
			return s
		}
	}
}

func has(t *testing.T, said string, want ...string) {
	t.Helper()
	for _, w := range want {
		if !strings.Contains(said, w) {
			t.Errorf("%q is not in %q", w, said)
		}
	}
}

// A code that comes back answers, is thanked for, and the other hears of it; it
// is in the journal with who and how.
func TestAnswerByText(t *testing.T) {
	c := newCallOut(t)
	has(t, c.text("+44 7700 900123", "Coming "+c.code("kim")+"!"), "Obeyed.", "Thank you, kim.")
	if s, tr := c.state(); s != alarm.Acknowledged || tr.By != "kim" || tr.Via != "text" {
		t.Errorf("%s by %q via %q", s, tr.By, tr.Via)
	}
	if m := c.messages("kim", callout.Reply); len(m) != 1 || m[0].Way != callout.SMS || m[0].Address != kimsNumber {
		t.Errorf("thanked by %+v", m)
	}
	if m := c.messages("rowan", callout.Answered); len(m) != 1 {
		t.Errorf("rowan was told %+v", m)
	}
	has(t, c.text(rowansNumber, c.code("rowan")), "answered or over already", "already")
	has(t, c.text(kimsNumber, "status"), "The status was asked for.", "kim has answered")
	has(t, c.text(kimsNumber, "hello"), "it is not clear", "Not understood")
	if d := cmp.Diff(map[string]int{"obeyed": 1, "over": 1, "status": 1, "unclear": 1}, c.inbox()); d != "" {
		t.Errorf("written down (-want +got):\n%s", d)
	}
	metrics := get(t, "http://"+c.WebAddr()+"/metrics")
	has(t, metrics, `weirkeeper_answers_total{outcome="obeyed",via="text"} 1`, `weirkeeper_answers_total{outcome="over",via="text"} 1`)
}

// A pause holds the call-outs back for its time, but no longer than an answer holds,
// which the rule says is 20 min.
func TestPauseByText(t *testing.T) {
	c := newCallOut(t)
	has(t, c.text(kimsNumber, "pause 30 "+c.code("kim")), "Obeyed.", "Held back until 02:20", "low flow")
	if s, tr := c.state(); s != alarm.Unacknowledged || !strings.Contains(tr.Hidden, "shelved by kim until 02:20") {
		t.Errorf("%s, hidden %q", s, tr.Hidden)
	}
	if m := c.messages("rowan", callout.Answered); len(m) != 1 || !strings.HasPrefix(m[0].Short, "kim holds back until 02:20") {
		t.Errorf("rowan was told %+v", m)
	}
	acts, err := c.Ledger().Acts(t.Context(), time.Time{})
	if err != nil || len(acts) != 1 || acts[0].Kind != act.Shelved || acts[0].Via != "text" || acts[0].By != "kim" || acts[0].Until.Sub(acts[0].At) != 20*time.Minute {
		t.Errorf("%v, acts %+v", err, acts)
	}
	c.pass(31 * time.Minute)
	c.standsUnanswered()
	if len(c.messages("kim", callout.First)) != 2 {
		t.Errorf("kim was told %+v", c.messages("kim", ""))
	}
}

// A text that the network kept for hours does nothing, and says so.
func TestLateText(t *testing.T) {
	c := newCallOut(t)
	sent := c.clock.Now()
	c.pass(100 * time.Minute)
	has(t, c.text(kimsNumber, c.code("kim"), "--id", "late", "--sent", sent.Format(time.RFC3339)), "it came too late", "If you come, send "+c.code("kim")+" again")
	c.standsUnanswered()
	has(t, c.text(kimsNumber, c.code("kim"), "--id", "again", "--sent", c.clock.Now().Format(time.RFC3339)), "Obeyed.")
}

// The same message twice counts once, over a restart too.
func TestTextTwice(t *testing.T) {
	c := newCallOut(t)
	code := c.code("kim")
	c.text(kimsNumber, code, "--id", "a")
	has(t, c.text(kimsNumber, code, "--id", "a"), "It was taken before.")
	c.restart()
	has(t, c.text(kimsNumber, code, "--id", "a"), "It was taken before.")
	if d := cmp.Diff(map[string]int{"obeyed": 1}, c.inbox()); d != "" || len(c.messages("kim", callout.Reply)) != 1 {
		t.Errorf("written down (-want +got):\n%s", d)
	}
}

// Security: somebody who forges kim's number has no code; and the same for kim
// herself with a wrong one. After a few it is held up, also over a restart, and
// nobody learns of more.
func TestWrongCodesAreHeldUp(t *testing.T) {
	c := newCallOut(t)
	wrong, good := c.wrongCode(), c.code("kim")
	has(t, c.text(kimsNumber, c.code("rowan")), "wrong code", "not a code of yours") // another's is wrong
	for range 3 {
		has(t, c.text(kimsNumber, wrong), "Not obeyed: wrong code.", "not a code of yours")
	}
	has(t, c.text(kimsNumber, wrong), "wrong code", "Too many wrong codes")
	c.restart()
	for n := range 20 {
		if said := c.text(kimsNumber, fmt.Sprintf("%04d", n)); !strings.Contains(said, "too many wrong codes") || strings.Contains(said, "Answer:") {
			t.Errorf("guess %d: %s", n, said)
		}
	}
	has(t, c.text(kimsNumber, good), "too many wrong codes") // or guessing would pay
	has(t, c.text(kimsNumber, "status"), "The status was asked for.", "low flow")
	c.standsUnanswered()
	if d := cmp.Diff(map[string]int{"wrong code": 5, "locked": 21, "status": 1}, c.inbox()); d != "" {
		t.Errorf("written down (-want +got):\n%s", d)
	}
	has(t, c.text(rowansNumber, "pause 5 "+wrong), "wrong code") // rowan is not held up
	c.pass(time.Hour)
	has(t, c.text(kimsNumber, c.code("kim")), "Obeyed.")
}

// Security: a number that is nobody's is never obeyed and never answered.
func TestUnknownNumber(t *testing.T) {
	c := newCallOut(t)
	code := c.code("kim")
	before := len(c.messages("kim", ""))
	for _, from := range []string{"+447700900999", "07700900124", "INFO", "447700900124", "+44770090012", "+4477009001230", "\x00", strings.Repeat("9", 400)} {
		for _, text := range []string{code, "status", "hello"} {
			if said := c.text(from, text); !strings.HasPrefix(said, "Not obeyed: the number is nobody's") || strings.Contains(said, "Answer") {
				t.Errorf("%q from %q: %s", text, from, said)
			}
		}
	}
	c.standsUnanswered()
	if got := len(c.messages("kim", "")); got != before {
		t.Errorf("%d messages more", got-before)
	}
	for range 100 {
		c.text("+447700900999", "hello")
	}
	if d := cmp.Diff(map[string]int{"unknown number": 60}, c.inbox()); d != "" {
		t.Errorf("written down (-want +got):\n%s", d)
	}
	has(t, get(t, "http://"+c.WebAddr()+"/metrics"), `weirkeeper_answers_total{outcome="unknown number",via="text"} 124`)
}

// Security: an old code, replayed after it was answered and trouble came anew.
func TestReplayedCode(t *testing.T) {
	c := newCallOut(t)
	old := c.code("kim")
	has(t, c.text(kimsNumber, old), "Obeyed.")
	c.flow("142") // right again
	c.pass(10 * time.Minute)
	c.flow("42")
	c.pass(10 * time.Minute)
	c.standsUnanswered()
	if c.code("kim") == old {
		t.Fatal("the code is the old one")
	}
	has(t, c.text(kimsNumber, old), "over already")
	has(t, c.text(kimsNumber, "pause 30 "+old), "over already")
	c.standsUnanswered()
	has(t, c.text(kimsNumber, c.code("kim")), "Obeyed.")
}

// What is not obeyed is answered a few times only: two machines must not talk to
// each other for ever.
func TestRepliesAreBounded(t *testing.T) {
	c := newCallOut(t)
	for range 30 {
		c.text(kimsNumber, "Thank you for your message")
	}
	if n := len(c.messages("kim", callout.Reply)); n != 10 {
		t.Errorf("%d replies", n)
	}
	has(t, c.text(kimsNumber, c.code("kim")), "Obeyed.", "Thank you")
}

// link is a person's link, as the message would carry it, without its host.
func (c *callOut) link(person string, expires time.Time) string {
	c.t.Helper()
	secret, err := web.ReadSecret(c.dir + "/weirkeeper-data")
	if err != nil {
		c.t.Fatal(err)
	}
	return web.LinkURL("", secret, person, c.code(person), expires)
}

func (c *callOut) press(path, do string) (int, string) {
	c.t.Helper()
	req, err := http.NewRequestWithContext(context.WithoutCancel(c.t.Context()), http.MethodPost, "http://"+c.WebAddr()+path, strings.NewReader(url.Values{"do": {do}}.Encode()))
	if err != nil {
		c.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Close = true
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		c.t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		c.t.Fatal(err)
	}
	return resp.StatusCode, string(b)
}

// Security: a link answers once; replayed it does nothing, and neither does it when
// trouble has come anew.
func TestReplayedLink(t *testing.T) {
	c := newCallOut(t)
	path := c.link("kim", c.clock.Now().Add(24*time.Hour))
	has(t, get(t, "http://"+c.WebAddr()+path), "Spring: low flow", "I am coming")
	c.standsUnanswered()
	status, page := c.press(path, "coming")
	has(t, page, "Thank you, kim.")
	if s, tr := c.state(); status != 200 || s != alarm.Acknowledged || tr.By != "kim" || tr.Via != "link" {
		t.Errorf("status %d, %s by %q via %q", status, s, tr.By, tr.Via)
	}
	status, page = c.press(path, "pause")
	has(t, page, "Nothing was done: somebody has answered already, or it is over.")
	if s, tr := c.state(); status != 409 || s != alarm.Acknowledged || tr.Hidden != "" {
		t.Errorf("replayed: status %d, %s, hidden %q", status, s, tr.Hidden)
	}
	c.flow("142")
	c.pass(10 * time.Minute)
	c.flow("42")
	c.pass(10 * time.Minute)
	c.restart()
	if status, page = c.press(path, "coming"); status != 409 {
		t.Errorf("later: status %d, %s", status, page)
	}
	c.standsUnanswered()
	if status, page = c.press(c.link("kim", c.clock.Now().Add(-time.Hour)), "coming"); status != 410 {
		t.Errorf("one that ran out: status %d, %s", status, page)
	}
	c.standsUnanswered()
	has(t, get(t, "http://"+c.WebAddr()+"/metrics"), `weirkeeper_answers_total{outcome="expired",via="link"} 1`, `weirkeeper_answers_total{outcome="over",via="link"} 1`)
	if status, page = c.press(c.link("kim", c.clock.Now().Add(24*time.Hour)), "pause"); status != 200 {
		t.Errorf("the newest: status %d, %s", status, page)
	}
	if _, tr := c.state(); !strings.Contains(tr.Hidden, "shelved by kim") {
		t.Errorf("hidden %q", tr.Hidden)
	}
	if n := len(c.messages("kim", callout.Reply)); n != 0 {
		t.Errorf("%d replies to links", n)
	}
}

// The mail carries the link, where there is an address to reach the page by.
func TestMessagesCarryTheLink(t *testing.T) {
	c := newCallOut(t)
	m := c.messages("kim", callout.First)
	if len(m) != 1 || !strings.Contains(m[0].Text, "http://192.0.2.7:8370/a/") {
		t.Fatalf("kim was told %+v", m)
	}
	_, rest, _ := strings.Cut(m[0].Text, "http://192.0.2.7:8370")
	path, _, _ := strings.Cut(rest, "\n")
	has(t, get(t, "http://"+c.WebAddr()+path), "kim, this waits for an answer")
}

// By command, with the code of the one who gives it.
func TestAnswerByCode(t *testing.T) {
	c := newCallOut(t)
	ack := func(args ...string) (int, string) {
		e, out, errs := testEnv()
		code := run(t.Context(), append([]string{"ack", "--at", c.WebAddr()}, args...), e)
		return code, out.String() + errs.String()
	}
	for _, tt := range []struct {
		args []string
		code int
		said string
	}{
		{[]string{"--by", "kim", "--code", c.wrongCode()}, exitFault, "is no code of kim's"},
		{[]string{"--by", "rowan", "--code", c.code("kim")}, exitFault, "is no code of rowan's"},
		{[]string{"--by", "kim", "--code", c.code("kim"), string(lowFlow)}, exitUsage, "not both"},
		{[]string{"--by", "kim", "--code", c.code("kim")}, exitOK, "Thank you, kim."},
		{[]string{"--by", "kim", "--code", c.code("kim")}, exitFault, "somebody has answered already"},
	} {
		if code, said := ack(tt.args...); code != tt.code || !strings.Contains(said, tt.said) {
			t.Errorf("%q: exit code %d, %s", tt.args, code, said)
		}
	}
	if s, tr := c.state(); s != alarm.Acknowledged || tr.By != "kim" || tr.Via != "command" {
		t.Errorf("%s by %q via %q", s, tr.By, tr.Via)
	}
}

// A drill is answered like a call-out, and the others hear of it.
func TestDrillAnsweredByText(t *testing.T) {
	c := newCallOut(t)
	has(t, c.text(kimsNumber, c.code("kim")), "Obeyed.")
	c.flow("142")
	c.pass(10 * time.Minute)
	e, _, errs := testEnv()
	_, d, _ := answerFlags("drill", e)
	*d.at = c.WebAddr()
	if code := e.tell(t.Context(), "drill", d, "/act", "rowan", web.ActCommand{Act: act.Act{ID: "d", Kind: act.DrillStarted, By: "rowan"}, For: time.Hour}, false); code != exitOK {
		t.Fatal(errs)
	}
	c.advance(t, 10*time.Second)
	has(t, c.text(kimsNumber, c.code("kim")), "Obeyed.", "You answered the drill")
	acts, err := c.Ledger().Acts(t.Context(), time.Time{})
	if err != nil || len(acts) != 2 || acts[1].Kind != act.DrillAnswered || acts[1].By != "kim" || acts[1].Via != "text" {
		t.Errorf("%v, acts %+v", err, acts)
	}
	has(t, c.text(rowansNumber, c.code("rowan")), "over already")
}

func TestReceivedUsage(t *testing.T) {
	for _, tt := range []struct {
		args []string
		said string
	}{
		{nil, "--from NUMBER"},
		{[]string{"--from", kimsNumber, "4711"}, "read from standard input"},
		{[]string{"--from", kimsNumber, "--sent", "yesterday"}, "write it like 2026"},
	} {
		e, _, errs := testEnv()
		if code := run(t.Context(), append([]string{"received"}, tt.args...), e); code != exitUsage || !strings.Contains(errs.String(), tt.said) {
			t.Errorf("%q: exit code %d, %s", tt.args, code, errs)
		}
	}
}
