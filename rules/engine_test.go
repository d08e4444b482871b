package rules_test

import (
	"errors"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // for the days on which clocks are changed

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

// The rules of the tables below: raised after 60 s, back after 2 min.
const delays = `; on_delay = "60 s"; off_delay = "2 min"`

var (
	lowFlow    = block("low_flow", "t", `units = ["trough 1"]`, `setpoint = "28 L/min"; deadband = "2 L/min"`+delays)
	fromSpring = block("temperature_from_spring", "s", `units = ["stack 1"]`, `departure = "2 degC"; deadband = "0.5 degC"`+delays)
	band       = block("temperature_band", "b", `units = ["stack 1"]`, `low = "4 degC"; high = "11 degC"; deadband = "0.5 degC"`+delays)
	drift      = block("temperature_drift", "d", `units = ["spring"]`, `departure = "1 degC"; deadband = "0.5 degC"; window = "1 h"`+delays)
	oxygenMgL  = block("low_oxygen", "o", `units = ["raceway 1", "deep 1"]`, `setpoint = "7 mg/L"; deadband = "0.5 mg/L"`+delays)
	oxygenSat  = block("low_oxygen", "o", `units = ["raceway 1", "deep 1"]`, `setpoint = "60% saturation"; deadband = "5% saturation"`+delays)
	silent     = block("silent_probe", "q", `units = ["trough 2"]`, "")
	cleaning   = block("missed_chore", "c", "", `chore = "cleaning"`)
	intake     = block("missed_chore", "i", "", `chore = "intake clearing"; on_delay = "10 min"`)
)

func TestEdges(t *testing.T) {
	tests := []struct {
		name, rules, script string
		want                []string
	}{
		{"exactly on the setpoint is right", lowFlow, `
			0s   trough 1 flow = 28
			10m  trough 1 flow = 28
			20m  tick`, nil},
		{"just below, up to a moment before the on-delay", lowFlow, `
			0s   trough 1 flow = 27.99
			59s  trough 1 flow = 27.99`, nil},
		{"at the on-delay", lowFlow, `
			0s   trough 1 flow = 27.99
			30s  trough 1 flow = 27.99
			60s  trough 1 flow = 27.99
			90s  trough 1 flow = 27.99`, []string{"1m0s raised low_flow/t/trough 1 flow"}},
		{"one right reading starts the on-delay again", lowFlow, `
			0s   trough 1 flow = 27
			30s  trough 1 flow = 30
			60s  trough 1 flow = 27
			119s trough 1 flow = 27
			120s trough 1 flow = 27`, []string{"2m0s raised low_flow/t/trough 1 flow"}},
		{"one inside the deadband does not", lowFlow, `
			0s   trough 1 flow = 27
			30s  trough 1 flow = 28
			60s  trough 1 flow = 27`, []string{"1m0s raised low_flow/t/trough 1 flow"}},
		{"nor is it raised while the newest is inside the setpoint", lowFlow, `
			0s   trough 1 flow = 27
			30s  trough 1 flow = 28
			31s..300s tick every 1s
			301s trough 1 flow = 27`, []string{"5m1s raised low_flow/t/trough 1 flow"}},
		{"a tick waits an interval more", lowFlow, `
			0s   trough 1 flow = 27
			1s..119s tick every 1s`, nil},
		{"and then raises", lowFlow, `
			0s   trough 1 flow = 27
			1s..200s tick every 1s`, []string{"2m0s raised low_flow/t/trough 1 flow"}},
		{"exactly the deadband inside is good, after the off-delay", lowFlow, `
			0s   trough 1 flow = 27
			1m   trough 1 flow = 27
			2m   trough 1 flow = 30
			239s trough 1 flow = 30
			4m   trough 1 flow = 30`, []string{"1m0s raised low_flow/t/trough 1 flow", "4m0s returned, not acknowledged low_flow/t/trough 1 flow"}},
		{"inside the deadband it stands", lowFlow, `
			0s   trough 1 flow = 27
			1m   trough 1 flow = 27
			2m   trough 1 flow = 29.99
			60m  trough 1 flow = 29.99`, []string{"1m0s raised low_flow/t/trough 1 flow"}},
		{"a look back into the deadband starts the off-delay again", lowFlow, `
			0s   trough 1 flow = 27
			1m   trough 1 flow = 27
			2m   trough 1 flow = 30
			3m   trough 1 flow = 29
			4m   trough 1 flow = 30
			359s trough 1 flow = 30
			6m   trough 1 flow = 30`, []string{"1m0s raised low_flow/t/trough 1 flow", "6m0s returned, not acknowledged low_flow/t/trough 1 flow"}},
		{"a tick never returns one", lowFlow, `
			0s   trough 1 flow = 27
			1m   trough 1 flow = 27
			2m   trough 1 flow = 35
			3m..3h tick every 1m`, []string{"1m0s raised low_flow/t/trough 1 flow"}},
		{"silence in the middle: the tick raises, the reading after it returns", lowFlow, `
			0s   trough 1 flow = 27
			10s..30m tick every 10s
			31m  trough 1 flow = 35
			33m  trough 1 flow = 35`, []string{"2m0s raised low_flow/t/trough 1 flow", "33m0s returned, not acknowledged low_flow/t/trough 1 flow"}},
		{"a value that cannot be is not used", lowFlow, `
			0s   trough 1 flow = -5 (out-of-range)
			1m   trough 1 flow = -5 (out-of-range)
			2m   trough 1 flow = -5 (out-of-range)
			10m  tick`, nil},
		{"and does not break the on-delay", lowFlow, `
			0s   trough 1 flow = 27
			30s  trough 1 flow = 9000 (out-of-range)
			60s  trough 1 flow = 27`, []string{"1m0s raised low_flow/t/trough 1 flow"}},
		{"late readings raise nothing", lowFlow, `
			0s   trough 1 flow = 1 (late, device-timed)
			5m   trough 1 flow = 1 (late, device-timed)
			10m  tick`, []string{"5m0s normal past/low_flow/t/trough 1 flow"}}, // a note
		{"readings out of order raise nothing", lowFlow, `
			0s   trough 1 flow = 1 (out-of-order)
			5m   trough 1 flow = 1 (out-of-order)
			10m  tick`, nil},
		{"what the broker kept raises nothing", lowFlow, `
			0s   trough 1 flow = 1 (retained)
			5m   trough 1 flow = 1 (retained)
			10m  tick`, nil},
		{"unless it says when it was and that is now", lowFlow, `
			0s   trough 1 flow = 1 (retained, device-timed)
			5m   trough 1 flow = 1 (retained, device-timed)`, []string{"5m0s raised low_flow/t/trough 1 flow"}},
		{"what says it is from the future counts as of now", lowFlow, `
			0s   trough 1 flow = 1 (future-time)
			5m   trough 1 flow = 1 (future-time)`, []string{"5m0s raised low_flow/t/trough 1 flow"}},
		{"a probe nobody knows", lowFlow, `
			0s   somewhere flow = 1
			5m   somewhere flow = 1`, nil},

		{"band: both limits are right", band, `
			0s   stack 1 temperature = 4
			5m   stack 1 temperature = 11
			10m  stack 1 temperature = 4`, nil},
		{"band: too cold, then too warm is one trouble", band, `
			0s   stack 1 temperature = 3.9
			1m   stack 1 temperature = 11.1
			2m   stack 1 temperature = 10.6
			10m  stack 1 temperature = 10.6
			11m  stack 1 temperature = 10.5
			13m  stack 1 temperature = 4.5`, []string{"1m0s raised temperature_band/b/stack 1 temperature", "13m0s returned, not acknowledged temperature_band/b/stack 1 temperature"}},

		{"from the spring: exactly the departure is right, either side", fromSpring, `
			0s   spring temperature = 8
			1s   stack 1 temperature = 10
			2m   spring temperature = 8
			3m   stack 1 temperature = 6
			5m   stack 1 temperature = 6`, nil},
		{"from the spring: beyond, and back by the deadband", fromSpring, `
			0s   spring temperature = 8
			1s   stack 1 temperature = 10.1
			61s  stack 1 temperature = 5.9
			2m   stack 1 temperature = 9.6
			3m   spring temperature = 8
			6m   stack 1 temperature = 9.6
			7m   stack 1 temperature = 9.5
			8m   spring temperature = 8
			9m   stack 1 temperature = 6.5`, []string{"1m1s raised temperature_from_spring/s/stack 1 temperature", "9m0s returned, not acknowledged temperature_from_spring/s/stack 1 temperature"}},
		{"from the spring: not judged while the spring is silent", fromSpring, `
			0s   stack 1 temperature = 20
			10m  stack 1 temperature = 20
			11m  spring temperature = 8
			17m  stack 1 temperature = 20   # the spring is 6 min old
			19m  stack 1 temperature = 20
			20m  tick`, nil},
		{"from the spring: a standing alarm stands while the spring is silent", fromSpring, `
			0s   spring temperature = 8
			1s   stack 1 temperature = 20
			2m   stack 1 temperature = 20
			20m  stack 1 temperature = 8
			30m  stack 1 temperature = 8
			31m  spring temperature = 8
			32m  stack 1 temperature = 8
			34m  stack 1 temperature = 8`, []string{"2m0s raised temperature_from_spring/s/stack 1 temperature", "34m0s returned, not acknowledged temperature_from_spring/s/stack 1 temperature"}},

		{"oxygen in its own unit", oxygenMgL, `
			0s   raceway 1 oxygen = 7
			1m   raceway 1 oxygen = 6.99
			2m   raceway 1 oxygen = 6.99
			3m   raceway 1 oxygen = 7.5
			5m   raceway 1 oxygen = 7.5`, []string{"2m0s raised low_oxygen/o/raceway 1 oxygen", "5m0s returned, not acknowledged low_oxygen/o/raceway 1 oxygen"}},
		// 11.843 mg/L is full at 8 degC and 760 mmHg (testdata/oxygen): 7 mg/L
		// is 59.1 %.
		{"percent against mg/L: nothing without a temperature", oxygenMgL, `
			0s   deep 1 saturation = 10
			5m   deep 1 saturation = 10
			6m   tick`, nil},
		{"percent against mg/L, by the spring's temperature", oxygenMgL, `
			0s   spring temperature = 8
			1s   deep 1 saturation = 59.2
			1m   deep 1 saturation = 59.2
			2m   deep 1 saturation = 59.0
			3m   deep 1 saturation = 59.0`, []string{"3m0s raised low_oxygen/o/deep 1 saturation"}},
		{"percent against mg/L: the temperature is lost, the last one goes on", oxygenMgL, `
			0s   spring temperature = 8
			1s   deep 1 saturation = 50
			1m1s deep 1 saturation = 50
			10m  deep 1 saturation = 90
			20m  deep 1 saturation = 90
			30m  deep 1 saturation = 50
			31m  deep 1 saturation = 50`, []string{
			"1m1s raised low_oxygen/o/deep 1 saturation", "20m0s returned, not acknowledged low_oxygen/o/deep 1 saturation",
			"31m0s raised low_oxygen/o/deep 1 saturation",
		}},
		// 60 % at 8 degC is 7.106 mg/L; at 20 degC (9.092) 5.455.
		{"mg/L against percent, by the unit's own temperature", oxygenSat, `
			0s   spring temperature = 8
			1s   raceway 1 temperature = 20
			2s   raceway 1 oxygen = 5.5
			62s  raceway 1 oxygen = 5.5
			2m   raceway 1 temperature = 8
			3m   raceway 1 oxygen = 7.1
			4m   raceway 1 oxygen = 7.1`, []string{"4m0s raised low_oxygen/o/raceway 1 oxygen"}},

		{"silent: exactly three intervals (at least 5 min) is right", silent, `
			0s   trough 2 flow = 38
			1m..5m tick every 10s`, nil},
		{"silent: a second more is not; late words do not count, the first usable one returns", silent, `
			0s   trough 2 flow = 38
			1m   trough 2 flow = 38
			361s tick
			7m   trough 2 flow = 38 (late)
			8m   trough 2 flow = 38 (out-of-range)
			8m1s tick
			9m   trough 2 flow = 38`, []string{"6m1s raised silent_probe/q/trough 2 flow", "9m0s returned, not acknowledged silent_probe/q/trough 2 flow"}},
		{"silent: from the start on", silent, `
			0s..5m tick every 1m
			301s tick
			10m..12h tick every 1m`, []string{"5m1s raised silent_probe/q/trough 2 flow"}},

		{"chore: missed at its hour, done late", cleaning, `
			57599s tick                      # 09:59:59
			16h  tick
			17h  done cleaning @ trough 1
			17h  done cleaning @ trough 2`, []string{
			"16h0m0s raised missed_chore/c/trough 1", "16h0m0s raised missed_chore/c/trough 2",
			"17h0m0s returned, not acknowledged missed_chore/c/trough 1", "17h0m0s returned, not acknowledged missed_chore/c/trough 2",
		}},
		{"chore: done early, and the next day again", cleaning, `
			10h  done cleaning @ trough 1
			11h  done cleaning @ trough 2
			16h  tick
			30h  done cleaning @ trough 1
			40h  tick`, []string{"40h0m0s raised missed_chore/c/trough 2"}},
		{"chore: done at its hour is in time, done late counts for the hour it missed", cleaning, `
			16h  done cleaning @ trough 1
			16h1m tick
			17h  done cleaning @ trough 2
			40h  tick
			64h  tick`, []string{
			"16h1m0s raised missed_chore/c/trough 2", "17h0m0s returned, not acknowledged missed_chore/c/trough 2",
			"40h0m0s raised missed_chore/c/trough 1", "40h0m0s raised missed_chore/c/trough 2",
		}},
		{"chore: told twice in one go pays once", cleaning, `
			16h  done cleaning @ trough 2
			17h  done cleaning @ trough 1    # late
			17h5m done cleaning @ trough 1   # the same, told again
			41h  tick`, []string{
			"41h0m0s raised missed_chore/c/trough 1", "41h0m0s raised missed_chore/c/trough 2",
		}},
		{"from the spring: one glitch, then nothing to compare with", fromSpring, `
			0s   spring temperature = 8
			10s  stack 1 temperature = 11
			6m   stack 1 temperature = 8
			6m..20m tick every 10s`, nil},
		{"chore: what was due before the record began is nobody's fault", cleaning, `
			0s..15h tick every 1h`, nil},
		{"chore: two hours a day and an on-delay", intake, `
			13h  done intake clearing        # 07:00
			14h..22h tick every 1m
			23h  tick                        # 17:00
			23h9m tick
			23h10m tick
			24h  done intake clearing`, []string{"23h10m0s raised missed_chore/i/", "24h0m0s returned, not acknowledged missed_chore/i/"}},
		{"a chore no rule watches", cleaning, `
			1h done intake clearing
			2h done sweeping @ trough 1`, nil},

		{"health: within its on-delay nobody is called", lowFlow, `
			0s   broker bad
			1m59s tick
			2m   broker ok
			9m   tick`, nil},
		{"health: gone and back", lowFlow, `
			0s   broker bad
			1m   broker bad
			2m   tick
			5m   broker ok`, []string{"2m0s raised self/broker gone/broker", "5m0s returned, not acknowledged self/broker gone/broker"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := briefs(play(t, engine(t, rulestest.Site(), tt.rules), tt.script))
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("transitions (-want +got):\n%s", d)
			}
		})
	}
}

