package rules_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
)

var (
	stuckFlow  = block("stuck_probe", "k", `units = ["trough 1"]`, `longer_than = "1 h"; off_delay = "2 min"`)
	jumpTemp   = block("jumping_probe", "j", `units = ["stack 1"]`, `change = "2 degC"; within = "2 min"; times = 3; off_delay = "2 min"`)
	impossTemp = block("impossible_value", "i", `units = ["stack 1"]`, `on_delay = "5 min"; off_delay = "2 min"`)
	airTemp    = block("probe_in_air", "a", `units = ["stack 1"]`, `departure = "3 degC"; on_delay = "5 min"; off_delay = "2 min"`)
	airOxygen  = block("probe_in_air", "a", `units = ["raceway 1"]`, `margin = "3% saturation"; on_delay = "5 min"; off_delay = "2 min"`)
)

// every writes script lines: a probe says values in turn, from a time on at an
// interval. n is how many.
func every(probe string, from, step time.Duration, n int, values ...float64) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "%v %s = %v\n", from+time.Duration(i)*step, probe, values[i%len(values)])
	}
	return b.String()
}

// inOrder puts script lines into the order of their times.
func inOrder(scripts ...string) string {
	lines := strings.Split(strings.Join(scripts, "\n"), "\n")
	lines = slices.DeleteFunc(lines, func(l string) bool { return strings.TrimSpace(l) == "" })
	at := func(l string) time.Duration {
		when, _, _ := strings.Cut(strings.TrimSpace(l), " ")
		d, err := time.ParseDuration(when)
		if err != nil {
			panic(l)
		}
		return d
	}
	slices.SortStableFunc(lines, func(a, b string) int { return int(at(a) - at(b)) })
	return strings.Join(lines, "\n")
}

