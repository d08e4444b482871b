package rules_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
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
	"weirkeeper/rules/site"
)

var (
	fastChange = block("fast_change", "f", `units = ["spring"]`, `change = "1 degC"; within = "10 min"; deadband = "0.25 degC"`+delays)
	fastFall   = block("fast_change", "g", `units = ["trough 1"]`, `change = "10 L/min"; within = "10 min"; direction = "falling"`+delays)
	bySister   = block("from_sister", "s", `units = ["trough 1"]`, `departure = "4 L/min"; sister = "trough 2"; deadband = "1 L/min"`+delays)
	bySisters  = block("from_sister", "m", `units = ["spring", "stack 1", "stack 2", "trough 1"]`, `departure = "1 degC"; sisters = "median"; deadband = "0.25 degC"`+delays)
	waterSum   = block("water_balance", "w", `units = ["trough 1", "trough 2"]`, `source = "spring"; allowed_loss = "20%"; allowed_gain = "10%"; deadband = "5%"`+delays)
	slowTemp   = block("slow_drift", "d", `units = ["spring"]`, `change = "0.7 degC"; per = "7 d"; over = "10 d"; deadband = "0.35 degC"; on_delay = "0 s"; off_delay = "0 s"`)
)

// courses is a rule of each kind with a memory of its own, for the tests that
// take every kind.
var courses = fastChange + fastFall + bySister + bySisters + waterSum + slowTemp + highFlow +
	strings.NewReplacer(`"h"`, `"in mg"`, "12 mg/L", "10.2 mg/L").Replace(highOxygenMgL) +
	strings.NewReplacer("110%", "93%").Replace(highOxygenSat)

// minutely writes one reading a minute from a minute on.
func minutely(probe string, from int, values ...float64) string {
	var b strings.Builder
	for i, v := range values {
		fmt.Fprintf(&b, "%dm %s = %v\n", from+i, probe, v)
	}
	return b.String()
}

