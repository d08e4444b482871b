package daemon

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/clock"
	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/config"
	"weirkeeper/ingest/ledger"
	"weirkeeper/notify"
	"weirkeeper/notify/sms/gsm"
	"weirkeeper/notify/sms/modem/modemtest"
	"weirkeeper/notify/smtp/smtptest"
	"weirkeeper/rules/act"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
)

var callKills = flag.Int("call-kills", 20, "how often TestCallKill kills the daemon")

// callChild makes the test binary a daemon: its folder, the clock's epoch in
// microseconds, and how it goes.
const callChild = "WEIRKEEPER_TEST_IS_KILLED"

// callHurry is how much faster the daemon's clock runs.
const callHurry = 60

// hurried is a clock that runs on while no process has it.
type hurried struct{ epoch time.Time }

func (h hurried) Now() time.Time {
	return h.epoch.Add(callHurry * time.Duration(time.Now().UnixMicro()-h.epoch.UnixMicro()) * time.Microsecond)
}
func (h hurried) Mono() time.Duration { return callHurry * clock.Real{}.Mono() }
func (h hurried) Ticker(d time.Duration) clock.Ticker {
	return clock.Real{}.Ticker(max(d/callHurry, time.Millisecond))
}

const callSite = `
site "Alder Fork" {
  timezone = "UTC"
}
unit "trough 1" {
  kind = "trough"
}
probe "flow 1" {
  quantity = "flow"
  at       = "trough 1"
  topic    = "alder/flow1"
  every    = "1 h"
}
person "kim" {
  mobile = "+44 7700 900123"
  email  = "kim@alderfork.example"
  reach  = ["sms", "email"]
}
person "rowan" {
  mobile = "+44 7700 900456"
  email  = "rowan@alderfork.example"
  reach  = ["email", "sms"]
}
call_out {
  gather = "0 s"
  repeat = "2 min"
  spare  = "1 min"
  climb  = "1 min"
}
mail {
  host    = "127.0.0.1"
  port    = %s
  user    = "weir"
  from    = "weir@alderfork.example"
  timeout = "2 s"
  password {
    env = "WEIRKEEPER_TEST_PASSWORD"
  }
}
sms {
  device   = %q
  timeout  = "5 s"
  per_hour = 1000
}
web {
  listen = "127.0.0.1:0"
}
broker {
  listen = "127.0.0.1:0"
}
`

const callRules = `
low_flow "troughs" {
  covers {
    kinds = ["trough"]
  }
  setpoint   = "20 L/min"
  on_delay   = "10 min"
  off_delay  = "1 min"
  priority   = "call-out"
  can_happen = "Fry use up the oxygen in minutes."
  to_do      = "Look for a blocked screen."
}
`

// beKilled is a daemon that holds a drill whenever none is open, and says so on
// standard output once it is in the record. To drain it holds no more, and says so
// whenever nothing waits. It ends then, once its standard input has ended.
func beKilled(words []string) error {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	over := make(chan struct{})
	go func() {
		_, _ = io.Copy(io.Discard, os.Stdin) // its end is what counts
		close(over)
	}()
	dir := words[0]
	micros, err := strconv.ParseInt(words[1], 10, 64)
	if err != nil {
		return err
	}
	hurry := hurried{time.UnixMicro(micros)}
	src, err := os.ReadFile(filepath.Join(dir, "site.hcl"))
	if err != nil {
		return err
	}
	files := hclread.NewFiles()
	c, diags := config.Parse(files, "site.hcl", src, config.Options{Now: hurry.Now()})
	if diags.HasErrors() {
		return diags
	}
	c.Paths.Data = dir
	p, diags := lang.Parse(files, []lang.Source{{Name: "rules.hcl", Text: []byte(callRules)}}, c.Site)
	if diags.HasErrors() {
		return diags
	}
	d, err := New(ctx, Options{
		Config: c, Program: p, Clock: hurry, Log: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError})),
		Getenv: os.Getenv, ReadFile: os.ReadFile, Synced: func() bool { return true },
	})
	if err != nil {
		return err
	}
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	fmt.Println("up")
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for i := 0; ; i++ {
		select {
		case err := <-done:
			return err
		case <-tick.C:
		}
		open := false
		if err := d.keeper.ask(ctx, func(now time.Time) error {
			open = d.keeper.drills.open(now) != nil
			return nil
		}); err != nil || open {
			continue // it ends, or it goes on
		}
		if words[2] == "drain" {
			if n, _, err := d.ledger.OutboxDepth(ctx); err != nil || n > 0 {
				continue
			}
			select {
			case <-over:
				cancel()
			default:
				fmt.Println("empty")
			}
			continue
		}
		id := fmt.Sprintf("drill/%s-%d", words[2], i)
		if _, err := d.keeper.Act(ctx, web.ActCommand{Act: act.Act{ID: id, Kind: act.DrillStarted, By: "kim"}}); err == nil {
			fmt.Println("held", id)
		}
	}
}

