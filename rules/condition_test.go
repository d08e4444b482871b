package rules_test

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
)

// conditions look at several probes, back in time, and at what must come before
// they are over; hushed also waits for a silence, which a restart counts anew.
var (
	conditions = block("condition", "slow and warm", `units = ["trough 1"]`, `when = flow < "28 L/min" && temperature - unit["spring"].temperature > "1 degC"; until = flow > "30 L/min" || temperature - unit["spring"].temperature < "0.5 degC"; lasting = "3 min"; off_delay = "2 min"`) +
		block("condition", "lately", `kinds = ["stack"]`, `when = at_least(2, mean_over(flow, "20 min") < "25 L/min", median_over(temperature, "3 h") < "8 degC", stdev_over(unit["spring"].flow, "30 min") > "1 L/min"); on_delay = "5 min"; off_delay = "5 min"`)
	hushed = block("condition", "hushed", `kinds = ["stack"]`, `when = silent(unit["spring"].flow) && (silent(flow) || change_over(flow, "10 min") < "-2 L/min"); lasting = "2 min"`)
)

// Edges of a condition, reading by reading: one a minute, the setpoint itself, the
// delays, what is silent.
func TestConditionEdges(t *testing.T) {
	const key = "condition/c/trough 1"
	at := func(rest string) string { return block("condition", "c", `units = ["trough 1"]`, rest) }
	tests := []struct {
		name, rules, script string
		want                []string
	}{
		{
			"on the setpoint is right; beyond it as long as it lasts, to the second",
			at(`when = flow < "28 L/min" && temperature > "12 degC"; lasting = "2 min"; off_delay = "2 min"`), `
			0s    trough 1 temperature = 12.1
			1s    trough 1 flow = 28
			1m    trough 1 flow = 27.9
			2m59s trough 1 flow = 27.9
			3m    trough 1 flow = 27.9
			4m    trough 1 flow = 28
			5m59s trough 1 flow = 28
			6m    trough 1 flow = 28`,
			[]string{"3m0s raised " + key, "6m0s returned, not acknowledged " + key},
		},
		{
			"one reading before the delay it is right again; then within the off-delay wrong again",
			at(`when = flow < "28 L/min"; lasting = "2 min"; off_delay = "2 min"`), `
			0s  trough 1 flow = 20
			1m  trough 1 flow = 20
			2m  trough 1 flow = 28
			3m  trough 1 flow = 20
			5m  trough 1 flow = 20
			6m  trough 1 flow = 30
			7m  trough 1 flow = 20
			8m  trough 1 flow = 30
			9m  trough 1 flow = 30
			10m trough 1 flow = 30`,
			[]string{"5m0s raised " + key, "10m0s returned, not acknowledged " + key},
		},
		{
			"between when and until nothing changes, and what is under way goes on",
			at(`when = flow < "28 L/min"; until = flow >= "30 L/min"; lasting = "2 min"; off_delay = "0 s"`), `
			0s trough 1 flow = 29
			1m trough 1 flow = 27
			2m trough 1 flow = 29
			3m trough 1 flow = 27
			4m trough 1 flow = 29.9
			5m trough 1 flow = 30`,
			[]string{"3m0s raised " + key, "5m0s returned, not acknowledged " + key},
		},
		{
			"any of its probes brings it about",
			at(`when = flow < "28 L/min" && temperature > "12 degC"; lasting = "0 s"; off_delay = "0 s"`), `
			0s  trough 1 flow = 20
			10s trough 1 temperature = 12
			20s trough 1 temperature = 12.1
			30s trough 1 temperature = 12
			40s trough 1 temperature = 13
			50s trough 1 flow = 40`,
			[]string{
				"20s raised " + key, "30s returned, not acknowledged " + key,
				"40s raised " + key, "50s returned, not acknowledged " + key,
			},
		},
		{
			"what is silent neither raises nor returns; a gap does not start the delay anew",
			at(`when = flow < "28 L/min" && temperature > "12 degC"; lasting = "10 min"; off_delay = "0 s"`), `
			0s     trough 1 flow = 20
			1m     trough 1 temperature = 13
			2m     trough 1 temperature = 13
			5m1s   trough 1 temperature = 13   # the flow has been silent for longer than 5 min
			10m59s trough 1 temperature = 13
			11m    trough 1 temperature = 13
			11m1s  trough 1 flow = 20
			16m2s  trough 1 temperature = 13   # unknown: it stands
			20m    trough 1 temperature = 14
			21m    trough 1 temperature = 12   # this alone decides`,
			[]string{"11m1s raised " + key, "21m0s returned, not acknowledged " + key},
		},
		{
			"a tick raises it one interval after the delay, not before",
			at(`when = flow < "28 L/min" && temperature > "12 degC"; lasting = "2 min"`), `
			0s           trough 1 temperature = 13
			1s           trough 1 flow = 20
			2m1s..3m     tick every 1s
			3m1s         tick`,
			[]string{"3m1s raised " + key},
		},
		{
			"nothing heard, nothing said; half a vote is none",
			at(`when = at_least(2, flow < "28 L/min", temperature > "12 degC", unit["spring"].flow < "100 L/min"); lasting = "0 s"; off_delay = "0 s"`), `
			0s tick
			1s trough 1 flow = 20
			2s trough 1 temperature = 11
			3s spring flow = 90
			4s trough 1 flow = 30
			5s trough 1 temperature = 13
			6s trough 1 flow = 5
			7s spring flow = 2000
			8s trough 1 temperature = 3`,
			[]string{
				"3s raised " + key, "4s returned, not acknowledged " + key,
				"5s raised " + key, "8s returned, not acknowledged " + key,
			},
		},
		{
			"a silence comes about by time alone, and ends at a reading alone",
			at(`when = silent(unit["spring"].flow) && silent(flow); lasting = "2 min"; off_delay = "0 s"`), `
			0s           trough 1 flow = 30
			1m           spring flow = 2000
			6m..9m30s    tick every 1s
			10m          trough 1 flow = 30`,
			[]string{"9m1s raised " + key, "10m0s returned, not acknowledged " + key},
		},
		{
			"before the start nothing could be heard",
			at(`when = silent(flow); lasting = "0 s"`), `
			0s..5m   tick every 1s
			5m1s..7m tick every 1s`,
			[]string{"6m1s raised " + key},
		},
		{
			"over ten minutes, of which half are enough",
			at(`when = mean_over(flow, "10 min") < "28 L/min"; lasting = "0 s"; off_delay = "0 s"`), `
			0s  trough 1 flow = 20
			1m  trough 1 flow = 20
			2m  trough 1 flow = 20
			3m  trough 1 flow = 20
			4m  trough 1 flow = 20
			5m  trough 1 flow = 20
			6m  trough 1 flow = 84       # (6*20+84)/7 = 29.1
			7m  trough 1 flow = 20       # 28: on the setpoint
			8m  trough 1 flow = 19       # 27
			20m trough 1 flow = 40       # alone in its window: not known
			24m trough 1 flow = 40
			25m trough 1 flow = 40`,
			[]string{"5m0s raised " + key, "6m0s returned, not acknowledged " + key, "8m0s raised " + key, "25m0s returned, not acknowledged " + key},
		},
		{
			"readings that say nothing of the water now are left out of windows",
			at(`when = max_over(flow, "10 min") > "50 L/min"; lasting = "0 s"; off_delay = "0 s"`), `
			0s  trough 1 flow = 30
			1m  trough 1 flow = 390 (out-of-range)
			2m  trough 1 flow = 90 (late, device-timed)
			3m  trough 1 flow = 90 (retained)
			5m  trough 1 flow = 30
			6m  trough 1 flow = 51`,
			[]string{"6m0s raised " + key},
		},
		{
			"a contact is so until it says otherwise, and a tick need not wait for it",
			at(`when = opened(probe["mains"]); lasting = "1 min"; off_delay = "0 s"`), `
			0s         mains = 1
			2h         mains = 0
			2h59s      tick
			2h1m       tick
			3h         mains = 1`,
			[]string{"2h1m0s raised " + key, "3h0m0s returned, not acknowledged " + key},
		},
		{
			"beside a flow it waits for that",
			at(`when = opened(probe["mains"]) && flow < "28 L/min"; lasting = "1 min"`), `
			0s         mains = 0
			4h         trough 1 flow = 20
			4h1m59s    tick
			4h2m       tick`,
			[]string{"4h2m0s raised " + key},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := briefs(play(t, engine(t, contactSite(), tt.rules), tt.script))
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("transitions (-want +got):\n%s", d)
			}
		})
	}
}