// A drift is judged only when the median stands on a quarter of the window and
// eight values.
func TestDriftNeedsAQuarter(t *testing.T) {
	s := rulestest.Site()
	raised := func(quiet time.Duration, every time.Duration) bool {
		e := engine(t, s, drift)
		var all []alarm.Transition
		now := rulestest.Start
		say := func(v float64) {
			r := rulestest.Reading("spring temperature", now, v)
			all = append(all, e.Reading(now, &r)...)
			now = now.Add(every)
		}
		for now.Before(rulestest.Start.Add(quiet)) {
			say(8)
		}
		for range 4 {
			say(9.01)
		}
		return len(all) > 0
	}
	for _, tt := range []struct {
		quiet, every time.Duration
		want         bool
	}{
		{14 * time.Minute, time.Minute, false},
		{20 * time.Minute, time.Minute, true},
		{30 * time.Minute, 5 * time.Minute, false}, // six values only
		{50 * time.Minute, 5 * time.Minute, true},
	} {
		if got := raised(tt.quiet, tt.every); got != tt.want {
			t.Errorf("%v at 8 degC, a value every %v, then 9.01 degC: raised %v, want %v", tt.quiet, tt.every, got, tt.want)
		}
	}
	// A slow change of the same size within the day is what the median follows.
	e := engine(t, s, drift)
	for m := range 600 {
		now := rulestest.Start.Add(time.Duration(m) * time.Minute)
		r := rulestest.Reading("spring temperature", now, 8+float64(m)/60*0.5)
		if got := e.Reading(now, &r); len(got) > 0 {
			t.Fatalf("half a degree an hour raised %s", brief(got[0]))
		}
	}
}

