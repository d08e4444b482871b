package lot_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/thermal"
)

// The days that testdata/incubation's reference works out from the published
// equations: Crisp 1981 to hatch (coefficients from memory), Beacham and Murray
// 1990 to emergence (from memory), and ponding of chinook (read in an abstract).
func TestPublishedEquations(t *testing.T) {
	tests := []struct {
		species string
		stage   lot.Stage
		which   int
		days    map[measure.TempC]float64
	}{
		{"brown trout", lot.Hatch, 0, map[measure.TempC]float64{2: 150.9, 5: 91.5, 8: 56.4, 10: 41.3, 12: 30.4}},
		{"Atlantic salmon", lot.Hatch, 0, map[measure.TempC]float64{2: 170.6, 5: 98.3, 8: 62.3, 10: 47.7, 12: 37.5}},
		{"rainbow trout", lot.Hatch, 0, map[measure.TempC]float64{2: 137.5, 5: 70.5, 8: 42.6, 10: 32.2, 12: 25.1}},
		{"chinook", lot.Hatch, 0, map[measure.TempC]float64{2: 190.4, 5: 106.9, 8: 69.0, 10: 54.2, 12: 43.8}},
		{"chinook", lot.SwimUp, 0, map[measure.TempC]float64{5: 188.7, 7.5: 129.7, 10: 89.1, 12.5: 61.3}},
		{"chinook", lot.SwimUp, 1, map[measure.TempC]float64{10: 94.4}},
		{"coho", lot.SwimUp, 0, map[measure.TempC]float64{10: 78.0}},
	}
	for _, tt := range tests {
		m := lot.PublishedModels(tt.species, tt.stage)[tt.which]
		for c, want := range tt.days {
			got, clamped := m.Days(c)
			near(t, tt.species+" "+string(tt.stage)+", days", got, want, 0.0501)
			if clamped {
				t.Errorf("%s at %g degC is said to be outside", tt.species, c)
			}
		}
		if fromMemory := strings.Contains(m.Source, "from memory"); fromMemory == (m.Form == lot.Exponential) {
			t.Errorf("%s %s: source %q", tt.species, tt.stage, m.Source)
		}
	}
}

// The forms, written out by hand with other figures than the published.
func TestForms(t *testing.T) {
	for _, tt := range []struct {
		name string
		m    lot.Model
		t    measure.TempC
		want float64
	}{
		{"power: 10^(-2 log10(8+2) + 4)", lot.Model{Form: lot.Power, A: 4, B: -2, C: -2}, 8, 100},
		{"belehradek: e^5 / (8+2)^1.5", lot.Model{Form: lot.Belehradek, A: 5, B: 1.5, C: 2}, 8, math.Exp(5) / math.Pow(10, 1.5)},
		{"exponential: e^(6 - 0.2*8)", lot.Model{Form: lot.Exponential, A: 6, B: 0.2}, 8, math.Exp(4.4)},
		{"power below its C", lot.Model{Form: lot.Power, A: 4, B: -2, C: 3}, 2, math.Inf(1)},
		{"belehradek below -C", lot.Model{Form: lot.Belehradek, A: 5, B: 1.5, C: -3}, 3, math.Inf(1)},
		{"none", lot.Model{}, 8, math.Inf(1)},
	} {
		if got, clamped := tt.m.Days(tt.t); !(got == tt.want || math.Abs(got-tt.want) < 1e-9*tt.want) || clamped {
			t.Errorf("%s: got %v %v, want %v", tt.name, got, clamped, tt.want)
		}
	}
	if n := len(lot.Forms()); n != 3 {
		t.Errorf("%d forms, want 3", n)
	}
}

func TestModelOutsideItsBounds(t *testing.T) {
	m := lot.PublishedModel("rainbow trout", lot.Hatch)
	for c, end := range map[measure.TempC]measure.TempC{-1: 2, 1.9: 2, 12.1: 12, 20: 12} {
		got, clamped := m.Days(c)
		want, _ := m.Days(end)
		if got != want || !clamped {
			t.Errorf("at %g degC: %v %v, want the %v d of %g degC, and that it is said", c, got, clamped, want, end)
		}
	}
}

// Eyed at half and swim-up at 1.7 of the days to hatch at any temperature (Crisp
// 1988, abstract), whatever the form; Atlantic salmon has its rate that way
// though no units are published for it.
func TestModelsFromHatch(t *testing.T) {
	own := map[lot.Stage]lot.Model{lot.Hatch: {Form: lot.Belehradek, A: 5, B: 1.5, C: 2, Source: "site file"}}
	for _, p := range []lot.Profile{{Species: "atlantic salmon"}, {Species: "brown trout"}, {Species: "arctic char", Models: own}} {
		hatch, _ := p.Model(lot.Hatch).Days(7)
		for s, ratio := range map[lot.Stage]float64{lot.Eyed: 0.5, lot.SwimUp: 1.7} {
			m := p.Model(s)
			got, _ := m.Days(7)
			near(t, p.Species+" "+string(s), got, ratio*hatch, 1e-9)
			if !strings.Contains(m.Source, "Crisp 1988") || !strings.HasSuffix(m.Source, p.Model(lot.Hatch).Source) {
				t.Errorf("%s %s: source %q", p.Species, s, m.Source)
			}
		}
	}
	if p := (lot.Profile{Species: "chinook", Models: own}); p.Model(lot.Hatch).Source != "site file" || p.Model(lot.SwimUp).Form != lot.Exponential {
		t.Error("own before published, published before worked out from own hatch")
	}
	for _, species := range []string{"arctic char", "brook trout", "lake trout", "sockeye"} {
		for _, s := range lot.Stages() {
			if lot.PublishedModel(species, s).Known() {
				t.Errorf("%s has a rate to %s", species, s)
			}
		}
	}
	if lot.PublishedModel("chinook", lot.Green).Known() {
		t.Error("a rate to green")
	}
}

// daily makes whole days of one temperature each from the tests' start, with
// what a probe of that accuracy gathers above the base.
func daily(base, accuracy float64, temps ...float64) []thermal.Day {
	out := make([]thermal.Day, len(temps))
	for i, c := range temps {
		from := start.AddDate(0, 0, i)
		out[i] = thermal.Day{Date: from, MeanC: measure.TempC(c), Units: thermal.Units{
			DegreeDays: measure.DegreeDays(max(0, c-base)), PlusMinus: measure.DegreeDays(accuracy),
			From: from, To: from.AddDate(0, 0, 1), Measured: 24 * time.Hour,
		}}
	}
	return out
}

func repeat(c float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = c
	}
	return out
}

// At a constant temperature the model is at 1 after its days; in changing water
// the days add up; a part of a day counts as that part.
func TestProgress(t *testing.T) {
	m := lot.Model{Form: lot.Power, A: 4, B: -2, C: -2} // 100 d at 8, 25 d at 18
	near(t, "100 d at 8 degC", lot.Progress(m, daily(0, 0, repeat(8, 100)...)), 1, 1e-12)
	near(t, "50 d at 8 and 10 d at 18 degC", lot.Progress(m, daily(0, 0, append(repeat(8, 50), repeat(18, 10)...)...)), 0.9, 1e-12)
	half := daily(0, 0, 8)
	half[0].Units.To = half[0].Units.From.Add(12 * time.Hour)
	near(t, "half a day", lot.Progress(m, half), 0.005, 1e-12)
	near(t, "no answer", lot.Progress(lot.Model{}, half), 0, 0)
}