// What a keeper reads at night, in his own units; what is not known says so.
func TestConditionWords(t *testing.T) {
	warm := `when = flow < "70%" * design_flow && temperature - unit["spring"].temperature >= "1 degC" && mean_over(flow, "10 min") < "30 L/min"; lasting = "0 s"; off_delay = "0 s"; says = "runs warm and slow"`
	all := `when = at_least(2, turnover(flow, volume) < 5, saturation_of(unit["spring"].oxygen, unit["spring"].temperature) > "95%", silent(unit["trough 2"].flow), opened(probe["mains"])) && (flow < "28 L/min" || flow < "27 L/min"); lasting = "0 s"`
	tests := []struct {
		name, rule, script string
		us                 bool
		want               []string
	}{
		{"values and limits; the value that is right again", warm, `
			0s spring temperature = 8
			1s trough 1 temperature = 9
			1m trough 1 flow = 30
			6m trough 1 flow = 27.96
			6m1s spring temperature = 8
			6m2s trough 1 temperature = 9
			7m trough 1 flow = 30`, false, []string{
			"Trough 1: runs warm and slow | flow just under 28.0 L/min, limit 28.0 L/min; temperature 9.0 degC; spring temperature 8.0 degC; mean flow over 10 min 29.0 L/min, limit 30.0 L/min",
			"Trough 1: runs warm and slow | flow 30.0 L/min; temperature 9.0 degC; spring temperature 8.0 degC; mean flow over 10 min 29.3 L/min",
		}},
		{"in US units", warm, `
			0s spring temperature = 8
			1s trough 1 temperature = 9
			1m trough 1 flow = 20
			5m trough 1 temperature = 9
			5m10s spring temperature = 8
			6m trough 1 flow = 20`, true, []string{
			"Trough 1: runs warm and slow | flow 5.3 gpm, limit 7.4 gpm; temperature 48.2 degF; spring temperature 46.4 degF; mean flow over 10 min 5.3 gpm, limit 7.9 gpm",
		}},
		{"votes, silence, a contact, what the trade works out, and the name where nothing else is said", all, `
			0s    mains = 1
			10m   tick
			10m1s mains = 0
			10m2s spring oxygen = 11.2
			10m3s trough 1 flow = 20
			10m4s spring temperature = 8`, false, []string{
			"Trough 1: c | votes 3 of 4, needed 2, 1 not known; turnover 4.0 an hour, limit 5.0 an hour; flow 20.0 L/min, limits 28.0 L/min and 27.0 L/min; saturation from spring oxygen not known; spring oxygen 11.2 mg/L; spring temperature not known; trough 2 flow probe silent; contact mains open",
		}},
		{"the unit is not said twice", `when = flow < "28 L/min"; lasting = "0 s"; says = "trough 1 runs dry"`, "0s trough 1 flow = 2", false, []string{
			"Trough 1 runs dry | flow 2.0 L/min, limit 28.0 L/min",
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := contactSite()
			if tt.us {
				s.Show.Temperature, s.Show.Flow = measure.DegF, measure.GPM
			}
			e := engine(t, s, block("condition", "c", `units = ["trough 1"]`, tt.rule))
			var got []string
			for _, tr := range play(t, e, tt.script) {
				got = append(got, tr.Trouble+" | "+tr.Detail)
				if tr.Unit != "trough 1" || tr.Probe != "" {
					t.Errorf("at %q of %q", tr.Probe, tr.Unit)
				}
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("words (-want +got):\n%s", d)
			}
		})
	}
	// The newest values of one that stands, though a probe has fallen silent since.
	e := engine(t, contactSite(), block("condition", "c", `units = ["trough 1"]`, `when = flow < "28 L/min" || temperature > "12 degC"; lasting = "0 s"`))
	play(t, e, "0s trough 1 flow = 20\n6m trough 1 temperature = 10")
	if got, want := e.Detail(rulestest.Start.Add(6*time.Minute), "condition/c/trough 1"), "flow not known; temperature 10.0 degC, limit 12.0 degC"; got != want {
		t.Errorf("detail %q, want %q", got, want)
	}
}

