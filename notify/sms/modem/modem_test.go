package modem_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/notify"
	"weirkeeper/notify/sms/modem"
	"weirkeeper/notify/sms/modem/modemtest"
	"weirkeeper/rules/callout"
)

// wait waits by the clock of the bubble, which goes on when all is still.
func wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

const (
	kim   = "+447700900123"
	rowan = "+447700900456"
)

// rig is a driver and a simulated modem.
type rig struct {
	*modem.Modem
	sim    *modemtest.Modem
	cancel context.CancelFunc
	done   chan error

	mu       sync.Mutex
	texts    []modem.Text
	reports  []modem.Report
	counts   map[modem.Event]int
	troubles []string
	refuse   int      // so many OnText fail
	early    []string // PDUs deleted before their text was taken over
}

// start starts both. It must be in a bubble.
func start(t *testing.T, sim modemtest.Options, opt modem.Options) *rig {
	t.Helper()
	r := &rig{done: make(chan error, 1), counts: map[modem.Event]int{}}
	sim.Wait, sim.Now = wait, time.Now
	if sim.OnErase == nil {
		sim.OnErase = func(string) {}
	}
	r.sim = modemtest.New(sim)
	opt.Open = func(ctx context.Context) (modem.Port, error) { return r.sim.Dial(ctx) }
	opt.Now, opt.Wait, opt.Log = time.Now, wait, slog.New(slog.DiscardHandler)
	opt.OnText = func(_ context.Context, x modem.Text) error {
		r.mu.Lock()
		defer r.mu.Unlock()
		if r.refuse > 0 {
			r.refuse--
			return errors.New("no room")
		}
		r.texts = append(r.texts, x)
		return nil
	}
	opt.OnReport = func(x modem.Report) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.reports = append(r.reports, x)
	}
	opt.OnState = func(s modem.State) {
		r.mu.Lock()
		defer r.mu.Unlock()
		if x := s.Trouble(); len(r.troubles) == 0 || r.troubles[len(r.troubles)-1] != x {
			r.troubles = append(r.troubles, x)
		}
	}
	opt.Count = func(e modem.Event) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.counts[e]++
	}
	r.Modem = modem.New(opt)
	ctx, cancel := context.WithCancel(t.Context())
	r.cancel = cancel
	go func() { r.done <- r.Run(ctx) }()
	return r
}

// stop ends both.
func (r *rig) stop(t *testing.T) {
	t.Helper()
	r.cancel()
	if err := <-r.done; err != nil {
		t.Errorf("Run: %v, want nil", err)
	}
	r.sim.Close()
}

// send hands over a message as the sender does, within a minute and a half.
func (r *rig) send(t *testing.T, id, to, text string) error {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
	defer cancel()
	_, err := r.Deliver(ctx, callout.Message{
		ID: id, Way: callout.SMS, Address: to, Short: text, Attempts: 1, ExpiresAt: time.Now().Add(24 * time.Hour),
	})
	return err
}

func (r *rig) bodies() (list []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, x := range r.texts {
		list = append(list, x.From+": "+x.Body)
	}
	return list
}

func (r *rig) told() []modem.Report {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.reports)
}

func (r *rig) count(e modem.Event) int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.counts[e]
}

func (r *rig) takenTexts() (list []string) {
	for _, x := range r.sim.Taken() {
		list = append(list, x.To+": "+x.Text)
	}
	return list
}

// outcome is what an error says of a message.
func outcome(err error) string {
	if err == nil {
		return "sent"
	}
	var d *notify.DeliveryError
	switch {
	case !errors.As(err, &d):
		return "other error: " + err.Error()
	case d.Unknown:
		return "unknown"
	case d.Permanent:
		return "permanent"
	}
	return "temporary"
}

const trouble = "Trough 7: flow 2.1 L/min, should be 8 or more. Answer 4711"

