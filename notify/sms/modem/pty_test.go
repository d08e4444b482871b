package modem_test

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weirkeeper/notify/sms/modem"
	"weirkeeper/notify/sms/modem/modemtest"
	"weirkeeper/rules/callout"
)

// TestTerminal runs the driver over a real serial port interface: a
// pseudo-terminal that goes away and comes back, echo, noise, answers in pieces,
// and a text in each direction after each.
func TestTerminal(t *testing.T) {
	defer goleak.VerifyNone(t)
	sim := modemtest.New(modemtest.Options{Wait: wait, Now: time.Now, PIN: "1234", Away: 10 * time.Millisecond})
	defer sim.Close()
	device, err := sim.Listen(t.TempDir())
	if err != nil {
		t.Skip("no pseudo-terminal here:", err)
	}
	texts := make(chan modem.Text, 10)
	states := make(chan modem.State, 1000)
	m := modem.New(modem.Options{
		Open: modem.Serial(device, 115200), PIN: "1234", Now: time.Now,
		// No wait here is for the sake of time: the quicker the better.
		Wait: func(ctx context.Context, d time.Duration) error { return wait(ctx, min(d, 5*time.Millisecond)) },
		Log:  slog.New(slog.DiscardHandler),
		OnText: func(_ context.Context, x modem.Text) error {
			texts <- x
			return nil
		},
		OnState: func(s modem.State) { states <- s },
	})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- m.Run(ctx) }()
	defer func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}()
	until := func(what string, ok func(modem.State) bool) {
		t.Helper()
		for s := m.State(); !ok(s); {
			select {
			case s = <-states:
			case <-time.After(time.Minute):
				t.Fatalf("%s: not within a minute: %+v", what, s)
			}
		}
	}
	well := func(s modem.State) bool { return s.Port && s.SIM == modem.SIMReady && s.Network.Registered() }
	exchange := func(what string) {
		t.Helper()
		until(what, well)
		if err := sim.Receive(rowan, what); err != nil {
			t.Fatal(err)
		}
		select {
		case x := <-texts:
			if x.From != rowan || x.Body != what {
				t.Errorf("%s: came in: %+v", what, x)
			}
		case <-time.After(time.Minute):
			t.Fatalf("%s: nothing came in", what)
		}
		before := len(sim.Taken())
		if _, err := m.Deliver(t.Context(), callout.Message{ID: what, Way: callout.SMS, Address: kim, Short: what}); err != nil {
			t.Errorf("%s: %v", what, err)
		}
		if got := sim.Taken(); len(got) != before+1 || got[before].Text != what {
			t.Errorf("%s: taken: %+v", what, got)
		}
	}
	exchange("at the start")
	for _, f := range []modemtest.Fault{modemtest.Split, modemtest.Noise, modemtest.Interrupt, modemtest.Refuse} {
		sim.Next(modemtest.AtCommand, f, f, f, f, f, f)
		exchange(string(f))
	}
	sim.Next(modemtest.AtPrompt, modemtest.Split)
	sim.Next(modemtest.AtPDU, modemtest.Split)
	exchange("in pieces")
	for range 3 {
		starts := sim.Starts()
		sim.Vanish()
		until("gone", func(s modem.State) bool { return !s.Port })
		exchange("after it came back")
		if sim.Starts() != starts+1 {
			t.Errorf("started %d times", sim.Starts()-starts)
		}
	}
	sim.Next(modemtest.AtPDU, modemtest.VanishAfter)
	before := len(sim.Taken())
	_, err = m.Deliver(t.Context(), callout.Message{ID: "x", Way: callout.SMS, Address: kim, Short: "pulled out"})
	if outcome(err) != "unknown" || len(sim.Taken()) != before+1 {
		t.Errorf("pulled out after the PDU: %v", err)
	}
	exchange("at the end")
}