// The life of one alarm: states and who may move them.
func TestLife(t *testing.T) {
	const key = "low_flow/t/trough 1 flow"
	const raise = "0s trough 1 flow = 27\n1m trough 1 flow = 27\n"
	const mend = "10m trough 1 flow = 30\n12m trough 1 flow = 30\n"
	tests := []struct {
		name, script string
		want         []string
	}{
		{"answered, then right again", raise + "2m ack " + key + "\n" + mend, []string{"1m0s raised " + key, "2m0s acknowledged " + key, "12m0s returned " + key}},
		{"right again, then answered", raise + mend + "13m ack all", []string{"1m0s raised " + key, "12m0s returned, not acknowledged " + key, "13m0s normal " + key}},
		{"answered twice", raise + "2m ack all\n3m ack " + key, []string{"1m0s raised " + key, "2m0s acknowledged " + key}},
		{"nothing to answer", "0s ack all", nil},
		{"again before anybody answered", raise + mend + "20m trough 1 flow = 27\n21m trough 1 flow = 27\n22m ack all", []string{
			"1m0s raised " + key, "12m0s returned, not acknowledged " + key, "21m0s raised " + key, "22m0s acknowledged " + key,
		}},
		{"an answer holds for an hour, then it calls again", raise + "2m ack all\n3m..61m tick every 1m\n61m59s tick\n62m tick\n63m tick\n70m ack all", []string{
			"1m0s raised " + key, "2m0s acknowledged " + key, "1h2m0s unacknowledged " + key, "1h10m0s acknowledged " + key,
		}},
		{"trouble while answered is the same trouble", raise + "2m ack all\n10m trough 1 flow = 30\n11m trough 1 flow = 27\n12m trough 1 flow = 27", []string{"1m0s raised " + key, "2m0s acknowledged " + key}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			all := play(t, engine(t, rulestest.Site(), lowFlow), tt.script)
			if d := cmp.Diff(tt.want, briefs(all)); d != "" {
				t.Errorf("transitions (-want +got):\n%s", d)
			}
			occurrence := uint64(0)
			for _, tr := range all {
				if tr.Raised() {
					occurrence++
				}
				if tr.Occurrence != occurrence {
					t.Errorf("%s has occurrence %d, want %d", brief(tr), tr.Occurrence, occurrence)
				}
				if (tr.By == "kim") != (tr.To == alarm.Acknowledged || tr.To == alarm.Normal && tr.From == alarm.ReturnedUnacknowledged) {
					t.Errorf("%s by %q", brief(tr), tr.By)
				}
			}
		})
	}
	t.Run("a note needs no answer", func(t *testing.T) {
		e := engine(t, rulestest.Site(), block("low_flow", "note", `units = ["trough 1"]`, `setpoint = "28 L/min"; deadband = "2 L/min"`+delays))
		got := briefs(play(t, e, raise+mend))
		if d := cmp.Diff([]string{"1m0s raised low_flow/note/trough 1 flow", "12m0s returned low_flow/note/trough 1 flow"}, got); d != "" {
			t.Error(d)
		}
	})
	t.Run("unknown and normal keys", func(t *testing.T) {
		e := engine(t, rulestest.Site(), lowFlow)
		for _, k := range []alarm.Key{"nonsense", key} {
			var unknown *rules.UnknownAlarmError
			if got, err := e.Acknowledge(rulestest.Start, k, "kim"); !errors.As(err, &unknown) || unknown.Key != k || got != nil {
				t.Errorf("answer to %q: %v, %v", k, got, err)
			}
		}
	})
}

