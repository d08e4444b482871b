package sim_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
	"weirkeeper/rules/water"
)

var start = time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC)

// hatchery is a small site with a unit of every kind.
func hatchery() *site.Site {
	s := &site.Site{
		Name: "Test Fork", PressureHPa: 960, Location: time.UTC, Sections: []site.Section{{Name: "house"}},
		Units: []site.Unit{
			{Name: "spring", Kind: site.Spring, DesignFlowLPM: 560},
			{Name: "head box", Kind: site.HeadBox},
			{Name: "stack 1", Kind: site.Stack, Section: "house", VolumeL: 60, DesignFlowLPM: 16},
			{Name: "trough 1", Kind: site.Trough, Section: "house", VolumeL: 300, DesignFlowLPM: 38},
			{Name: "deep trough 1", Kind: site.DeepTrough}, // of typical size
			{Name: "raceway 1", Kind: site.Raceway, VolumeL: 18000, DesignFlowLPM: 390},
		},
		Lots: []lot.Lot{{ID: "2026-A", Species: "brook trout", Eggs: 24000, Path: []lot.Stay{{Unit: "stack 1", From: start}}}},
	}
	for _, u := range s.Units {
		for _, q := range reading.Amounts() {
			s.Probes = append(s.Probes, site.Probe{
				ID: reading.ProbeID(u.Name + " " + q.String()), Quantity: q, At: u.Name,
				Topic: "test/" + u.Name + "/" + q.String(), Format: site.Number, Unit: q.Dimension().Base(), Every: time.Minute,
			})
		}
	}
	return s
}