// TestSend puts each fault at each point of a hand-over. What the simulated modem
// took may only be reported as sent or unknown, what it did not take never as
// sent; and the next message goes through.
func TestSend(t *testing.T) {
	type fault struct {
		at   modemtest.Point
		what modemtest.Fault
	}
	want := map[fault]string{
		{modemtest.AtPrompt, modemtest.Mute}:     "temporary",
		{modemtest.AtPrompt, modemtest.Deaf}:     "temporary",
		{modemtest.AtPrompt, modemtest.Refuse}:   "temporary",
		{modemtest.AtPrompt, modemtest.Late}:     "temporary", // later than the limit
		{modemtest.AtPrompt, modemtest.Vanish}:   "temporary",
		{modemtest.AtPDU, modemtest.Mute}:        "unknown",
		{modemtest.AtPDU, modemtest.Deaf}:        "unknown",
		{modemtest.AtPDU, modemtest.Refuse}:      "temporary",
		{modemtest.AtPDU, modemtest.Vanish}:      "unknown",
		{modemtest.AtPDU, modemtest.VanishAfter}: "unknown",
		{modemtest.AtPDU, modemtest.Silent}:      "unknown",
	}
	for _, p := range []modemtest.Point{modemtest.AtPrompt, modemtest.AtPDU} {
		for _, f := range modemtest.Faults(p) {
			t.Run(fmt.Sprintf("%s/%s", p, f), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					r := start(t, modemtest.Options{}, modem.Options{})
					defer r.stop(t)
					r.sim.Next(p, f)
					err := r.send(t, "m1", kim, trouble)
					w := want[fault{p, f}]
					if w == "" {
						w = "sent"
					}
					if got := outcome(err); got != w {
						t.Errorf("outcome %s (%v), want %s", got, err, w)
					}
					taken := len(r.sim.Taken())
					if w == "sent" && taken != 1 || w == "temporary" && taken != 0 {
						t.Errorf("the modem took %d messages when the outcome is %s", taken, w)
					}
					if f == modemtest.Vanish || f == modemtest.VanishAfter {
						time.Sleep(2 * time.Minute)
					} // else at once
					if err := r.send(t, "m2", rowan, "Trough 7 is well again"); err != nil {
						t.Errorf("next message: %v", err)
					}
					if got := r.takenTexts(); len(got) != taken+1 || got[taken] != rowan+": Trough 7 is well again" {
						t.Errorf("the modem took %q", got)
					}
				})
			})
		}
	}
}

// TestCommandFaults puts each fault at each of the commands from the start on. A
// message that waits goes out all the same, and a text comes in.
func TestCommandFaults(t *testing.T) {
	for _, f := range modemtest.Faults(modemtest.AtCommand) {
		t.Run(string(f), func(t *testing.T) {
			for n := range 22 {
				synctest.Test(t, func(t *testing.T) {
					r := start(t, modemtest.Options{}, modem.Options{})
					defer r.stop(t)
					r.sim.Next(modemtest.AtCommand, append(make([]modemtest.Fault, n), f)...)
					if err := r.sim.Receive(rowan, "4711 coming"); err != nil {
						t.Fatal(err)
					}
					var err error
					for range 4 { // the sender tries again
						if err = r.send(t, "m1", kim, trouble); err == nil {
							break
						}
						if got := outcome(err); got != "temporary" {
							t.Errorf("command %d: outcome %s (%v)", n, got, err)
						}
						time.Sleep(15 * time.Second)
					}
					if err != nil {
						t.Errorf("command %d: %v", n, err)
					}
					if diff := cmp.Diff([]string{kim + ": " + trouble}, r.takenTexts()); diff != "" {
						t.Errorf("command %d: taken (-want +got):\n%s", n, diff)
					}
					time.Sleep(3 * time.Minute)
					if diff := cmp.Diff([]string{rowan + ": 4711 coming"}, r.bodies()); diff != "" {
						t.Errorf("command %d: came in (-want +got):\n%s", n, diff)
					}
					if r.sim.Stored() != 0 {
						t.Errorf("command %d: %d texts are still in the store", n, r.sim.Stored())
					}
				})
			}
		})
	}
}