func TestProbeFaultEdges(t *testing.T) {
	const (
		flow, temp, spring = "trough 1 flow", "stack 1 temperature", "spring temperature"
		m                  = time.Minute
	)
	const (
		k = "stuck_probe/k/trough 1 flow"
		j = "jumping_probe/j/stack 1 temperature"
		i = "impossible_value/i/stack 1 temperature"
		a = "probe_in_air/a/stack 1 temperature"
		o = "probe_in_air/a/raceway 1 oxygen"
	)
	noise := []float64{38, 38.1, 37.9, 38.2}
	tests := []struct {
		name, rules, script string
		want                []string
	}{
		// The run begins at 30 min.
		{"stuck: a reading before longer_than", stuckFlow, every(flow, 0, m, 30, noise...) + every(flow, 30*m, m, 60, 39), nil},
		{"stuck: at longer_than", stuckFlow, every(flow, 0, m, 30, noise...) + every(flow, 30*m, m, 62, 39), []string{"1h30m0s raised " + k}},
		{"stuck: from the first reading on", stuckFlow, every(flow, 0, m, 61, 39), []string{"1h0m0s raised " + k}},
		{"stuck: one other digit starts anew", stuckFlow, every(flow, 0, m, 30, noise...) + every(flow, 30*m, m, 59, 39) + every(flow, 89*m, m, 1, 39.1) + every(flow, 90*m, m, 60, 39), nil},
		{"stuck: a gap starts anew", stuckFlow, every(flow, 0, m, 30, noise...) + every(flow, 30*m, m, 40, 39) + every(flow, 75*m, m, 60, 39), nil},
		{"stuck: no gap up to five minutes", stuckFlow, every(flow, 0, m, 30, noise...) + every(flow, 30*m, m, 40, 39) + every(flow, 74*m, m, 17, 39), []string{"1h30m0s raised " + k}},
		// Before the run 56 repeats and 3 moves: the chance of 60 more repeats is
		// 57*58*59*60/(117*118*119*120) = 6 %.
		{"stuck: a coarse probe rests as it does", stuckFlow, every(flow, 0, m, 15, 38) + every(flow, 15*m, m, 15, 38.5) + every(flow, 30*m, m, 15, 38) + every(flow, 45*m, m, 15, 38.5) + every(flow, 60*m, m, 62, 38), nil},
		{"stuck: until it has not moved in twice longer_than", stuckFlow, every(flow, 0, m, 15, 38) + every(flow, 15*m, m, 15, 38.5) + every(flow, 30*m, m, 150, 38), []string{"2h31m0s raised " + k}},
		{"stuck: a flow of 0 is not stuck", stuckFlow, every(flow, 0, m, 30, noise...) + every(flow, 30*m, m, 600, 0), nil},
		{"stuck: returns when it moves, not before", stuckFlow, every(flow, 0, m, 30, noise...) + every(flow, 30*m, m, 200, 39) + "10h tick\n" + every(flow, 601*m, m, 3, 39, 39, 39) + every(flow, 604*m, m, 4, noise...), []string{"1h30m0s raised " + k, "10h6m0s returned, not acknowledged " + k}},
		{"stuck: and when it moves once and rests there", stuckFlow, every(flow, 0, m, 30, noise...) + every(flow, 30*m, m, 62, 39) + every(flow, 92*m, m, 3, 38.9), []string{"1h30m0s raised " + k, "1h34m0s returned, not acknowledged " + k}},

		{"jumping: two back and forth are not enough", jumpTemp, every(temp, 0, m, 20, 8) + every(temp, 20*m, m, 2, 12, 8) + every(temp, 22*m, m, 10, 8), nil},
		{"jumping: three are", jumpTemp, every(temp, 0, m, 20, 8) + every(temp, 20*m, m, 3, 12, 8, 12), []string{"22m0s raised " + j}},
		{"jumping: exactly the change is none", jumpTemp, every(temp, 0, m, 60, 8, 10), nil},
		{"jumping: three up in steps are one", jumpTemp, every(temp, 0, m, 20, 2) + every(temp, 20*m, m, 3, 5, 8, 11), nil},
		{"jumping: readings within apart", jumpTemp, every(temp, 0, 2*m, 4, 8, 12), []string{"6m0s raised " + j}},
		{"jumping: a second farther apart they say nothing", jumpTemp, every(temp, 0, 121*time.Second, 30, 8, 12), nil},
		{"jumping: not all in one hour", jumpTemp, every(temp, 0, m, 2, 8, 12) + every(temp, 50*m, m, 2, 12, 8) + every(temp, 61*m, m, 2, 8, 12), nil},
		{"jumping: in the hour", jumpTemp, every(temp, 0, m, 2, 8, 12) + every(temp, 50*m, m, 2, 12, 8) + every(temp, 59*m, m, 2, 8, 12), []string{"1h0m0s raised " + j}},
		{"jumping: well again when none was in an hour", jumpTemp, every(temp, 0, m, 4, 8, 12) + every(temp, 4*m, m, 63, 12), []string{"3m0s raised " + j, "1h5m0s returned, not acknowledged " + j}},

		{"impossible: until the on-delay", impossTemp, every(temp, 0, m, 2, 8) + "2m stack 1 temperature = 85 (out-of-range)\n6m59s stack 1 temperature = 85 (out-of-range)", nil},
		{"impossible: at the on-delay", impossTemp, "2m stack 1 temperature = 85 (out-of-range)\n7m stack 1 temperature = 85 (out-of-range)", []string{"7m0s raised " + i}},
		{"impossible: good ones among them do not end the delay", impossTemp, "2m stack 1 temperature = 85 (out-of-range)\n3m stack 1 temperature = 8\n7m stack 1 temperature = 85 (out-of-range)", []string{"7m0s raised " + i}},
		{"impossible: ten intervals without one do", impossTemp, "2m stack 1 temperature = 85 (out-of-range)\n" + every(temp, 3*m, m, 10, 8) + "12m1s stack 1 temperature = 8\n12m2s stack 1 temperature = 85 (out-of-range)", nil},
		{"impossible: silence after it: a tick raises", impossTemp, "2m stack 1 temperature = 85 (out-of-range)\n7m59s tick\n8m tick", []string{"8m0s raised " + i}},
		{"impossible: late ones say nothing of now", impossTemp, "2m stack 1 temperature = 85 (out-of-range, late)\n9m stack 1 temperature = 85 (out-of-range, late)", nil},
		{"impossible: returns ten intervals later, after the off-delay", impossTemp, "0s stack 1 temperature = 85 (out-of-range)\n5m stack 1 temperature = 85 (out-of-range)\n" + every(temp, 6*m, m, 13, 8), []string{"5m0s raised " + i, "18m0s returned, not acknowledged " + i}},

		{"air: exactly the departure is water", airTemp, inOrder(every(spring, 0, m, 60, 8), every(temp, m/2, m, 20, 8), every(temp, 20*m+m/2, m, 30, 11)), nil},
		{"air: left fast", airTemp, inOrder(every(spring, 0, m, 60, 8), every(temp, m/2, m, 20, 8), every(temp, 20*m+m/2, m, 6, 11.1)), []string{"25m30s raised " + a}},
		{"air: left slowly, as standing water does", airTemp, inOrder(every(spring, 0, m, 600, 8), every(temp, m/2, m, 20, 8), every(temp, 20*m+m/2, m, 40, 9.6), every(temp, 60*m+m/2, m, 400, 12)), nil},
		{"air: left slowly, but rises and falls as the day does", airTemp, inOrder(every(spring, 0, m, 600, 8), every(temp, m/2, m, 20, 8), every(temp, 20*m+m/2, m, 40, 9.6), every(temp, 60*m+m/2, m, 150, 12), every(temp, 210*m+m/2, m, 150, 13), every(temp, 360*m+m/2, m, 30, 12)), []string{"6h25m30s raised " + a}},
		{"air: it is the spring's probe that left", airTemp, inOrder(every(spring, 0, m, 20, 8), every(spring, 20*m, m, 60, 14), every(temp, m/2, m, 80, 8)), nil},
		{"air: never seen at home", airTemp, inOrder(every(spring, 0, m, 60, 8), every(temp, m/2, m, 60, 14)), nil},
		{"air: not judged while the spring is silent", airTemp, inOrder(every(spring, 0, m, 10, 8), every(temp, m/2, m, 20, 8), every(temp, 20*m+m/2, m, 40, 14)), nil},
		{"air: back in the water after the off-delay", airTemp, inOrder(every(spring, 0, m, 60, 8), every(temp, m/2, m, 20, 8), every(temp, 20*m+m/2, m, 10, 12), every(temp, 30*m+m/2, m, 3, 9.5)), []string{"25m30s raised " + a, "32m30s returned, not acknowledged " + a}},

		// 11.843 mg/L is full at 8 degC (testdata/oxygen), 10.084 at 15 degC.
		{"air: oxygen, with a jump of the temperature", airOxygen, inOrder(every("raceway 1 temperature", 0, m, 20, 8), every("raceway 1 temperature", 20*m, m, 30, 15), every("raceway 1 oxygen", m/2, m, 20, 9), every("raceway 1 oxygen", 20*m+m/2, m, 20, 10.1)), []string{"25m30s raised " + o}},
		{"air: oxygen, without one it is aerated", airOxygen, inOrder(every("raceway 1 temperature", 0, m, 50, 8), every("raceway 1 oxygen", m/2, m, 20, 9), every("raceway 1 oxygen", 20*m+m/2, m, 20, 11.8)), nil},
		{"air: oxygen and back", airOxygen, inOrder(every("raceway 1 temperature", 0, m, 20, 8), every("raceway 1 temperature", 20*m, m, 10, 15), every("raceway 1 temperature", 30*m, m, 10, 8), every("raceway 1 oxygen", m/2, m, 20, 9), every("raceway 1 oxygen", 20*m+m/2, m, 10, 10.1), every("raceway 1 oxygen", 30*m+m/2, m, 5, 9)), []string{"25m30s raised " + o, "32m30s returned, not acknowledged " + o}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := briefs(play(t, engine(t, rulestest.Site(), tt.rules), tt.script))
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("transitions (-want +got):\n%s", diff)
			}
		})
	}
}

