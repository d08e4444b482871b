package rules_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/rulestest"
)

// asideNights are of one trough with a setpoint of 28 L/min, a deadband of
// 2 L/min, an on-delay of a minute and an off-delay of two.
var asideNights = []struct {
	name   string
	rule   string // more of its lines
	script []string
	want   []string
}{
	{
		"shelved before, and still there at the end: told as new",
		"",
		[]string{"0s shelve KEY 30m", flows(0, 40*time.Minute, 5)},
		[]string{"1m0s raised KEY (shelved by kim until 18:30)", "30m1s surfaced KEY: Trough 1: low flow"},
	},
	{
		"raised, then shelved: hidden from then on",
		"",
		[]string{flows(0, 5*time.Minute, 5), "5m shelve KEY 30m", flows(5*time.Minute, 40*time.Minute, 5)},
		[]string{"1m0s raised KEY: Trough 1: low flow", "5m0s hidden KEY (shelved by kim until 18:35)", "35m1s surfaced KEY: Trough 1: low flow"},
	},
	{
		"over before the end: nobody is told",
		"",
		[]string{"0s shelve KEY 30m", flows(0, 5*time.Minute, 5), flows(5*time.Minute, 40*time.Minute, 40)},
		[]string{"1m0s raised KEY (shelved by kim until 18:30)", "7m0s returned KEY (shelved by kim until 18:30)"},
	},
	{
		"comes back inside the deadband only: told",
		"",
		[]string{"0s shelve KEY 30m", flows(0, 5*time.Minute, 5), flows(5*time.Minute, 40*time.Minute, 29)},
		[]string{"1m0s raised KEY (shelved by kim until 18:30)", "30m1s surfaced KEY: Trough 1: low flow"},
	},
	{
		"exactly on the setpoint: no alarm",
		"",
		[]string{"0s shelve KEY 30m", flows(0, 40*time.Minute, 28)},
		nil,
	},
	{
		"unshelved: told at once",
		"",
		[]string{"0s shelve KEY 30m", flows(0, 5*time.Minute, 5), "5m unshelve KEY", flows(5*time.Minute, 40*time.Minute, 5)},
		[]string{"1m0s raised KEY (shelved by kim until 18:30)", "5m0s surfaced KEY: Trough 1: low flow"},
	},
	{
		"right for less than its off-delay at the end: not told yet",
		"",
		[]string{"0s shelve KEY 30m", flows(0, 30*time.Minute, 5), flows(30*time.Minute, 31*time.Minute, 40), flows(31*time.Minute, 33*time.Minute, 5)},
		[]string{"1m0s raised KEY (shelved by kim until 18:30)", "31m1s surfaced KEY: Trough 1: low flow"},
	},
	{
		"falls as it ends: an alarm like any other",
		"",
		[]string{"0s shelve KEY 30m", flows(0, 29*time.Minute, 40), flows(29*time.Minute, 32*time.Minute, 5)},
		[]string{"30m0s raised KEY: Trough 1: low flow"},
	},
	{
		"shelved again for longer",
		"",
		[]string{"0s shelve KEY 10m", flows(0, 5*time.Minute, 5), "5m shelve KEY 30m", flows(5*time.Minute, 40*time.Minute, 5)},
		[]string{"1m0s raised KEY (shelved by kim until 18:10)", "35m1s surfaced KEY: Trough 1: low flow"},
	},
	{
		"answered before: the answer holds its time",
		"",
		[]string{flows(0, 5*time.Minute, 5), "5m ack KEY", "6m shelve KEY 10m", flows(6*time.Minute, 66*time.Minute, 5)},
		[]string{"1m0s raised KEY: Trough 1: low flow", "5m0s acknowledged KEY: Trough 1: low flow", "1h5m1s unacknowledged KEY: Trough 1: low flow"},
	},
	{
		"answered while it is shelved: told at the end",
		"",
		[]string{"0s shelve KEY 30m", flows(0, 5*time.Minute, 5), "5m ack KEY", flows(5*time.Minute, 40*time.Minute, 5)},
		[]string{"1m0s raised KEY (shelved by kim until 18:30)", "5m0s acknowledged KEY (shelved by kim until 18:30)", "30m1s unacknowledged KEY: Trough 1: low flow"},
	},
	{
		"the answer grows old while it is shelved: told at the end",
		"re_alarm = \"10 min\"; ",
		[]string{flows(0, 5*time.Minute, 5), "5m ack KEY", "6m shelve KEY 30m", flows(6*time.Minute, 40*time.Minute, 5)},
		[]string{
			"1m0s raised KEY: Trough 1: low flow", "5m0s acknowledged KEY: Trough 1: low flow",
			"15m1s unacknowledged KEY (shelved by kim until 18:36)", "36m1s surfaced KEY: Trough 1: low flow",
		},
	},
	{
		"latched while it is shelved: waits for its reset all the same",
		"latch = true; ",
		[]string{"0s shelve KEY 30m", flows(0, 5*time.Minute, 5), flows(5*time.Minute, 40*time.Minute, 40)},
		[]string{"1m0s raised KEY (shelved by kim until 18:30)", "7m0s returned, not acknowledged KEY (shelved by kim until 18:30)"},
	},
	{
		"the site is paused: told at its end",
		"",
		[]string{"0s pause 30m", flows(0, 40*time.Minute, 5)},
		[]string{"1m0s raised KEY (the site is paused by kim until 18:30)", "30m1s surfaced KEY: Trough 1: low flow"},
	},
	{
		"raised, then paused, then resumed",
		"",
		[]string{flows(0, 5*time.Minute, 5), "5m pause 30m", flows(5*time.Minute, 10*time.Minute, 5), "10m resume", flows(10*time.Minute, 40*time.Minute, 5)},
		[]string{"1m0s raised KEY: Trough 1: low flow", "5m0s hidden KEY (the site is paused by kim until 18:35)", "10m0s surfaced KEY: Trough 1: low flow"},
	},
	{
		"answered while it is paused: told at the end",
		"",
		[]string{"0s pause 30m", flows(0, 5*time.Minute, 5), "5m ack KEY", flows(5*time.Minute, 40*time.Minute, 5)},
		[]string{"1m0s raised KEY (the site is paused by kim until 18:30)", "5m0s acknowledged KEY (the site is paused by kim until 18:30)", "30m1s unacknowledged KEY: Trough 1: low flow"},
	},
	{
		"over while it is paused",
		"",
		[]string{"0s pause 30m", flows(0, 5*time.Minute, 5), flows(5*time.Minute, 40*time.Minute, 40)},
		[]string{"1m0s raised KEY (the site is paused by kim until 18:30)", "7m0s returned KEY (the site is paused by kim until 18:30)"},
	},
	{
		"paused and shelved for longer",
		"",
		[]string{"0s pause 10m", "0s shelve KEY 20m", flows(0, 30*time.Minute, 5)},
		[]string{"1m0s raised KEY (shelved by kim until 18:20)", "20m1s surfaced KEY: Trough 1: low flow"},
	},
	{
		"paused for longer than it is shelved",
		"",
		[]string{"0s pause 20m", "0s shelve KEY 10m", flows(0, 30*time.Minute, 5)},
		[]string{"1m0s raised KEY (shelved by kim until 18:10)", "20m1s surfaced KEY: Trough 1: low flow"},
	},
	{
		"the daemon's own alarms are told",
		"",
		[]string{"0s pause 30m", flows(0, 3*time.Minute, 40), "1m broker bad", flows(3*time.Minute, 6*time.Minute, 40)},
		[]string{"3m1s raised self/broker gone/broker: weirkeeper: broker gone"},
	},
	{
		"another alarm is shelved",
		"",
		[]string{"0s shelve low_flow/t/trough 2 flow 30m", flows(0, 5*time.Minute, 5)},
		[]string{"1m0s raised KEY: Trough 1: low flow"},
	},
	{
		"shelved and cleaned: told when both are over",
		"",
		[]string{"0s shelve KEY 10m", "5m clean trough 1", flows(0, 40*time.Minute, 5)},
		[]string{"1m0s raised KEY (shelved by kim until 18:10)", "35m1s surfaced KEY: Trough 1: still low flow after cleaning: standpipe still up?"},
	},
	{
		"out of service, and back: told at once, and of the reminder for the morning",
		"",
		[]string{"0s out trough 1", flows(0, 5*time.Minute, 5), "5m in trough 1", flows(5*time.Minute, 10*time.Minute, 5)},
		[]string{
			"0s raised self/units out of service/service: Units out of service: nobody is called for them",
			"1m0s raised KEY (out of service since 18:00, by kim)", "5m0s surfaced KEY: Trough 1: low flow", "5m0s returned self/units out of service/service",
		},
	},
	{
		"another unit is out of service",
		"",
		[]string{"0s out trough 2", flows(0, 5*time.Minute, 5)},
		[]string{
			"0s raised self/units out of service/service: Units out of service: nobody is called for them",
			"1m0s raised KEY: Trough 1: low flow",
		},
	},
	{
		"the reminder is answered: it is there again the next morning",
		"",
		[]string{"0s out trough 1", "13h ack self/units out of service/service", "13h..26h tick every 1m"},
		[]string{
			"0s raised self/units out of service/service: Units out of service: nobody is called for them",
			"13h0m0s acknowledged self/units out of service/service: Units out of service: nobody is called for them",
			"25h0m0s unacknowledged self/units out of service/service: Units out of service: nobody is called for them",
		},
	},
}