// TestRefusals has what the network's answers come to.
func TestRefusals(t *testing.T) {
	tests := []struct {
		code          int
		outcome, says string
	}{
		{1, "permanent", "there is no such number"},
		{38, "temporary", "the network is out of order"},
		{42, "temporary", "the network is overloaded"},
		{322, "temporary", "the memory for texts is full"},
		{331, "temporary", "no network"},
		{332, "unknown", "the network did not answer"},
		{500, "unknown", "unknown error"},
		{777, "temporary", "no words known for this number"},
	}
	for _, tt := range tests {
		t.Run(fmt.Sprint(tt.code), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := start(t, modemtest.Options{}, modem.Options{})
				defer r.stop(t)
				r.sim.RefuseNext(tt.code)
				err := r.send(t, "m1", kim, trouble)
				if got := outcome(err); got != tt.outcome || !strings.Contains(fmt.Sprint(err), tt.says) {
					t.Errorf("outcome %s (%v), want %s and %q", got, err, tt.outcome, tt.says)
				}
				if err := r.send(t, "m1", kim, trouble); err != nil {
					t.Errorf("again: %v", err)
				}
			})
		})
	}
}

func TestNotSent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, modemtest.Options{}, modem.Options{})
		defer r.stop(t)
		for _, to := range []string{"", "07700900123", "+44 7700 900123", "+0123456789", "+4477009001234567", "kim@alderfork.example"} {
			if got := outcome(r.send(t, "m1", to, trouble)); got != "permanent" {
				t.Errorf("to %q: %s, want permanent", to, got)
			}
		}
		_, err := r.Deliver(t.Context(), callout.Message{ID: "m2", Way: callout.Email, Address: kim})
		if got := outcome(err); got != "permanent" {
			t.Errorf("a mail: %s, want permanent", got)
		}
		if n := len(r.sim.Taken()); n != 0 {
			t.Errorf("%d messages were sent", n)
		}
	})
}

// TestLong sends a text of two parts, and says of a break between them that it may
// have arrived.
func TestLong(t *testing.T) {
	long := strings.Repeat("The spring has stopped. ", 10)
	synctest.Test(t, func(t *testing.T) {
		r := start(t, modemtest.Options{}, modem.Options{})
		defer r.stop(t)
		if err := r.send(t, "m1", kim, long); err != nil {
			t.Fatal(err)
		}
		taken := r.sim.Taken()
		if len(taken) != 2 || taken[0].Text+taken[1].Text != long || taken[0].Seq != 1 || taken[1].Seq != 2 {
			t.Errorf("taken: %+v", taken)
		}
		time.Sleep(time.Minute)
		if diff := cmp.Diff([]modem.Report{{ID: "m1", Delivered: true, Words: "delivered: the telephone has it"}}, r.told()); diff != "" {
			t.Errorf("one report for both parts (-want +got):\n%s", diff)
		}
		r.sim.Next(modemtest.AtPDU, modemtest.None, modemtest.Refuse)
		if err := r.send(t, "m2", kim, long); outcome(err) != "unknown" || !strings.Contains(err.Error(), "part 2 of 2") {
			t.Errorf("a break: %v", err)
		}
	})
}

