package rules_test

import (
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

// The rules of the tables below: all raised after 60 s, back after 2 min.
var (
	springFlow = block("low_flow", "spring", `units = ["spring"]`, `setpoint = "600 L/min"; deadband = "50 L/min"`+delays)
	unitFlow   = block("low_flow", "u", `kinds = ["stack", "trough"]`, `setpoint = "10 L/min"; deadband = "1 L/min"`+delays)
	raceway    = block("low_oxygen", "r", `units = ["raceway 1"]`, `setpoint = "7 mg/L"; deadband = "0.5 mg/L"`+delays)
	springBand = block("temperature_band", "spring", `units = ["spring"]`, `high = "11 degC"; deadband = "0.5 degC"`+delays)
)

// caused is brief with the alarm it follows from, both by rule and unit.
func caused(all []alarm.Transition) []string {
	short := strings.NewReplacer("low_flow/u/", "", "low_flow/spring/spring flow", "SPRING", "common_cause/low flow/head box", "COMMON", "low_oxygen/r/", "")
	var out []string
	for _, tr := range all {
		s := brief(tr)
		if tr.From == tr.To && tr.Cause != "" {
			s = strings.Replace(s, "surfaced", "follows", 1)
		}
		if tr.Cause != "" {
			s += " < " + string(tr.Cause)
		}
		if tr.By != "" {
			s += " by " + tr.By
		}
		out = append(out, short.Replace(s))
	}
	return out
}

func TestCause(t *testing.T) {
	const both = "low_flow/spring/spring flow"
	tests := []struct {
		name, rules, script string
		want                []string
	}{
		{"the spring first, then what follows", springFlow + unitFlow, `
			0s   spring flow = 0
			60s  spring flow = 0
			61s  stack 1 flow = 0
			121s stack 1 flow = 0`, []string{"1m0s raised SPRING", "2m1s raised stack 1 flow < SPRING"}},
		{"the spring waited on is raised with the first below it, and before it", springFlow + unitFlow, `
			0s  stack 1 flow = 0
			59s spring flow = 0
			60s stack 1 flow = 0
			2m  spring flow = 0`, []string{"1m0s raised SPRING", "1m0s raised stack 1 flow < SPRING"}},
		{"exactly on its setpoint it is not waited on", springFlow + unitFlow, `
			0s  stack 1 flow = 0
			59s spring flow = 600
			60s stack 1 flow = 0`, []string{"1m0s raised stack 1 flow"}},
		{"nor when its newest is inside the deadband", springFlow + unitFlow, `
			0s  stack 1 flow = 0
			30s spring flow = 0
			59s spring flow = 620
			60s stack 1 flow = 0`, []string{"1m0s raised stack 1 flow"}},
		{"a cause that began up to 10 min and an interval later", springFlow + unitFlow, `
			0s  stack 1 flow = 9
			1m  stack 1 flow = 9
			11m spring flow = 0
			12m spring flow = 0`, []string{"1m0s raised stack 1 flow", "12m0s raised SPRING", "12m0s follows stack 1 flow < SPRING"}},
		{"later it is trouble of its own", springFlow + unitFlow, `
			0s    stack 1 flow = 9
			1m    stack 1 flow = 9
			11m1s spring flow = 0
			13m   spring flow = 0`, []string{"1m0s raised stack 1 flow", "13m0s raised SPRING"}},
		{"what was answered is left alone", springFlow + unitFlow, `
			0s  stack 1 flow = 9
			1m  stack 1 flow = 9
			61s ack low_flow/u/stack 1 flow
			2m  spring flow = 0
			3m  spring flow = 0`, []string{"1m0s raised stack 1 flow", "1m1s acknowledged stack 1 flow by kim", "3m0s raised SPRING"}},
		{"too little water brings too little oxygen", springFlow + raceway, `
			0s  spring flow = 0
			60s spring flow = 0
			2m  raceway 1 oxygen = 5
			3m  raceway 1 oxygen = 5`, []string{"1m0s raised SPRING", "3m0s raised raceway 1 oxygen < SPRING"}},
		{"and warmth, but that does not prove it", springFlow + fromSpring, `
			0s  spring temperature = 8
			1s  stack 1 temperature = 11
			59s spring flow = 0
			61s stack 1 temperature = 11
			2m  spring flow = 0
			3m  stack 1 temperature = 11`, []string{"1m1s raised temperature_from_spring/s/stack 1 temperature", "2m0s raised SPRING", "2m0s follows temperature_from_spring/s/stack 1 temperature < SPRING"}},
		{"temperature does not explain flow", springBand + unitFlow, `
			0s  spring temperature = 14
			60s spring temperature = 14
			61s stack 1 flow = 0
			3m  stack 1 flow = 0`, []string{"1m0s raised temperature_band/spring/spring temperature", "3m0s raised stack 1 flow"}},
		{"a spring's probe that alone makes both is not proved by them", springBand + fromSpring, `
			0s  spring temperature = 8
			1s  stack 1 temperature = 8
			30s spring temperature = 14
			31s stack 1 temperature = 8
			80s spring temperature = 14
			91s stack 1 temperature = 8
			92s stack 1 temperature = 8`, []string{"1m31s raised temperature_from_spring/s/stack 1 temperature"}},
		{"when the cause is over, what stays is told by itself after 5 min", springFlow + unitFlow, `
			0s   spring flow = 0
			60s  spring flow = 0
			61s  stack 1 flow = 0
			121s stack 1 flow = 0
			3m   spring flow = 700
			5m   spring flow = 700
			301s..599s tick every 1s
			600s tick`, []string{"1m0s raised SPRING", "2m1s raised stack 1 flow < SPRING", "5m0s returned, not acknowledged SPRING", "10m0s surfaced stack 1 flow"}},
		{"also when it was answered with the cause", springFlow + unitFlow, `
			0s   spring flow = 0
			60s  spring flow = 0
			61s  stack 1 flow = 0
			121s stack 1 flow = 0
			150s ack ` + both + `
			3m   spring flow = 700
			5m   spring flow = 700
			600s tick`, []string{"1m0s raised SPRING", "2m1s raised stack 1 flow < SPRING", "2m30s acknowledged SPRING by kim", "2m30s acknowledged stack 1 flow < SPRING by kim", "5m0s returned SPRING", "10m0s unacknowledged stack 1 flow"}},
		{"a cause that comes again in time keeps it", springFlow + unitFlow, `
			0s   spring flow = 0
			60s  spring flow = 0
			61s  stack 1 flow = 0
			121s stack 1 flow = 0
			3m   spring flow = 700
			5m   spring flow = 700
			6m   spring flow = 0
			7m   spring flow = 0
			7m..30m tick every 1s`, []string{"1m0s raised SPRING", "2m1s raised stack 1 flow < SPRING", "5m0s returned, not acknowledged SPRING", "7m0s raised SPRING"}},
		{"half an hour after the answer it still answers", springFlow + unitFlow, `
			0s   spring flow = 0
			60s  spring flow = 0
			61s  ack ` + both + `
			30m  stack 1 flow = 0
			31m1s stack 1 flow = 0`, []string{"1m0s raised SPRING", "1m1s acknowledged SPRING by kim", "31m1s raised stack 1 flow < SPRING", "31m1s acknowledged stack 1 flow < SPRING by kim"}},
		{"later it does not", springFlow + unitFlow, `
			0s   spring flow = 0
			60s  spring flow = 0
			61s  ack ` + both + `
			30m  stack 1 flow = 0
			31m2s stack 1 flow = 0`, []string{"1m0s raised SPRING", "1m1s acknowledged SPRING by kim", "31m2s raised stack 1 flow < SPRING"}},
		{"both call again, unless the cause was answered again", springFlow + unitFlow, `
			0s   spring flow = 0
			60s  spring flow = 0
			61s  ack ` + both + `
			20m  stack 1 flow = 0
			21m  stack 1 flow = 0
			61m1s tick
			65m  ack ` + both + `
			81m  tick`, []string{
			"1m0s raised SPRING", "1m1s acknowledged SPRING by kim", "21m0s raised stack 1 flow < SPRING", "21m0s acknowledged stack 1 flow < SPRING by kim",
			"1h1m1s unacknowledged SPRING", "1h5m0s acknowledged SPRING by kim", "1h21m0s unacknowledged stack 1 flow < SPRING", "1h21m0s acknowledged stack 1 flow < SPRING by kim",
		}},
		{"an answer to what follows is none to the cause", springFlow + unitFlow, `
			0s   spring flow = 0
			60s  spring flow = 0
			61s  stack 1 flow = 0
			121s stack 1 flow = 0
			150s ack low_flow/u/stack 1 flow`, []string{"1m0s raised SPRING", "2m1s raised stack 1 flow < SPRING", "2m30s acknowledged stack 1 flow < SPRING by kim"}},
		{"all four at once, one by its delay: the others prove it", unitFlow, `
			0s  stack 1 flow = 0
			1s  stack 2 flow = 0
			2s  trough 1 flow = 0
			3s  trough 2 flow = 20
			60s stack 1 flow = 0
			61s stack 2 flow = 0`, []string{"1m0s raised COMMON", "1m0s raised stack 1 flow < COMMON", "1m1s raised stack 2 flow < COMMON"}},
		{"two of four are not enough", unitFlow, `
			0s  stack 1 flow = 0
			1s  stack 2 flow = 0
			2s  trough 1 flow = 20
			3s  trough 2 flow = 20
			60s stack 1 flow = 0
			61s stack 2 flow = 0`, []string{"1m0s raised stack 1 flow", "1m1s raised stack 2 flow"}},
		{"three within 10 min are", unitFlow, `
			0s   trough 2 flow = 20
			1s   stack 1 flow = 0
			61s  stack 1 flow = 0
			2m   stack 2 flow = 0
			3m   stack 2 flow = 0
			601s trough 1 flow = 0
			661s trough 1 flow = 0`, []string{"1m1s raised stack 1 flow", "3m0s raised stack 2 flow", "11m1s raised COMMON", "11m1s follows stack 1 flow < COMMON", "11m1s follows stack 2 flow < COMMON", "11m1s raised trough 1 flow < COMMON"}},
		{"a moment more is not", unitFlow, `
			0s   trough 2 flow = 20
			1s   stack 1 flow = 0
			61s  stack 1 flow = 0
			2m   stack 2 flow = 0
			3m   stack 2 flow = 0
			602s trough 1 flow = 0
			662s trough 1 flow = 0`, []string{"1m1s raised stack 1 flow", "3m0s raised stack 2 flow", "11m2s raised trough 1 flow"}},
		{"it is over when fewer than half are in trouble, not at half", unitFlow, `
			0s   stack 1 flow = 0
			1s   stack 2 flow = 0
			2s   trough 1 flow = 0
			3s   trough 2 flow = 0
			60s  stack 1 flow = 0
			61s  stack 2 flow = 20
			62s  trough 1 flow = 20
			63s  stack 1 flow = 0
			64s  trough 2 flow = 20`, []string{"1m0s raised COMMON", "1m0s raised stack 1 flow < COMMON", "1m4s returned, not acknowledged COMMON"}},
		{"the spring takes it over", springFlow + unitFlow, `
			0s   stack 1 flow = 0
			1s   stack 2 flow = 0
			2s   trough 1 flow = 0
			3s   trough 2 flow = 20
			60s  stack 1 flow = 0
			2m   spring flow = 0
			3m   spring flow = 0
			200s trough 1 flow = 0`, []string{"1m0s raised COMMON", "1m0s raised stack 1 flow < COMMON", "3m0s raised SPRING", "3m0s follows COMMON < SPRING", "3m20s raised trough 1 flow < COMMON"}},
		{"an answer goes through", springFlow + unitFlow, `
			0s   stack 1 flow = 0
			1s   stack 2 flow = 0
			2s   trough 1 flow = 0
			3s   trough 2 flow = 20
			60s  stack 1 flow = 0
			2m   spring flow = 0
			3m   spring flow = 0
			4m   ack ` + both, []string{"1m0s raised COMMON", "1m0s raised stack 1 flow < COMMON", "3m0s raised SPRING", "3m0s follows COMMON < SPRING", "4m0s acknowledged SPRING by kim", "4m0s acknowledged COMMON < SPRING by kim", "4m0s acknowledged stack 1 flow < COMMON by kim"}},
		{"while the spring's intake is cleaned, units are told by themselves", springFlow + unitFlow, `
			0s   clean spring
			1s   spring flow = 0
			61s  spring flow = 0
			62s  stack 1 flow = 0
			122s stack 1 flow = 0`, []string{"1m1s raised SPRING", "2m2s raised stack 1 flow"}},
		{"and those that followed, from when it begins", springFlow + unitFlow, `
			0s   spring flow = 0
			60s  spring flow = 0
			61s  stack 1 flow = 0
			121s stack 1 flow = 0
			130s clean spring
			131s tick
			132s tick`, []string{"1m0s raised SPRING", "2m1s raised stack 1 flow < SPRING", "2m10s hidden SPRING", "2m11s surfaced stack 1 flow"}},
		{"a standpipe left up follows from nothing", springFlow + unitFlow, `
			0s   clean trough 1
			1s   trough 1 flow = 0
			61s  trough 1 flow = 0
			62s  spring flow = 0
			122s spring flow = 0
			5m   cleaned trough 1
			6m   trough 1 flow = 0
			420s trough 1 flow = 0
			421s tick`, []string{"1m1s raised trough 1 flow", "2m2s raised SPRING", "2m2s hidden trough 1 flow < SPRING", "7m1s surfaced trough 1 flow"}},
		{"units that are cleaned make no common cause", unitFlow, `
			0s  clean trough 1
			0s  clean trough 2
			1s  trough 1 flow = 0
			2s  trough 2 flow = 0
			3s  stack 2 flow = 20
			4s  stack 1 flow = 0
			64s stack 1 flow = 0`, []string{"1m4s raised stack 1 flow"}},
		{"an answer to news for the morning is none to a call-out below", strings.ReplaceAll(springFlow, "call-out", "morning") + unitFlow, `
			0s   spring flow = 0
			60s  spring flow = 0
			61s  ack ` + both + `
			70s  stack 1 flow = 0
			130s stack 1 flow = 0`, []string{"1m0s raised SPRING", "1m1s acknowledged SPRING by kim", "2m10s raised stack 1 flow < SPRING"}},
		{"also when it is given later", strings.ReplaceAll(springFlow, "call-out", "morning") + unitFlow, `
			0s   spring flow = 0
			60s  spring flow = 0
			70s  stack 1 flow = 0
			130s stack 1 flow = 0
			150s ack ` + both, []string{"1m0s raised SPRING", "2m10s raised stack 1 flow < SPRING", "2m30s acknowledged SPRING by kim"}},
		{"a standpipe left up was told and is not told again for the spring", springFlow + unitFlow, `
			0s   clean trough 1
			1s   trough 1 flow = 0
			61s  trough 1 flow = 0
			5m   cleaned trough 1
			420s trough 1 flow = 0
			421s tick
			9m   spring flow = 0
			10m  spring flow = 0`, []string{"1m1s raised trough 1 flow", "7m1s surfaced trough 1 flow", "10m0s raised SPRING"}},
		{"a head box out of service takes nothing on it", unitFlow, `
			0s   out head box
			1s   stack 1 flow = 0
			2s   stack 2 flow = 0
			3s   trough 1 flow = 0
			4s   trough 2 flow = 20
			61s  stack 1 flow = 0
			62s  tick
			63s  tick`, []string{"0s raised self/units out of service/service", "1m1s raised stack 1 flow"}},
		{"notes make no common cause", strings.ReplaceAll(unitFlow, "call-out", "note"), `
			0s  stack 1 flow = 0
			1s  stack 2 flow = 0
			2s  trough 1 flow = 0
			60s stack 1 flow = 0`, []string{"1m0s raised stack 1 flow"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := caused(play(t, engine(t, rulestest.Site(), tt.rules), tt.script))
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

// What a keeper reads.
func TestCauseWords(t *testing.T) {
	e := engine(t, rulestest.Site(), unitFlow)
	all := play(t, e, `
		0s   stack 1 flow = 0
		1s   stack 2 flow = 0
		2s   trough 1 flow = 0
		3s   trough 2 flow = 20
		60s  stack 1 flow = 0
		61s  stack 2 flow = 20
		62s  trough 1 flow = 20
		361s..363s tick every 1s`)
	var got []string
	for _, tr := range all {
		got = append(got, tr.Trouble+" — "+tr.Detail)
	}
	want := []string{
		"Head box: units below it are low on flow — 3 of 4 units",
		"Stack 1: low flow — 0.0 L/min, setpoint 10.0 L/min",
		"Head box: units below it are low on flow — 1 of 4 units",
		"Stack 1: still low flow though most others are right again — 0.0 L/min, setpoint 10.0 L/min",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if !strings.Contains(all[0].ToDo, "Go to the head box and what feeds it first") || all[0].Priority != alarm.CallOut || all[0].Unit != "head box" || !all[0].Since.Equal(rulestest.Start) {
		t.Errorf("got %+v", all[0])
	}
	for _, v := range e.Standing(rulestest.Start.Add(6 * time.Minute)) {
		if v.Cause != "" {
			t.Errorf("%s still follows from %s", v.Key, v.Cause)
		}
	}
}

// A stack and its own feeder: a unit that hangs on nothing that fails follows
// from nothing.
func TestCauseByStatedFeeder(t *testing.T) {
	s := rulestest.Site()
	s.Units = append(s.Units, site.Unit{Name: "bore", Kind: site.Spring})
	// Two springs: nothing is sure but what is stated.
	u, _ := s.Unit("stack 1")
	u.FedBy = "spring"
	got := caused(play(t, engine(t, s, springFlow+unitFlow), `
		0s   spring flow = 0
		60s  spring flow = 0
		61s  stack 1 flow = 0
		62s  stack 2 flow = 0
		121s stack 1 flow = 0
		122s stack 2 flow = 0`))
	if d := cmp.Diff([]string{"1m0s raised SPRING", "2m1s raised stack 1 flow < SPRING", "2m2s raised stack 2 flow"}, got); d != "" {
		t.Error(d)
	}
}

// A restart at any point between the readings changes nothing; neither does a
// step of the clock.
func TestCauseOverRestartAndStep(t *testing.T) {
	const script = `
		0s   stack 1 flow = 0
		1s   stack 2 flow = 0
		2s   trough 1 flow = 0
		3s   trough 2 flow = 20
		60s  stack 1 flow = 0
		61s  stack 2 flow = 0
		2m   spring flow = 0
		180s spring flow = 0
		200s trough 1 flow = 0
		4m   spring flow = 700
		6m   spring flow = 700
		380s stack 2 flow = 20
		510s stack 2 flow = 20
		520s stack 1 flow = 0
		530s trough 2 flow = 20
		660s tick
		12m  trough 1 flow = 20
		14m  trough 1 flow = 20
		15m  tick
		20m  tick
		25m  tick`
	rulesText := springFlow + unitFlow
	want := play(t, engine(t, rulestest.Site(), rulesText), script)
	if len(want) < 10 {
		t.Fatalf("only %q", caused(want))
	}
	lines := strings.Split(strings.TrimSpace(script), "\n")
	for cut := 1; cut < len(lines); cut++ {
		before := engine(t, rulestest.Site(), rulesText)
		j := journal{transitions: play(t, before, strings.Join(lines[:cut], "\n"))}
		for _, line := range lines[:cut] {
			j.readings = append(j.readings, readingsOf(t, line)...)
		}
		at, _, _ := strings.Cut(strings.TrimSpace(lines[cut]), " ")
		now := rulestest.Start.Add(duration(t, at) - 500*time.Millisecond)
		e := rules.New(rulestest.Site(), program(t, rulestest.Site(), rulesText))
		if _, err := e.Rebuild(now, j.past(now, e.Memory())); err != nil {
			t.Fatal(err)
		}
		got := append(j.transitions, play(t, e, strings.Join(lines[cut:], "\n"))...)
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("restarted before %q (-live +restarted):\n%s", lines[cut], d)
		}
	}
}

// readingsOf gives the reading of a script line, none for any other event.
func readingsOf(t *testing.T, line string) []reading.Reading {
	t.Helper()
	when, what, _ := strings.Cut(strings.TrimSpace(line), " ")
	probe, value, ok := strings.Cut(strings.TrimSpace(what), " = ")
	if !ok {
		return nil
	}
	v, err := strconv.ParseFloat(value, 64)
	if err != nil {
		t.Fatal(err)
	}
	return []reading.Reading{rulestest.Reading(reading.ProbeID(probe), rulestest.Start.Add(duration(t, when)), v)}
}