// A step of the clock in the middle of a delay, a window and a silence changes
// nothing but the times.
func TestConditionClockStep(t *testing.T) {
	text := block("condition", "delay", `units = ["trough 1"]`, `when = flow < "28 L/min" && temperature > "9 degC"; lasting = "3 min"; off_delay = "2 min"`) +
		block("condition", "window", `units = ["trough 1"]`, `when = median_over(flow, "6 min") < "28 L/min" && change_over(temperature, "10 min") >= "0.5 degC"; lasting = "1 min"`) +
		block("condition", "silence", `units = ["trough 1"]`, `when = silent(unit["trough 2"].flow) && flow < "100 L/min"; lasting = "0 s"`)
	run := func(by time.Duration, step int) (got []string) {
		e := engine(t, rulestest.Site(), text)
		off := time.Duration(0)
		for i := range 30 {
			if i == step {
				e.Shift(by)
				off = by
			}
			now := rulestest.Start.Add(time.Duration(i)*time.Minute + off)
			level := 20.0
			if i < 4 || i > 15 {
				level = 35
			}
			readings := []reading.Reading{
				rulestest.Reading("trough 1 flow", now, level),
				rulestest.Reading("trough 1 temperature", now.Add(time.Second), 9+0.06*float64(i)),
			}
			if i < 2 {
				readings = append(readings, rulestest.Reading("trough 2 flow", now.Add(2*time.Second), 30))
			}
			for _, r := range readings {
				for _, tr := range e.Reading(r.At, &r) {
					tr.At = tr.At.Add(-off)
					got = append(got, brief(tr)+" "+tr.Detail)
				}
			}
			for s := 10; s < 60; s += 10 {
				for _, tr := range e.Tick(now.Add(time.Duration(s) * time.Second)) {
					tr.At = tr.At.Add(-off)
					got = append(got, brief(tr)+" "+tr.Detail)
				}
			}
		}
		return got
	}
	want := run(0, -1)
	if len(want) != 5 {
		t.Errorf("without a step: %q", want)
	}
	for _, by := range []time.Duration{time.Hour, -time.Hour, 30 * time.Second, -7 * time.Minute} {
		for step := range 30 {
			if d := cmp.Diff(want, run(by, step)); d != "" {
				t.Errorf("step by %v at minute %d (-without +with):\n%s", by, step, d)
			}
		}
	}
}