// What a suspect probe's value is still good for.
func TestSuspicion(t *testing.T) {
	const m = time.Minute
	note := func(rule string) string { return strings.Replace(rule, `"call-out"`, `"note"`, 1) }
	tests := []struct {
		name, rules, script string
		want                []string
	}{
		{
			"a stuck probe still raises low flow, and does not end it", stuckFlow + lowFlow,
			every("trough 1 flow", 0, m, 62, 12) + every("trough 1 flow", 62*m, m, 12, 38, 38.1),
			[]string{
				"1m0s raised low_flow/t/trough 1 flow", "1h0m0s raised stuck_probe/k/trough 1 flow",
				"1h4m0s returned, not acknowledged stuck_probe/k/trough 1 flow", "1h6m0s returned, not acknowledged low_flow/t/trough 1 flow",
			},
		},
		{
			"a jumping probe raises no band", jumpTemp + strings.Replace(band, `"60 s"`, `"0 s"`, 1),
			every("stack 1 temperature", 0, m, 20, 8, 5) + every("stack 1 temperature", 20*m, m, 20, 12),
			[]string{"3m0s raised jumping_probe/j/stack 1 temperature"},
		},
		{
			"unless it is only noted and the band calls out", note(jumpTemp) + strings.Replace(band, `"60 s"`, `"0 s"`, 1),
			every("stack 1 temperature", 0, m, 20, 8, 5) + every("stack 1 temperature", 20*m, m, 20, 12),
			[]string{"3m0s raised jumping_probe/j/stack 1 temperature", "20m0s raised temperature_band/b/stack 1 temperature"},
		},
		{
			"nothing is compared with a suspect spring", block("impossible_value", "i", `units = ["spring"]`, "") + fromSpring,
			"0s spring temperature = 8\n1m spring temperature = 85 (out-of-range)\n2m stack 1 temperature = 20\n5m stack 1 temperature = 20\n6m spring temperature = 85 (out-of-range)\n7m stack 1 temperature = 20",
			[]string{"6m0s raised impossible_value/i/spring temperature"},
		},
		{
			"a standing alarm stands while the spring is suspect", block("impossible_value", "i", `units = ["spring"]`, `on_delay = "0 s"`) + fromSpring,
			"0s spring temperature = 8\n1m stack 1 temperature = 20\n2m stack 1 temperature = 20\n3m spring temperature = 85 (out-of-range)\n4m stack 1 temperature = 8\n7m stack 1 temperature = 8",
			[]string{"2m0s raised temperature_from_spring/s/stack 1 temperature", "3m0s raised impossible_value/i/spring temperature"},
		},
		// 7 mg/L is 59.1 % at 8 degC and 77 % at 20 degC.
		{
			"oxygen goes by another temperature", strings.Replace(impossTemp, `"stack 1"`, `"raceway 1"`, 1) + oxygenSat,
			"0s spring temperature = 8\n0s raceway 1 temperature = 20\n10s raceway 1 oxygen = 7\n70s raceway 1 temperature = 85 (out-of-range)\n80s raceway 1 oxygen = 7\n2m30s raceway 1 oxygen = 7",
			[]string{"2m30s raised low_oxygen/o/raceway 1 oxygen"},
		},
		{
			"and by a suspect one rather than by none", strings.Replace(impossTemp, `"stack 1"`, `"raceway 1"`, 1) + oxygenSat,
			"0s raceway 1 temperature = 8\n70s raceway 1 temperature = 85 (out-of-range)\n80s raceway 1 oxygen = 7\n2m30s raceway 1 oxygen = 7",
			[]string{"2m30s raised low_oxygen/o/raceway 1 oxygen"},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := briefs(play(t, engine(t, rulestest.Site(), tt.rules), tt.script))
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("transitions (-want +got):\n%s", diff)
			}
		})
	}
}

