package rules_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/tally"
)

// waves is flow that is low for some minutes and right for some, again and again.
func waves(from, to, low, right time.Duration) string {
	script := ""
	for at := from; at < to; at += low + right {
		script += flows(at, min(to, at+low), 5) + flows(min(to, at+low), min(to, at+low+right), 40)
	}
	return script
}

// m is minutes.
func m(n int) time.Duration { return time.Duration(n) * time.Minute }

// chatterNights are of one trough with a setpoint of 28 L/min, a deadband of
// 2 L/min, an on-delay of a minute and an off-delay of two, a flow a minute.
var chatterNights = []struct {
	name   string
	rule   string // more of its lines
	script []string
	want   []string
}{
	{
		"raised twice: not chattering",
		"",
		[]string{waves(0, m(10), m(2), m(3)), flows(m(10), m(60), 40)},
		[]string{
			"1m0s raised: Trough 1: low flow", "4m0s returned, not acknowledged",
			"6m0s raised: Trough 1: low flow", "9m0s returned, not acknowledged",
		},
	},
	{
		"three times within half an hour: the third says so, and it stands until 30 min after the last low flow",
		"",
		[]string{waves(0, m(30), m(2), m(3)), flows(m(30), m(70), 40)},
		[]string{
			"1m0s raised: Trough 1: low flow", "4m0s returned, not acknowledged",
			"6m0s raised: Trough 1: low flow", "9m0s returned, not acknowledged",
			"11m0s raised: Trough 1: low flow, chattering", "57m0s returned, not acknowledged",
		},
	},
	{
		"a third time after exactly half an hour",
		"",
		[]string{flows(0, m(2), 5), flows(m(2), m(15), 40), flows(m(15), m(17), 5), flows(m(17), m(30), 40), flows(m(30), m(33), 5)},
		[]string{
			"1m0s raised: Trough 1: low flow", "4m0s returned, not acknowledged",
			"16m0s raised: Trough 1: low flow", "19m0s returned, not acknowledged",
			"31m0s raised: Trough 1: low flow, chattering",
		},
	},
	{
		"a third time after half an hour and a minute: not chattering",
		"",
		[]string{flows(0, m(2), 5), flows(m(2), m(15), 40), flows(m(15), m(17), 5), flows(m(17), m(31), 40), flows(m(31), m(34), 5)},
		[]string{
			"1m0s raised: Trough 1: low flow", "4m0s returned, not acknowledged",
			"16m0s raised: Trough 1: low flow", "19m0s returned, not acknowledged",
			"32m0s raised: Trough 1: low flow",
		},
	},
	{
		"quiet for a minute less than half an hour is not quiet",
		"",
		[]string{waves(0, m(15), m(2), m(3)), flows(m(15), m(41), 40), flows(m(41), m(42), 5), flows(m(42), m(80), 40)},
		[]string{
			"1m0s raised: Trough 1: low flow", "4m0s returned, not acknowledged",
			"6m0s raised: Trough 1: low flow", "9m0s returned, not acknowledged",
			"11m0s raised: Trough 1: low flow, chattering", "1h12m0s returned, not acknowledged",
		},
	},
	{
		"inside the deadband is not quiet either; after it is over it is an alarm like any other",
		"",
		[]string{waves(0, m(15), m(2), m(3)), flows(m(15), m(30), 29), flows(m(30), m(61), 40), flows(m(61), m(63), 5)},
		[]string{
			"1m0s raised: Trough 1: low flow", "4m0s returned, not acknowledged",
			"6m0s raised: Trough 1: low flow", "9m0s returned, not acknowledged",
			"11m0s raised: Trough 1: low flow, chattering", "1h0m0s returned, not acknowledged", "1h2m0s raised: Trough 1: low flow",
		},
	},
	{
		"answered: its changes are not told, and then it is over without a word",
		"",
		[]string{waves(0, m(15), m(2), m(3)), "15m ack KEY", waves(m(15), m(40), m(2), m(3)), flows(m(40), m(70), 40)},
		[]string{
			"1m0s raised: Trough 1: low flow", "4m0s returned, not acknowledged",
			"6m0s raised: Trough 1: low flow", "9m0s returned, not acknowledged",
			"11m0s raised: Trough 1: low flow, chattering", "15m0s acknowledged: Trough 1: low flow, chattering", "1h7m0s returned",
		},
	},
	{
		"answered, and then it stays low: told after five minutes",
		"",
		[]string{waves(0, m(15), m(2), m(3)), "15m ack KEY", flows(m(15), m(20), 40), flows(m(20), m(30), 5)},
		[]string{
			"1m0s raised: Trough 1: low flow", "4m0s returned, not acknowledged",
			"6m0s raised: Trough 1: low flow", "9m0s returned, not acknowledged",
			"11m0s raised: Trough 1: low flow, chattering", "15m0s acknowledged: Trough 1: low flow, chattering",
			"25m1s unacknowledged: Trough 1: low flow, chattering",
		},
	},
	{
		"low for just under five minutes: not told",
		"",
		[]string{waves(0, m(15), m(2), m(3)), "15m ack KEY", flows(m(15), m(20), 40), flows(m(20), m(25), 5), flows(m(25), m(30), 40)},
		[]string{
			"1m0s raised: Trough 1: low flow", "4m0s returned, not acknowledged",
			"6m0s raised: Trough 1: low flow", "9m0s returned, not acknowledged",
			"11m0s raised: Trough 1: low flow, chattering", "15m0s acknowledged: Trough 1: low flow, chattering",
		},
	},
	{
		"inside the deadband in between: low since it fell",
		"",
		[]string{waves(0, m(15), m(2), m(3)), "15m ack KEY", flows(m(15), m(20), 40), flows(m(20), m(23), 5), flows(m(23), m(24), 29), flows(m(24), m(30), 5)},
		[]string{
			"1m0s raised: Trough 1: low flow", "4m0s returned, not acknowledged",
			"6m0s raised: Trough 1: low flow", "9m0s returned, not acknowledged",
			"11m0s raised: Trough 1: low flow, chattering", "15m0s acknowledged: Trough 1: low flow, chattering",
			"25m1s unacknowledged: Trough 1: low flow, chattering",
		},
	},
	{
		"the trouble that was answered goes on: the answer holds its time",
		"",
		[]string{waves(0, m(10), m(2), m(3)), flows(m(10), m(12), 5), "12m ack KEY", flows(m(12), m(80), 5)},
		[]string{
			"1m0s raised: Trough 1: low flow", "4m0s returned, not acknowledged",
			"6m0s raised: Trough 1: low flow", "9m0s returned, not acknowledged",
			"11m0s raised: Trough 1: low flow, chattering", "12m0s acknowledged: Trough 1: low flow, chattering",
			"1h12m1s unacknowledged: Trough 1: low flow, chattering",
		},
	},
	{
		"the answer grows old while all is right: nobody is called before it is wrong for the on-delay",
		"re_alarm = \"10 min\"; ",
		[]string{waves(0, m(15), m(2), m(3)), "15m ack KEY", flows(m(15), m(40), 40), flows(m(40), m(43), 5)},
		[]string{
			"1m0s raised: Trough 1: low flow", "4m0s returned, not acknowledged",
			"6m0s raised: Trough 1: low flow", "9m0s returned, not acknowledged",
			"11m0s raised: Trough 1: low flow, chattering", "15m0s acknowledged: Trough 1: low flow, chattering",
			"41m1s unacknowledged: Trough 1: low flow, chattering",
		},
	},
	{
		"shelved meanwhile: at the end nobody is called before it is wrong for the on-delay",
		"",
		[]string{waves(0, m(15), m(2), m(3)), "15m shelve KEY 10m", flows(m(15), m(40), 40), flows(m(40), m(43), 5)},
		[]string{
			"1m0s raised: Trough 1: low flow", "4m0s returned, not acknowledged",
			"6m0s raised: Trough 1: low flow", "9m0s returned, not acknowledged",
			"11m0s raised: Trough 1: low flow, chattering", "15m0s hidden (shelved by kim until 18:25)",
			"41m1s surfaced: Trough 1: low flow, chattering",
		},
	},
	{
		"latched: chatters, and is latched when it is quiet",
		"latch = true; ",
		[]string{waves(0, m(15), m(2), m(3)), flows(m(15), m(50), 40)},
		[]string{
			"1m0s raised: Trough 1: low flow", "4m0s returned, not acknowledged",
			"6m0s raised: Trough 1: low flow", "9m0s returned, not acknowledged",
			"11m0s raised: Trough 1: low flow, chattering", "42m0s returned, not acknowledged",
		},
	},
	{
		"a gap in the middle: silence is no quiet, the next reading decides",
		"",
		[]string{waves(0, m(15), m(2), m(3)), "15m..50m tick every 10s", flows(m(50), m(52), 40)},
		[]string{
			"1m0s raised: Trough 1: low flow", "4m0s returned, not acknowledged",
			"6m0s raised: Trough 1: low flow", "9m0s returned, not acknowledged",
			"11m0s raised: Trough 1: low flow, chattering", "50m0s returned, not acknowledged",
		},
	},
}