func newModel(t *testing.T, opt sim.Options) *sim.Model {
	t.Helper()
	if opt.Start.IsZero() {
		opt.Start = start
	}
	m, err := sim.New(hatchery(), opt)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestSameSeedSameBytes(t *testing.T) {
	troubles := []sim.Trouble{
		{Kind: sim.ScreenClog, Start: 10 * time.Minute, Length: 30 * time.Minute},
		{Kind: sim.ProbeFrozen, Where: "stack 1 flow", Start: 5 * time.Minute, Length: 20 * time.Minute},
	}
	end := start.Add(2 * time.Hour)
	whole := newModel(t, sim.Options{Seed: 7, Troubles: troubles}).Due(end)

	pieces := newModel(t, sim.Options{Seed: 7, Troubles: troubles})
	var got []sim.Due
	for at := start; at.Before(end); at = at.Add(7919 * time.Millisecond) {
		got = append(got, pieces.Due(at)...)
	}
	got = append(got, pieces.Due(end)...)
	if diff := cmp.Diff(whole, got); diff != "" {
		t.Errorf("the same seed in pieces (-whole +pieces):\n%s", diff)
	}
	if len(whole) < 24*115 || len(whole) > 24*121 {
		t.Errorf("%d messages in 2 h from 24 probes each minute", len(whole))
	}
	if !slices.IsSortedFunc(whole, func(a, b sim.Due) int { return a.At.Compare(b.At) }) {
		t.Error("messages out of order of time")
	}
	other := newModel(t, sim.Options{Seed: 8, Troubles: troubles}).Due(end)
	if cmp.Equal(whole, other) {
		t.Error("another seed gave the same messages")
	}
}

func TestProbesKeepTheirInterval(t *testing.T) {
	last := make(map[string]time.Time)
	for _, d := range newModel(t, sim.Options{}).Due(start.Add(3 * time.Hour)) {
		if prev, ok := last[d.Topic]; ok {
			// A minute, give or take a twentieth of it on either side.
			if gap := d.At.Sub(prev); gap < 53*time.Second || gap > 67*time.Second {
				t.Fatalf("%s: %v between messages", d.Topic, gap)
			}
		}
		last[d.Topic] = d.At
	}
	if len(last) != 24 {
		t.Errorf("%d topics, want 24", len(last))
	}
}

// checkBalance checks what must hold at every moment.
func checkBalance(t *testing.T, w sim.Water) {
	t.Helper()
	sum := w.Overflow
	for _, u := range w.Units {
		sum += u.Flow
	}
	if w.Overflow < 0 || math.Abs(float64(sum-w.Spring.Flow)) > 1e-6 {
		t.Fatalf("%v: units and overflow (%v) sum up to %v, spring gives %v", w.At, w.Overflow, sum, w.Spring.Flow)
	}
	all := map[string]sim.UnitWater{"spring": w.Spring, "head box": w.HeadBox}
	for name, u := range w.Units {
		all[name] = u
	}
	for name, u := range all {
		full, err := water.SaturationMgL(u.Temp, 960)
		if err != nil {
			t.Fatalf("%v: %s: %v", w.At, name, err)
		}
		if !(u.Oxygen >= 0 && u.Oxygen <= full) {
			t.Fatalf("%v: %s: oxygen %v at %v degC, which holds %v", w.At, name, u.Oxygen, u.Temp, full)
		}
		if !(u.Flow >= 0) {
			t.Fatalf("%v: %s: flow %v", w.At, name, u.Flow)
		}
	}
}

// TestYear looks at a day of each month, for several years' worth of seeds.
// The ranges are common practice, no source: spring water of 7.5 to 9 degC,
// and what a keeper would call an ordinary day.
func TestYear(t *testing.T) {
	type span struct{ low, high float64 }
	temp := map[string]span{"spring": {7.2, 9.3}, "stack 1": {7.2, 9.4}, "trough 1": {7.2, 9.4}, "deep trough 1": {6.8, 9.6}, "raceway 1": {6.6, 9.9}}
	flow := map[string]span{"spring": {530, 590}, "stack 1": {15, 17}, "trough 1": {36, 40}, "deep trough 1": {71, 79}, "raceway 1": {370, 410}}
	oxygen := map[string]span{"spring": {9.6, 10.6}, "stack 1": {10, 11.5}, "trough 1": {9, 11}, "deep trough 1": {7, 9.5}, "raceway 1": {6.3, 9}}
	coldest, warmest := math.Inf(1), math.Inf(-1)
	for month := range 12 {
		from := time.Date(2026, time.Month(month+1), 14, 0, 0, 0, 0, time.UTC)
		m := newModel(t, sim.Options{Seed: int64(month), Start: from})
		for h := range 48 {
			m.Due(from.Add(time.Duration(h+1) * 30 * time.Minute))
			w := m.Water()
			checkBalance(t, w)
			w.Units["spring"] = w.Spring
			for name := range temp {
				u := w.Units[name]
				for _, c := range []struct {
					what string
					got  float64
					span
				}{
					{"temperature", float64(u.Temp), temp[name]},
					{"flow", float64(u.Flow), flow[name]},
					{"oxygen", float64(u.Oxygen), oxygen[name]},
				} {
					if !(c.got >= c.low && c.got <= c.high) {
						t.Errorf("%v: %s %s is %.2f, want %v to %v", w.At, name, c.what, c.got, c.low, c.high)
					}
				}
			}
			coldest, warmest = min(coldest, float64(w.Spring.Temp)), max(warmest, float64(w.Spring.Temp))
		}
	}
	if warmest-coldest < 1 {
		t.Errorf("the spring keeps to %.2f to %.2f degC all year: no season", coldest, warmest)
	}
}

func TestShortSpringIsSharedOut(t *testing.T) {
	plain := newModel(t, sim.Options{Seed: 3})
	short := newModel(t, sim.Options{Seed: 3, Troubles: []sim.Trouble{{Kind: sim.SpringFail, Length: time.Hour, Severity: 0.6}}})
	for minute := range 180 {
		at := start.Add(time.Duration(minute) * time.Minute)
		plain.Due(at)
		short.Due(at)
		checkBalance(t, short.Water())
	}
	p, s := plain.Water(), short.Water()
	if s.Overflow != 0 {
		t.Errorf("the head box spills %v L/min of a spring that failed", s.Overflow)
	}
	if got := float64(s.Spring.Flow / p.Spring.Flow); math.Abs(got-0.4) > 1e-9 {
		t.Errorf("the spring gives %.3f of its flow, want 0.4", got)
	}
	ratio := s.Units["stack 1"].Flow / p.Units["stack 1"].Flow
	for name := range s.Units {
		if r := s.Units[name].Flow / p.Units[name].Flow; math.Abs(float64(r-ratio)) > 1e-9 || r > 0.5 {
			t.Errorf("%s has %.4f of its flow, stack 1 %.4f", name, r, ratio)
		}
	}
}

// TestStoppedUnitUsesItsOxygenUp holds the oxygen lost by still water against
// what the same stock took from running water just before. The tolerance is for
// what the hour and the temperature do to the stock meanwhile, which a raceway
// with its long turnover follows late.
func TestStoppedUnitUsesItsOxygenUp(t *testing.T) {
	for _, tc := range []struct {
		unit      string
		volumeL   float64
		tolerance float64
	}{
		{"stack 1", 60, 0.02},
		{"raceway 1", 18000, 0.1},
	} {
		t.Run(tc.unit, func(t *testing.T) {
			m := newModel(t, sim.Options{Troubles: []sim.Trouble{{Kind: sim.StandpipeUp, Where: tc.unit, Start: time.Hour, Length: 12 * time.Hour}}})
			look := func(since time.Duration) (sim.Water, sim.UnitWater) {
				m.Due(start.Add(since))
				w := m.Water()
				checkBalance(t, w)
				return w, w.Units[tc.unit]
			}
			w, before := look(time.Hour - 10*time.Second)
			taken := float64(w.HeadBox.Oxygen-before.Oxygen) * float64(before.Flow) // mg/min
			_, a := look(time.Hour + time.Minute)
			_, b := look(time.Hour + 6*time.Minute)
			lost := float64(a.Oxygen-b.Oxygen) * tc.volumeL / 5 // mg/min
			if a.Flow != 0 || b.Flow != 0 {
				t.Fatalf("flow %v, want 0", b.Flow)
			}
			if math.Abs(lost/taken-1) > tc.tolerance {
				t.Errorf("the stock took %.3f mg/min from running water and %.3f from still water", taken, lost)
			}
			if _, end := look(12 * time.Hour); end.Oxygen != 0 {
				t.Errorf("oxygen %v after 11 h without flow, want 0", end.Oxygen)
			}
		})
	}
}

func TestWarmingWaterLosesWhatItCannotHold(t *testing.T) {
	s := hatchery()
	s.Lots = nil // so that nothing takes oxygen from the stack
	m, err := sim.New(s, sim.Options{Start: start, Troubles: []sim.Trouble{{Kind: sim.StandpipeUp, Where: "stack 1", Length: 24 * time.Hour}}})
	if err != nil {
		t.Fatal(err)
	}
	m.Due(start.Add(20 * time.Hour))
	w := m.Water()
	checkBalance(t, w)
	u := w.Units["stack 1"]
	full, err := water.SaturationMgL(u.Temp, s.PressureHPa)
	if err != nil {
		t.Fatal(err)
	}
	if u.Temp < 11 || u.Oxygen < full*0.999 {
		t.Errorf("after 20 h in the hatch house %v degC and %v mg/L, want it near 12 degC and full, %v", u.Temp, u.Oxygen, full)
	}
}

// values gives what each probe published, by minute since the start.
func values(t *testing.T, due []sim.Due) map[reading.ProbeID]map[int]float64 {
	t.Helper()
	all := make(map[reading.ProbeID]map[int]float64)
	for _, d := range due {
		var v float64
		if _, err := fmt.Sscan(string(d.Payload), &v); err != nil {
			t.Fatalf("%s: payload %q: %v", d.Topic, d.Payload, err)
		}
		if all[d.Probes[0]] == nil {
			all[d.Probes[0]] = make(map[int]float64)
		}
		all[d.Probes[0]][int(d.At.Sub(start)/time.Minute)] = v
	}
	return all
}

// TestTroubles compares a hatchery in trouble with the same one without: every
// probe that is not meant to show it publishes the same bytes.
func TestTroubles(t *testing.T) {
	const from, to, end = 60, 120, 300 // minutes: trouble, its end, the end
	ends := func(suffixes ...string) func(reading.ProbeID) bool {
		return func(id reading.ProbeID) bool {
			return slices.ContainsFunc(suffixes, func(s string) bool { return strings.HasSuffix(string(id), s) })
		}
	}
	unit := func(name string) func(reading.ProbeID) bool {
		return func(id reading.ProbeID) bool { return strings.HasPrefix(string(id), name) }
	}
	only := func(name string) func(reading.ProbeID) bool {
		return func(id reading.ProbeID) bool { return string(id) == name }
	}
	// Of the water that runs short, nobody sees it at the spring but as flow.
	short := func(id reading.ProbeID) bool {
		return strings.HasSuffix(string(id), "flow") || !unit("spring")(id) && !unit("head box")(id)
	}
	for _, tc := range []struct {
		trouble string
		mayShow func(reading.ProbeID) bool // no other probe may
		show    []reading.ProbeID          // these must
		probe   reading.ProbeID            // compared just before the trouble ends
		low     float64                    // its ratio to the same hatchery without
		high    float64
		clears  bool // nothing shows at the end
	}{
		{"screen-clog", short, []reading.ProbeID{"spring flow", "stack 1 flow", "raceway 1 oxygen"}, "spring flow", 0.48, 0.52, false},
		{"spring-fail", short, []reading.ProbeID{"spring flow", "trough 1 flow", "raceway 1 oxygen"}, "spring flow", 0.19, 0.23, false},
		{"standpipe-up:trough 1", unit("trough 1"), []reading.ProbeID{"trough 1 flow", "trough 1 oxygen"}, "trough 1 flow", 0, 0.02, false},
		{"oxygen-low:raceway 1", ends("raceway 1 oxygen", "raceway 1 saturation"), []reading.ProbeID{"raceway 1 oxygen"}, "raceway 1 oxygen", 0.5, 0.75, false},
		{"probe-frozen:stack 1 temperature", only("stack 1 temperature"), []reading.ProbeID{"stack 1 temperature"}, "stack 1 temperature", 0.9, 1.1, true},
		{"probe-drift:spring temperature", only("spring temperature"), []reading.ProbeID{"spring temperature"}, "spring temperature", 1.2, 1.3, true},
		{"pipe-leak", func(id reading.ProbeID) bool { return short(id) && id != "spring flow" || id == "head box flow" }, []reading.ProbeID{"head box flow", "stack 1 flow", "raceway 1 oxygen"}, "head box flow", 0.58, 0.62, false},
		{"section-blocked:house", func(id reading.ProbeID) bool { return unit("stack 1")(id) || unit("trough 1")(id) }, []reading.ProbeID{"stack 1 flow", "trough 1 flow"}, "trough 1 flow", 0.08, 0.12, false},
		{"oxygen-fade:raceway 1", ends("raceway 1 oxygen", "raceway 1 saturation"), []reading.ProbeID{"raceway 1 oxygen"}, "raceway 1 oxygen", 0.4, 0.8, false},
		{"warm-water", ends("temperature", "oxygen", "saturation"), []reading.ProbeID{"spring temperature", "stack 1 temperature", "raceway 1 oxygen"}, "spring temperature", 1.4, 1.6, false},
		{"cold-water", ends("temperature", "oxygen", "saturation"), []reading.ProbeID{"spring temperature", "stack 1 temperature"}, "spring temperature", 0.4, 0.6, false},
		{"probe-jumping:raceway 1 oxygen", only("raceway 1 oxygen"), []reading.ProbeID{"raceway 1 oxygen"}, "raceway 1 oxygen", 0.7, 1.3, true},
		{"probe-in-air:stack 1 temperature", only("stack 1 temperature"), []reading.ProbeID{"stack 1 temperature"}, "stack 1 temperature", 1.2, 1.9, true},
		{"probe-drift:stack 1 flow", only("stack 1 flow"), []reading.ProbeID{"stack 1 flow"}, "stack 1 flow", 0.48, 0.56, true},
	} {
		t.Run(tc.trouble, func(t *testing.T) {
			tr, err := sim.ParseTrouble(tc.trouble + "@1h/1h")
			if err != nil {
				t.Fatal(err)
			}
			run := func(troubles ...sim.Trouble) map[reading.ProbeID]map[int]float64 {
				return values(t, newModel(t, sim.Options{Seed: 5, Troubles: troubles}).Due(start.Add(end*time.Minute)))
			}
			plain, got := run(), run(tr)
			for id, want := range plain {
				shows := false
				for minute, v := range want {
					g, ok := got[id][minute]
					if !ok {
						t.Fatalf("%s says nothing in minute %d", id, minute)
					}
					if g == v {
						continue
					}
					shows = true
					if minute < from {
						t.Fatalf("%s shows the trouble in minute %d, before it begins", id, minute)
					}
					if tc.clears && minute > to {
						t.Fatalf("%s still shows the trouble in minute %d", id, minute)
					}
				}
				if shows && !tc.mayShow(id) {
					t.Errorf("%s shows the trouble", id)
				}
				if !shows && slices.Contains(tc.show, id) {
					t.Errorf("%s does not show the trouble", id)
				}
			}
			ratio := got[tc.probe][to-2] / plain[tc.probe][to-2]
			if !(ratio >= tc.low && ratio <= tc.high) {
				t.Errorf("%s is at %.3f of its value, want %v to %v", tc.probe, ratio, tc.low, tc.high)
			}
			flow := got["spring flow"][end-2] / plain["spring flow"][end-2]
			if failed := tr.Kind == sim.SpringFail; failed != (flow < 0.9) {
				t.Errorf("at the end the spring gives %.2f of its flow", flow)
			}
		})
	}
}

func TestFrozenProbeSaysOneNumber(t *testing.T) {
	m := newModel(t, sim.Options{Troubles: []sim.Trouble{{Kind: sim.ProbeFrozen, Where: "trough 1 flow", Start: time.Hour, Length: time.Hour}}})
	got := values(t, m.Due(start.Add(3*time.Hour)))["trough 1 flow"]
	seen := make(map[string]map[float64]bool)
	for minute, v := range got {
		part := "before"
		if minute >= 60 {
			part = "during"
		}
		if minute >= 121 {
			part = "after"
		}
		if minute == 59 || minute == 119 || minute == 120 {
			continue
		}
		if seen[part] == nil {
			seen[part] = make(map[float64]bool)
		}
		seen[part][v] = true
	}
	if len(seen["during"]) != 1 || len(seen["before"]) < 5 || len(seen["after"]) < 5 {
		t.Errorf("different numbers before, during and after: %d, %d, %d; want many, 1, many", len(seen["before"]), len(seen["during"]), len(seen["after"]))
	}
	for v := range seen["during"] {
		if v != got[59] {
			t.Errorf("frozen at %v, the last number before was %v", v, got[59])
		}
	}
}

func TestSilence(t *testing.T) {
	for _, tc := range []struct {
		trouble string
		silent  func(reading.ProbeID) bool
	}{
		{"probe-silent:stack 1 flow", func(id reading.ProbeID) bool { return id == "stack 1 flow" }},
		{"power-cut", func(reading.ProbeID) bool { return true }},
		{"broker-gone", func(reading.ProbeID) bool { return true }},
	} {
		t.Run(tc.trouble, func(t *testing.T) {
			tr, err := sim.ParseTrouble(tc.trouble + "@1h/30m")
			if err != nil {
				t.Fatal(err)
			}
			end := start.Add(2 * time.Hour)
			var want []sim.Due
			for _, d := range newModel(t, sim.Options{}).Due(end) {
				since := d.At.Sub(start)
				if !tc.silent(d.Probes[0]) || since < time.Hour || since >= 90*time.Minute {
					want = append(want, d)
				}
			}
			got := newModel(t, sim.Options{Troubles: []sim.Trouble{tr}}).Due(end)
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("messages (-want +got):\n%s", diff)
			}
		})
	}
}