func TestProbeFaultWords(t *testing.T) {
	const m = time.Minute
	tests := []struct {
		name, rules, script string
		want                []string
	}{
		{"stuck", stuckFlow, every("trough 1 flow", 0, m, 61, 39) + every("trough 1 flow", 61*m, m, 3, 38, 37), []string{
			"Trough 1: flow probe stuck | 39.0 L/min, the same number for 1 h",
			"Trough 1: flow probe stuck | it moves again: 38.0 L/min",
		}},
		{"jumping", jumpTemp, every("stack 1 temperature", 0, m, 4, 8, 12.5), []string{
			"Stack 1: temperature probe jumping | back and forth by up to 4.5 degC, now 12.5 degC; water cannot change by 2.0 degC in 2 min",
		}},
		{"impossible", impossTemp, "2m stack 1 temperature = 85 (out-of-range)\n7m stack 1 temperature = -127 (out-of-range)", []string{
			"Stack 1: temperature probe says what cannot be | -127.0 degC; it can be from -1.0 degC to 30.0 degC",
		}},
		{"air", airTemp, inOrder(every("spring temperature", 0, m, 60, 8), every("stack 1 temperature", m/2, m, 20, 8), every("stack 1 temperature", 20*m+m/2, m, 6, 12)), []string{
			"Stack 1: temperature probe may be in the air | 12.0 degC, 4.0 degC above the spring (8.0 degC), limit 3.0 degC; or its water stands",
		}},
		{
			"what depends on it", block("impossible_value", "i", `units = ["spring"]`, `on_delay = "0 s"`) + fromSpring + strings.Replace(fromSpring, `"s"`, `"late"`, 1),
			"0s spring temperature = 8\n1m stack 1 temperature = 20\n2m stack 1 temperature = 20\n3m spring temperature = 85 (out-of-range)\n3m ack all",
			[]string{
				"Stack 1: temperature away from the spring | 20.0 degC, 12.0 degC above the spring (8.0 degC), limit 2.0 degC",
				"Stack 1: temperature away from the spring | 20.0 degC, 12.0 degC above the spring (8.0 degC), limit 2.0 degC",
				"Spring: temperature probe says what cannot be | 85.0 degC; it can be from -1.0 degC to 30.0 degC",
				"Stack 1: temperature away from the spring | 20.0 degC, 12.0 degC above the spring (8.0 degC), limit 2.0 degC; temperature probe of the spring is suspect: it says what cannot be",
				"Stack 1: temperature away from the spring | 20.0 degC, 12.0 degC above the spring (8.0 degC), limit 2.0 degC; temperature probe of the spring is suspect: it says what cannot be",
				"Spring: temperature probe says what cannot be | 85.0 degC; it can be from -1.0 degC to 30.0 degC",
			},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got []string
			for _, tr := range play(t, engine(t, rulestest.Site(), tt.rules), tt.script) {
				got = append(got, tr.Trouble+" | "+tr.Detail)
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("words (-want +got):\n%s", diff)
			}
		})
	}
}