func TestCourseEdges(t *testing.T) {
	const temp, flow = "spring temperature", "trough 1 flow"
	balance := func(spring, one, two float64) string {
		var b strings.Builder
		for m := range 4 {
			fmt.Fprintf(&b, "%dm trough 1 flow = %v\n%dm trough 2 flow = %v\n%dm spring flow = %v\n", m, one, m, two, m, spring)
		}
		return b.String()
	}
	tests := []struct {
		name, rules, script string
		want                []string
	}{
		{"a change of exactly what is allowed", fastChange, minutely(temp, 0, 8, 8, 8, 9, 9, 9, 9, 9), nil},
		{"a little more: at the second reading and the on-delay", fastChange, minutely(temp, 0, 8, 8, 8, 9.01, 9.01, 9.01, 9.01), []string{"5m0s raised fast_change/f/spring temperature"}},
		{"a reading before the on-delay", fastChange, minutely(temp, 0, 8, 8, 8, 9.01, 9.01), nil},
		{"downwards too", fastChange, minutely(temp, 0, 8, 8, 8, 6.9, 6.9, 6.9), []string{"5m0s raised fast_change/f/spring temperature"}},
		{"one wild reading", fastChange, minutely(temp, 0, 8, 8, 8, 20, 8, 8, 8, -1, 8, 8), nil},
		{"two wild readings apart", fastChange, minutely(temp, 0, 8, 8, 8, 20, 8, 8, 20, 8, 8), nil},
		{"a wild reading hides no change", fastChange, minutely(temp, 0, 8, 8, 8, 9.5, -1, 9.5, 9.5), []string{"6m0s raised fast_change/f/spring temperature"}},
		{"exactly the allowed time from the low to the high", fastChange, minutely(temp, 0, 7.9, 7.9, 7.9, 8, 8, 8, 8, 8, 8, 8, 9, 9, 9, 9), []string{"12m0s raised fast_change/f/spring temperature"}},
		{"as much in a longer time is slow enough", fastChange, minutely(temp, 0, 8, 8, 8, 8.1, 8.2, 8.3, 8.4, 8.5, 8.6, 8.7, 8.8, 8.9, 9, 9.1, 9.2, 9.3, 9.4), nil},
		{"a gap in the middle, not too long", fastChange, minutely(temp, 0, 8, 8, 8) + minutely(temp, 9, 9.5, 9.5, 9.5), []string{"11m0s raised fast_change/f/spring temperature"}},
		{"after a longer gap it begins anew", fastChange, minutely(temp, 0, 8, 8, 8) + minutely(temp, 30, 9.5, 9.5, 9.5, 9.5, 9.5), nil},
		{"an on-delay that a gap falls into: a tick raises an interval later", fastChange, minutely(temp, 0, 8, 8, 8, 9.5, 9.5) + "4m..20m tick every 1s", []string{"6m0s raised fast_change/f/spring temperature"}},
		{"two readings say nothing", fastChange, minutely(temp, 0, 8, 12) + "3m..20m tick every 1s", nil},
		{"it returns when the change lies further back", fastChange, minutely(temp, 0, 8, 8, 8, 9.5, 9.5, 9.5) + minutely(temp, 6, slices.Repeat([]float64{9.5}, 11)...), []string{"5m0s raised fast_change/f/spring temperature", "16m0s returned, not acknowledged fast_change/f/spring temperature"}},
		{"changing again within the off-delay: it stands", fastChange, minutely(temp, 0, 8, 8, 8, 9.5, 9.5, 9.5) + minutely(temp, 6, 9.5, 9.5, 9.5, 9.5, 9.5, 9.5, 11, 11, 11, 11, 11, 11), []string{"5m0s raised fast_change/f/spring temperature"}},
		{"late and out of order readings do not count", fastChange, minutely(temp, 0, 8, 8, 8) + "3m spring temperature = 12 (late)\n3m spring temperature = 12 (out-of-order)\n4m spring temperature = 12 (late)\n5m spring temperature = 8\n6m spring temperature = 8", nil},

		{"falling: a rise is no trouble", fastFall, minutely(flow, 0, 0, 0, 0, 38, 38, 38, 38), nil},
		{"falling: a fall is", fastFall, minutely(flow, 0, 38, 38, 38, 27, 27, 27, 27), []string{"5m0s raised fast_change/g/trough 1 flow"}},

		{"exactly as far from the sister as allowed", bySister, "0m trough 2 flow = 38\n" + minutely(flow, 0, 34, 34, 34), nil},
		{"further, below", bySister, "0m trough 2 flow = 38\n" + minutely(flow, 0, 33.9, 33.9), []string{"1m0s raised from_sister/s/trough 1 flow"}},
		{"further, above", bySister, "0m trough 2 flow = 38\n" + minutely(flow, 0, 42.1, 42.1), []string{"1m0s raised from_sister/s/trough 1 flow"}},
		{"the sister was never heard", bySister, minutely(flow, 0, 5, 5, 5), nil},
		{"the sister is silent: what stands, stands", bySister, "0m trough 2 flow = 38\n" + minutely(flow, 0, 20, 20) + minutely(flow, 7, 38, 38, 38, 38), []string{"1m0s raised from_sister/s/trough 1 flow"}},
		{"the sister is heard for as long as it is fresh", bySister, "0m trough 2 flow = 38\n" + minutely(flow, 4, 20, 20), []string{"5m0s raised from_sister/s/trough 1 flow"}},
		{"and a second longer it is not", bySister, "0m trough 2 flow = 38\n1s trough 2 flow = 38\n4m2s trough 1 flow = 20\n5m2s trough 1 flow = 20", nil},
		{"inside the deadband it stands, exactly at it is good", bySister, "0m trough 2 flow = 38\n" + minutely(flow, 0, 33, 33, 34.5, 34.5) + "4m trough 2 flow = 38\n" + minutely(flow, 4, 35, 35, 35), []string{"1m0s raised from_sister/s/trough 1 flow", "6m0s returned, not acknowledged from_sister/s/trough 1 flow"}},

		{"one of four departs", bySisters, "0m spring temperature = 8\n0m stack 1 temperature = 8.1\n0m stack 2 temperature = 8\n" + minutely("trough 1 temperature", 0, 9.1, 9.1), []string{"1m0s raised from_sister/m/trough 1 temperature"}},
		{"exactly as far from the median of the others as allowed", bySisters, "0m spring temperature = 8\n0m stack 1 temperature = 8\n0m stack 2 temperature = 12\n" + minutely("trough 1 temperature", 0, 9, 9), nil},
		{"of two only one is heard", bySisters, "0m spring temperature = 8\n" + minutely("trough 1 temperature", 0, 12, 12), nil},

		{"balance: exactly the loss allowed", waterSum, balance(100, 40, 40), nil},
		{"balance: more is lost", waterSum, balance(100, 40, 39.9), []string{"1m0s raised water_balance/w/spring flow"}},
		{"balance: exactly the gain allowed", waterSum, balance(100, 55, 55), nil},
		{"balance: too much arrives", waterSum, balance(100, 55, 55.1), []string{"1m0s raised water_balance/w/spring flow"}},
		{"balance: nothing runs at all", waterSum, balance(0, 0, 0), nil},
		{"balance: the source reads nothing, the units do", waterSum, balance(0, 10, 10), []string{"1m0s raised water_balance/w/spring flow"}},
		{"balance: one flow was never heard", waterSum, "0m trough 1 flow = 5\n" + minutely("spring flow", 0, 100, 100, 100), nil},
		{"balance: one flow is silent", waterSum, "0m trough 1 flow = 5\n0m trough 2 flow = 5\n" + minutely("spring flow", 6, 100, 100, 100), nil},
		{"balance: inside the deadband it stands", waterSum, balance(100, 40, 30) + "4m trough 1 flow = 40\n4m trough 2 flow = 44.9\n" + minutely("spring flow", 4, 100, 100, 100, 100), []string{"1m0s raised water_balance/w/spring flow"}},
		{"balance: it returns", waterSum, balance(100, 40, 30) + "4m trough 1 flow = 40\n4m trough 2 flow = 45\n" + minutely("spring flow", 4, 100, 100, 100, 100), []string{"1m0s raised water_balance/w/spring flow", "6m0s returned, not acknowledged water_balance/w/spring flow"}},
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

// What the keeper reads.
func TestCourseWords(t *testing.T) {
	const temp, flow = "spring temperature", "trough 1 flow"
	tests := []struct {
		name, rules, script string
		want                []string
	}{
		{
			"fast change", fastChange, minutely(temp, 0, 8, 8, 8.2, 9.5, 9.5, 9.5) + minutely(temp, 6, slices.Repeat([]float64{9.5}, 11)...),
			[]string{
				"Spring: temperature changing fast | rose 1.5 degC in 3 min, from 8.0 degC to 9.5 degC, limit 1.0 degC in 10 min",
				"Spring: temperature changing fast | no longer changing fast: 9.5 degC",
			},
		},
		{
			"sister", bySister, "0m trough 2 flow = 38\n" + minutely(flow, 0, 33, 33),
			[]string{"Trough 1: flow away from trough 2 | 33.0 L/min, 5.0 L/min below trough 2 (38.0 L/min), limit 4.0 L/min"},
		},
		{
			"sisters", bySisters, "0m spring temperature = 8\n0m stack 1 temperature = 8.1\n0m stack 2 temperature = 8\n" + minutely("trough 1 temperature", 0, 9.3, 9.3),
			[]string{"Trough 1: temperature unlike the other units | 9.3 degC, 1.3 degC above the median of 3 others (8.0 degC), limit 1.0 degC"},
		},
		{
			"loss", waterSum, "0m trough 1 flow = 40\n0m trough 2 flow = 30\n" + minutely("spring flow", 0, 100, 100, 80, 80, 80),
			[]string{
				"Spring: water does not add up | 30.0 L/min (30.0%) is lost on the way: it gives 100.0 L/min, 2 units below it get 70.0 L/min; allowed 20%",
				"Spring: water does not add up | adds up again: it gives 80.0 L/min, 2 units below it get 70.0 L/min",
			},
		},
		{
			"gain", waterSum, "0m trough 1 flow = 40\n0m trough 2 flow = 30\n" + minutely("spring flow", 0, 0, 0),
			[]string{"Spring: water does not add up | 70.0 L/min too much: it gives 0.0 L/min, 2 units below it get 70.0 L/min; allowed 10%"},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got []string
			for _, tr := range play(t, engine(t, rulestest.Site(), tt.rules), tt.script) {
				got = append(got, tr.Trouble+" | "+tr.Detail)
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("words (-want +got):\n%s", d)
			}
		})
	}
	t.Run("what stood before anything is known", func(t *testing.T) {
		s := rulestest.Site()
		e := rules.New(s, program(t, s, courses))
		var past rules.Past
		keys := []alarm.Key{"fast_change/f/spring temperature", "from_sister/s/trough 1 flow", "water_balance/w/spring flow", "slow_drift/d/spring temperature"}
		for _, k := range keys {
			past.Standing = append(past.Standing, alarm.Transition{Key: k, To: alarm.Unacknowledged, At: rulestest.Start, Since: rulestest.Start})
		}
		if _, err := e.Rebuild(rulestest.Start, past); err != nil {
			t.Fatal(err)
		}
		play(t, e, "1s spring temperature = 8\n1s spring flow = 100\n1s trough 1 flow = 38")
		got := make(map[alarm.Key]string)
		for _, v := range e.Standing(rulestest.Start.Add(time.Second)) {
			got[v.Key] = v.Detail
		}
		want := map[alarm.Key]string{
			keys[0]: "8.0 degC, how it was before is not known", keys[1]: "38.0 L/min, the others are not heard",
			keys[2]: "gives 100.0 L/min; not all flows that it feeds are known", keys[3]: "8.0 degC, too few of the last days are known to tell its trend",
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("details (-want +got):\n%s", d)
		}
	})
}

// hourly is a course of readings of the spring's temperature, one every 20
// minutes from the start; NaN is a reading that did not come.
func hourly(days float64, value func(day float64) float64) []reading.Reading {
	var out []reading.Reading
	for at := time.Duration(0); at < time.Duration(days*24*float64(time.Hour)); at += 20 * time.Minute {
		v := value(at.Hours() / 24)
		if !math.IsNaN(v) {
			out = append(out, rulestest.Reading("spring temperature", rulestest.Start.Add(at), v))
		}
	}
	return out
}

// slowSite is a site whose probes speak every 20 minutes.
func slowSite() *site.Site {
	s := rulestest.Site()
	for i := range s.Probes {
		s.Probes[i].Every = 20 * time.Minute
	}
	return s
}

// swing is a day's swing and noise from a seed.
func swing(seed uint64) func(day float64) float64 {
	rnd := rand.New(rand.NewPCG(seed, 1))
	return func(day float64) float64 { return 8 + 0.8*math.Cos(2*math.Pi*day) + 0.1*rnd.NormFloat64() }
}

// The rule allows 0.1 degC a day over ten days. dayOf is the whole day of a
// transition.
func TestSlowDriftEdges(t *testing.T) {
	noisy := swing(1)
	line := func(perDay float64) func(float64) float64 {
		return func(day float64) float64 { return 8 + perDay*day }
	}
	falling := strings.Replace(slowTemp, "over =", "direction = \"falling\"\nover =", 1)
	none := math.NaN()
	tests := []struct {
		name   string
		rules  string
		course []reading.Reading
		want   []string // whole days
	}{
		// The fifth day counts from its 18th hour on.
		{"too steep: told once five days are known", slowTemp, hourly(9, line(0.11)), []string{"4 raised"}},
		{"four days and a little say nothing", slowTemp, hourly(4.75, line(0.5)), nil},
		// 3/16 degC a day is 1.3125 degC in a week, without rounding.
		{"exactly as steep as allowed", strings.Replace(slowTemp, "0.7 degC", "1.3125 degC", 1), hourly(14, func(day float64) float64 { return 8 + math.Floor(day)*3/16 }), nil},
		{"a little steeper", strings.Replace(slowTemp, "0.7 degC", "1.312 degC", 1), hourly(14, func(day float64) float64 { return 8 + math.Floor(day)*3/16 }), []string{"4 raised"}},
		{"downwards", slowTemp, hourly(9, line(-0.11)), []string{"4 raised"}},
		{"a large daily swing is no drift", slowTemp, hourly(20, noisy), nil},
		{"falling: a rise is no trouble", falling, hourly(14, line(0.5)), nil},
		{"falling: a fall is", falling, hourly(9, line(-0.11)), []string{"4 raised"}},
		// The slope is too steep in the end, but days that go up and down do not show it.
		{"the slope, but not its bound", slowTemp, hourly(10, func(day float64) float64 { return 8 + 0.11*day + 0.4*math.Cos(2*math.Pi*day/3) }), nil},
		{"one wild day of ten", slowTemp, hourly(14, func(day float64) float64 {
			if math.Floor(day) == 6 {
				return 15
			}
			return 8
		}), nil},
		{"a gap of three days in the middle", slowTemp, hourly(9.5, func(day float64) float64 {
			if day >= 2 && day < 5 {
				return none
			}
			return 8 + 0.11*day
		}), []string{"7 raised"}},
		{"days known for less than 18 hours do not count", slowTemp, hourly(14, func(day float64) float64 {
			if day-math.Floor(day) >= 16.5/24 {
				return none
			}
			return 8 + 0.5*day
		}), nil},
		// Six flat days of ten outvote four steep ones.
		{"it returns when the slope is inside by the deadband", slowTemp, hourly(22, func(day float64) float64 { return 8 + 0.2*min(day, 8) }), []string{"4 raised", "14 returned, not acknowledged"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			e := engine(t, slowSite(), tt.rules)
			var got []string
			for i := range tt.course {
				for _, tr := range e.Reading(tt.course[i].At, &tt.course[i]) {
					what := strings.TrimSuffix(strings.SplitN(brief(tr), " ", 2)[1], " slow_drift/d/spring temperature")
					got = append(got, fmt.Sprintf("%d %s", int(tr.At.Sub(rulestest.Start).Hours()/24), what))
				}
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("transitions (-want +got):\n%s", d)
			}
		})
	}
}

func TestSlowDriftWords(t *testing.T) {
	s := slowSite()
	e := engine(t, s, slowTemp)
	var got []string
	for _, r := range hourly(22, func(day float64) float64 { return 8 + 0.2*min(day, 8) + 0.02*math.Cos(math.Pi*math.Floor(day)) }) {
		for _, tr := range e.Reading(r.At, &r) {
			got = append(got, tr.Trouble+" | "+tr.Detail)
		}
	}
	want := []string{
		"Spring: temperature drifting slowly | 9.0 degC, rising 1.4 degC in 7 d, at least 1.1 degC, by the last 5 days; limit 0.7 degC in 7 d",
		"Spring: temperature drifting slowly | 9.6 degC, rising 0.3 degC in 7 d by the last 10 days, limit 0.7 degC",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("words (-want +got):\n%s", d)
	}
}

// restless is some weeks of readings of every probe, each every 20 minutes, that
// step, drift, swing and pause.
func restless(rnd *rand.Rand, s *site.Site, days int) []reading.Reading {
	levels := map[reading.Quantity][]float64{
		reading.Temperature: {8, 8.1, 8.2, 8, 9.6}, reading.Flow: {38, 39, 40, 29, 60.5, 76, 20},
		reading.Oxygen: {10, 10.5, 7.2, 12.5, 13}, reading.Saturation: {90, 95, 111, 120, 20},
	}
	var all []reading.Reading
	end := rulestest.Start.AddDate(0, 0, days)
	for _, p := range s.Probes {
		of := levels[p.Quantity]
		level, slope, until, silent := of[0], 0.0, rulestest.Start, rulestest.Start
		drifts := rulestest.Start
		now := rulestest.Start.Add(time.Duration(rnd.Int64N(int64(20 * time.Minute))))
		for ; now.Before(end); now = now.Add(20*time.Minute + time.Duration(rnd.Int64N(int64(time.Minute)))).Truncate(time.Millisecond) {
			if now.After(until) {
				until = now.Add(time.Duration(rnd.Int64N(int64(40 * time.Hour))))
				if level = of[rnd.IntN(len(of))]; p.Quantity == reading.Temperature {
					level = of[rnd.IntN(rnd.IntN(len(of))+1)]
				}
				if rnd.IntN(8) == 0 {
					silent = now.Add(5 * time.Hour)
				}
			}
			if now.After(drifts) {
				drifts = now.AddDate(0, 0, 8+rnd.IntN(6))
				slope = []float64{0, 0.15, -0.15, 0.3}[rnd.IntN(4)]
			}
			if now.Before(silent) {
				continue
			}
			v := level + slope*now.Sub(drifts.AddDate(0, 0, -10)).Hours()/24 + 0.03*rnd.NormFloat64()
			all = append(all, rulestest.Reading(p.ID, now, v))
		}
	}
	slices.SortStableFunc(all, func(a, b reading.Reading) int { return a.At.Compare(b.At) })
	return all
}

// lookBack gives an engine the days it wants of a record.
func lookBack(tb testing.TB, e *rules.Engine, now time.Time, rs []reading.Reading) {
	tb.Helper()
	for {
		d, ok := e.LookBack(now)
		if !ok {
			return
		}
		of := slices.DeleteFunc(slices.Clone(rs), func(r reading.Reading) bool { return r.Probe != d.Probe || r.At.Before(d.From) })
		if err := e.LookedBack(d, sequence(of)); err != nil {
			tb.Fatal(err)
		}
	}
}

// The kinds with a memory, over weeks: a restart anywhere goes on to the same
// transitions, at the same time and in the same words, and so does an engine that
// follows a step of the clock.
func TestCoursesGoOn(t *testing.T) {
	s := slowSite()
	text := strings.NewReplacer(`"10 min"`, `"3 h"`).Replace(courses)
	prog := program(t, s, text)
	raised := make(map[alarm.Kind]int)
	for seed := range fewer(1) {
		rnd := rand.New(rand.NewPCG(seed, 5))
		all := restless(rnd, s, 24)
		live := engine(t, s, text)
		var whole journal
		told := make([]int, len(all)+1) // transitions before each reading
		var busy []int
		for i := range all {
			told[i] = len(whole.transitions)
			apply(t, live, &whole, happening{at: all[i].ArrivedAt, r: &all[i]})
			if len(whole.transitions) > told[i] {
				busy = append(busy, i)
			}
		}
		for _, tr := range whole.transitions {
			if tr.Raised() {
				raised[tr.Kind]++
			}
		}
		for n := range 6 {
			cut := len(all)/3 + rnd.IntN(len(all)/2)
			if n > 1 { // soon before something happens
				cut = max(0, busy[rnd.IntN(len(busy))]-rnd.IntN(30))
			}
			now, want := all[cut].ArrivedAt, whole.transitions[told[cut]:]
			step := time.Duration(rnd.Int64N(int64(48*time.Hour))) - 24*time.Hour

			again := rules.New(s, prog)
			record := journal{readings: all[:cut], transitions: whole.transitions[:told[cut]]}
			if gone, err := again.Rebuild(now, record.past(now, again.Memory())); err != nil || len(gone) > 0 {
				t.Fatal(gone, err)
			}
			lookBack(t, again, now, record.readings)
			moved := engine(t, s, text)
			for i := range all[:cut] {
				moved.Reading(all[i].ArrivedAt, &all[i])
			}
			moved.Shift(step)
			var restarted, shifted journal
			for _, r := range all[cut:] {
				apply(t, again, &restarted, happening{at: r.ArrivedAt, r: &r})
				r.At, r.ArrivedAt = r.At.Add(step), r.ArrivedAt.Add(step)
				apply(t, moved, &shifted, happening{at: r.ArrivedAt, r: &r})
			}
			if d := cmp.Diff(want, restarted.transitions); d != "" {
				t.Errorf("seed %d, restarted at %v (-live +restarted):\n%s", seed, now.Sub(rulestest.Start), d)
			}
			for i := range shifted.transitions {
				tr := &shifted.transitions[i]
				tr.At, tr.Since = tr.At.Add(-step), tr.Since.Add(-step)
			}
			if d := cmp.Diff(want, shifted.transitions); d != "" {
				t.Errorf("seed %d, at %v the clock stepped by %v (-live +stepped):\n%s", seed, now.Sub(rulestest.Start), step, d)
			}
		}
	}
	for _, k := range []alarm.Kind{alarm.FastChange, alarm.SlowDrift, alarm.FromSister, alarm.WaterBalance, alarm.HighFlow, alarm.HighOxygen} {
		if raised[k] == 0 {
			t.Errorf("%s was never raised", k)
		}
	}
	t.Log(raised)
}

// A rule that is new in the files looks back at once.
func TestSlowDriftLooksBack(t *testing.T) {
	s := slowSite()
	e := rules.New(s, program(t, s, slowTemp))
	all := hourly(12, func(day float64) float64 { return 8 + 0.2*day })
	now := all[len(all)-1].At.Add(time.Minute)
	if _, err := e.Rebuild(now, rules.Past{}); err != nil {
		t.Fatal(err)
	}
	lookBack(t, e, now, all)
	if e.Memory() > time.Hour {
		t.Errorf("a restart reads %v of all probes", e.Memory())
	}
	r := rulestest.Reading("spring temperature", now, 10.4)
	got := e.Reading(now, &r)
	if len(got) != 1 || got[0].Kind != alarm.SlowDrift || !strings.Contains(got[0].Detail, "by the last 10 days") {
		b, _ := json.Marshal(got)
		t.Errorf("got %s", b)
	}
}

func TestCoursesAllocateNothing(t *testing.T) {
	s := rulestest.Site()
	for _, tt := range []struct{ name, rules, probe string }{
		{"fast_change", fastChange, "spring temperature"},
		{"slow_drift", slowTemp, "spring temperature"},
		{"from_sister", bySister, "trough 1 flow"},
		{"from_sisters", bySisters, "trough 1 temperature"},
		{"water_balance", waterSum, "spring flow"},
		{"high_flow", highFlow, "trough 1 flow"},
		{"high_oxygen", highOxygenMgL, "deep 1 saturation"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			e := engine(t, s, tt.rules)
			now := rulestest.Start
			for _, p := range s.Probes {
				r := rulestest.Reading(p.ID, now, 8)
				e.Reading(now, &r)
			}
			i := 0
			r := rulestest.Reading(reading.ProbeID(tt.probe), now, 8)
			next := func() {
				now = now.Add(time.Second)
				r.At, r.ArrivedAt, r.Value = now, now, 8+float64(i*i%17)/100
				i++
				e.Reading(now, &r)
			}
			for range 3 * 3600 {
				next()
			}
			if n := testing.AllocsPerRun(3000, next); n != 0 {
				t.Errorf("%v allocations a reading", n)
			}
		})
	}
}