var replyCode = regexp.MustCompile(`Reply (\d{4})`)

// whole puts together what the modem took. A text whose sending was broken off
// between its parts is none.
func whole(taken []modemtest.Taken) (list []modemtest.Taken) {
	var now modemtest.Taken
	for _, x := range taken {
		switch {
		case x.Total == 0:
			list = append(list, x)
			continue
		case x.Seq == 1:
			now = x
		case x.Seq == now.Seq+1 && x.To == now.To:
			now.Text, now.Seq = now.Text+x.Text, x.Seq
		default:
			now = modemtest.Taken{}
			continue
		}
		if now.Seq == now.Total {
			list = append(list, now)
		}
	}
	return list
}

// TestCallKill kills the daemon with SIGKILL, time and again, while it calls people
// by a modem and by mail, both of which go wrong, and they answer by text message.
// No drill may be lost, each message must be handed over or be given up with a
// reason, of a text's copies all but one must say so, a spare goes only when its
// first did not, and an answer counts once.
func TestCallKill(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	dir := t.TempDir()
	k := &killing{dir: dir, dice: rand.New(rand.NewPCG(seed, 3)), held: map[string]bool{}, epoch: time.Now()} //nolint:gosec // a test's dice
	k.sim = modemtest.New(modemtest.Options{Wait: waitReal, Now: time.Now, Draw: k.fault, Away: 50 * time.Millisecond})
	t.Cleanup(k.sim.Close)
	device, err := k.sim.Listen(dir)
	if err != nil {
		t.Fatal(err)
	}
	k.server, err = smtptest.Start(smtptest.Options{TLS: mailCertificate(t, dir), User: "weir", Password: "s3cret", Plan: k.plan})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(k.server.Close)
	_, port, err := net.SplitHostPort(k.server.Addr())
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "site.hcl"), fmt.Appendf(nil, callSite, port, device), 0o600); err != nil {
		t.Fatal(err)
	}
	stop := make(chan struct{})
	var answering sync.WaitGroup
	answering.Go(func() { k.answer(t, stop) })
	for round := range *callKills {
		life := time.Duration(k.dieRoll(1000)) * time.Millisecond // when the power goes is anybody's guess
		var timer *time.Timer
		code := k.live(t, strconv.Itoa(round), func(line string) {
			if line == "up" {
				timer = time.AfterFunc(life, k.kill)
			}
		})
		if timer != nil {
			timer.Stop()
		}
		if code != -1 {
			t.Fatalf("round %d ended by itself with status %d\n%s", round, code, k.said)
		}
	}
	k.mu.Lock()
	k.calm = true
	k.mu.Unlock()
	began := time.Now()
	code := k.live(t, "drain", func(line string) {
		if line == "empty" && k.quiet() {
			_ = k.stdin.Close() // it may be closed
		}
	})
	close(stop)
	answering.Wait()
	t.Logf("the last life took %v", time.Since(began).Round(time.Millisecond))
	if code != 0 {
		t.Fatalf("the last life ended with status %d\n%s", code, k.said)
	}
	k.check(t)
}

// killing is what outlives the daemon: modem, mail server and people.
type killing struct {
	dir    string
	epoch  time.Time
	sim    *modemtest.Modem
	server *smtptest.Server
	stdin  io.Closer
	said   *bytes.Buffer
	held   map[string]bool

	mu      sync.Mutex
	child   *exec.Cmd
	dice    *rand.Rand
	calm    bool
	replies []string
	came    int  // so many replies, to the modem
	heard   int  // so many texts
	asleep  bool // nobody answers any more
}

// quiet reports whether every text was heard and every answer is in the record, and
// has nobody answer any more then.
func (k *killing) quiet() bool {
	taken := len(whole(k.sim.Taken()))
	k.mu.Lock()
	k.asleep = k.asleep || k.heard == taken
	said := k.asleep && len(k.replies) == k.came
	k.mu.Unlock()
	return said && k.sim.Stored() == 0
}

func (k *killing) dieRoll(n int) int {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.dice.IntN(n)
}

func (k *killing) isCalm() bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.calm
}

// kill ends this life.
func (k *killing) kill() {
	k.mu.Lock()
	defer k.mu.Unlock()
	_ = k.child.Process.Kill() // it may be dead
}