// Until the off-delay is over a probe that moves again is not said to rest.
func TestStuckProbeMovesAgain(t *testing.T) {
	const m = time.Minute
	e := engine(t, rulestest.Site(), stuckFlow+lowFlow)
	details := func(at time.Duration) (all []string) {
		for _, v := range e.Standing(rulestest.Start.Add(at)) {
			all = append(all, v.Detail)
		}
		return all
	}
	play(t, e, every("trough 1 flow", 0, m, 62, 12))
	want := []string{"12.0 L/min, setpoint 28.0 L/min; its probe is suspect: the same number for 1 h 1 min", "12.0 L/min, the same number for 1 h 1 min"}
	if diff := cmp.Diff(want, details(61*m)); diff != "" {
		t.Errorf("at rest (-want +got):\n%s", diff)
	}
	play(t, e, every("trough 1 flow", 62*m, m, 1, 38))
	want = []string{"38.0 L/min, setpoint 28.0 L/min; its probe is suspect: it was stuck until just now", "38.0 L/min, it begins to move again"}
	if diff := cmp.Diff(want, details(62*m)); diff != "" {
		t.Errorf("moving (-want +got):\n%s", diff)
	}
}

// probeFaults is a rule of each kind, with others that go by the same probes.
var probeFaults = strings.ReplaceAll(stuckFlow, `units = ["trough 1"]`, "all = true\nexcept = [\"head box\"]") +
	strings.ReplaceAll(jumpTemp, `units = ["stack 1"]`, "all = true\nexcept = [\"head box\", \"trough 2\", \"deep 1\"]") +
	strings.ReplaceAll(impossTemp, `units = ["stack 1"]`, "all = true\nexcept = [\"head box\"]") +
	strings.ReplaceAll(airTemp, `units = ["stack 1"]`, `units = ["spring", "stack 1", "stack 2", "trough 1"]`) +
	strings.ReplaceAll(airOxygen, `"a"`, `"o"`) + lowFlow + band + oxygenSat + fromSpring