// An engine looks back as far as its windows, its delays and a silence reach. For
// an alarm that chatters the off-delay is half an hour.
func TestConditionMemory(t *testing.T) {
	for rest, want := range map[string]time.Duration{
		`when = flow < "28 L/min"`: time.Hour + 3*time.Minute + 3*time.Minute + 30*time.Minute,
		`when = mean_over(flow, "2 h") < "28 L/min"; lasting = "10 min"; off_delay = "5 min"`: 3*time.Hour + 10*time.Minute + 30*time.Minute + 2*7200*time.Second/256,
	} {
		e := engine(t, rulestest.Site(), block("condition", "c", `units = ["trough 1"]`, rest))
		if got := e.Memory(); got != want {
			t.Errorf("%s: %v, want %v", rest, got, want)
		}
	}
}

// BenchmarkCondition is the cost of one reading that a condition goes by; the
// floor is the same with a rule on another probe.
func BenchmarkCondition(b *testing.B) {
	for _, bb := range []struct{ name, text string }{
		{"floor", block("low_flow", "t", `units = ["trough 2"]`, `setpoint = "28 L/min"`)},
		{"low_flow", block("low_flow", "t", `units = ["trough 1"]`, `setpoint = "28 L/min"`)},
		{"one", block("condition", "c", `units = ["trough 1"]`, `when = flow < "28 L/min"`)},
		{"and-of-three", block("condition", "c", `units = ["trough 1"]`, `when = flow < "50 L/min" && temperature - unit["spring"].temperature < "3 degC" && temperature > "20 degC"`)},
		{"votes", block("condition", "c", `units = ["trough 1"]`, `when = at_least(2, flow < "28 L/min", temperature > "12 degC", saturation_of(unit["raceway 1"].oxygen, temperature) < "60%")`)},
		{"mean-of-10-min", block("condition", "c", `units = ["trough 1"]`, `when = mean_over(flow, "10 min") < "28 L/min"`)},
		{"median-of-10-min", block("condition", "c", `units = ["trough 1"]`, `when = median_over(flow, "10 min") < "28 L/min"`)},
		{"mean-of-a-day", block("condition", "c", `units = ["trough 1"]`, `when = mean_over(flow, "24 h") < "28 L/min"`)},
		{"median-of-a-day", block("condition", "c", `units = ["trough 1"]`, `when = median_over(flow, "24 h") < "28 L/min"`)},
	} {
		b.Run(bb.name, func(b *testing.B) {
			e := rules.New(rulestest.Site(), program(b, rulestest.Site(), bb.text))
			at, n := rulestest.Start, 0
			others := []reading.Reading{rulestest.Reading("trough 1 temperature", at, 9), rulestest.Reading("spring temperature", at, 8), rulestest.Reading("raceway 1 oxygen", at, 9)}
			r := rulestest.Reading("trough 1 flow", at, 38)
			read := func() {
				if n++; n%4 == 0 {
					for i := range others {
						others[i].At, others[i].ArrivedAt = at, at
						e.Reading(at, &others[i])
					}
				}
				at = at.Add(time.Minute)
				r.At, r.ArrivedAt = at, at
				r.Value = 38 + float64(n%13)/10
				sink += len(e.Reading(at, &r))
			}
			for range 2000 {
				read()
			}
			b.ReportAllocs()
			for b.Loop() {
				read()
			}
		})
	}
}

