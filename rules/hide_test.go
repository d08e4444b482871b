package rules_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/rulestest"
)

// flows is the flow of trough 1 once a minute, each ten seconds a tick.
func flows(from, to time.Duration, v float64) string {
	script := ""
	for at := from; at < to; at += time.Minute {
		script += fmt.Sprintf("%v trough 1 flow = %v\n", at, v)
		for tick := time.Duration(0); tick < time.Minute; tick += 10 * time.Second {
			script += fmt.Sprintf("%v tick\n", at+tick+time.Second)
		}
	}
	return script
}

// named puts a key into a script or what is wanted.
func named(s, key string) string { return strings.ReplaceAll(s, "KEY", key) }

// cleaningNights are of one trough with a setpoint of 28 L/min, a deadband of
// 2 L/min, an on-delay of a minute and an off-delay of two.
var cleaningNights = []struct {
	name   string
	script []string // in order of time
	want   []string
}{
	{
		"cleaned, and the water is back: nobody is called",
		[]string{flows(0, 2*time.Minute, 40), "2m clean trough 1", flows(2*time.Minute, 12*time.Minute, 5), "12m cleaned trough 1", flows(12*time.Minute, 40*time.Minute, 40)},
		[]string{"3m0s raised KEY (being cleaned by kim since 18:02)", "14m0s returned KEY (being cleaned by kim since 18:02)"},
	},
	{
		"finished, and the standpipe is still up: told two minutes later",
		[]string{"2m clean trough 1", flows(2*time.Minute, 12*time.Minute, 5), "12m cleaned trough 1", flows(12*time.Minute, 20*time.Minute, 5)},
		[]string{"3m0s raised KEY (being cleaned by kim since 18:02)", "14m1s surfaced KEY: Trough 1: still low flow after cleaning: standpipe still up?"},
	},
	{
		"never finished: told when the bound is over",
		[]string{"2m clean trough 1", flows(2*time.Minute, 40*time.Minute, 5)},
		[]string{"3m0s raised KEY (being cleaned by kim since 18:02)", "32m1s surfaced KEY: Trough 1: still low flow after cleaning: standpipe still up?"},
	},
	{
		"the water comes back as the time is up: waits for the off-delay",
		[]string{"2m clean trough 1", flows(2*time.Minute, 12*time.Minute, 5), "12m cleaned trough 1", flows(12*time.Minute, 13*time.Minute, 5), flows(13*time.Minute, 20*time.Minute, 40)},
		[]string{"3m0s raised KEY (being cleaned by kim since 18:02)", "15m0s returned KEY (being cleaned by kim since 18:02)"},
	},
	{
		"comes back inside the deadband only: told",
		[]string{"2m clean trough 1", flows(2*time.Minute, 12*time.Minute, 5), "12m cleaned trough 1", flows(12*time.Minute, 20*time.Minute, 29)},
		[]string{"3m0s raised KEY (being cleaned by kim since 18:02)", "14m1s surfaced KEY: Trough 1: still low flow after cleaning: standpipe still up?"},
	},
	{
		"comes back, and falls again within the off-delay: told",
		[]string{"2m clean trough 1", flows(2*time.Minute, 12*time.Minute, 5), "12m cleaned trough 1", flows(12*time.Minute, 13*time.Minute, 5), flows(13*time.Minute, 15*time.Minute, 40), flows(15*time.Minute, 20*time.Minute, 5)},
		[]string{"3m0s raised KEY (being cleaned by kim since 18:02)", "15m1s surfaced KEY: Trough 1: still low flow after cleaning: standpipe still up?"},
	},
	{
		"exactly on the setpoint all the time: no alarm",
		[]string{"2m clean trough 1", flows(2*time.Minute, 12*time.Minute, 28), "12m cleaned trough 1", flows(12*time.Minute, 20*time.Minute, 28)},
		nil,
	},
	{
		"falls in the last minute: raised after the time is up",
		[]string{"2m clean trough 1", flows(2*time.Minute, 12*time.Minute, 40), "12m cleaned trough 1", flows(12*time.Minute, 14*time.Minute, 40), flows(14*time.Minute, 20*time.Minute, 5)},
		[]string{"15m0s raised KEY: Trough 1: still low flow after cleaning: standpipe still up?"},
	},
	{
		"falls a minute after the time is up: a trouble of its own",
		[]string{"2m clean trough 1", "12m cleaned trough 1", flows(12*time.Minute, 15*time.Minute, 40), flows(15*time.Minute, 20*time.Minute, 5)},
		[]string{"16m0s raised KEY: Trough 1: low flow"},
	},
	{
		"stood before the cleaning: hidden, and told again after it",
		[]string{flows(0, 5*time.Minute, 5), "5m clean trough 1", flows(5*time.Minute, 12*time.Minute, 5), "12m cleaned trough 1", flows(12*time.Minute, 20*time.Minute, 5)},
		[]string{"1m0s raised KEY: Trough 1: low flow", "5m0s hidden KEY (being cleaned by kim since 18:05)", "14m1s surfaced KEY: Trough 1: still low flow after cleaning: standpipe still up?"},
	},
	{
		"answered as the cleaning begins: the answer meant the cleaning",
		[]string{flows(0, 5*time.Minute, 5), "5m ack KEY", "5m clean trough 1", flows(6*time.Minute, 12*time.Minute, 5), "12m cleaned trough 1", flows(12*time.Minute, 66*time.Minute, 5)},
		[]string{
			"1m0s raised KEY: Trough 1: low flow", "5m0s acknowledged KEY: Trough 1: low flow", "14m1s unacknowledged KEY: Trough 1: still low flow after cleaning: standpipe still up?",
		},
	},
	{
		"answered before the cleaning: the answer holds its hour",
		[]string{flows(0, 5*time.Minute, 5), "5m ack KEY", "6m clean trough 1", flows(6*time.Minute, 12*time.Minute, 5), "12m cleaned trough 1", flows(12*time.Minute, 20*time.Minute, 5)},
		[]string{"1m0s raised KEY: Trough 1: low flow", "5m0s acknowledged KEY: Trough 1: low flow"},
	},
	{
		"answered while it is cleaned: whoever did meant the cleaning",
		[]string{"2m clean trough 1", flows(2*time.Minute, 12*time.Minute, 5), "12m cleaned trough 1", "12m10s ack KEY", flows(13*time.Minute, 20*time.Minute, 5)},
		[]string{
			"3m0s raised KEY (being cleaned by kim since 18:02)", "12m10s acknowledged KEY (cleaned by kim at 18:12, the water is given time to come back)",
			"14m1s unacknowledged KEY: Trough 1: still low flow after cleaning: standpipe still up?",
		},
	},
	{
		"finished after the bound: nothing is hidden again",
		[]string{"2m clean trough 1", flows(2*time.Minute, 35*time.Minute, 5), "35m cleaned trough 1", flows(35*time.Minute, 40*time.Minute, 5)},
		[]string{"3m0s raised KEY (being cleaned by kim since 18:02)", "32m1s surfaced KEY: Trough 1: still low flow after cleaning: standpipe still up?"},
	},
	{
		"another trough is cleaned",
		[]string{"0s clean trough 2", flows(0, 5*time.Minute, 5)},
		[]string{"1m0s raised KEY: Trough 1: low flow"},
	},
	{
		"the probe goes silent meanwhile: told, unsure as it is",
		[]string{"2m clean trough 1", flows(2*time.Minute, 8*time.Minute, 5), flows(8*time.Minute, 9*time.Minute, 40), "12m cleaned trough 1", "12m..30m tick every 10s"},
		[]string{"3m0s raised KEY (being cleaned by kim since 18:02)", "14m0s surfaced KEY: Trough 1: still low flow after cleaning: standpipe still up?"},
	},
}

