// Package demo runs the whole of weirkeeper on a simulated hatchery through a
// night: the embedded broker, probes that publish over real MQTT, the daemon
// with its ledger, a mail server that prints what it gets, and a live status.
//
// Time is stepped, not raced: the clock moves on only when every reading of the
// step before has been acknowledged, which is to say committed, and every mail
// handed over. So a slow machine makes a slower night, and never a false alarm.
package demo

import (
	"context"
	_ "embed" // for the demo's site and rules files
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/clock"
	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/config"
	"weirkeeper/notify/sms/modem/modemtest"
	"weirkeeper/notify/smtp/sink"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/reading"
)

//go:embed alderfork.hcl
var metricSite []byte

//go:embed alderfork-rules.hcl
var metricRules []byte

//go:embed alderfork-us.hcl
var usSite []byte

//go:embed alderfork-us-rules.hcl
var usRules []byte

// Start is when the simulated night begins.
var Start = time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC)

// Step is how far simulated time moves at once.
const Step = 30 * time.Second

// Options of a demo.
type Options struct {
	// Speed is how much faster than real time it runs at most; 0 runs as fast
	// as the machine can.
	Speed float64
	Seed  int64
	// Length is how much simulated time it covers.
	Length time.Duration
	// US uses the twin in US units.
	US bool
	// Troubles are what goes wrong; nil means DefaultTroubles.
	Troubles []sim.Trouble
	// AnswerAfter is the simulated time after a call-out's first message to kim
	// at which kim answers; 0 means nobody answers.
	AnswerAfter time.Duration
	// Data is the data folder; "" uses one that is deleted at the end.
	Data string
	Out  io.Writer
	Log  *slog.Logger
}

// DefaultTroubles are a clogged intake screen in the evening, a probe that
// falls silent, a standpipe left up, and oxygen going low before dawn.
func DefaultTroubles() []sim.Trouble {
	return []sim.Trouble{
		{Kind: sim.ScreenClog, Start: 2 * time.Hour, Length: 90 * time.Minute, Severity: 0.2},
		{Kind: sim.ProbeSilent, Where: "trough 7 temperature", Start: 5 * time.Hour, Length: 40 * time.Minute},
		{Kind: sim.StandpipeUp, Where: "trough 3", Start: 7 * time.Hour, Length: 20 * time.Minute},
		{Kind: sim.OxygenLow, Where: "raceway 2", Start: 10 * time.Hour, Length: 45 * time.Minute},
	}
}

// Summary counts what the demo did.
type Summary struct {
	Published, Stored, Raised, Returned, Mails, Texts int
	// Gained is what each lot gathered, degree-days, by its ID.
	Gained map[string]float64
	Wall   time.Duration
}

// Load reads the demo's own site and rules.
func Load(us bool, now time.Time) (*config.Config, *lang.Program, error) {
	siteName, siteText, rulesName, rulesText := "alderfork.hcl", metricSite, "alderfork-rules.hcl", metricRules
	if us {
		siteName, siteText, rulesName, rulesText = "alderfork-us.hcl", usSite, "alderfork-us-rules.hcl", usRules
	}
	files := hclread.NewFiles()
	c, diags := config.Parse(files, siteName, siteText, config.Options{Now: now, Local: time.UTC})
	if diags.HasErrors() {
		return nil, nil, fmt.Errorf("demo: %w", diags)
	}
	p, diags := lang.Parse(files, []lang.Source{{Name: rulesName, Text: rulesText}}, c.Site)
	if diags.HasErrors() {
		return nil, nil, fmt.Errorf("demo: %w", diags)
	}
	return c, p, nil
}

// Run runs the demo to its end or until ctx ends.
func Run(ctx context.Context, opt Options) (Summary, error) {
	if opt.Troubles == nil {
		opt.Troubles = DefaultTroubles()
	}
	if opt.Data == "" {
		dir, err := os.MkdirTemp("", "weirkeeper-demo-")
		if err != nil {
			return Summary{}, fmt.Errorf("demo: %w", err)
		}
		defer func() { _ = os.RemoveAll(dir) }() // a leftover in the temporary folder hurts nobody
		opt.Data = dir
	}
	n := &night{opt: opt, clock: clock.NewStepped(Start), sum: Summary{Gained: make(map[string]float64)}}
	return n.run(ctx)
}