func BenchmarkCourse(b *testing.B) {
	many := benchmarkSisters()
	for _, tt := range []struct {
		name, rules string
		site        *site.Site
		probe       reading.ProbeID
	}{
		{"fast_change", fastChange, rulestest.Site(), "spring temperature"},
		{"slow_drift", slowTemp, rulestest.Site(), "spring temperature"},
		{"from_sister", bySister, rulestest.Site(), "trough 1 flow"},
		{"from_median_of_30", block("from_sister", "s", "all = true", `departure = "4 L/min"; sisters = "median"`), many, "trough 7 flow"},
		{"water_balance_of_30", block("water_balance", "w", "all = true", `allowed_loss = "20%"; source = "trough 0"`), many, "trough 0 flow"},
		{"high_flow", highFlow, rulestest.Site(), "trough 1 flow"},
		{"high_oxygen", highOxygenSat, rulestest.Site(), "raceway 1 oxygen"},
	} {
		b.Run(tt.name, func(b *testing.B) {
			e := engine(b, tt.site, tt.rules)
			now := rulestest.Start
			for _, p := range tt.site.Probes {
				r := rulestest.Reading(p.ID, now, 8)
				e.Reading(now, &r)
			}
			r := rulestest.Reading(tt.probe, now, 8)
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				// Slowly enough that others stay fresh, over and over.
				now = now.Add(time.Second)
				r.At, r.ArrivedAt, r.Value = now, now, 8+float64(i%17)/100
				sink += len(e.Reading(now, &r))
			}
		})
	}
}