// Everything a message needs stands in the transition.
func TestTransition(t *testing.T) {
	e := engine(t, rulestest.Site(), "# a line\n"+lowFlow)
	got := play(t, e, "0s trough 1 flow = 11.24\n1m trough 1 flow = 11.24")
	want := []alarm.Transition{{
		Key: "low_flow/t/trough 1 flow", Kind: alarm.LowFlow, Occurrence: 1, From: alarm.Normal, To: alarm.Unacknowledged,
		At: rulestest.Start.Add(time.Minute), Since: rulestest.Start, Priority: alarm.CallOut, Rule: "t", RuleAt: "rules.hcl:2",
		Unit: "trough 1", Probe: "trough 1 flow", Trouble: "Trough 1: low flow", Detail: "11.2 L/min, setpoint 28.0 L/min",
		CanHappen: "Trouble.", ToDo: "Look.",
	}}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("transition (-want +got):\n%s", d)
	}
}

// What the keeper reads, when raised and when returned.
func TestWords(t *testing.T) {
	us := rulestest.Site()
	us.Show = site.Show{Temperature: measure.DegF, Flow: measure.GPM, Oxygen: measure.MgL}
	quiet := func(v string) string {
		var b strings.Builder
		for m := range 30 {
			b.WriteString((time.Duration(m) * time.Minute).String() + " spring temperature = " + v + "\n")
		}
		return b.String()
	}
	tests := []struct {
		name, rules, script string
		site                *site.Site
		want                []string
	}{
		{"flow, US units", lowFlow, "0s trough 1 flow = 20\n1m trough 1 flow = 20\n2m trough 1 flow = 32\n5m trough 1 flow = 32", us, []string{
			"Trough 1: low flow | 5.3 gpm, setpoint 7.4 gpm", "Trough 1: low flow | 8.5 gpm, setpoint 7.4 gpm",
		}},
		{"too cold, and a jump to the other side", band, "0s stack 1 temperature = 3\n1m stack 1 temperature = 3\n2m stack 1 temperature = 10\n5m stack 1 temperature = 10", nil, []string{
			"Stack 1: water too cold | 3.0 degC, limit 4.0 degC", "Stack 1: water too cold | 10.0 degC, limit 4.0 degC",
		}},
		{"too warm", band, "0s stack 1 temperature = 12\n1m stack 1 temperature = 12", nil, []string{"Stack 1: water too warm | 12.0 degC, limit 11.0 degC"}},
		{"from the spring", fromSpring, "0s spring temperature = 8\n1s stack 1 temperature = 5.5\n61s stack 1 temperature = 5.5", nil, []string{
			"Stack 1: temperature away from the spring | 5.5 degC, 2.5 degC below the spring (8.0 degC), limit 2.0 degC",
		}},
		{"drift, US units", drift, quiet("8") + "30m spring temperature = 10\n31m spring temperature = 10", us, []string{
			"Spring: temperature has moved | 50.0 degF, 3.6 degF above its own median over 1 h (46.4 degF), limit 1.8 degF",
		}},
		{"oxygen with its percent", oxygenMgL, "0s raceway 1 temperature = 8\n1s raceway 1 oxygen = 6\n61s raceway 1 oxygen = 6", nil, []string{
			"Raceway 1: low oxygen | 6.0 mg/L (51% saturation), setpoint 7.0 mg/L",
		}},
		{"oxygen without a temperature", oxygenMgL, "0s raceway 1 oxygen = 6\n61s raceway 1 oxygen = 6", nil, []string{"Raceway 1: low oxygen | 6.0 mg/L, setpoint 7.0 mg/L"}},
		{"percent with its oxygen", oxygenSat, "0s spring temperature = 8\n1s deep 1 saturation = 50\n61s deep 1 saturation = 50", nil, []string{
			"Deep 1: low oxygen | 50% saturation (5.9 mg/L), setpoint 60% saturation",
		}},
		{"silent", silent, "0s trough 2 flow = 38\n5m1s tick\n6m trough 2 flow = 38", nil, []string{
			"Trough 2: flow probe silent | nothing usable for 5 min, expected every 60 s", "Trough 2: flow probe silent | heard again: 38.0 L/min",
		}},
		{"out of range", silent, "0s trough 2 flow = 38\n5m trough 2 flow = 6553.5 (out-of-range)\n6m tick", nil, []string{
			"Trough 2: flow probe silent | nothing usable for 6 min, expected every 60 s; it says 6553.5 L/min, which cannot be",
		}},
		{"chore at a unit", cleaning, "11h done cleaning @ trough 2\n16h tick\n17h done cleaning @ trough 1", nil, []string{
			"Trough 1: cleaning not done | due by 10:00", "Trough 1: cleaning not done | done at 11:00",
		}},
		{"chore for the site", intake, "14h tick\n14h10m tick\n15h done intake clearing", nil, []string{
			"Intake clearing not done | due by 08:00", "Intake clearing not done | done at 09:00",
		}},
		{"health", lowFlow, "0s broker bad\n2m tick", nil, []string{"weirkeeper: broker gone | connection refused"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := tt.site
			if s == nil {
				s = rulestest.Site()
			}
			var got []string
			for _, tr := range play(t, engine(t, s, tt.rules), tt.script) {
				got = append(got, tr.Trouble+" | "+tr.Detail)
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("words (-want +got):\n%s", d)
			}
		})
	}
}