// The random nights by which restarts and sleeping ticks are tested bring every
// one of the conditions about.
func TestConditionsComeAbout(t *testing.T) {
	raised := make(map[string]int)
	for seed := range *seeds {
		e, j := engine(t, rulestest.Site(), conditions+hushed), journal{}
		for _, h := range calm(rand.New(rand.NewPCG(seed, 2)), rulestest.Site()) {
			apply(t, e, &j, h)
		}
		for _, tr := range j.transitions {
			if tr.Kind == alarm.Condition && tr.Raised() {
				raised[tr.Rule]++
			}
		}
	}
	for _, name := range []string{"slow and warm", "lately", "hushed"} {
		if raised[name] < 2 {
			t.Errorf("%s is raised %d times", name, raised[name])
		}
	}
	t.Log(raised)
}

// Cleaning hides a condition only as far as it may be all that is wrong: without
// the unit's flow the trouble must not be there, and low oxygen is never hidden.
func TestConditionWhileCleaned(t *testing.T) {
	const hidden = "condition/c/trough 1 (being cleaned by kim since 18:00)"
	tests := []struct {
		name, when, script string
		want               []string
	}{
		{"the flow decides", `flow < "28 L/min" && temperature > "8 degC"`, "", []string{"3m0s raised " + hidden}},
		{"the flow lately decides", `min_over(flow, "2 min") < "28 L/min" && temperature > "8 degC"`, "", []string{"3m0s raised " + hidden}},
		{"so does a float", `closed(probe["float"])`, "2m30s float = 1", []string{"2m30s raised condition/c/trough 1"}},
		{"it is too warm besides", `flow < "28 L/min" || temperature > "12 degC"`, "2m30s trough 1 temperature = 13", []string{"2m30s raised condition/c/trough 1"}},
		{"it gets too warm afterwards", `flow < "28 L/min" || temperature > "12 degC"`, "4m trough 1 temperature = 13\n4m1s tick", []string{
			"3m0s raised " + hidden, "4m1s surfaced condition/c/trough 1",
		}},
		{"oxygen enters", `flow < "28 L/min" && unit["raceway 1"].oxygen < "6 mg/L"`, "2m30s raceway 1 oxygen = 5", []string{"3m0s raised condition/c/trough 1"}},
		{"another unit's flow", `flow < "28 L/min" && unit["trough 2"].flow < "28 L/min" || unit["trough 2"].flow < "10 L/min"`, "2m30s trough 2 flow = 9", []string{"2m30s raised condition/c/trough 1"}},
		{"a silence", `silent(unit["trough 2"].flow) && temperature > "8 degC"`, "4m trough 1 temperature = 9\n5m10s trough 1 temperature = 9", []string{"5m10s raised condition/c/trough 1"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := contactSite()
			e := engine(t, s, block("condition", "c", `units = ["trough 1"]`, "when = "+tt.when+`; lasting = "0 s"`))
			script := "0s clean trough 1\n1m trough 1 temperature = 9\n1m1s trough 1 flow = 38\n2m30s tick"
			var got []string
			then := func(script string) {
				for _, tr := range play(t, e, script) {
					if tr.Hidden != "" {
						tr.Key += alarm.Key(" (" + tr.Hidden + ")")
					}
					got = append(got, brief(tr))
				}
			}
			then(script)
			before := strings.HasPrefix(tt.script, "2m")
			if before {
				then(tt.script)
			}
			then("3m trough 1 flow = 5")
			if !before {
				then(tt.script)
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("transitions (-want +got):\n%s", d)
			}
		})
	}
}

