package main

import (
	"fmt"
	"log/slog"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
)

const clockSite = `
site "Clock" {
  timezone = "UTC"
}
unit "spring" {
  kind = "spring"
}
probe "untimed flow" {
  quantity = "flow"
  at       = "spring"
  topic    = "clock/untimed"
}
probe "timed flow" {
  quantity    = "flow"
  at          = "spring"
  topic       = "clock/timed"
  format      = "json"
  value_path  = "v"
  time_path   = "t"
  time_format = "unix"
}
web {
  listen = "127.0.0.1:0"
}
broker {
  listen = "127.0.0.1:0"
}
`

const clockRules = `
low_flow "spring" {
  covers {
    kinds = ["spring"]
  }
  setpoint   = "100 L/min"
  on_delay   = "10 min"
  off_delay  = "0 s"
  priority   = "call-out"
  can_happen = "Everything below goes dry."
  to_do      = "Look at the intake."
}
`

// clockRig is a daemon on a clock moved and set by hand, and a publisher.
type clockRig struct {
	*inProcess
	pub *sim.Publisher
}

func newClockRig(t *testing.T, dir string, now time.Time) *clockRig {
	t.Helper()
	return newRigOn(t, startInProcess(t, dir, now))
}

func newRigOn(t *testing.T, p *inProcess) *clockRig {
	t.Helper()
	r := &clockRig{inProcess: p}
	addr, err := r.BrokerAddr(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	eventually(t, "the daemon is connected", func() bool { r.advance(t, time.Second); return r.Health() == "" })
	r.pub = sim.NewPublisher(sim.PublisherOptions{URL: "mqtt://" + addr, ClientID: "probe", Log: slog.New(slog.DiscardHandler)})
	t.Cleanup(r.pub.Close)
	return r
}

func (r *clockRig) publish(t *testing.T, topic, payload string) {
	t.Helper()
	if err := r.pub.Publish(t.Context(), []sim.Due{{Topic: topic, Payload: []byte(payload)}}); err != nil {
		t.Fatal(err)
	}
}

// set steps the clock, and lets the keeper see it.
func (r *clockRig) set(t *testing.T, to time.Time) {
	t.Helper()
	r.clock.SetTime(to)
	r.advance(t, 2*time.Second)
}

func (r *clockRig) readings(t *testing.T, id reading.ProbeID) []reading.Reading {
	t.Helper()
	var all []reading.Reading
	for rd, err := range r.Ledger().Readings(t.Context(), id, time.Unix(0, 0), time.Now().AddDate(50, 0, 0)) {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, rd)
	}
	return all
}

func (r *clockRig) state(t *testing.T, key alarm.Key) alarm.State {
	t.Helper()
	for _, a := range r.Status().Alarms {
		if a.Key == key {
			return a.State
		}
	}
	return alarm.Normal
}

const (
	lowKey   = alarm.Key("low_flow/spring/untimed flow")
	clockKey = alarm.Key("self/clock not steady/clock")
)

// TestBootInThePast starts on a computer without a clock battery: its clock
// says 1970, a network sets it seven minutes later. What came meanwhile stands
// at its true time afterwards, a delay under way goes by the steady clock, and
// the step is in the journal.
func TestBootInThePast(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": clockSite, "rules.hcl": clockRules})
	r := newClockRig(t, dir, time.Unix(100, 0).UTC())
	if got := r.state(t, clockKey); got != alarm.Unacknowledged {
		t.Errorf("a clock in 1970: the alarm is %s", got)
	}
	truth := time.Date(2026, 11, 20, 22, 0, 0, 0, time.UTC)
	r.publish(t, "clock/untimed", "42")
	r.publish(t, "clock/timed", fmt.Sprintf(`{"t":%d,"v":142}`, truth.Unix()))
	for range 7 {
		r.advance(t, time.Minute)
		r.publish(t, "clock/untimed", "42")
	}
	if n := len(r.readings(t, "untimed flow")); n != 8 {
		t.Fatalf("%d readings before the clock was set", n)
	}

	r.set(t, truth.Add(7*time.Minute)) // from now on the clock is right
	eventually(t, "the times are corrected", func() bool {
		r.advance(t, time.Second)
		return r.readings(t, "untimed flow")[0].Flags.Has(reading.ClockCorrected)
	})
	for i, rd := range r.readings(t, "untimed flow") {
		want := truth.Add(time.Duration(i) * time.Minute)
		if off := rd.At.Sub(want); off.Abs() > 3*time.Second || rd.Flags.Has(reading.ClockUntrusted) {
			t.Errorf("reading %d stands at %s (%s), it was taken at %s", i, rd.At, rd.Flags, want)
		}
	}
	if timed := r.readings(t, "timed flow"); len(timed) != 1 || !timed[0].At.Equal(truth) {
		t.Errorf("the probe with a clock of its own: %+v", timed)
	}

	if got := r.state(t, lowKey); got != alarm.Normal {
		t.Errorf("seven minutes into an on-delay of ten the alarm is %s", got)
	}
	for range 4 {
		r.advance(t, time.Minute)
		r.publish(t, "clock/untimed", "42")
	}
	r.advance(t, 2*time.Second)
	if got := r.state(t, lowKey); got != alarm.Unacknowledged {
		t.Errorf("after eleven minutes of low flow the alarm is %s", got)
	}
	r.advance(t, 11*time.Minute)
	if got := r.state(t, clockKey); got != alarm.ReturnedUnacknowledged {
		t.Errorf("a clock steady for eleven minutes: the alarm is %s", got)
	}
}

