package main

import (
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
)

const cleanSite = `
site "Clean" {
  timezone = "UTC"
}
unit "spring" {
  kind = "spring"
}
unit "trough 1" {
  kind = "trough"
}
unit "trough 2" {
  kind = "trough"
}
probe "trough 1 flow" {
  quantity = "flow"
  at       = "trough 1"
  topic    = "clean/flow"
}
chore "cleaning" {
  kinds        = ["trough"]
  by           = ["10:00"]
  suppress_for = "20 min"
}
chore "feeding" {
  kinds = ["trough"]
  by    = ["11:00"]
}
button "trough 1" {
  topic = "clean/button"
  at    = "trough 1"
}
button "fed" {
  topic   = "clean/fed"
  at      = "trough 2"
  chore   = "feeding"
  payload = "pressed"
  does    = "done"
}
person "kim" {
  email = "kim@alderfork.example"
}
web {
  listen = "127.0.0.1:0"
}
broker {
  listen = "127.0.0.1:0"
}
`

const cleanRules = `
low_flow "troughs" {
  covers {
    kinds = ["trough"]
  }
  setpoint   = "28 L/min"
  on_delay   = "0 s"
  off_delay  = "0 s"
  priority   = "call-out"
  can_happen = "The fry suffocate."
  to_do      = "Put the standpipe down."
}
`

// cleanDaemon is a running daemon with a probe and buttons.
type cleanDaemon struct {
	*inProcess
	t   *testing.T
	pub *sim.Publisher
}

func startClean(t *testing.T, dir string, now time.Time) *cleanDaemon {
	t.Helper()
	d := &cleanDaemon{inProcess: startInProcess(t, dir, now), t: t}
	addr, err := d.BrokerAddr(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	eventually(t, "the daemon is connected", func() bool { d.advance(t, time.Second); return d.Health() == "" })
	d.pub = sim.NewPublisher(sim.PublisherOptions{URL: "mqtt://" + addr, ClientID: "trough", Log: slog.New(slog.DiscardHandler)})
	t.Cleanup(d.pub.Close)
	return d
}

func (d *cleanDaemon) publish(topic, payload string) {
	d.t.Helper()
	if err := d.pub.Publish(d.t.Context(), []sim.Due{{Topic: topic, Payload: []byte(payload)}}); err != nil {
		d.t.Fatal(err)
	}
	d.advance(d.t, 2*time.Second) // the second tick is taken when the first is done
}

func (d *cleanDaemon) command(args ...string) (code int, said string) {
	d.t.Helper()
	e, out, errs := testEnv()
	code = run(d.t.Context(), append([]string{args[0], "--at", d.WebAddr()}, args[1:]...), e)
	return code, out.String() + errs.String()
}

// flow is what stands of the low flow: "" for nothing, else its words and why
// nobody is called.
func (d *cleanDaemon) flow() string {
	d.t.Helper()
	d.advance(d.t, 2*time.Second)
	for _, a := range d.Status().Alarms {
		if a.Kind == alarm.LowFlow {
			return strings.TrimSpace(a.Trouble + " " + a.Hidden)
		}
	}
	return ""
}

// told is the acts and chores done, in words.
func (d *cleanDaemon) told() (out []string) {
	d.t.Helper()
	acts, err := d.Ledger().Acts(d.t.Context(), time.Time{})
	if err != nil {
		d.t.Fatal(err)
	}
	for _, a := range acts {
		out = append(out, fmt.Sprintf("%s %s by %s via %s", a.Kind, a.Unit, a.By, a.Via))
	}
	chores, err := d.Ledger().ChoresDone(d.t.Context(), time.Time{})
	if err != nil {
		d.t.Fatal(err)
	}
	for _, c := range chores {
		out = append(out, fmt.Sprintf("%s %s by %s via %s", c.Chore, c.Unit, c.By, c.Via))
	}
	return out
}

func wantLines(t *testing.T, what string, got []string, want ...string) {
	t.Helper()
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("%s:\n  %s\nwant\n  %s", what, strings.Join(got, "\n  "), strings.Join(want, "\n  "))
	}
}