func TestReports(t *testing.T) {
	tests := []struct {
		fault modemtest.Fault
		want  []modem.Report
	}{
		{modemtest.None, []modem.Report{{ID: "m1", Delivered: true, Words: "delivered: the telephone has it"}}},
		{modemtest.NotDelivered, []modem.Report{{ID: "m1", Words: "not delivered: the time for delivery ran out"}}},
		{modemtest.NoReport, nil},
		{modemtest.ReportLater, []modem.Report{{ID: "m1", Delivered: true, Words: "delivered: the telephone has it"}}},
	}
	for _, tt := range tests {
		t.Run(string(tt.fault), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := start(t, modemtest.Options{}, modem.Options{})
				defer r.stop(t)
				r.sim.Next(modemtest.AtReport, tt.fault)
				if err := r.send(t, "m1", kim, trouble); err != nil {
					t.Fatal(err)
				}
				time.Sleep(time.Minute)
				if diff := cmp.Diff(tt.want, r.told()); diff != "" {
					t.Errorf("reports (-want +got):\n%s", diff)
				}
			})
		})
	}
}

// TestPIN gives a right PIN after each start of the modem, and a wrong one once.
func TestPIN(t *testing.T) {
	tests := []struct {
		name, pin string
		pins      int
		sim       modem.SIM
		says      string
	}{
		{"right", "1234", 2, modem.SIMReady, ""},
		{"wrong", "4321", 1, modem.PINRefused, "refused the PIN"},
		{"none", "", 0, modem.PINWanted, "wants a PIN"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := start(t, modemtest.Options{PIN: "1234"}, modem.Options{PIN: tt.pin})
				defer r.stop(t)
				time.Sleep(5 * time.Minute)
				r.sim.Vanish()
				time.Sleep(5 * time.Minute)
				if got := r.sim.PINs(); got != tt.pins {
					t.Errorf("the PIN was given %d times, want %d", got, tt.pins)
				}
				st := r.State()
				if st.SIM != tt.sim || !strings.Contains(st.Trouble(), tt.says) || (st.Trouble() == "") != (tt.says == "") {
					t.Errorf("SIM %s, trouble %q", st.SIM, st.Trouble())
				}
				err := r.send(t, "m1", kim, trouble)
				if want := map[bool]string{true: "sent", false: "temporary"}[tt.says == ""]; outcome(err) != want {
					t.Errorf("a message: %v", err)
				}
			})
		})
	}
}

// TestPINOverRestarts starts the program again and again: no PIN is given that the
// SIM refused, and one of which nothing is known twice at most. Another one is.
func TestPINOverRestarts(t *testing.T) {
	file := filepath.Join(t.TempDir(), "pin")
	for _, tt := range []struct {
		name, pin string
		fault     modemtest.Fault // in the answer to AT+CPIN=
		code      string          // of the SIM
		pins      []int           // given at each start
		sim       modem.SIM       // at the end
	}{
		{"wrong", "4321", modemtest.None, "1234", []int{1, 0, 0}, modem.PINRefused},
		{"still", "4321", modemtest.None, "1234", []int{0}, modem.PINRefused},
		{"other", "1234", modemtest.None, "1234", []int{1, 1, 1}, modem.SIMReady},
		{"wrong, the first again", "4321", modemtest.None, "1234", []int{1, 0}, modem.PINRefused}, // the SIM counts anew since
		{"nothing known", "5555", modemtest.VanishAfter, "1234", []int{1, 1, 0, 0}, modem.PINRefused},
		{"right after all", "5555", modemtest.None, "", []int{0}, modem.SIMReady}, // opened by hand
		{"right", "5555", modemtest.None, "5555", []int{1}, modem.SIMReady},
	} {
		t.Run(tt.name, func(t *testing.T) {
			for i, want := range tt.pins {
				synctest.Test(t, func(t *testing.T) {
					r := start(t, modemtest.Options{PIN: tt.code}, modem.Options{PIN: tt.pin, PINFile: file})
					defer r.stop(t)
					r.sim.Next(modemtest.AtPIN, tt.fault)
					time.Sleep(5 * time.Minute)
					if got := r.sim.PINs(); got != want {
						t.Errorf("start %d: the PIN was given %d times, want %d", i+1, got, want)
					}
					if st := r.State(); i == len(tt.pins)-1 && st.SIM != tt.sim {
						t.Errorf("SIM %s, want %s; %s", st.SIM, tt.sim, st.Trouble())
					}
				})
			}
			info, err := os.Stat(file)
			if there := err == nil; there != (tt.sim == modem.PINRefused) {
				t.Errorf("the file is there: %v", there)
			} else if there && info.Mode().Perm() != 0o600 {
				t.Errorf("its mode is %v", info.Mode())
			}
			if b, _ := os.ReadFile(file); strings.Contains(string(b), tt.pin) {
				t.Errorf("the PIN is in the file: %s", b)
			}
		})
	}
}