// TestClockSet sets a clock that was right, hours forward and back: no silence
// is made up, none is missed, and what comes is judged at once.
func TestClockSet(t *testing.T) {
	for _, by := range []time.Duration{8 * time.Hour, -3 * time.Hour, 40 * time.Second, -40 * time.Second} {
		t.Run(by.String(), func(t *testing.T) {
			dir := writeFiles(t, map[string]string{"site.hcl": clockSite, "rules.hcl": clockRules})
			r := newClockRig(t, dir, time.Date(2026, 11, 20, 22, 0, 0, 0, time.UTC))
			for range 5 {
				r.publish(t, "clock/untimed", "142")
				r.publish(t, "clock/timed", fmt.Sprintf(`{"t":%d,"v":142}`, r.clock.Now().Unix()))
				r.advance(t, time.Minute)
			}
			r.set(t, r.clock.Now().Add(by))
			silent := func() bool {
				for _, a := range r.Status().Alarms {
					if a.State.Active() && a.Key != clockKey {
						t.Logf("%s: %s, %s", a.Key, a.Trouble, a.Detail)
						return true
					}
				}
				return false
			}
			if silent() {
				t.Error("the step alone raised an alarm")
			}
			if got := r.state(t, clockKey); got != alarm.Unacknowledged {
				t.Errorf("the step is not an alarm: %s", got)
			}
			// Low flow after the step is seen as fast as ever.
			for range 12 {
				r.publish(t, "clock/untimed", "42")
				r.publish(t, "clock/timed", fmt.Sprintf(`{"t":%d,"v":142}`, r.clock.Now().Unix()))
				r.advance(t, time.Minute)
			}
			r.advance(t, 2*time.Second)
			if got := r.state(t, lowKey); got != alarm.Unacknowledged {
				t.Errorf("twelve minutes of low flow after the step: the alarm is %s", got)
			}
			// And so is silence.
			r.advance(t, 6*time.Minute)
			if !silent() {
				t.Error("six minutes without a word are no alarm")
			}
			journal, err := r.Ledger().Journal(t.Context(), time.Unix(0, 0), time.Now().AddDate(50, 0, 0))
			if err != nil {
				t.Fatal(err)
			}
			noted := false
			for _, tr := range journal {
				noted = noted || tr.Key == clockKey && tr.Raised()
			}
			if !noted {
				t.Error("the step is not in the journal")
			}
		})
	}
}

// TestSavedClock starts on a computer that saved its clock when it was switched
// off: three days behind, but after the end of the record. Once the network sets
// it, what was taken before stands at its true time, and what came after is left
// alone.
func TestSavedClock(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": clockSite, "rules.hcl": clockRules})
	saved := time.Date(2026, 11, 20, 22, 0, 0, 0, time.UTC)
	truth := saved.AddDate(0, 0, 3)
	r := newRigOn(t, startOnClock(t, dir, saved, true))
	if got := r.state(t, clockKey); got != alarm.Normal {
		t.Errorf("nothing is known against the clock yet, and the alarm is %s", got)
	}
	r.publish(t, "clock/untimed", "142")
	r.publish(t, "clock/timed", fmt.Sprintf(`{"t":%d,"v":142}`, truth.Unix()))
	r.advance(t, 5*time.Minute)
	r.set(t, truth.Add(5*time.Minute))
	r.publish(t, "clock/untimed", "143")
	after := r.clock.Now()
	eventually(t, "the time is corrected", func() bool {
		r.advance(t, time.Second)
		return r.readings(t, "untimed flow")[0].Flags.Has(reading.ClockCorrected)
	})
	all := r.readings(t, "untimed flow")
	if len(all) != 2 || all[0].At.Sub(truth).Abs() > 5*time.Second || all[1].At.Sub(after).Abs() > 5*time.Second {
		t.Errorf("taken at %s and %s: %+v", truth, after, all)
	}
	if timed := r.readings(t, "timed flow"); len(timed) != 1 || !timed[0].At.Equal(truth) {
		t.Errorf("the probe with a clock of its own: %+v", timed)
	}
}

// TestRecordAhead starts with a right clock behind a record that was written by
// a wrong one, eight hours ahead. If the system vouches for the clock it is
// believed; else the record's time goes on, and the alarm says what to do.
func TestRecordAhead(t *testing.T) {
	right := time.Date(2026, 11, 20, 22, 0, 0, 0, time.UTC)
	for _, unsynced := range []bool{false, true} {
		t.Run(fmt.Sprintf("unsynced=%v", unsynced), func(t *testing.T) {
			dir := writeFiles(t, map[string]string{"site.hcl": clockSite, "rules.hcl": clockRules})
			r := newClockRig(t, dir, right.Add(8*time.Hour))
			for range 3 {
				r.publish(t, "clock/untimed", "42") // three minutes into an on-delay of ten
				r.advance(t, time.Minute)
			}
			r.pub.Close()
			r.stop()

			r = newRigOn(t, startOnClock(t, dir, right, unsynced))
			clock := r.state(t, clockKey)
			if unsynced != (clock == alarm.Unacknowledged) {
				t.Errorf("the alarm of the clock is %s", clock)
			}
			for range 12 {
				r.publish(t, "clock/untimed", "42")
				r.publish(t, "clock/timed", fmt.Sprintf(`{"t":%d,"v":42}`, r.clock.Now().Unix()))
				r.advance(t, time.Minute)
			}
			r.advance(t, 2*time.Second)
			if got := r.state(t, lowKey); got != alarm.Unacknowledged {
				t.Errorf("twelve minutes of low flow: the alarm is %s", got)
			}
			if got := r.state(t, "low_flow/spring/timed flow"); !unsynced && got != alarm.Unacknowledged {
				t.Errorf("twelve minutes of low flow by a probe with a clock: the alarm is %s", got)
			}
		})
	}
}