func TestCleaning(t *testing.T) {
	const key = "low_flow/t/trough 1 flow"
	rule := block("low_flow", "t", `kinds = ["trough"]`, `setpoint = "28 L/min"; deadband = "2 L/min"; on_delay = "1 min"; off_delay = "2 min"`)
	for _, tt := range cleaningNights {
		t.Run(tt.name, func(t *testing.T) {
			e := engine(t, rulestest.Site(), rule)
			var script, got, want []string
			for _, s := range tt.script {
				script = append(script, named(s, key))
			}
			for _, w := range tt.want {
				want = append(want, named(w, key))
			}
			for _, s := range script {
				for _, tr := range play(t, e, s) {
					s := brief(tr)
					switch {
					case tr.Hidden != "":
						s += " (" + tr.Hidden + ")"
					case tr.To.Active():
						s += ": " + tr.Trouble
					}
					if after := tr.Priority == alarm.CallOut; !after {
						t.Errorf("%s: %v", s, tr.Priority)
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

// What outlasts cleaning is a call-out whatever the rule asks for, and stays one
// over a restart until the water is right.
func TestStandpipeIsUrgent(t *testing.T) {
	s := rulestest.Site()
	rule := block("low_flow", "note t", `units = ["trough 1"]`, `setpoint = "28 L/min"; on_delay = "1 min"; off_delay = "0 s"`)
	e := engine(t, s, rule)
	start := rulestest.Start
	var j journal
	script := []happening{}
	at := func(d time.Duration) time.Time { return start.Add(d) }
	add := func(from, to time.Duration, v float64) {
		for d := from; d < to; d += time.Minute {
			r := rulestest.Reading("trough 1 flow", at(d), v)
			script = append(script, happening{at: at(d), r: &r}, happening{at: at(d + time.Second)})
		}
	}
	begin, end := started("trough 1", start), finished("trough 1", at(5*time.Minute))
	script = append(script, happening{at: start, act: &begin})
	add(0, 5*time.Minute, 5)
	script = append(script, happening{at: at(5 * time.Minute), act: &end})
	add(5*time.Minute, 10*time.Minute, 5)
	for _, h := range script {
		apply(t, e, &j, h)
	}
	again := rules.New(s, program(t, s, rule))
	if gone, err := again.Rebuild(at(10*time.Minute), j.past(at(10*time.Minute), again.Memory())); err != nil || gone != nil {
		t.Fatal(gone, err)
	}
	script = script[:0]
	add(10*time.Minute, 12*time.Minute, 5)
	add(12*time.Minute, 14*time.Minute, 40)
	add(14*time.Minute, 16*time.Minute, 5)
	for _, h := range script {
		apply(t, again, &j, h)
	}
	var got []string
	for _, tr := range j.transitions {
		got = append(got, fmt.Sprintf("%s, %v: %s", brief(tr), tr.Priority, tr.Trouble))
	}
	want := []string{
		"1m0s raised KEY, note: Trough 1: low flow",
		"7m1s surfaced KEY, call-out: Trough 1: still low flow after cleaning: standpipe still up?",
		"12m0s returned, not acknowledged KEY, call-out: Trough 1: low flow",
		"15m0s raised KEY, note: Trough 1: low flow",
	}
	for i := range want {
		want[i] = named(want[i], "low_flow/note t/trough 1 flow")
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

// Low oxygen kills during cleaning too.
func TestCleaningHidesNoOxygen(t *testing.T) {
	e := engine(t, rulestest.Site(), block("low_oxygen", "o", `units = ["raceway 1"]`, `setpoint = "6 mg/L"; on_delay = "0 s"`))
	got := play(t, e, "0s clean raceway 1\n1m raceway 1 oxygen = 4")
	if len(got) != 1 || got[0].Hidden != "" {
		t.Errorf("got %+v", got)
	}
}

// A chore that is being done at its hour is not missed, and is when its bound is
// over.
func TestCleaningUnderWayIsNotMissed(t *testing.T) {
	const key = "missed_chore/c/trough 1"
	for _, tt := range []struct{ name, script, want string }{
		{"done in time", "15h50m clean trough 1\n15h59m..16h9m tick every 1m\n16h10m cleaned trough 1\n16h10m..20h tick every 1m", "[16h0m0s raised KEY 16h10m0s returned KEY]"},
		{"not finished", "15h50m clean trough 1\n15h59m..20h tick every 1m", "[16h0m0s raised KEY 16h20m0s surfaced KEY]"},
		{"finished without a start", "15h50m cleaned trough 1\n15h59m..20h tick every 1m", "[]"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			e := engine(t, rulestest.Site(), block("missed_chore", "c", `units = ["trough 1"]`, `chore = "cleaning"`))
			if got := fmt.Sprint(briefs(play(t, e, tt.script))); got != named(tt.want, key) {
				t.Errorf("got %s", got)
			}
		})
	}
}

// A clock set on or back makes no cleaning longer or shorter.
func TestCleaningOverAStepOfTheClock(t *testing.T) {
	for _, by := range []time.Duration{-3 * time.Hour, 3 * time.Hour} {
		e := engine(t, rulestest.Site(), lowFlow)
		if got := play(t, e, "0s clean trough 1\n"+flows(0, 10*time.Minute, 5)); len(got) != 1 || got[0].Hidden == "" {
			t.Fatalf("got %+v", got)
		}
		e.Shift(by)
		got := play(t, e, flows(10*time.Minute+by, 40*time.Minute+by, 5))
		if len(got) != 1 || got[0].Hidden != "" || !got[0].At.Equal(rulestest.Start.Add(by+30*time.Minute+time.Second)) {
			t.Errorf("by %v: got %+v", by, got)
		}
	}
}

// The same act told twice counts once.
func TestActTwice(t *testing.T) {
	e := engine(t, rulestest.Site(), lowFlow)
	a := started("trough 1", rulestest.Start)
	e.Act(rulestest.Start, a)
	e.Act(rulestest.Start.Add(time.Minute), finished("trough 1", rulestest.Start.Add(time.Minute)))
	e.Act(rulestest.Start.Add(2*time.Minute), a)
	if c, ok := e.Acts().Cleaning("trough 1"); !ok || c.Finish.Kind != act.CleaningFinished {
		t.Errorf("cleaning %+v, %v", c, ok)
	}
}

// A float drops when its unit is cleaned; the mains do not fail for it.
func TestCleaningHidesFloats(t *testing.T) {
	s := contactSite()
	e := engine(t, s, mains+level)
	got := play(t, e, "0s clean head box\n1m float = 1\n1m mains = 0\n1m..10m tick every 10s\n10m cleaned head box\n10m..20m tick every 10s")
	var lines []string
	for _, tr := range got {
		lines = append(lines, fmt.Sprintf("%s: %s (%s)", brief(tr), tr.Trouble, tr.Hidden))
	}
	want := []string{
		"2m0s raised contact/m/mains: Mains power lost ()",
		"2m0s raised contact/l/float: Head box: water level low (being cleaned by kim since 18:00)",
		"12m0s surfaced contact/l/float: Head box: still water level low after cleaning: standpipe still up? ()",
	}
	if d := cmp.Diff(want, lines); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}

	// It fills again, says so once, and waits for its off-delay: not told.
	e = engine(t, s, level)
	got = play(t, e, "0s clean head box\n1m float = 1\n1m..10m tick every 10s\n10m cleaned head box\n11m30s float = 0\n12m..40m tick every 10s\n40m float = 0")
	if len(got) != 2 || got[1].To != alarm.Normal {
		t.Errorf("got %q", briefs(got))
	}
}