// night is one run.
type night struct {
	opt    Options
	clock  *clock.Stepped
	daemon *daemon.Daemon
	model  *sim.Model
	pub    *sim.Publisher
	sum    Summary
	seen   time.Time // the journal is told up to here, exclusive
	told   time.Time // the last status line

	modem     *modemtest.Modem // nil where there is no pseudo-terminal
	texts     int              // printed
	lastCode  string           // of the newest text to kim
	kimNumber string

	mu     sync.Mutex // guards what the mail server's goroutines touch
	mails  []sink.Message
	answer time.Time // when kim answers; zero: nothing to answer
	first  bool      // a mail has been printed whole
}

func (n *night) run(ctx context.Context) (Summary, error) {
	began := time.Now()
	c, prog, err := Load(n.opt.US, Start)
	if err != nil {
		return n.sum, err
	}
	if n.model, err = sim.New(c.Site, sim.Options{Seed: n.opt.Seed, Start: Start, Troubles: n.opt.Troubles}); err != nil {
		return n.sum, err
	}
	server, err := sink.Listen(ctx, sink.Options{Now: n.clock.Now, Log: n.opt.Log, Handle: n.mail})
	if err != nil {
		return n.sum, err
	}
	host, port, err := splitAddr(server.Addr())
	if err != nil {
		return n.sum, err
	}
	c.Mail = &config.Mail{Host: host, Port: port, TLS: config.NoTLS, From: "weirkeeper@alderfork.example", Timeout: 10 * time.Second}
	if stop := n.openModem(c); stop != nil {
		defer stop()
	}
	c.Broker = config.Broker{Listen: "127.0.0.1:0", Anonymous: true, ClientID: "weirkeeper-demo"}
	c.Web.Listen = "127.0.0.1:0"
	c.Paths.Data = n.opt.Data
	n.daemon, err = daemon.New(ctx, daemon.Options{
		Config: c, Program: prog, Clock: n.clock, Log: n.opt.Log, Getenv: os.Getenv, ReadFile: os.ReadFile, TickEvery: 10 * time.Second, Synced: func() bool { return true },
	})
	if err != nil {
		return n.sum, err
	}
	live, stop := context.WithCancel(ctx)
	defer stop()
	parts := []func(context.Context) error{server.Run, n.daemon.Run}
	ended := make(chan error, len(parts))
	for _, run := range parts {
		go func() { ended <- run(live) }()
	}
	err = n.steps(live, ended)
	stop()
	for range parts {
		if e := <-ended; err == nil && !errors.Is(e, context.Canceled) {
			err = e
		}
	}
	n.sum.Wall = time.Since(began)
	return n.sum, err
}

func splitAddr(addr string) (host string, port int, err error) {
	host, p, err := net.SplitHostPort(addr)
	if err != nil {
		return "", 0, fmt.Errorf("demo: %w", err)
	}
	port, err = strconv.Atoi(p)
	return host, port, err
}

// steps moves the night on step by step.
func (n *night) steps(ctx context.Context, ended chan error) error {
	addr, err := n.daemon.BrokerAddr(ctx)
	if err != nil {
		return err
	}
	n.pub = sim.NewPublisher(sim.PublisherOptions{URL: "mqtt://" + addr, ClientID: "alderfork-probes", Log: n.opt.Log})
	fmt.Fprintf(n.opt.Out, "Broker on %s, status on http://%s/ and metrics on http://%s/metrics while it runs.\n\n", addr, n.daemon.WebAddr(), n.daemon.WebAddr())
	began := time.Now()
	last := Start.Add(n.opt.Length)
	n.seen = Start
	nextLine := Start
	for now := Start; now.Before(last); {
		select {
		case err := <-ended:
			ended <- nil // counted once more by the caller
			return fmt.Errorf("demo: a part ended early: %w", err)
		default:
		}
		now = now.Add(Step)
		if err := n.clock.Advance(ctx, Step); err != nil {
			return err
		}
		due := n.model.Due(now)
		if err := n.pub.Publish(ctx, due); err != nil {
			return err
		}
		for _, d := range due {
			n.sum.Published += len(d.Probes)
		}
		if err := n.settle(ctx, now); err != nil {
			return err
		}
		if !now.Before(nextLine) {
			n.line(now)
			nextLine = now.Truncate(time.Hour).Add(time.Hour)
		}
		if n.opt.Speed > 0 {
			pause(ctx, time.Duration(float64(now.Sub(Start))/n.opt.Speed)-time.Since(began))
		}
	}
	n.pub.Close()
	return n.finish(ctx)
}