func TestProbesShareATopic(t *testing.T) {
	s := hatchery()
	s.Probes = []site.Probe{
		{ID: "a", Quantity: reading.Temperature, At: "stack 1", Topic: "t", Format: site.JSON, Unit: measure.DegC, ValuePath: "temp", Every: time.Minute},
		{ID: "b", Quantity: reading.Flow, At: "stack 1", Topic: "t", Format: site.JSON, Unit: measure.LPM, ValuePath: "flow", Every: time.Minute},
	}
	m, err := sim.New(s, sim.Options{Start: start, Troubles: []sim.Trouble{{Kind: sim.ProbeSilent, Where: "b", Start: 5 * time.Minute, Length: time.Hour}}})
	if err != nil {
		t.Fatal(err)
	}
	due := m.Due(start.Add(10 * time.Minute))
	if len(due) < 9 || len(due) > 10 {
		t.Fatalf("%d messages in 10 min", len(due))
	}
	for _, d := range due {
		want := []reading.ProbeID{"a", "b"}
		if d.At.Sub(start) >= 5*time.Minute {
			want = want[:1]
		}
		if diff := cmp.Diff(want, d.Probes); diff != "" {
			t.Errorf("probes at %v (-want +got):\n%s", d.At, diff)
		}
		if has := strings.Contains(string(d.Payload), `"flow"`); has != (len(want) == 2) {
			t.Errorf("payload %s at %v", d.Payload, d.At)
		}
	}
}