// faulty is a random day and a half of probes that get stuck, jump, hang in the
// air, say what cannot be and fall silent.
func faulty(rnd *rand.Rand) []happening {
	var all []happening
	start := rulestest.Start
	end := start.Add(36 * time.Hour)
	base := map[reading.Quantity]float64{reading.Temperature: 8, reading.Flow: 38, reading.Oxygen: 9, reading.Saturation: 80}
	s := rulestest.Site()
	for i := range s.Probes {
		p := &s.Probes[i]
		mode, until, held := 0, start, 0.0
		n := 0
		for now := start.Add(time.Duration(rnd.Int64N(int64(time.Minute)))); now.Before(end); now = now.Add(58*time.Second + time.Duration(rnd.Int64N(int64(4*time.Second)))) {
			if now.After(until) {
				mode, until = max(0, rnd.IntN(9)-3), now.Add(time.Duration(rnd.Int64N(int64(3*time.Hour))))
				if held = base[p.Quantity]; p.Quantity == reading.Flow && rnd.IntN(2) == 0 {
					held = 12
				}
			}
			n++
			r := rulestest.Reading(p.ID, now, base[p.Quantity]+0.05*rnd.NormFloat64())
			switch mode {
			case 1:
				r.Value = held // stuck
			case 2:
				r.Value += 4 * float64(n%2)
			case 3:
				r.Value += 4.5 + 0.5*rnd.Float64() // of a temperature: air
			case 4:
				if rnd.IntN(2) == 0 {
					r.Value, r.Flags = -127, reading.OutOfRange
				}
			case 5:
				continue
			}
			all = append(all, happening{at: now, r: &r})
		}
	}
	for now := start; now.Before(end); now = now.Add(10 * time.Second) {
		all = append(all, happening{at: now})
	}
	slices.SortStableFunc(all, func(a, b happening) int { return a.at.Compare(b.at) })
	return all
}

// After a restart at any time the alarms for probes, and those that go by them,
// go the way they would have, but for what a tick raises: late by an interval.
func TestProbeFaultsAfterARestart(t *testing.T) {
	s := rulestest.Site()
	compared := make(map[alarm.Kind]int)
	for seed := range *seeds {
		rnd := rand.New(rand.NewPCG(seed, 21))
		events := faulty(rnd)
		live := engine(t, s, probeFaults)
		var whole journal
		type restarted struct {
			e    *rules.Engine
			from int
			at   time.Time
			j    journal
		}
		var again []*restarted
		cuts := make(map[int]bool)
		for range 8 {
			cuts[rnd.IntN(len(events))] = true
		}
		for i, h := range events {
			if cuts[i] {
				r := &restarted{e: rules.New(s, program(t, s, probeFaults)), from: len(whole.transitions), at: h.at}
				if gone, err := r.e.Rebuild(h.at, whole.past(h.at, r.e.Memory())); err != nil || len(gone) > 0 {
					t.Fatalf("seed %d: rebuild: %v, %v", seed, gone, err)
				}
				again = append(again, r)
			}
			apply(t, live, &whole, h)
			for _, r := range again {
				apply(t, r.e, &r.j, h)
			}
		}
		for _, r := range again {
			want, got := perKey(whole.transitions[r.from:]), perKey(r.j.transitions)
			keys := make(map[alarm.Key]bool)
			for k := range want {
				keys[k] = true
			}
			for k := range got {
				keys[k] = true
			}
			for k := range keys {
				w, g := want[k], got[k]
				if len(w) > 0 && len(g) == len(w) && !g[0].At.Equal(w[0].At) && g[0].Raised() && g[0].At.Sub(w[0].At) <= 2*time.Minute && g[0].At.Before(r.at.Add(10*time.Minute)) {
					w, g = w[1:], g[1:]
				}
				for _, tr := range w {
					compared[tr.Kind]++
				}
				if diff := cmp.Diff(w, g); diff != "" {
					t.Errorf("seed %d, cut at %v: %s (-live +restarted):\n%s", seed, r.at.Sub(rulestest.Start), k, diff)
				}
			}
		}
	}
	for _, k := range append(rules.ProbeFaults(), alarm.LowFlow, alarm.FromSpring) {
		if compared[k] < 20 {
			t.Errorf("only %d transitions of %s compared", compared[k], k)
		}
	}
}