var cleanMorning = time.Date(2026, 11, 20, 9, 0, 0, 0, time.UTC)

// TestClean says by command that a trough is cleaned: its low flow calls nobody,
// over a restart too, until it has not come back.
func TestClean(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": cleanSite, "rules.hcl": cleanRules})
	d := startClean(t, dir, cleanMorning)
	for _, tt := range []struct {
		says string
		code int
		args []string
	}{
		{`did you mean "trough 1"?`, exitFault, []string{"clean", "start", "--by", "kim", "trough l"}},
		{"cleaning may last 2 h at the most", exitFault, []string{"clean", "start", "--by", "kim", "--for", "3 h", "trough 1"}},
		{"is no time", exitUsage, []string{"clean", "start", "--by", "kim", "--for", "3 L/min", "trough 1"}},
		{"takes start or finish", exitUsage, []string{"clean", "trough 1"}},
		{"goes with start only", exitUsage, []string{"clean", "finish", "--for", "3 min", "trough 1"}},
		{`the chore "feeding" counts as done`, exitOK, []string{"clean", "finish", "--by", "rowan", "--chore", "feeding", "trough 2"}},
		{"Trough 1 is being cleaned by kim since 09:00. Its flow alarms call nobody until that is finished, and not after 09:20.", exitOK, []string{"clean", "start", "--by", "kim", "trough 1"}},
		{"trough 1 is being cleaned by kim since 09:00; finish that first", exitFault, []string{"clean", "start", "--by", "rowan", "trough 1"}},
	} {
		if code, said := d.command(tt.args...); code != tt.code || !strings.Contains(strings.ToLower(said), strings.ToLower(tt.says)) {
			t.Errorf("%q: exit code %d, %s", tt.args, code, said)
		}
	}
	d.publish("clean/flow", "3")
	const hidden = "Trough 1: low flow being cleaned by kim since 09:00"
	if got := d.flow(); got != hidden {
		t.Errorf("while it is cleaned: %s", got)
	}
	if page := get(t, "http://"+d.WebAddr()+"/"); !strings.Contains(page, "nobody is called: being cleaned by kim since 09:00") ||
		!strings.Contains(page, "Being cleaned\n  trough 1, by kim since 09:00; flow alarms call nobody until 09:20\n") {
		t.Errorf("the page says:\n%s", page)
	}
	if code, said := d.command("ack", "--by", "rowan"); code != exitOK || !strings.Contains(said, "Nothing waits") {
		t.Errorf("ack of all: exit code %d, %s", code, said)
	}
	at := d.clock.Now()
	d.stop()
	d = startClean(t, dir, at)
	d.publish("clean/flow", "3")
	if got := d.flow(); got != hidden {
		t.Errorf("after a restart: %s", got)
	}
	if code, said := d.command("done", "--by", "kim", "cleaning", "trough 1"); code != exitOK || !strings.Contains(said, "Trough 1 was cleaned by kim at 09:0") || !strings.Contains(said, "is the standpipe down?") {
		t.Errorf("done: exit code %d, %s", code, said)
	}
	d.advance(t, act.Settle-10*time.Second)
	if got := d.flow(); !strings.Contains(got, "the water is given time to come back") {
		t.Errorf("before the water is given up: %s", got)
	}
	d.advance(t, 10*time.Second)
	if got := d.flow(); got != "Trough 1: still low flow after cleaning: standpipe still up?" {
		t.Errorf("in the end: %s", got)
	}
	wantLines(t, "told", d.told(),
		"cleaning finished trough 2 by rowan via command", "cleaning started trough 1 by kim via command", "cleaning finished trough 1 by kim via command",
		"feeding trough 2 by rowan via command", "cleaning trough 1 by kim via command")
}