func benchmarkSisters() *site.Site {
	s, _ := benchSite(30, false)
	for i := range s.Probes {
		s.Probes[i].Every = 1e6 * time.Hour // fresh for ever
	}
	return s
}

// Cleaning turns flows down and up again. Times are of the engine's night, one
// reading a minute.
func TestCoursesWhileCleaning(t *testing.T) {
	down := func(probe string, usual, cleaned float64) string {
		return minutely(probe, 0, slices.Repeat([]float64{usual}, 5)...) + minutely(probe, 5, slices.Repeat([]float64{cleaned}, 5)...) + minutely(probe, 10, slices.Repeat([]float64{usual}, 15)...)
	}
	steady := func(probe string, v float64) string { return minutely(probe, 0, slices.Repeat([]float64{v}, 25)...) }
	const cleaned = "4m30s clean trough 1\n9m30s cleaned trough 1\n"
	tests := []struct {
		name, rules, script string
		want                []string
	}{
		{"a change of flow, not cleaned", fastFall, down("trough 1 flow", 38, 5), []string{"7m0s raised fast_change/g/trough 1 flow", "13m0s returned fast_change/g/trough 1 flow"}},
		{"a change of flow, cleaned", fastFall, cleaned + down("trough 1 flow", 38, 5), nil},
		{"a change of temperature is none of cleaning", strings.NewReplacer("spring", "trough 1").Replace(fastChange), cleaned + down("trough 1 temperature", 8, 10), []string{"7m0s raised fast_change/f/trough 1 temperature", "23m0s returned fast_change/f/trough 1 temperature"}},
		{"a change after cleaning", fastFall, cleaned + minutely("trough 1 flow", 0, slices.Repeat([]float64{38}, 16)...) + minutely("trough 1 flow", 16, slices.Repeat([]float64{20}, 9)...), []string{"18m0s raised fast_change/g/trough 1 flow"}},
		{"unlike its sister", bySister, cleaned + steady("trough 2 flow", 38) + down("trough 1 flow", 38, 5), []string{"6m0s raised from_sister/s/trough 1 flow (being cleaned by kim since 18:04)", "12m0s returned from_sister/s/trough 1 flow"}},
		{"the sister is cleaned", bySister, "4m30s clean trough 2\n9m30s cleaned trough 2\n" + down("trough 2 flow", 38, 5) + steady("trough 1 flow", 38), []string{"6m0s raised from_sister/s/trough 1 flow (trough 2 being cleaned by kim since 18:04)", "12m0s returned from_sister/s/trough 1 flow"}},
		{"the balance", waterSum, cleaned + steady("trough 2 flow", 50) + down("trough 1 flow", 50, 5) + steady("spring flow", 100), []string{"6m0s raised water_balance/w/spring flow (trough 1 being cleaned by kim since 18:04)", "12m0s returned water_balance/w/spring flow"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			lines := strings.Split(strings.TrimSpace(tt.script), "\n")
			for at := time.Duration(0); at < 25*time.Minute; at += 10 * time.Second {
				lines = append(lines, at.String()+" tick")
			}
			slices.SortStableFunc(lines, func(a, b string) int {
				return int(duration(t, strings.Fields(a)[0]) - duration(t, strings.Fields(b)[0]))
			})
			var got []string
			for _, tr := range play(t, engine(t, rulestest.Site(), tt.rules), strings.Join(lines, "\n")) {
				line := strings.Replace(brief(tr), ", not acknowledged", "", 1)
				if tr.Raised() && tr.Hidden != "" {
					line += " (" + tr.Hidden + ")"
				}
				got = append(got, line)
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("transitions (-want +got):\n%s", d)
			}
		})
	}
}