func pause(ctx context.Context, d time.Duration) {
	if d <= 0 {
		return
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}

// settle waits until what the step led to has been told, then prints it.
func (n *night) settle(ctx context.Context, now time.Time) error {
	l := n.daemon.Ledger()
	for wait := 0; ; wait++ {
		due, err := l.DueMessages(ctx, n.clock.Now(), 1)
		if err != nil {
			return err
		}
		if len(due) == 0 || wait > 2000 {
			break
		}
		pause(ctx, time.Millisecond)
	}
	next := now.Add(time.Microsecond)
	journal, err := l.Journal(ctx, n.seen, next)
	if err != nil {
		return err
	}
	n.seen = next
	for _, t := range journal {
		n.transition(t)
	}
	n.printMail()
	n.printTexts(now)
	if n.answerDue(now) {
		return n.kimAnswers(ctx, now)
	}
	return nil
}

func at(t time.Time) string { return t.Format("15:04:05") }

func (n *night) transition(t alarm.Transition) {
	word := t.To.String()
	switch {
	case t.Kind == alarm.LotDue:
		if t.Raised() {
			fmt.Fprintf(n.opt.Out, "%s  notice for the morning: %s: %s\n", at(t.At), t.Trouble, t.Detail)
		}
		return
	case t.Raised():
		n.sum.Raised++
		word = "ALARM"
	case t.Returned():
		n.sum.Returned++
		word = "back to normal"
	case t.To == alarm.Acknowledged:
		word = "acknowledged by " + t.By
	}
	fmt.Fprintf(n.opt.Out, "%s  %s [%s] %s: %s (%s)\n", at(t.At), word, t.Priority, t.Trouble, t.Detail, t.RuleAt)
}

// mail is the mail server's side.
func (n *night) mail(m sink.Message) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.mails = append(n.mails, m)
	if n.modem == nil && n.answer.IsZero() && n.opt.AnswerAfter > 0 && !slices.ContainsFunc([]string{"Answered", "Back to normal", "No longer watched"}, func(p string) bool { return strings.HasPrefix(m.Subject, p) }) {
		n.answer = m.ReceivedAt.Add(n.opt.AnswerAfter)
	}
}

func (n *night) answerDue(now time.Time) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.answer.IsZero() || now.Before(n.answer) {
		return false
	}
	n.answer = time.Time{}
	return true
}

func (n *night) printMail() {
	n.mu.Lock()
	mails := n.mails
	n.mails = nil
	n.mu.Unlock()
	for _, m := range mails {
		n.sum.Mails++
		fmt.Fprintf(n.opt.Out, "%s  mail accepted for %s: %s\n", at(m.ReceivedAt), strings.Join(m.To, ", "), m.Subject)
		if !n.first {
			n.first = true
			fmt.Fprintf(n.opt.Out, "          | %s\n", strings.ReplaceAll(strings.TrimRight(m.Body, "\n"), "\n", "\n          | "))
		}
	}
}

// line is the live status, once an hour of the night.
func (n *night) line(now time.Time) {
	s := n.daemon.Status()
	if s == nil {
		return
	}
	n.told = now
	var b strings.Builder
	fmt.Fprintf(&b, "%s  %d readings safe", at(now), n.sum.Published)
	for _, q := range []reading.Quantity{reading.Flow, reading.Temperature, reading.Oxygen} {
		if p, ok := s.Site.SpringProbe(q); ok {
			for _, v := range s.Probes {
				if v.Probe.ID == p.ID && v.Heard {
					fmt.Fprintf(&b, ", spring %s %s", q, s.Site.ShowUnit(q).Format(v.Last.Value))
				}
			}
		}
	}
	active := 0
	for _, c := range s.Active() {
		active += c
	}
	fmt.Fprintf(&b, ", alarms active: %d\n          lots, degree-days:", active)
	for i, l := range s.Lots {
		gained := float64(l.Units.DegreeDays - l.Lot.StartUnits)
		n.sum.Gained[l.Lot.ID] = gained
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, " %s %.2f (+%.2f)", l.Lot.ID, l.Units.DegreeDays, gained)
	}
	fmt.Fprintln(n.opt.Out, b.String())
}

// finish says how it all stands and counts what is in the record.
func (n *night) finish(ctx context.Context) error {
	counts, err := n.daemon.Ledger().CountReadings(ctx)
	if err != nil {
		return err
	}
	for _, c := range counts {
		n.sum.Stored += c
	}
	s := n.daemon.Status()
	if s == nil {
		return errors.New("demo: the keeper never ticked")
	}
	if n.told != s.Now.Truncate(Step) {
		n.line(s.Now)
	}
	fmt.Fprintln(n.opt.Out)
	return s.Write(n.opt.Out)
}
