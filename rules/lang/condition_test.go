package lang_test

import (
	"bytes"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/hashicorp/hcl/v2"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/cond"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

// still is an Env in which nothing moves: what is not in it is silent, and every
// window has half its length of the newest value.
type still map[reading.ProbeID]float64

func (s still) Newest(id reading.ProbeID) func(time.Time) (float64, bool) {
	return func(time.Time) (float64, bool) { v, ok := s[id]; return v, ok }
}
func (s still) Contact(id reading.ProbeID) func(time.Time) (float64, bool) { return s.Newest(id) }
func (s still) Silent(id reading.ProbeID) func(time.Time) bool {
	return func(time.Time) bool { _, ok := s[id]; return !ok }
}

func (s still) Window(id reading.ProbeID, over time.Duration) *cond.Window {
	w := cond.NewWindow(over)
	w.KeepMedian()
	w.Add(rulestest.Start, s[id])
	w.Add(rulestest.Start.Add(over/2), s[id])
	return w
}
func (s still) Pressure() measure.PressureHPa { return 1013.25 }

func conditionText(covers, when string) string {
	return "condition \"c\" {\n covers {\n  units = [\"" + covers + "\"]\n }\n when = " + when + "\n" + words + "}\n"
}

// mainsSite is the test hatchery with a contact on the mains.
func mainsSite() *site.Site {
	s := rulestest.Site()
	s.Probes = append(s.Probes, site.Probe{ID: "mains", Quantity: reading.Contact, Topic: "mains", Format: site.Number, High: 1, Every: time.Hour})
	return s
}

// What expressions come to, with both unit systems and at the edge of each
// comparison. By hand, unless another source is named.
func TestConditions(t *testing.T) {
	water := still{
		"trough 1 flow": 28, "trough 1 temperature": 10, "spring temperature": 8, "spring flow": 2000, "spring oxygen": 11,
		"deep 1 saturation": 75, "raceway 1 temperature": 10, "raceway 1 oxygen": 8, "mains": reading.Closed,
	}
	tests := []struct {
		at, when string
		want     cond.Truth
	}{
		{"trough 1", `flow < "28 L/min"`, cond.No},
		{"trough 1", `flow <= "28 L/min"`, cond.Yes},
		{"trough 1", `"28 L/min" <= flow`, cond.Yes},
		{"trough 1", `flow > "28 L/min"`, cond.No},
		{"trough 1", `flow >= "28 L/min" && temperature >= "50 degF"`, cond.Yes},
		{"trough 1", `temperature > "50 degF"`, cond.No},
		{"trough 1", `flow < "7.4 gpm"`, cond.Yes}, // 28.01 L/min
		// A share is of something; that of 40 L/min is 28.
		{"trough 1", `flow < "70%" * design_flow`, cond.No},
		{"trough 1", `flow <= design_flow * 0.7`, cond.Yes},
		{"trough 1", `flow / design_flow <= "70%"`, cond.Yes},
		{"trough 1", `flow / design_flow < 0.7`, cond.No},
		{"trough 1", `"30%" + "40%" >= flow / design_flow`, cond.Yes},
		{"trough 1", `-flow < "-27 L/min"`, cond.Yes},
		{"trough 1", `(flow - "8 L/min") * 2 / 4 >= "10 L/min"`, cond.Yes},
		// Two temperatures are 2 degC or 3.6 degF apart, never 38.5 degF.
		{"trough 1", `temperature - unit["spring"].temperature >= "2 degC"`, cond.Yes},
		{"trough 1", `temperature - unit["spring"].temperature > "2 degC"`, cond.No},
		{"trough 1", `temperature - unit["spring"].temperature >= "3.6 degF"`, cond.Yes},
		{"trough 1", `temperature - unit["spring"].temperature > "3.7 degF"`, cond.No},
		{"trough 1", `temperature >= unit["spring"].temperature + "3.6 degF"`, cond.Yes},
		{"trough 1", `temperature - "3.6 degF" <= unit["spring"].temperature`, cond.Yes},
		{"trough 1", `temperature - "3.7 degF" < unit["spring"].temperature`, cond.Yes},
		{"trough 1", `"3.6 degF" + unit["spring"].temperature <= temperature`, cond.Yes},
		{"trough 1", `temperature - "46.4 degF" >= temperature - unit["spring"].temperature - "0.01 degF"`, cond.Yes},
		{"trough 1", `temperature - "46.4 degF" > "3.7 degF"`, cond.No},
		{"trough 1", `"50.1 degF" - temperature < "0.2 degF"`, cond.Yes},
		{"trough 1", `abs(unit["spring"].temperature - temperature) >= "3.6 degF"`, cond.Yes},
		{"trough 1", `abs(temperature - "46.4 degF") <= "3.7 degF"`, cond.Yes},
		{"trough 1", `2 * "1.8 degF" <= temperature - unit["spring"].temperature`, cond.Yes},
		{"trough 1", `(temperature - unit["spring"].temperature) / "1.8 degF" > 1.9`, cond.Yes},
		{"trough 1", `mean(temperature, unit["spring"].temperature) <= "48.2 degF"`, cond.Yes},
		{"trough 1", `mean(temperature, "46.4 degF") < "48.3 degF"`, cond.Yes},
		{"trough 1", `temperature > (flow > "30 L/min" ? "46 degF" : "50.1 degF")`, cond.No},
		{"trough 1", `temperature > (flow > "20 L/min" ? "46 degF" : "50.1 degF")`, cond.Yes},
		{"trough 1", `temperature - unit["spring"].temperature > (flow > "20 L/min" ? "3.5 degF" : "9 degF")`, cond.Yes},
		{"trough 1", `flow > "20 L/min" ? temperature > "9 degC" : temperature > "12 degC"`, cond.Yes},
		{"trough 1", `"8 degC" + "1.8 degF" < temperature`, cond.Yes},
		{"trough 1", `temperature < "8 degC" + (temperature - unit["spring"].temperature) + "0.1 degC"`, cond.Yes},
		{"trough 1", `min(flow, unit["spring"].flow) < "28.1 L/min" && max(flow, unit["spring"].flow) > "1999 L/min"`, cond.Yes},
		{"trough 1", `median(flow, unit["spring"].flow, "30 L/min") < "30.1 L/min"`, cond.Yes},
		{"trough 1", `mean_over(flow, "10 min") <= "28 L/min" && min_over(flow, "10 min") >= "28 L/min" && max_over(flow, "1 h") < "29 L/min"`, cond.Yes},
		{"trough 1", `median_over(temperature, "7 d") > "49.9 degF" && change_over(temperature, "2 min") > "-0.1 degF" && stdev_over(temperature, "1 h") < "0.1 degF"`, cond.Yes},
		{"trough 1", `turnover(flow, volume) < 5.61 && turnover(flow, "300 L") > 5.59`, cond.Yes}, // 28*60/300
		{"trough 1", `turnover(design_flow, volume) * 2 > flow / "2 L/min"`, cond.Yes},            // 16 > 14
		{"trough 1", `unit["stack 1"].design_flow < flow && unit["stack 1"].volume < volume`, cond.Yes},
		{"trough 1", `probe["trough 1 flow"] < "29 L/min"`, cond.Yes},
		// 10 degC, 760 mmHg: 11.288 mg/L (USGS 2011.03); 75 % of it is 8.466.
		{"raceway 1", `saturation_of(oxygen, temperature) > "70%" && saturation_of(oxygen, temperature) < "71% saturation"`, cond.Yes},
		{"deep 1", `saturation < "75%"`, cond.No},
		{"deep 1", `saturation <= "75% saturation" && saturation > "70%" + "4.9% saturation"`, cond.Yes},
		{"deep 1", `oxygen_at(saturation, unit["raceway 1"].temperature) > "8.46 mg/L" && oxygen_at("75%", "50 degF") < "8.47 mg/L"`, cond.Yes},
		{"trough 1", `at_least(2, flow < "29 L/min", temperature > "11 degC", unit["spring"].temperature > "7 degC")`, cond.Yes},
		{"trough 1", `at_least(3, flow < "29 L/min", temperature > "11 degC", unit["spring"].temperature > "7 degC")`, cond.No},
		{"trough 1", `all(flow < "29 L/min", temperature > "9 degC", !(flow < "3 L/min"))`, cond.Yes},
		{"trough 1", `any(flow < "27 L/min", temperature > "11 degC")`, cond.No},
		{"trough 1", `(flow < "29 L/min") == (temperature > "9 degC") && (flow < "29 L/min") != (temperature > "11 degC")`, cond.Yes},
		{"trough 1", `silent(flow) || silent(unit["stack 1"].flow)`, cond.Yes},
		{"trough 1", `silent(probe["spring flow"])`, cond.No},
		{"trough 1", `closed(probe["mains"]) && flow < "29 L/min"`, cond.Yes},
		{"trough 1", `opened(probe["mains"]) || flow < "3 L/min"`, cond.No},
		// What rests on a silent probe is not known, unless the rest decides.
		{"stack 1", `flow < "10 L/min"`, cond.Unknown},
		{"stack 1", `flow < "10 L/min" && unit["trough 1"].flow > "30 L/min"`, cond.No},
		{"stack 1", `flow < "10 L/min" || unit["trough 1"].flow < "30 L/min"`, cond.Yes},
		{"stack 1", `mean_over(flow, "10 min") < "10 L/min"`, cond.Unknown},
		{"stack 1", `min(flow, unit["trough 1"].flow) < "10 L/min"`, cond.Unknown},
		{"stack 1", `at_least(2, flow < "9 L/min", unit["trough 1"].flow < "30 L/min", temperature > "12 degC")`, cond.Unknown},
		{"stack 1", `at_least(1, flow < "9 L/min", unit["trough 1"].flow < "30 L/min", temperature > "12 degC")`, cond.Yes},
	}
	s := mainsSite()
	for _, tt := range tests {
		p := good(t, s, conditionText(tt.at, tt.when))
		j, _ := cond.Compile(p.Rules[0].Watches[0].Condition.When, water)
		if got := j(rulestest.Start); got != tt.want {
			t.Errorf("%s is %v, want %v", tt.when, got, tt.want)
		}
	}
}

// The whole of a rule, and what each unit makes of it.
func TestConditionRule(t *testing.T) {
	got := good(t, rulestest.Site(), `
condition "warm and slow" {
  covers {
    units = ["trough 1", "stack 1"]
  }
  when      = flow < "70%" * design_flow && temperature > "54 degF"
  until     = flow > "80%" * design_flow || temperature < "52 degF"
  lasting   = "3 min"
  off_delay = "5 min"
  says      = "runs warm   and slow"`+words+`}
condition "spring" {
  covers {
    units = ["spring"]
  }
  when     = flow < "100 gpm"
  on_delay = "0 s"`+words+`}
`)
	type one struct {
		Name, Says, Key string
		On, Off         time.Duration
		Uses            []reading.ProbeID
		Until           bool
		Limit           float64
	}
	var list []one
	for _, r := range got.Rules {
		for _, w := range r.Watches {
			_, shown := cond.Compile(w.Condition.When, still{})
			list = append(list, one{r.Name, r.Says, string(r.Key(w)), r.OnDelay, r.OffDelay, w.Condition.Uses, w.Condition.Until != nil, shown[0].Limits[0]})
		}
	}
	want := []one{
		{"warm and slow", "runs warm and slow", "condition/warm and slow/stack 1", 3 * time.Minute, 5 * time.Minute, []reading.ProbeID{"stack 1 flow", "stack 1 temperature"}, true, 11.2},
		{"warm and slow", "runs warm and slow", "condition/warm and slow/trough 1", 3 * time.Minute, 5 * time.Minute, []reading.ProbeID{"trough 1 flow", "trough 1 temperature"}, true, 28},
		{"spring", "", "condition/spring/spring", 0, 2 * time.Minute, []reading.ProbeID{"spring flow"}, false, 378.5411784},
	}
	if d := cmp.Diff(want, list, near); d != "" {
		t.Errorf("conditions (-want +got):\n%s", d)
	}
	if p := lang.WatchSilence(got, rulestest.Site()); !slices.ContainsFunc(p.Rules, func(r lang.Rule) bool {
		return r.Kind == alarm.SilentProbe && r.Priority == alarm.CallOut && slices.ContainsFunc(r.Watches, func(w lang.Watch) bool { return w.Probe == "stack 1 temperature" })
	}) {
		t.Error("the silence of a probe that a condition's call-out goes by calls nobody out")
	}
}

// The last value that is let through, and the first that is not.
func TestConditionLimits(t *testing.T) {
	tests := []struct{ good, bad, summary string }{
		{`mean_over(flow, "2 min") < "9 L/min"`, `mean_over(flow, "119 s") < "9 L/min"`, "Window too short"},
		{`mean_over(flow, "7 d") < "9 L/min"`, `mean_over(flow, "169 h") < "9 L/min"`, "Window too long"},
		{`flow <= "0 L/min"`, `flow < "0 L/min"`, "Never true"},
		{`flow > "399 L/min"`, `flow > "400 L/min"`, "Never true"},
		{`flow >= "400 L/min"`, `flow >= "401 L/min"`, "Never true"},
		{`flow > "0 L/min"`, `flow >= "0 L/min"`, "Always true"},
		{`flow * 2 > "799 L/min"`, `flow * 2 > "800 L/min"`, "Never true"},
		{`flow + flow > "799 L/min"`, `flow + flow > "800 L/min"`, "Never true"},
		{`change_over(temperature, "1 h") > "30.9 degC"`, `change_over(temperature, "1 h") > "31 degC"`, "Never true"},
		{`stdev_over(temperature, "1 h") > "0 degC"`, `stdev_over(temperature, "1 h") >= "0 degC"`, "Always true"},
		{`min(flow, "30 L/min") >= "30 L/min"`, `min(flow, "30 L/min") > "30 L/min"`, "Never true"},
		{`max(flow, "30 L/min") <= "30 L/min"`, `max(flow, "30 L/min") < "30 L/min"`, "Never true"},
		{`abs(temperature - "8 degC") > "21.9 degC"`, `abs(temperature - "8 degC") > "22 degC"`, "Never true"},
		{`-flow > "-1 L/min"`, `-flow > "0 L/min"`, "Never true"},
		{`flow / "2 L/min" > 199`, `flow / "2 L/min" > 200`, "Never true"},
		{`mean(flow, "0 L/min") > "399 L/min"`, `mean(flow, "0 L/min") > "400 L/min"`, "Never true"},
		{`(flow > "9 L/min" ? flow : "500 L/min") > "450 L/min"`, `(flow > "9 L/min" ? flow : "500 L/min") > "500 L/min"`, "Never true"},
		{`turnover(flow, volume) > 3`, `turnover(flow, volume) < 0`, "Never true"},
		{`design_flow > "39 L/min" && flow < "9 L/min"`, `design_flow > "40 L/min" && flow < "9 L/min"`, "Never true"},
		{`at_least(2, flow < "9 L/min", temperature > "3 degC", false)`, `at_least(3, flow < "9 L/min", temperature > "3 degC", false)`, "Never true"},
		{`at_least(2, true, flow < "9 L/min", temperature > "3 degC")`, `at_least(1, true, flow < "9 L/min", temperature > "3 degC")`, "Always true"},
	}
	s := rulestest.Site()
	for _, tt := range tests {
		good(t, s, conditionText("trough 1", tt.good))
		_, diags := lang.Parse(hclread.NewFiles(), []lang.Source{{Name: "r.hcl", Text: []byte(conditionText("trough 1", tt.bad))}}, s)
		if len(diags) != 1 || diags[0].Summary != tt.summary {
			t.Errorf("%s: got %v, want %s", tt.bad, diags, tt.summary)
		}
	}
	// What divides may be nothing, so that anything can come of it.
	good(t, s, conditionText("trough 1", `unit["spring"].flow / flow < 0`))
}

func asksSilence(n *cond.Node) bool {
	asks := false
	n.Each(func(n *cond.Node) { asks = asks || n.Op == cond.Silent })
	return asks
}

// FuzzCondition: whatever stands after when, the parser says the same twice, each
// fault with its place; what it lets through can be compiled and judged; and what
// is not known never decides: a truth that holds while some probes are silent
// still holds when they are heard.
func FuzzCondition(f *testing.F) {
	for _, when := range []string{
		`flow < "70%" * design_flow && temperature - unit["spring"].temperature > "1 degC"`,
		`at_least(2, mean_over(flow, "10 min") < "28 L/min", !closed(probe["mains"]), silent(unit["spring"].flow))`,
		`(flow / design_flow < 0.5 ? "46 degF" : "50 degF") < median(temperature, unit["spring"].temperature, "8 degC")`,
		`saturation_of("8 mg/L", temperature) >= "75% saturation" || turnover(flow, volume) * -2 < 3`,
		`abs("8 degC" - "1 degF" + "2 degC" - temperature) > 2 * change_over(temperature, "1 h")`,
		`[for x in flow: x]`, `"${flow}"`, `unit[flow].flow > 1e999`, `flow == flow`, `"a" < "b"`, `flow < "-0 L/min" != true`,
	} {
		f.Add(when, uint64(1))
	}
	s := mainsSite()
	f.Fuzz(func(t *testing.T, when string, seed uint64) {
		text := []byte(conditionText("trough 1", when))
		parse := func() (*lang.Program, hcl.Diagnostics, string) {
			files := hclread.NewFiles()
			p, diags := lang.Parse(files, []lang.Source{{Name: "r.hcl", Text: text}}, s)
			var out bytes.Buffer
			if err := files.Render(&out, diags, 78); err != nil {
				t.Fatal(err)
			}
			return p, diags, out.String()
		}
		p, diags, first := parse()
		sound(t, diags)
		if _, _, second := parse(); second != first {
			t.Errorf("the second time it says something else:\n%s", cmp.Diff(first, second))
		}
		if diags.HasErrors() {
			return
		}
		rnd := rand.New(rand.NewPCG(seed, 9))
		for _, r := range p.Rules {
			for _, w := range r.Watches {
				if w.Condition == nil {
					continue
				}
				some, all := still{}, still{}
				for _, pr := range s.Probes {
					all[pr.ID] = pr.Low + (pr.High-pr.Low)*rnd.Float64()
					if pr.Quantity == reading.Contact {
						all[pr.ID] = math.Round(all[pr.ID])
					}
					if rnd.IntN(2) == 0 {
						some[pr.ID] = all[pr.ID]
					}
				}
				for _, n := range []*cond.Node{w.Condition.When, w.Condition.Until} {
					if n == nil {
						continue
					}
					a, shown := cond.Compile(n, some)
					b, _ := cond.Compile(n, all)
					x, y := a(rulestest.Start), b(rulestest.Start)
					if x != cond.Unknown && x != y && !asksSilence(n) {
						t.Errorf("%s: %v with some silent, %v with all heard", when, x, y)
					}
					for _, v := range shown {
						if v.Name == "" {
							t.Errorf("%s shows a value without a name", when)
						}
					}
				}
			}
		}
	})
}