// Days that cannot be read, or that are not there, are asked for once.
func TestLookBackWithoutRecord(t *testing.T) {
	s := slowSite()
	for _, broken := range []error{nil, errors.New("disk")} {
		e := rules.New(s, program(t, s, slowTemp+strings.Replace(slowTemp, `"d"`, `"e"`, 1)))
		all := hourly(6, func(day float64) float64 { return 8 + 0.2*day })
		now := all[len(all)-1].At.Add(time.Minute)
		// The newest of them ends an hour.
		if _, err := e.Rebuild(now, rules.Past{Readings: sequence(all[len(all)-9 : len(all)-2])}); err != nil {
			t.Fatal(err)
		}
		d, ok := e.LookBack(now)
		if want := (rules.Days{Probe: "spring temperature", From: now.Add(-10*24*time.Hour - 2*time.Hour)}); !ok || d != want {
			t.Fatalf("wanted %+v %v, want %+v", d, ok, want)
		}
		err := e.LookedBack(d, func(yield func(reading.Reading, error) bool) {
			if broken != nil {
				yield(reading.Reading{}, broken)
			}
		})
		if !errors.Is(err, broken) {
			t.Errorf("error %v, want %v", err, broken)
		}
		if d, ok := e.LookBack(now); ok {
			t.Errorf("wanted again: %+v", d)
		}
		r := rulestest.Reading("spring temperature", now, 9)
		if got := e.Reading(now, &r); len(got) > 0 {
			t.Errorf("got %v", briefs(got))
		}
	}
}
