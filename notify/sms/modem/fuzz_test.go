package modem_test

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"weirkeeper/notify/sms/gsm"
	"weirkeeper/notify/sms/modem"
	"weirkeeper/notify/sms/modem/modemtest"
)

var nights = flag.Int("nights", 40, "random nights of TestNights")

// TestNights does with random bytes what FuzzDriver does with found ones.
func TestNights(t *testing.T) {
	for n := range *nights {
		r := rand.New(rand.NewPCG(uint64(n), 1))
		b := make([]byte, 20+r.IntN(400))
		for i := range b {
			if r.IntN(3) > 0 { // most of the time all is well
				b[i] = byte(r.Uint32())
			}
		}
		night(t, b)
		if t.Failed() {
			t.Fatalf("night %d", n)
		}
	}
}

// FuzzDriver has the bytes decide what the modem does, what is sent and what
// comes in. When they run out all goes well.
func FuzzDriver(f *testing.F) {
	f.Add([]byte{})
	for seed := range uint64(4) {
		r := rand.New(rand.NewPCG(seed, 2))
		b := make([]byte, 100)
		for i := range b {
			b[i] = byte(r.Uint32())
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 1000 {
			b = b[:1000]
		}
		night(t, b)
	})
}

// night is one life of a driver and a modem that the bytes play. It holds that
//
//   - a message is handed back within its time,
//   - what the modem took is reported as sent or unknown, what it did not take
//     never as sent,
//   - a text that came in is handed over at least once, and deleted only after,
//   - all goes on when the faults are over: a message is sent, the store is empty,
//   - no wrong PIN is tried twice, and a right one always works.
func night(t *testing.T, b []byte) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		// We take bytes from the front, the simulated modem from the back, so that
		// neither depends on the other's pace.
		var mu sync.Mutex
		front, back := 0, len(b)
		draw := func(n int) int {
			mu.Lock()
			defer mu.Unlock()
			if front >= back {
				return 0
			}
			front++
			return int(b[front-1]) % n
		}
		left := func() bool {
			mu.Lock()
			defer mu.Unlock()
			return front < back
		}
		sopt := modemtest.Options{
			Places: 1 + draw(6),
			Draw: func(p modemtest.Point) modemtest.Fault {
				f := modemtest.Faults(p)
				// Half of all go well; each fault has the same share of the rest.
				mu.Lock()
				defer mu.Unlock()
				if front >= back {
					return modemtest.None
				}
				back--
				if n := int(b[back]) % (2 * len(f)); n < len(f) {
					return f[n]
				}
				return modemtest.None
			},
		}
		opt := modem.Options{}
		if draw(3) == 1 {
			sopt.PIN, opt.PIN = "1234", "1234"
		}
		var r *rig
		sopt.OnErase = func(pdu string) {
			v, err := gsm.Parse(pdu)
			d, ok := v.(gsm.Deliver)
			if err != nil || !ok {
				return // of no text
			}
			r.mu.Lock()
			defer r.mu.Unlock()
			for _, x := range r.texts {
				if strings.Contains(x.Body, d.Text) {
					return
				}
			}
			r.early = append(r.early, d.Text)
		}
		r = start(t, sopt, opt)
		var came []string
		sentTexts := map[string]string{} // outcome by text
		for i := 0; i < 40 && left(); i++ {
			switch draw(9) {
			case 0, 1, 2:
				text := fmt.Sprintf("call-out %d!", i)
				before := time.Now()
				sentTexts[text] = outcome(r.send(t, fmt.Sprint(i), kim, text))
				if took := time.Since(before); took > 2*time.Minute {
					t.Errorf("%s: handed back after %v", text, took)
				}
			case 3, 4:
				came = append(came, fmt.Sprintf("answer %d!", i))
				receive(t, r, came[len(came)-1])
			case 5:
				// The parts come in any case, since the store may be full of others.
				came = append(came, fmt.Sprintf("long answer %d!%s", i, strings.Repeat(" and on", 30)))
				receive(t, r, came[len(came)-1])
			case 6:
				r.sim.Register(draw(6))
			case 7:
				r.mu.Lock()
				r.refuse = draw(4)
				r.mu.Unlock()
			case 8:
				r.sim.Vanish()
			}
			time.Sleep(time.Duration(draw(256)) * 500 * time.Millisecond)
		}
		mu.Lock()
		front = back
		mu.Unlock()
		r.sim.Register(1)
		r.mu.Lock()
		r.refuse = 0
		r.mu.Unlock()
		time.Sleep(time.Hour)
		if err := r.send(t, "last", kim, "the last"); err != nil && r.State().SIM != modem.PINRefused {
			t.Errorf("the faults are over and nothing goes out: %v, %+v", err, r.State())
		}
		r.stop(t)
		pinned := r.State().SIM == modem.PINRefused
		taken := map[string]bool{}
		for _, x := range r.sim.Taken() {
			taken[x.Text] = true
		}
		for text, o := range sentTexts {
			if taken[text] && o != "sent" && o != "unknown" || !taken[text] && o == "sent" {
				t.Errorf("%q: outcome %s, taken %v", text, o, taken[text])
			}
		}
		if len(r.early) > 0 {
			t.Errorf("deleted before they were handed over: %q", r.early)
		}
		if pinned {
			return
		}
		if n := r.sim.Stored(); n != 0 {
			t.Errorf("%d texts are still in the store", n)
		}
		var all strings.Builder
		for _, x := range r.texts {
			all.WriteString(x.Body + "\n")
		}
		for _, text := range came {
			// A full store breaks a long one in two.
			if s := all.String(); !strings.Contains(s, text) && (len(text) < 160 || !strings.Contains(s, text[:152]) || !strings.Contains(s, text[152:])) {
				t.Errorf("%q never came in", text)
			}
		}
	})
}