// TestPINFileUnusable goes by what this start knows.
func TestPINFileUnusable(t *testing.T) {
	for name, file := range map[string]string{"no folder": filepath.Join(t.TempDir(), "gone", "pin"), "a folder": t.TempDir()} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := start(t, modemtest.Options{PIN: "1234"}, modem.Options{PIN: "1234", PINFile: file})
				defer r.stop(t)
				time.Sleep(time.Minute)
				if st := r.State(); st.SIM != modem.SIMReady {
					t.Errorf("SIM %s", st.SIM)
				}
			})
		})
	}
}

// TestTroubles has what a keeper reads.
func TestTroubles(t *testing.T) {
	tests := []struct {
		name   string
		do     func(*rig)
		undo   func(*rig)
		during string
		sends  bool
	}{
		{"no SIM", func(r *rig) { r.sim.TakeSIM(true) }, func(r *rig) { r.sim.TakeSIM(false) }, "no SIM in the modem (since 00:0", false},
		{
			"SIM not answering", func(r *rig) {
				r.sim.Next(modemtest.AtCommand, slices.Repeat([]modemtest.Fault{modemtest.Refuse}, 44)...)
			},
			func(*rig) {}, "the SIM cannot be read", false,
		},
		{"searching", func(r *rig) { r.sim.Register(2) }, func(r *rig) { r.sim.Register(5) }, "no network: searching since 00:0", false},
		{"denied", func(r *rig) { r.sim.Register(3) }, func(r *rig) { r.sim.Register(1) }, "no network: it refuses the SIM since 00:0", false},
		{
			"full", func(r *rig) {
				r.mu.Lock()
				r.refuse = 1000
				r.mu.Unlock()
				for i := range 4 {
					_ = r.sim.Receive(rowan, fmt.Sprint("text ", i))
				}
			}, func(r *rig) {
				r.mu.Lock()
				r.refuse = 0
				r.mu.Unlock()
			}, "the memory for texts is full (3 of 3)", true,
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := start(t, modemtest.Options{Places: 3}, modem.Options{})
				defer r.stop(t)
				time.Sleep(time.Minute)
				if got := r.State().Trouble(); got != "" || r.State().SignalDBm != -73 {
					t.Fatalf("at the start: %q, %+v", got, r.State())
				}
				tt.do(r)
				time.Sleep(2 * time.Minute)
				if got := r.State().Trouble(); !strings.HasPrefix(got, tt.during) {
					t.Errorf("trouble %q, want %q", got, tt.during)
				}
				before := time.Now()
				err := r.send(t, "m1", kim, trouble)
				if (err == nil) != tt.sends || outcome(err) == "unknown" {
					t.Errorf("a message: %v", err)
				}
				if took := time.Since(before); took > time.Second {
					t.Errorf("a message that cannot go was held for %v", took)
				}
				tt.undo(r)
				time.Sleep(2 * time.Minute)
				if got := r.State().Trouble(); got != "" {
					t.Errorf("afterwards: %q", got)
				}
				if err := r.send(t, "m2", kim, trouble); err != nil {
					t.Errorf("afterwards: %v", err)
				}
			})
		})
	}
}

