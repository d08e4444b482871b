package modem

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"regexp"
	"sync"
	"time"

	"weirkeeper/notify"
	"weirkeeper/rules/callout"
)

// Text is a text message that came in.
type Text struct {
	// ID is made of sender, time stamp and body: the same text read twice has the
	// same.
	ID string
	// From is the sender's number as the network gives it, "" where it gives a
	// Name: that is whatever the sender likes, and proves nothing.
	From, Name string
	// At is the time stamp of the message centre, by its own clock.
	At   time.Time
	Body string
}

// Report is what became of a message after it was sent.
type Report struct {
	// ID is that of the callout.Message.
	ID        string
	Delivered bool // else it will not be
	Words     string
}

// Event is something to be counted.
type Event string

// The events.
const (
	CommandFailed    Event = "command failed"
	Reset            Event = "reset"
	PortLost         Event = "port lost"
	TextSent         Event = "text sent" // each part
	TextFailed       Event = "text failed"
	TextReceived     Event = "text received"
	TextUnreadable   Event = "text unreadable"
	ReportDelivered  Event = "report delivered"
	ReportFailed     Event = "report failed"
	ReportUnexpected Event = "report unexpected" // of no message of ours
)

// Events lists every event.
func Events() []Event {
	return []Event{
		CommandFailed, Reset, PortLost, TextSent, TextFailed, TextReceived, TextUnreadable,
		ReportDelivered, ReportFailed, ReportUnexpected,
	}
}

// Options are what a Modem works with. Open, Now, Wait, Log and OnText are
// needed. The callbacks are called by Run, one at a time, and hold it up.
type Options struct {
	Open func(ctx context.Context) (Port, error)
	PIN  string // of the SIM, 4 to 8 digits; "" for none
	// PINFile remembers over restarts that the PIN was refused, so that it is not
	// tried again; "" remembers nothing.
	PINFile string
	Now     func() time.Time
	// Wait waits for d, or returns the error of ctx when that ends first.
	Wait func(ctx context.Context, d time.Duration) error
	Log  *slog.Logger
	// Zone is for hours in State.Trouble; nil means UTC.
	Zone *time.Location
	// Poll is how often the modem is asked how it is and what came in; 0 means
	// 30 s. Texts that are announced are read at once.
	Poll time.Duration
	// OnText takes a text over for good. After an error it comes again.
	OnText func(context.Context, Text) error
	// OnReport, OnState and Count may be nil.
	OnReport func(Report)
	OnState  func(State)
	Count    func(Event)
	// SendLimit, AnswerLimit and PromptLimit bound the wait for the network to
	// take a PDU, for the answer to any other command and for the prompt; 0 means
	// 60 s, 10 s and 10 s (common practice, no source). A Deliver whose context
	// ends earlier waits no longer.
	SendLimit, AnswerLimit, PromptLimit time.Duration
}

// Modem is a modem on a serial port.
type Modem struct {
	opt  Options
	jobs chan *job

	mu    sync.Mutex
	state State

	// The others are Run's.

	// pinTried: the PIN was given and not accepted, or nobody knows.
	pinTried bool
	// sent are the messages whose delivery report is still to come.
	sent []sentPart
	open map[string]*openReports
	// firstSeen is when an incomplete text was seen first, by its parts' key.
	firstSeen map[string]time.Time
	// handed are PDUs whose text was taken over and that are still in the store.
	handed map[string]bool
	// lastReset is when the modem was reset last; noNetwork since when it has had
	// no network, refused how many sends the modem refused in a row.
	lastReset, noNetwork time.Time
	refused              int
	unclear              int  // so often in a row it was not said how the SIM is
	ready                bool // the port that is open now was of use
}

type job struct {
	ctx   context.Context
	id    string
	parts []pdu
	done  chan error // of capacity 1
}

// New makes a Modem. It starts nothing.
func New(opt Options) *Modem {
	def := func(d *time.Duration, v time.Duration) {
		if *d == 0 {
			*d = v
		}
	}
	def(&opt.Poll, 30*time.Second)
	def(&opt.SendLimit, time.Minute)
	def(&opt.AnswerLimit, 10*time.Second)
	def(&opt.PromptLimit, 10*time.Second)
	if opt.Zone == nil {
		opt.Zone = time.UTC
	}
	if opt.OnReport == nil {
		opt.OnReport = func(Report) {}
	}
	if opt.OnState == nil {
		opt.OnState = func(State) {}
	}
	if opt.Count == nil {
		opt.Count = func(Event) {}
	}
	opt.Log = opt.Log.With("component", "modem")
	return &Modem{
		opt: opt, jobs: make(chan *job), open: map[string]*openReports{},
		firstSeen: map[string]time.Time{}, handed: map[string]bool{},
	}
}