// fault is what the modem does wrong: nothing that takes longer than a life.
func (k *killing) fault(p modemtest.Point) modemtest.Fault {
	if k.isCalm() || p == modemtest.AtPIN {
		return modemtest.None
	}
	n := k.dieRoll(40)
	switch {
	case p == modemtest.AtPDU && n >= 34: // taken, and nobody to write it down
		k.kill()
		return modemtest.None
	case p == modemtest.AtErase && n >= 25: // written down, and still there
		k.kill()
		return modemtest.Deaf
	case p == modemtest.AtReport && n < 6:
		return modemtest.NotDelivered
	case p == modemtest.AtReport:
		return modemtest.None
	case p == modemtest.AtCommand && n > 0: // there are many of them
		return modemtest.None
	case n < 2:
		return []modemtest.Fault{modemtest.Split, modemtest.Refuse, modemtest.Vanish, modemtest.VanishAfter}[k.dieRoll(4)]
	case n < 4:
		return modemtest.Refuse
	}
	return modemtest.None
}

// plan is what the mail server does wrong.
func (k *killing) plan() smtptest.Fault {
	if k.isCalm() || k.dieRoll(10) < 6 {
		return smtptest.Fault{}
	}
	f := smtptest.Fault{At: smtptest.Phases()[k.dieRoll(len(smtptest.Phases()))]}
	if k.dieRoll(2) == 0 {
		f.Code = 451
	}
	f.Taken = f.At == smtptest.Dot && f.Code == 0
	return f
}

// answer has the people answer texts, and some of them twice, each time in other
// words.
func (k *killing) answer(t *testing.T, stop <-chan struct{}) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-stop:
			return
		case <-tick.C:
		}
		taken := whole(k.sim.Taken())
		k.mu.Lock()
		heard, asleep := k.heard, k.asleep
		k.mu.Unlock()
		if asleep {
			return
		}
		for _, x := range taken[heard:] {
			code := replyCode.FindStringSubmatch(x.Text)
			if code == nil || !k.isCalm() && k.dieRoll(4) == 0 {
				continue
			}
			for range 1 + k.dieRoll(2) {
				k.mu.Lock()
				if k.asleep {
					k.mu.Unlock()
					return
				}
				n := len(k.replies)
				said := fmt.Sprintf("%s coming x%c%c", code[1], 'a'+n/26%26, 'a'+n%26)
				k.replies = append(k.replies, said)
				k.mu.Unlock()
				if err := k.sim.Receive(x.To, said); err != nil {
					t.Errorf("reply: %v", err)
				}
				k.mu.Lock()
				k.came++
				k.mu.Unlock()
			}
		}
		k.mu.Lock()
		k.heard = len(taken)
		k.mu.Unlock()
	}
}

// live has the daemon live one life, gives what it says to hear, and its exit
// status, -1 when it was killed.
func (k *killing) live(t *testing.T, how string, hear func(string)) (status int) {
	t.Helper()
	child := exec.CommandContext(t.Context(), os.Args[0]) //nolint:gosec // this test
	child.Env = append(os.Environ(), fmt.Sprintf("%s=%s %d %s", callChild, k.dir, k.epoch.UnixMicro(), how),
		"SSL_CERT_FILE="+filepath.Join(k.dir, "cert.pem"), "WEIRKEEPER_TEST_PASSWORD=s3cret")
	k.said = &bytes.Buffer{}
	child.Stderr = k.said
	stdin, err := child.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	k.stdin = stdin
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	k.mu.Lock() // nobody kills it before it lives
	err = child.Start()
	k.child = child
	k.mu.Unlock()
	if err != nil {
		t.Fatal(err)
	}
	for s := bufio.NewScanner(out); s.Scan(); {
		if id, ok := strings.CutPrefix(s.Text(), "held "); ok {
			k.held[id] = true
		}
		hear(s.Text())
	}
	if err := child.Wait(); err != nil && !errors.As(err, new(*exec.ExitError)) {
		t.Fatal(err)
	}
	return child.ProcessState.ExitCode()
}