// A suspect probe raises a condition only if nobody is called for the probe
// itself, ends none, and is named.
func TestConditionOfSuspectProbe(t *testing.T) {
	warm := block("condition", "c", `units = ["stack 1"]`, `when = temperature - unit["spring"].temperature > "2 degC"; lasting = "0 s"; off_delay = "0 s"`)
	fault := block("impossible_value", "i", `units = ["spring"]`, `on_delay = "0 s"; off_delay = "0 s"`)
	const bad = "m spring temperature = 85 (out-of-range)\n"
	tests := []struct {
		name, rules, script string
		want                []string
	}{
		{
			"not believed", fault + warm, "0s spring temperature = 8\n1m stack 1 temperature = 8\n2" + bad + "3m stack 1 temperature = 20\n19m stack 1 temperature = 20\n20m spring temperature = 8",
			[]string{"2m0s raised impossible_value/i/spring temperature", "20m0s returned, not acknowledged impossible_value/i/spring temperature", "20m0s raised condition/c/stack 1"},
		},
		{
			"believed, for the fault is only noted", strings.Replace(fault, `"call-out"`, `"note"`, 1) + warm, "0s spring temperature = 8\n1m stack 1 temperature = 8\n2" + bad + "3m stack 1 temperature = 20\n4m stack 1 temperature = 8\n19m stack 1 temperature = 8\n20m spring temperature = 8",
			[]string{"2m0s raised impossible_value/i/spring temperature", "3m0s raised condition/c/stack 1", "20m0s returned impossible_value/i/spring temperature", "20m0s returned, not acknowledged condition/c/stack 1"},
		},
		{
			"what stands, stands", fault + warm, "0s spring temperature = 8\n1m stack 1 temperature = 20\n2" + bad + "3m stack 1 temperature = 8",
			[]string{"1m0s raised condition/c/stack 1", "2m0s raised impossible_value/i/spring temperature"},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := briefs(play(t, engine(t, rulestest.Site(), tt.rules), tt.script))
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("transitions (-want +got):\n%s", d)
			}
		})
	}
	e := engine(t, rulestest.Site(), fault+warm)
	play(t, e, tests[2].script)
	const want = "temperature 8.0 degC; spring temperature not known; temperature probe of the spring is suspect: it says what cannot be"
	if got := e.Detail(rulestest.Start.Add(3*time.Minute), "condition/c/stack 1"); got != want {
		t.Errorf("detail %q, want %q", got, want)
	}
}