// Hours of the day are those of the clock on the wall, also on the days it is
// changed: in this zone on 29 March and 25 October 2026.
func TestChoreWhenClocksChange(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	noon := func(month time.Month, day int) time.Time { return time.Date(2026, month, day, 12, 0, 0, 0, time.UTC) }
	for _, tt := range []struct {
		name  string
		by    int // minutes after midnight
		first time.Time
		want  []string // raised, UTC
	}{
		{"autumn", 600, noon(10, 23), []string{"10-24 08:00", "10-25 09:00", "10-26 09:00"}},
		{"spring", 600, noon(3, 27), []string{"03-28 09:00", "03-29 08:00", "03-30 08:00"}},
		// 02:30 comes twice in autumn, and the later one counts; in spring it
		// does not come, and the hour that stands for it does.
		{"the hour that comes twice", 150, noon(10, 23), []string{"10-24 00:30", "10-25 01:30", "10-26 01:30"}},
		{"the hour that does not come", 150, noon(3, 27), []string{"03-28 01:30", "03-29 01:30", "03-30 00:30"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := rulestest.Site()
			s.Location = zone
			s.Chores = []site.Chore{{Name: "cleaning", By: []int{tt.by}}}
			var got []string
			for day := range 3 {
				from := tt.first.AddDate(0, 0, day)
				e := rules.New(s, program(t, s, cleaning))
				if _, err := e.Rebuild(from, rules.Past{WatchingSince: from}); err != nil {
					t.Fatal(err)
				}
				for now := from; now.Before(from.Add(24 * time.Hour)); now = now.Add(10 * time.Minute) {
					for _, tr := range e.Tick(now) {
						got = append(got, tr.At.Format("01-02 15:04"))
					}
				}
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("raised (-want +got):\n%s", d)
			}
		})
	}
}