func TestNewRefuses(t *testing.T) {
	for _, tc := range []struct {
		name   string
		change func(*site.Site, *sim.Options)
		want   string
	}{
		{"trouble at no unit", func(_ *site.Site, o *sim.Options) {
			o.Troubles = []sim.Trouble{{Kind: sim.StandpipeUp, Where: "trouhg 1", Length: time.Hour}}
		}, `sim: trouble "standpipe-up:trouhg 1@0s/1h0m0s/100%": there is no unit "trouhg 1" that it can come to; did you mean "trough 1"?`},
		{"trouble at the spring", func(_ *site.Site, o *sim.Options) {
			o.Troubles = []sim.Trouble{{Kind: sim.OxygenLow, Where: "spring", Length: time.Hour}}
		}, `sim: trouble "oxygen-low:spring@0s/1h0m0s/50%": there is no unit "spring" that it can come to; the site has stack 1, trough 1, deep trough 1, raceway 1`},
		{"trouble at no probe", func(_ *site.Site, o *sim.Options) {
			o.Troubles = []sim.Trouble{{Kind: sim.ProbeSilent, Where: "sprng flow", Length: time.Hour}}
		}, `sim: trouble "probe-silent:sprng flow@0s/1h0m0s": there is no probe "sprng flow" that it can come to; did you mean "spring flow"?`},
		{
			"no length", func(_ *site.Site, o *sim.Options) { o.Troubles = []sim.Trouble{{Kind: sim.PowerCut}} },
			`sim: trouble "power-cut@0s/0s": length 0s; write one above zero, such as 40m`,
		},
		{
			"pressure", func(s *site.Site, _ *sim.Options) { s.PressureHPa = 96 },
			`sim: site "Test Fork": water: pressure, hPa, 96 is outside 506.625 to 1114.575, where the oxygen equations hold`,
		},
		{
			"probe at no unit", func(s *site.Site, _ *sim.Options) { s.Probes[0].At = "well" },
			`sim: probe "spring temperature" is at "well", which is no unit of the site`,
		},
		{
			"two numbers on a topic", func(s *site.Site, _ *sim.Options) { s.Probes[1].Topic = s.Probes[0].Topic },
			`sim: topic "test/spring/temperature": sim: encode: probes "spring temperature" and "spring flow" cannot share a payload of one number`,
		},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s, opt := hatchery(), sim.Options{Start: start}
			tc.change(s, &opt)
			_, err := sim.New(s, opt)
			if err == nil || err.Error() != tc.want {
				t.Errorf("error:\n got %v\nwant %s", err, tc.want)
			}
		})
	}
}