func TestPutAside(t *testing.T) {
	const key = "low_flow/t/trough 1 flow"
	for _, tt := range asideNights {
		t.Run(tt.name, func(t *testing.T) {
			e := engine(t, rulestest.Site(), block("low_flow", "t", `kinds = ["trough"]`, tt.rule+`setpoint = "28 L/min"; deadband = "2 L/min"; on_delay = "1 min"; off_delay = "2 min"`))
			var got, want []string
			for _, w := range tt.want {
				want = append(want, named(w, key))
			}
			for _, s := range tt.script {
				for _, tr := range play(t, e, named(s, key)) {
					s := brief(tr)
					switch {
					case tr.Hidden != "":
						s += " (" + tr.Hidden + ")"
					case tr.To.Active():
						s += ": " + tr.Trouble
					}
					got = append(got, s)
				}
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
}

// What is put aside is so after a restart, and ends at its time.
func TestPutAsideOverARestart(t *testing.T) {
	s := rulestest.Site()
	e := engine(t, s, lowFlow)
	var j journal
	at := func(d time.Duration) time.Time { return rulestest.Start.Add(d) }
	shelf := aside(act.Shelved, "low_flow/t/trough 1 flow x", at(0))
	shelf.Until = at(20 * time.Minute)
	apply(t, e, &j, happening{at: at(0), act: &shelf})
	for m := range 30 {
		now := at(time.Duration(m) * time.Minute)
		if m == 10 {
			e = rules.New(s, program(t, s, lowFlow))
			if gone, err := e.Rebuild(now, j.past(now, e.Memory())); err != nil || gone != nil {
				t.Fatal(gone, err)
			}
		}
		r := rulestest.Reading("trough 1 flow", now, 5)
		apply(t, e, &j, happening{at: now, r: &r})
		apply(t, e, &j, happening{at: now.Add(time.Second)})
	}
	want := []string{"1m0s raised low_flow/t/trough 1 flow", "20m1s surfaced low_flow/t/trough 1 flow"}
	if d := cmp.Diff(want, briefs(j.transitions)); d != "" || j.transitions[0].Hidden == "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

// A clock set on or back makes no shelving longer or shorter.
func TestShelvedOverAStepOfTheClock(t *testing.T) {
	for _, by := range []time.Duration{-3 * time.Hour, 3 * time.Hour} {
		e := engine(t, rulestest.Site(), lowFlow)
		if got := play(t, e, "0s shelve low_flow/t/trough 1 flow 30m\n"+flows(0, 10*time.Minute, 5)); len(got) != 1 || got[0].Hidden == "" {
			t.Fatalf("got %+v", got)
		}
		e.Shift(by)
		got := play(t, e, flows(10*time.Minute+by, 40*time.Minute+by, 5))
		if len(got) != 1 || got[0].Hidden != "" || !got[0].At.Equal(rulestest.Start.Add(by+30*time.Minute+time.Second)) {
			t.Errorf("by %v: got %+v", by, got)
		}
	}
}

func TestCheckAct(t *testing.T) {
	e := engine(t, rulestest.Site(), lowFlow)
	const key = alarm.Key("low_flow/t/trough 1 flow")
	check := func(a act.Act, want string) act.Act {
		t.Helper()
		a.ID, a.At, a.By = "x", rulestest.Start, "kim"
		err := e.CheckAct(rulestest.Start, &a)
		var refusal *act.Refusal
		switch {
		case want == "" && err != nil, want != "" && !errors.As(err, &refusal):
			t.Errorf("%+v: %v", a, err)
		case want != "" && !strings.Contains(err.Error(), want):
			t.Errorf("%v, want %q", err, want)
		}
		return a
	}
	until := rulestest.Start.Add(time.Hour)
	check(act.Act{Kind: act.Shelved, Alarm: key, Until: until}, "")
	check(act.Act{Kind: act.Shelved, Alarm: key}, "say for how long")
	check(act.Act{Kind: act.Shelved, Until: until}, "say which alarm")
	check(act.Act{Kind: act.Shelved, Alarm: "low_flow/t/trouhg 1 flow", Until: until}, `did you mean "low_flow/t/trough 1 flow"?`)
	check(act.Act{Kind: act.Shelved, Alarm: "flow", Until: until}, "names those that stand")
	check(act.Act{Kind: act.Unshelved, Alarm: key}, "is not shelved")
	check(act.Act{Kind: act.MarkedFalse, Alarm: key}, "never raised")
	play(t, e, flows(0, 3*time.Minute, 5)+flows(3*time.Minute, 8*time.Minute, 40)+flows(8*time.Minute, 10*time.Minute, 5))
	if a := check(act.Act{Kind: act.MarkedFalse, Alarm: key}, ""); a.Occurrence != 2 {
		t.Errorf("marks raise %d", a.Occurrence)
	}
	if a := check(act.Act{Kind: act.MarkedFalse, Alarm: key, Occurrence: 1}, ""); a.Occurrence != 1 {
		t.Errorf("marks raise %d", a.Occurrence)
	}
	check(act.Act{Kind: act.MarkedFalse, Alarm: key, Occurrence: 3}, "not so often")
}