// check holds the record against what was held, taken and answered.
func (k *killing) check(t *testing.T) {
	t.Helper()
	l, err := ledger.Open(t.Context(), ledger.Options{Path: filepath.Join(k.dir, LedgerFile), Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	since := k.epoch.Add(-time.Hour)
	messages, err := l.Messages(t.Context(), since)
	acts, aerr := l.Acts(t.Context(), since)
	inbox, ierr := l.Inbox(t.Context(), since)
	if err := errors.Join(err, aerr, ierr, l.Check(t.Context())); err != nil {
		t.Fatal(err)
	}

	// Texts by receiver and words: copies by the modem, rows, and rows that were sent.
	type text struct{ to, words string }
	copies, unmarked, rows, sent := map[text]int{}, map[text]int{}, map[text]int{}, map[text]int{}
	doubles := 0
	for _, x := range whole(k.sim.Taken()) {
		words, again := strings.CutPrefix(x.Text, "(Again) ")
		if copies[text{x.To, words}]++; again {
			doubles++
		} else {
			unmarked[text{x.To, words}]++
		}
	}
	mails, mailUnmarked := map[string]int{}, map[string]int{}
	for _, m := range k.server.Mails() {
		id := strings.TrimSuffix(strings.TrimPrefix(m.MessageID, "<"), "@alderfork.example>")
		if mails[id]++; !strings.HasPrefix(m.Body, notify.AlreadyNote) {
			mailUnmarked[id]++
		}
	}
	byID := map[string]ledger.MessageRecord{}
	states := map[ledger.MessageState]int{}
	replies, spares := 0, 0
	for _, m := range messages {
		byID[m.ID] = m
		states[m.State]++
		if m.Reason == callout.Reply {
			replies++
		}
		if m.State == ledger.Pending || m.State == ledger.GivenUp && m.LastError == "" {
			t.Errorf("%s is %s, %q", m.ID, m.State, m.LastError)
		}
		switch m.Way {
		case callout.SMS:
			x := text{m.Address, gsm.Plain(m.Short)}
			if rows[x]++; m.State == ledger.Sent {
				sent[x]++
			}
		case callout.Email:
			if m.State == ledger.Sent && mails[m.ID] == 0 {
				t.Errorf("%s counts as sent, but never arrived", m.ID)
			}
			if n := mailUnmarked[m.ID]; n > 1 {
				t.Errorf("%s arrived %d times without a word of it", m.ID, n-1)
			}
		default:
		}
	}
	for x := range copies {
		if rows[x] == 0 {
			t.Errorf("the modem took %q, which is not in the record", x.words)
		}
	}
	for x, n := range rows {
		if unmarked[x] > n {
			t.Errorf("%q went out %d times without a word of it, for %d messages", x.words, unmarked[x], n)
		}
		if copies[x] < sent[x] {
			t.Errorf("%q counts as sent %d times, and the modem took %d", x.words, sent[x], copies[x])
		}
	}
	for _, m := range messages {
		if m.Unless == "" || m.State != ledger.Sent {
			continue
		}
		spares++
		if f := byID[m.Unless]; f.State == ledger.Sent && f.SentAt.Before(m.AttemptedAt) && f.Report != ledger.Failed {
			t.Errorf("%s went at %v for %s, which was handed over at %v", m.ID, m.AttemptedAt, f.ID, f.SentAt)
		}
	}

	// Each drill is in the record, and somebody was told of it.
	var drills []act.Act
	answered := map[string]int{} // by the text that did it
	for _, a := range acts {
		switch a.Kind {
		case act.DrillStarted:
			drills = append(drills, a)
			delete(k.held, a.ID)
		case act.DrillAnswered:
			answered[strings.TrimSuffix(strings.TrimPrefix(a.ID, "text/"), "/drill")]++
		default:
		}
	}
	for id := range k.held {
		t.Errorf("drill %s is gone", id)
	}
	for _, a := range drills {
		if !slices.ContainsFunc(messages, func(m ledger.MessageRecord) bool {
			return m.Reason == callout.Drill && !m.CreatedAt.Before(a.At) && m.CreatedAt.Before(a.Until) && m.State == ledger.Sent
		}) {
			t.Errorf("nobody was told of drill %s at %v", a.ID, a.At)
		}
	}
	if len(answered) > len(drills) {
		t.Errorf("%d drills and %d answers", len(drills), len(answered))
	}

	// Each answer is in the record once, did what it did once, and was answered once.
	came := map[string]int{}
	outcomes := map[string]int{}
	said := 0
	for _, e := range inbox {
		came[e.Body]++
		outcomes[e.Outcome]++
		if e.Said != "" {
			said++
		}
		if answered[e.ID] > 1 || answered[e.ID] == 1 && e.Outcome != string(Obeyed) {
			t.Errorf("%q was %s and answered %d drills", e.Body, e.Outcome, answered[e.ID])
		}
		delete(answered, e.ID)
	}
	for id := range answered {
		t.Errorf("a drill was answered by %q, which is not in the inbox", id)
	}
	for _, r := range k.replies {
		if came[r] != 1 {
			t.Errorf("%q is in the record %d times", r, came[r])
		}
	}
	if said != replies {
		t.Errorf("%d messages that came in were answered, by %d messages", said, replies)
	}
	t.Logf("%d kills: %d drills, %d messages %v, %d texts taken, %d of them marked copies, %d mails, %d spares went; %d answers %v",
		*callKills, len(drills), len(messages), states, len(k.sim.Taken()), doubles, len(mails), spares, len(inbox), outcomes)
	if len(drills) == 0 || outcomes[string(Obeyed)] == 0 || states[ledger.NotNeeded] == 0 {
		t.Errorf("the test needs drills, answers, and spares that are not needed")
	}
}