func chatterRule(more string) string {
	return block("low_flow", "t", `units = ["trough 1"]`, more+`setpoint = "28 L/min"; deadband = "2 L/min"; on_delay = "1 min"; off_delay = "2 min"`)
}

const chatterKey = "low_flow/t/trough 1 flow"

func chatterLine(tr alarm.Transition) string {
	s := strings.TrimSuffix(brief(tr), " "+chatterKey)
	switch {
	case tr.Hidden != "":
		s += " (" + tr.Hidden + ")"
	case tr.To.Active():
		s += ": " + tr.Trouble
	}
	return s
}

func TestChatter(t *testing.T) {
	for _, tt := range chatterNights {
		t.Run(tt.name, func(t *testing.T) {
			e := engine(t, rulestest.Site(), chatterRule(tt.rule))
			var got []string
			for _, s := range tt.script {
				for _, tr := range play(t, e, named(s, chatterKey)) {
					got = append(got, chatterLine(tr))
				}
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
}

func TestChatterWords(t *testing.T) {
	e := engine(t, rulestest.Site(), chatterRule(""))
	got := play(t, e, waves(0, m(12), m(2), m(3)))
	if want := "5.0 L/min, setpoint 28.0 L/min; it comes and goes, and stands until all was right for 30 min"; got[len(got)-1].Detail != want {
		t.Errorf("raised: %q, want %q", got[len(got)-1].Detail, want)
	}
	play(t, e, flows(m(12), m(14), 40))
	if want, got := "40.0 L/min, setpoint 28.0 L/min, right for the moment; it comes and goes, and stands until all was right for 30 min", e.Detail(rulestest.Start.Add(m(14)), chatterKey); got != want {
		t.Errorf("right for the moment: %q, want %q", got, want)
	}
}

// A clock set on or back makes no alarm chatter that did not, nor one quiet
// sooner.
func TestChatterOverAStepOfTheClock(t *testing.T) {
	for _, by := range []time.Duration{-3 * time.Hour, 3 * time.Hour, 20 * time.Minute} {
		e := engine(t, rulestest.Site(), chatterRule(""))
		play(t, e, waves(0, m(10), m(2), m(3)))
		e.Shift(by)
		var got []string
		for _, tr := range play(t, e, flows(by+m(10), by+m(12), 5)) {
			got = append(got, chatterLine(tr))
		}
		e.Shift(-by)
		for _, tr := range play(t, e, flows(m(12), m(50), 40)) {
			got = append(got, chatterLine(tr))
		}
		want := []string{fmt.Sprint(by+m(11)) + " raised: Trough 1: low flow, chattering", "42m0s returned, not acknowledged"}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("by %v (-want +got):\n%s", by, d)
		}
	}
}

// A probe that drops out again and again chatters too; one that is stuck again and
// again does not, for nothing goes by it while its alarm stands.
func TestChatterKinds(t *testing.T) {
	e := engine(t, rulestest.Site(), block("silent_probe", "q", `units = ["trough 1"]`, ""))
	script := ""
	for at := time.Duration(0); at < m(45); at += m(14) {
		script += fmt.Sprintf("%v trough 1 flow = 40\n%v..%v tick every 10s\n", at, at, at+m(13))
	}
	var got []string
	for _, tr := range play(t, e, script+flows(m(56), m(90), 40)) {
		if strings.HasSuffix(string(tr.Key), "/trough 1 flow") {
			got = append(got, brief(tr)[:strings.IndexByte(brief(tr), ' ')]+" "+tr.To.String()+": "+tr.Trouble)
		}
	}
	if len(got) < 5 || !strings.HasSuffix(got[4], "silent, chattering") || len(got) != 6 || !strings.HasPrefix(got[5], "1h26m0s") {
		t.Errorf("%q", got)
	}
}

// The alarm of what feeds a unit explains nothing while it chatters: what is low
// below it calls out by itself.
func TestChatterExplainsNothing(t *testing.T) {
	s := rulestest.Site()
	e := engine(t, s, block("low_flow", "up", `units = ["spring"]`, `setpoint = "100 L/min"; on_delay = "1 min"; off_delay = "2 min"`)+chatterRule(""))
	up := func(from, to time.Duration, v float64) string {
		return strings.ReplaceAll(flows(from, to, v), "trough 1 flow", "spring flow")
	}
	script := ""
	for at := time.Duration(0); at < m(15); at += m(5) {
		script += up(at, at+m(2), 5) + up(at+m(2), at+m(5), 400)
	}
	script += "15m ack low_flow/up/spring flow\n"
	got := play(t, e, script)
	if n := len(got); n < 6 || got[n-1].To != alarm.Acknowledged || !strings.Contains(got[n-1].Trouble, "chattering") {
		t.Fatalf("%q", briefs(got))
	}
	got = play(t, e, flows(m(16), m(18), 5))
	if len(got) != 1 || got[0].Cause != "" || got[0].To != alarm.Unacknowledged {
		t.Errorf("%+v", got)
	}
}

// What follows from an alarm is told by itself once that chatters, and if both were
// answered, when that answer grows old.
func TestChatterOfACause(t *testing.T) {
	for _, tt := range []struct {
		answer string
		want   []string
	}{
		{"", []string{
			"1m1s raised [low_flow/up/spring flow]: Trough 1: low flow",
			"11m2s surfaced []: Trough 1: still low flow though the alarm of the spring comes and goes",
		}},
		{"11m1s ack low_flow/up/spring flow", []string{
			"1m1s raised [low_flow/up/spring flow]: Trough 1: low flow",
			"11m1s acknowledged [low_flow/up/spring flow]: Trough 1: low flow",
			"16m2s unacknowledged [low_flow/up/spring flow]: Trough 1: low flow",
			"16m2s surfaced []: Trough 1: still low flow though the alarm of the spring comes and goes",
		}},
	} {
		s := rulestest.Site()
		e := engine(t, s, block("low_flow", "up", `units = ["spring"]`, `setpoint = "100 L/min"; on_delay = "1 min"; off_delay = "2 min"`)+chatterRule("re_alarm = \"5 min\"; "))
		var script []string
		for i := range 20 {
			spring := 400.0
			if i%5 < 2 {
				spring = 5
			}
			at := m(i)
			script = append(script, fmt.Sprintf("%v spring flow = %v\n%v trough 1 flow = 5", at, spring, at+time.Second))
			if i == 11 && tt.answer != "" {
				script = append(script, tt.answer)
			}
			script = append(script, fmt.Sprintf("%v tick", at+2*time.Second))
		}
		var trough []string
		for _, tr := range play(t, e, strings.Join(script, "\n")) {
			if tr.Key == chatterKey {
				trough = append(trough, fmt.Sprintf("%s [%s]: %s", strings.TrimSuffix(brief(tr), " "+chatterKey), tr.Cause, tr.Trouble))
			}
		}
		if d := cmp.Diff(tt.want, trough); d != "" {
			t.Errorf("answer %q (-want +got):\n%s", tt.answer, d)
		}
	}
}

// flapping is a night of a flow, and of an oxygen probe, that come and go, with answers,
// shelving and cleaning.
func flapping(rnd *rand.Rand) []happening {
	var all []happening
	start := rulestest.Start
	level, until := 40.0, start
	oxygen, next := 10.0, start
	for now := start; now.Before(start.Add(12 * time.Hour)); now = now.Add(10 * time.Second) {
		if now.Sub(start)%time.Minute == 0 {
			if !now.Before(until) {
				level = []float64{40, 40, 29, 5, 5}[rnd.IntN(5)]
				until = now.Add(m(1 + rnd.IntN([]int{4, 4, 4, 45}[rnd.IntN(4)])))
			}
			if !now.Before(next) {
				oxygen = 14 - oxygen
				next = now.Add(m(1 + rnd.IntN([]int{4, 4, 4, 45}[rnd.IntN(4)])))
			}
			r := rulestest.Reading("trough 1 flow", now, level)
			o := rulestest.Reading("raceway 1 oxygen", now, oxygen)
			all = append(all, happening{at: now, r: &r}, happening{at: now, r: &o})
		}
		all = append(all, happening{at: now.Add(time.Second)})
		if rnd.IntN(90) == 0 {
			all = append(all, happening{at: now.Add(2 * time.Second), ack: true})
		}
		if rnd.IntN(400) == 0 {
			a := started("trough 1", now.Add(3*time.Second))
			all = append(all, happening{at: a.At, act: &a})
		}
		if rnd.IntN(400) == 0 {
			a := aside("shelved", chatterKey+" x", now.Add(4*time.Second))
			a.Until = a.At.Add(m(1 + rnd.IntN(60)))
			all = append(all, happening{at: a.At, act: &a})
		}
	}
	return all
}

const flappingOxygen = `setpoint = "6 mg/L"; deadband = "0.5 mg/L"; on_delay = "1 min"; off_delay = "2 min"`

// A restart in the middle of chatter changes nothing.
func TestChatterOverARestart(t *testing.T) {
	s := rulestest.Site()
	prog := program(t, s, chatterRule("")+block("low_oxygen", "o", `units = ["raceway 1"]`, flappingOxygen))
	chattered, worse := 0, 0
	for seed := range *seeds {
		rnd := rand.New(rand.NewPCG(seed, 5))
		events := flapping(rnd)
		live := rules.New(s, prog)
		if _, err := live.Rebuild(rulestest.Start, rules.Past{WatchingSince: rulestest.Start}); err != nil {
			t.Fatal(err)
		}
		var whole journal
		again := live
		var second journal
		for i, h := range events {
			if i > 0 && rnd.IntN(700) == 0 {
				again = rules.New(s, prog)
				if gone, err := again.Rebuild(h.at, second.past(h.at, again.Memory())); err != nil || len(gone) > 0 {
					t.Fatal(gone, err)
				}
			}
			apply(t, live, &whole, h)
			if again == live {
				second = journal{whole.readings, whole.chores, whole.acts, slices.Clone(whole.transitions)}
			} else {
				apply(t, again, &second, h)
			}
		}
		for _, tr := range whole.transitions {
			if strings.Contains(tr.Trouble, "chattering") {
				chattered++
				if tr.From == alarm.Acknowledged && tr.To == alarm.Unacknowledged {
					worse++
				}
			}
		}
		if again == live {
			t.Fatalf("seed %d: no restart", seed)
		}
		if d := cmp.Diff(whole.transitions, second.transitions); d != "" {
			t.Errorf("seed %d (-live +restarted):\n%s", seed, d)
		}
	}
	if chattered < 20 || worse == 0 {
		t.Errorf("only %d transitions of what chatters, %d of them worse", chattered, worse)
	}
}

// What may never happen to an alarm, whatever comes: an answer is taken back
// before its time only of what chatters and got worse; nothing hidden surfaces
// while it is put aside; what is held is over only after half an hour without a
// low value; and no alarm is missing while the flow is low for its on-delay.
func TestLifeInvariants(t *testing.T) {
	s := rulestest.Site()
	prog := program(t, s, chatterRule("re_alarm = \"40 min\"; "))
	answered, shelved := 0, 0
	for seed := range *seeds * 5 {
		e := rules.New(s, prog)
		if _, err := e.Rebuild(rulestest.Start, rules.Past{WatchingSince: rulestest.Start}); err != nil {
			t.Fatal(err)
		}
		var j journal
		var ackAt, shelfEnds, low, lowSince, spell, good time.Time
		state := alarm.Normal
		held := false
		for _, h := range flapping(rand.New(rand.NewPCG(seed, 6))) {
			if h.r != nil && h.r.Probe != "trough 1 flow" {
				continue
			}
			n := len(j.transitions)
			apply(t, e, &j, h)
			if h.act != nil && h.act.Kind == "shelved" {
				shelfEnds = h.act.Until
				shelved++
			}
			if h.r != nil {
				switch {
				case h.r.Value < 28:
					low = h.at
					if spell.IsZero() {
						spell = h.at
					}
				case h.r.Value >= 30:
					spell, good = time.Time{}, h.at
				}
				switch {
				case h.r.Value >= 28:
					lowSince = time.Time{}
				case lowSince.IsZero():
					lowSince = h.at
				}
			}
			for _, tr := range j.transitions[n:] {
				if tr.Key != chatterKey {
					continue
				}
				fail := func(why string) {
					t.Errorf("seed %d: %s: %s", seed, why, chatterLine(tr))
				}
				state = tr.To
				switch {
				case tr.To == alarm.Acknowledged:
					ackAt = tr.At
					answered++
				case tr.From == alarm.Acknowledged && tr.To == alarm.Unacknowledged:
					afterCleaning := strings.Contains(tr.Trouble, "after cleaning")
					gotWorse := strings.Contains(tr.Trouble, "chattering") && !spell.IsZero() && tr.At.Sub(spell) >= m(5) && good.After(ackAt)
					putAside := !shelfEnds.IsZero() && shelfEnds.After(ackAt)
					if tr.At.Sub(ackAt) < m(40) && !gotWorse && !afterCleaning && !putAside {
						fail("an answer is taken back too soon")
					}
				}
				if tr.Hidden == "" && tr.To == alarm.Unacknowledged && tr.At.Before(shelfEnds) {
					fail("told while it is shelved")
				}
				if held && !tr.To.Active() && tr.At.Sub(low) < tally.ChatterWithin {
					fail("over too soon")
				}
				held = tr.To.Active() && strings.Contains(tr.Trouble, "chattering")
			}
			if !lowSince.IsZero() && h.at.Sub(lowSince) > m(1) && !state.Active() {
				t.Fatalf("seed %d: at %v the flow has been low since %v, and the alarm is %v", seed, h.at.Sub(rulestest.Start), lowSince.Sub(rulestest.Start), state)
			}
		}
	}
	if answered < 100 || shelved < 50 {
		t.Errorf("only %d answers, %d shelved", answered, shelved)
	}
}

// A flood begins with the eleventh alarm in less than ten minutes and ends when
// fewer than five are left in ten.
func TestFlood(t *testing.T) {
	s := rulestest.Site()
	const key = "self/flood of alarms/flood"
	for _, tt := range []struct {
		name  string
		at    []time.Duration // of the raises
		begin time.Duration   // 0: no flood
		end   time.Duration
	}{
		{"ten in ten minutes", spread(10, m(0), 50*time.Second), 0, 0},
		{"eleven in just under ten minutes", spread(11, m(0), 59*time.Second), 590 * time.Second, 6*59*time.Second + 10*time.Minute},
		{"eleven in exactly ten minutes", spread(11, m(0), time.Minute), 0, 0},
		{"twenty at once", spread(20, m(0), 0), 1, m(10)},
		{"ends when fewer than five are left", append(spread(11, m(0), 0), spread(4, m(5), 0)...), 1, m(10)},
		{"goes on while five are left", append(spread(11, m(0), 0), spread(5, m(5), 0)...), 1, m(15)},
	} {
		t.Run(tt.name, func(t *testing.T) {
			e := engine(t, s, chatterManyRules(len(tt.at)))
			var got []string
			i := 0
			for now := time.Duration(0); now < m(40); now += time.Second {
				at := rulestest.Start.Add(now)
				for i < len(tt.at) && tt.at[i] <= now {
					for _, tr := range raiseNth(t, e, i, at) {
						if tr.Key == key {
							got = append(got, brief(tr))
						}
					}
					i++
				}
				for _, tr := range e.Tick(at) {
					if tr.Key == key {
						got = append(got, brief(tr))
					}
				}
			}
			var want []string
			if tt.begin > 0 {
				want = []string{fmt.Sprintf("%v raised %s", tt.begin.Truncate(time.Second), key), fmt.Sprintf("%v returned %s", tt.end, key)}
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
}

func spread(n int, from, every time.Duration) []time.Duration {
	var at []time.Duration
	for i := range n {
		at = append(at, from+time.Duration(i)*every)
	}
	return at
}

// chatterManyRules are rules whose alarms raiseNth raises one by one: low flow of
// trough 1 below one setpoint after the other.
func chatterManyRules(n int) string {
	text := ""
	for i := range n {
		text += block("low_flow", fmt.Sprintf("note %02d", i), `units = ["trough 1"]`, fmt.Sprintf(`setpoint = "%d L/min"; on_delay = "0 s"`, 35-i))
	}
	return text
}

func raiseNth(tb testing.TB, e *rules.Engine, i int, at time.Time) []alarm.Transition {
	tb.Helper()
	r := rulestest.Reading("trough 1 flow", at, 35-float64(i)-0.5)
	return e.Reading(at, &r)
}

// A flood is known again after a restart.
func TestFloodOverARestart(t *testing.T) {
	s := rulestest.Site()
	text := chatterManyRules(12)
	run := func(cut int) []byte {
		e := engine(t, s, text)
		var j journal
		for i := range 40 {
			at := rulestest.Start.Add(m(i) / 2)
			if i == cut {
				e = rules.New(s, program(t, s, text))
				if gone, err := e.Rebuild(at, j.past(at, e.Memory())); err != nil || gone != nil {
					t.Fatal(gone, err)
				}
			}
			r := rulestest.Reading("trough 1 flow", at, 35-float64(min(i, 11))-0.5)
			apply(t, e, &j, happening{at: at, r: &r})
			apply(t, e, &j, happening{at: at.Add(time.Second)})
		}
		b, err := json.Marshal(j.transitions)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	want := string(run(-1))
	if strings.Count(want, tally.FloodTrouble) != 2 {
		t.Fatal(want)
	}
	for _, cut := range []int{3, 9, 11, 15, 25} {
		if d := cmp.Diff(want, string(run(cut))); d != "" {
			t.Errorf("cut at %d:\n%s", cut, d)
		}
	}
}

// Ticks that sleep until Due miss nothing of what chatters or is put aside.
func TestChatterSleepsUntilDue(t *testing.T) {
	s := rulestest.Site()
	two := chatterRule("re_alarm = \"25 min\"; ") + block("low_oxygen", "o", `units = ["raceway 1"]`, flappingOxygen)
	chattered, flooded := 0, 0
	for seed := range *seeds * 2 {
		text := two // its own wakes alone
		if seed%2 == 1 {
			text += chatterManyRules(12)
		}
		run := func(every bool) []byte {
			e := engine(t, s, text)
			var j journal
			last := rulestest.Start
			took := func(trs []alarm.Transition) { j.transitions = append(j.transitions, trs...) }
			for _, h := range flapping(rand.New(rand.NewPCG(seed, 9))) {
				if h.r == nil && h.act == nil && !h.ack || h.at.After(rulestest.Start.Add(5*time.Hour)) {
					continue
				}
				passed(e, last, h.at, every, took)
				apply(t, e, &j, h)
				last = h.at
			}
			b, err := json.Marshal(j.transitions)
			if err != nil {
				t.Fatal(err)
			}
			return b
		}
		a, b := string(run(true)), string(run(false))
		if a != b {
			t.Errorf("seed %d: not the same (-every second +from Due):\n%s", seed, cmp.Diff(a, b))
		}
		chattered += strings.Count(a, "chattering")
		flooded += strings.Count(a, tally.FloodRule)
	}
	if chattered < 10 || flooded < 2 {
		t.Errorf("%d transitions of what chatters, %d of floods", chattered, flooded)
	}
}