// TestDeaf gives up a port whose modem answers no more, and finds the modem again
// when it does.
func TestDeaf(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, modemtest.Options{}, modem.Options{})
		defer r.stop(t)
		time.Sleep(time.Minute)
		r.sim.Next(modemtest.AtCommand, slices.Repeat([]modemtest.Fault{modemtest.Deaf}, 12)...)
		time.Sleep(90 * time.Second)
		if got := r.State().Trouble(); !strings.Contains(got, "modem answers no more") {
			t.Errorf("trouble %q", got)
		}
		time.Sleep(10 * time.Minute)
		if err := r.send(t, "m1", kim, trouble); err != nil || r.State().Trouble() != "" {
			t.Errorf("afterwards: %v, trouble %q", err, r.State().Trouble())
		}
	})
}

// TestGarbledPlace lists a text under the number of another, which is not to be
// deleted.
func TestGarbledPlace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, modemtest.Options{}, modem.Options{})
		defer r.stop(t)
		time.Sleep(2 * time.Second)
		r.mu.Lock()
		r.refuse = 3 // the first once, then both
		r.mu.Unlock()
		receive(t, r, "4711")
		time.Sleep(time.Second)
		receive(t, r, "status")
		time.Sleep(time.Second)
		r.mu.Lock()
		r.refuse = 0
		r.mu.Unlock()
		// +CMTI of a third: AT+CPMS?, AT+CMGL
		r.sim.Next(modemtest.AtCommand, "", modemtest.Garble)
		receive(t, r, "pause 30 4711")
		time.Sleep(time.Second)
		if got := r.bodies(); len(got) != 0 || r.sim.Stored() != 3 {
			t.Errorf("from a list with wrong numbers: %q, %d in the store", got, r.sim.Stored())
		}
		time.Sleep(3 * time.Minute)
		if got := r.bodies(); len(got) != 3 || r.sim.Stored() != 0 {
			t.Errorf("afterwards: %q, %d in the store", got, r.sim.Stored())
		}
	})
}

// TestNoPort opens the port again and again, and refuses messages at once.
func TestNoPort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, modemtest.Options{}, modem.Options{})
		time.Sleep(time.Minute)
		r.sim.Close()
		time.Sleep(10 * time.Minute)
		if got := r.State().Trouble(); !strings.HasPrefix(got, "no modem: ") {
			t.Errorf("trouble %q", got)
		}
		if err := r.send(t, "m1", kim, trouble); outcome(err) != "temporary" {
			t.Errorf("a message: %v", err)
		}
		r.stop(t)
	})
}

// TestReset resets a modem that has had no network for long, or that refuses all
// messages, and not too often.
func TestReset(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, modemtest.Options{}, modem.Options{})
		defer r.stop(t)
		time.Sleep(time.Minute)
		r.sim.Register(2)
		time.Sleep(9 * time.Minute)
		if n := r.count(modem.Reset); n != 0 {
			t.Errorf("%d resets after 9 minutes without a network", n)
		}
		time.Sleep(20 * time.Minute)
		if n := r.count(modem.Reset); n != 1 {
			t.Errorf("%d resets after 29 minutes, want 1", n)
		}
		time.Sleep(time.Hour)
		if n := r.count(modem.Reset); n < 2 || n > 3 {
			t.Errorf("%d resets after 89 minutes, want 2 or 3", n)
		}
		r.sim.Register(1)
		time.Sleep(time.Hour)
		n := r.count(modem.Reset)
		r.sim.RefuseNext(38, 38, 38)
		for range 3 {
			if err := r.send(t, "m1", kim, trouble); outcome(err) != "temporary" {
				t.Errorf("outcome %v", err)
			}
		}
		time.Sleep(time.Minute)
		if got := r.count(modem.Reset); got != n+1 {
			t.Errorf("%d resets after three refusals, want 1", got-n)
		}
		if err := r.send(t, "m1", kim, trouble); err != nil {
			t.Errorf("afterwards: %v", err)
		}
	})
}