// State gives how the modem is now.
func (m *Modem) State() State {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.state
}

// change changes the state, and tells of it.
func (m *Modem) change(f func(*State)) {
	m.mu.Lock()
	old := m.state
	f(&m.state)
	switch was, is := old.trouble(), m.state.trouble(); {
	case is == "":
		m.state.Since = time.Time{}
	case was != is:
		m.state.Since = m.opt.Now().In(m.opt.Zone)
	}
	now := m.state
	m.mu.Unlock()
	if now != old {
		m.opt.OnState(now)
	}
}

// number is ITU-T E.164's: at most 15 digits, none of them a leading zero. Fewer
// than 7 are no mobile telephone (common practice, no source).
var number = regexp.MustCompile(`^\+[1-9][0-9]{6,14}$`)

// Deliver implements notify.Deliverer for callout.SMS. It needs a Run, and
// returns when ctx ends at the latest, or as soon as the port lets go of a PDU
// that is on its way.
func (m *Modem) Deliver(ctx context.Context, msg callout.Message) (string, error) {
	if msg.Way != callout.SMS {
		return "", &notify.DeliveryError{Err: fmt.Errorf("modem: a message by %s is no text message", msg.Way), Permanent: true}
	}
	if !number.MatchString(msg.Address) {
		return "", &notify.DeliveryError{Err: errors.New("modem: the number of this person cannot be dialled; write it like +447700900123"), Permanent: true}
	}
	parts, err := m.encode(msg)
	if err != nil {
		return "", &notify.DeliveryError{Err: fmt.Errorf("modem: %w", err), Permanent: true}
	}
	j := &job{ctx: ctx, id: msg.ID, parts: parts, done: make(chan error, 1)}
	select {
	case m.jobs <- j:
	case <-ctx.Done():
		return "", &notify.DeliveryError{Err: fmt.Errorf("modem: nothing was sent in time: %w", ctx.Err())}
	}
	// Run answers each job that it took, soon after ctx at the latest.
	if err := <-j.done; err != nil {
		m.opt.Count(TextFailed)
		return "", err
	}
	if len(parts) == 1 {
		return "taken by the network", nil
	}
	return fmt.Sprintf("taken by the network in %d parts", len(parts)), nil
}

// Waits from one opening of the port to the next.
const (
	firstWait = time.Second
	longWait  = time.Minute
)

// Run talks to the modem until ctx ends, and opens the port again whenever it
// goes away. It returns nil.
func (m *Modem) Run(ctx context.Context) error {
	wait := firstWait
	for {
		m.ready = false
		err := m.session(ctx)
		if ctx.Err() != nil {
			return nil //nolint:nilerr // the end of ctx is no error
		}
		if m.ready {
			wait = firstWait
			m.opt.Count(PortLost)
		}
		if m.ready || m.State().LastError == "" {
			m.opt.Log.Warn("modem lost, its port is opened again", "err", err)
		}
		m.change(func(s *State) { *s = State{LastError: err.Error(), Since: s.Since} })
		m.idle(ctx, wait)
		if ctx.Err() != nil {
			return nil //nolint:nilerr // the end of ctx is no error
		}
		wait = min(2*wait, longWait)
	}
}

// idle waits, and refuses messages meanwhile.
func (m *Modem) idle(ctx context.Context, d time.Duration) {
	over := make(chan struct{})
	go func() {
		defer close(over)
		_ = m.opt.Wait(ctx, d) // ctx is asked afterwards
	}()
	for {
		select {
		case <-over:
			return
		case j := <-m.jobs:
			j.done <- m.notNow()
		}
	}
}

// notNow is the error for a message that cannot be sent as things are.
func (m *Modem) notNow() error {
	why := m.State().Trouble()
	if why == "" {
		why = "the modem is not ready"
	}
	return &notify.DeliveryError{Err: errors.New(why)}
}