// TestButtons: a press starts the cleaning and the next one finishes it, whatever
// bounces, is retained or says something else.
func TestButtons(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": cleanSite, "rules.hcl": cleanRules})
	d := startClean(t, dir, cleanMorning)
	d.publish("clean/button", "")
	// The next press finishes it, and that one bounces.
	if err := d.pub.Publish(t.Context(), []sim.Due{{Topic: "clean/button", Payload: []byte("1")}, {Topic: "clean/button", Payload: []byte("1")}}); err != nil {
		t.Fatal(err)
	}
	d.advance(t, 2*time.Second)
	d.publish("clean/fed", "released")
	d.publish("clean/fed", "pressed")
	var got []string
	for _, s := range d.told() {
		got = append(got, strings.ReplaceAll(s, "somebody at the button", "X"))
	}
	wantLines(t, "told", got, "cleaning started trough 1 by X via button", "cleaning finished trough 1 by X via button", "cleaning trough 1 by X via button", "feeding trough 2 by X via button")
}

// TestLinks prints the links, and tells of cleaning and feeding by them.
func TestLinks(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": cleanSite, "rules.hcl": cleanRules})
	links := func() (code int, out, errs string) {
		e, o, es := testEnv()
		code = run(t.Context(), []string{"links", "--site", dir + "/site.hcl"}, e)
		return code, o.String(), es.String()
	}
	if code, _, errs := links(); code != exitFault || !strings.Contains(errs, "weirkeeper run makes it") {
		t.Errorf("before the first start: exit code %d, %s", code, errs)
	}
	d := startClean(t, dir, cleanMorning)
	code, out, errs := links()
	if code != exitOK || !strings.Contains(errs, "a telephone does not reach these links") {
		t.Fatalf("exit code %d, %s", code, errs)
	}
	paths := map[string]string{}
	for line := range strings.Lines(out) {
		name, link, _ := strings.Cut(strings.TrimSpace(line), "  ")
		u, err := url.Parse(strings.TrimSpace(link))
		if err != nil {
			t.Fatal(err)
		}
		paths[name] = u.Path
	}
	if len(paths) != 4 || paths["trough 1"] == paths["trough 2"] {
		t.Fatalf("links:\n%s", out)
	}
	id := regexp.MustCompile(`name="id" value="([^"]+)"`)
	press := func(unit, does string) string {
		t.Helper()
		link := "http://" + d.WebAddr() + paths[unit]
		found := id.FindStringSubmatch(get(t, link))
		if found == nil {
			t.Fatal("the page has no id")
		}
		body := ""
		for range 2 { // pressed twice
			req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, link, strings.NewReader(url.Values{"by": {"rowan"}, "do": {does}, "id": {found[1]}}.Encode()))
			if err != nil {
				t.Fatal(err)
			}
			req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			req.Close = true
			resp, err := http.DefaultClient.Do(req)
			if err != nil {
				t.Fatal(err)
			}
			b, err := io.ReadAll(resp.Body)
			if err != nil || resp.StatusCode != http.StatusOK {
				t.Errorf("%s at %s: status %d, %v: %s", does, unit, resp.StatusCode, err, b)
			}
			_ = resp.Body.Close()
			body = string(b)
		}
		return body
	}
	if page := press("trough 1", "start"); !strings.Contains(page, "Being cleaned by rowan since 09:00. Flow alarms call nobody until 09:20.") {
		t.Errorf("the page says\n%s", page)
	}
	d.publish("clean/flow", "3")
	if got := d.flow(); got != "Trough 1: low flow being cleaned by rowan since 09:00" {
		t.Errorf("while it is cleaned: %s", got)
	}
	press("trough 1", "finish")
	press("trough 2", "done feeding")
	wantLines(t, "told", d.told(),
		"cleaning started trough 1 by rowan via link", "cleaning finished trough 1 by rowan via link",
		"cleaning trough 1 by rowan via link", "feeding trough 2 by rowan via link")
}