// The clock steps in the middle: everything comes when it would have.
func TestProbeFaultsOverAStep(t *testing.T) {
	run := func(by time.Duration) []string {
		e := engine(t, rulestest.Site(), probeFaults)
		var out []string
		off := time.Duration(0)
		for i, h := range faulty(rand.New(rand.NewPCG(5, 5))) {
			if i == 40000 {
				e.Shift(by)
				off = by
			}
			var trs []alarm.Transition
			if h.r == nil {
				trs = e.Tick(h.at.Add(off))
			} else {
				r := *h.r
				r.At, r.ArrivedAt = r.At.Add(off), r.ArrivedAt.Add(off)
				trs = e.Reading(h.at.Add(off), &r)
			}
			for _, tr := range trs {
				tr.At = tr.At.Add(-off)
				out = append(out, brief(tr))
			}
		}
		return out
	}
	plain := run(0)
	if len(plain) < 100 {
		t.Fatalf("only %d transitions", len(plain))
	}
	for _, by := range []time.Duration{3 * time.Hour, -3 * time.Hour} {
		if diff := cmp.Diff(plain, run(by)); diff != "" {
			t.Errorf("a step by %v (-without +with):\n%s", by, diff)
		}
	}
}

// No allocation for a reading once all have been seen.
func TestProbeFaultsAllocateNothing(t *testing.T) {
	e := engine(t, rulestest.Site(), probeFaults)
	rs := []reading.Reading{rulestest.Reading("spring temperature", rulestest.Start, 8), rulestest.Reading("stack 1 temperature", rulestest.Start, 8), rulestest.Reading("trough 1 flow", rulestest.Start, 38), rulestest.Reading("raceway 1 temperature", rulestest.Start, 8), rulestest.Reading("raceway 1 oxygen", rulestest.Start, 9)}
	n := 0
	if a := testing.AllocsPerRun(5000, func() {
		r := &rs[n%len(rs)]
		n++
		r.At = r.At.Add(time.Minute)
		r.ArrivedAt = r.At
		r.Value += float64(n%3-1) / 100
		e.Reading(r.At, r)
	}); a > 0 {
		t.Errorf("%v allocations a reading", a)
	}
}

// BenchmarkProbeFaults is the cost of one reading judged by each kind.
func BenchmarkProbeFaults(b *testing.B) {
	for _, bb := range []struct{ name, rules, probe string }{
		{"stuck", stuckFlow, "trough 1 flow"},
		{"jumping", jumpTemp, "stack 1 temperature"},
		{"impossible", impossTemp, "stack 1 temperature"},
		{"air", airTemp, "stack 1 temperature"},
		{"air oxygen", airOxygen, "raceway 1 oxygen"},
	} {
		b.Run(bb.name, func(b *testing.B) {
			e := engine(b, rulestest.Site(), bb.rules)
			play(b, e, "0s spring temperature = 8\n0s raceway 1 temperature = 8")
			r := rulestest.Reading(reading.ProbeID(bb.probe), rulestest.Start, 8)
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				r.At = r.At.Add(time.Millisecond)
				r.ArrivedAt = r.At
				r.Value = 8 + float64(i%17)/100
				sink += len(e.Reading(r.At, &r))
			}
		})
	}
}