// Two rules on one chore at one unit both hear that it was done.
func TestTwoRulesOneChore(t *testing.T) {
	e := engine(t, rulestest.Site(), cleaning+block("missed_chore", "note", `units = ["trough 1"]`, `chore = "cleaning"; on_delay = "1 h"`))
	got := briefs(play(t, e, "11h done cleaning @ trough 1\n11h done cleaning @ trough 2\n16h tick\n18h tick"))
	if got != nil {
		t.Errorf("done in time, but %v", got)
	}
}

// Views show what stands and what was heard.
func TestViews(t *testing.T) {
	e := engine(t, rulestest.Site(), lowFlow+silent+block("low_flow", "note", `units = ["trough 2"]`, `setpoint = "28 L/min"`+delays))
	play(t, e, `
		0s  trough 2 flow = 20
		1m  trough 2 flow = 20
		2m  trough 1 flow = 20
		3m  trough 1 flow = 20
		4m  ack low_flow/t/trough 1 flow
		9m  tick`)
	now := rulestest.Start.Add(10 * time.Minute)
	var got []string
	for _, v := range e.Standing(now) {
		got = append(got, v.State.String()+" "+v.Priority.String()+" | "+v.Unit+" | "+v.Since.Format("15:04")+" | "+v.Trouble+" | "+v.Detail)
	}
	want := []string{
		"acknowledged call-out | trough 1 | 18:02 | Trough 1: low flow | 20.0 L/min, setpoint 28.0 L/min",
		"unacknowledged call-out | trough 2 | 18:01 | Trough 2: flow probe silent | nothing usable for 9 min, expected every 60 s",
		"unacknowledged note | trough 2 | 18:00 | Trough 2: low flow | 20.0 L/min, setpoint 28.0 L/min",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("standing (-want +got):\n%s", d)
	}
	for _, p := range e.Probes(now) {
		type view struct {
			heard, silent bool
			age           time.Duration
			value         float64
		}
		want := view{silent: true}
		switch p.Probe.ID {
		case "trough 1 flow":
			want = view{true, true, 7 * time.Minute, 20}
		case "trough 2 flow":
			want = view{true, true, 9 * time.Minute, 20}
		}
		if got := (view{p.Heard, p.Silent, p.Age, p.Last.Value}); got != want {
			t.Errorf("probe %q: %+v, want %+v", p.Probe.ID, got, want)
		}
	}
	r := rulestest.Reading("spring flow", now, 2000)
	e.Reading(now, &r)
	if p := e.Probes(now)[1]; p.Silent || !p.Heard || p.Last.Probe != reading.ProbeID("spring flow") {
		t.Errorf("just heard, but %+v", p)
	}
}