// TestIncoming has texts come in.
func TestIncoming(t *testing.T) {
	long := strings.Repeat("coming in ten minutes, ", 12)
	tests := []struct {
		name string
		do   func(*testing.T, *rig)
		want []string
	}{
		{"announced", func(t *testing.T, r *rig) {
			t.Helper()
			receive(t, r, "4711")
		}, []string{rowan + ": 4711"}},
		{"in parts", func(t *testing.T, r *rig) {
			t.Helper()
			receive(t, r, long)
		}, []string{rowan + ": " + long}},
		{
			"a part missing", func(t *testing.T, r *rig) {
				t.Helper()
				if err := r.sim.ReceiveParts(rowan, long, func(n int) bool { return n != 1 }); err != nil {
					t.Fatal(err)
				}
				time.Sleep(9 * time.Minute)
				if got := r.bodies(); len(got) != 0 {
					t.Errorf("after 9 minutes: %q", got)
				}
				time.Sleep(2 * time.Minute)
			},
			[]string{rowan + ":  [...] " + long[152:]},
		},
		{
			"more than fit", func(t *testing.T, r *rig) {
				t.Helper()
				for i := range 7 {
					receive(t, r, fmt.Sprint("text ", i))
					time.Sleep(time.Second)
				}
			},
			[]string{rowan + ": text 0", rowan + ": text 1", rowan + ": text 2", rowan + ": text 3", rowan + ": text 4", rowan + ": text 5", rowan + ": text 6"},
		},
		{
			"not taken over", func(t *testing.T, r *rig) {
				t.Helper()
				r.mu.Lock()
				r.refuse = 2
				r.mu.Unlock()
				receive(t, r, "4711")
			},
			[]string{rowan + ": 4711"},
		},
		{
			"deletion not answered, and refused", func(t *testing.T, r *rig) {
				t.Helper()
				time.Sleep(time.Minute)
				r.sim.Next(modemtest.AtErase, modemtest.Deaf, modemtest.Refuse)
				receive(t, r, "4711")
				time.Sleep(5 * time.Second)
				if got := r.bodies(); len(got) != 1 || r.sim.Stored() != 1 {
					t.Errorf("handed over %q, %d in the store", got, r.sim.Stored())
				}
			},
			[]string{rowan + ": 4711"},
		},
		{
			"unreadable", func(t *testing.T, r *rig) {
				t.Helper()
				r.sim.ReceivePDU("00FF")
				receive(t, r, "4711")
			},
			[]string{rowan + ": 4711"},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := start(t, modemtest.Options{Places: 4}, modem.Options{})
				defer r.stop(t)
				time.Sleep(2 * time.Second)
				tt.do(t, r)
				time.Sleep(3 * time.Minute)
				if diff := cmp.Diff(tt.want, r.bodies()); diff != "" {
					t.Errorf("came in (-want +got):\n%s", diff)
				}
				if n := r.sim.Stored(); n != 0 {
					t.Errorf("%d texts are still in the store", n)
				}
			})
		})
	}
}

func receive(t *testing.T, r *rig, text string) {
	t.Helper()
	if err := r.sim.Receive(rowan, text); err != nil {
		t.Fatal(err)
	}
}

// TestTextID is the same for the same text only.
func TestTextID(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, modemtest.Options{}, modem.Options{})
		receive(t, r, "4711")
		receive(t, r, "4712")
		time.Sleep(2 * time.Second)
		receive(t, r, "4711")
		time.Sleep(time.Minute)
		r.mu.Lock()
		r.refuse = 1
		r.mu.Unlock()
		receive(t, r, "4713")
		time.Sleep(time.Minute)
		r.stop(t)
		ids := map[string]int{}
		for _, x := range r.texts {
			ids[x.ID]++
		}
		if len(r.texts) != 4 || len(ids) != 4 {
			t.Fatalf("%d texts, %d IDs, want 4", len(r.texts), len(ids))
		}
		if r.texts[0].At.IsZero() {
			t.Error("no time stamp")
		}
	})
}
