package stock_test

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/stock"
)

// base is an amount in base units.
func base(t *testing.T, s string) float64 {
	t.Helper()
	a, err := measure.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return a.Base()
}

// table reads a file of testdata/rearing without its head; the README there
// says what each is worth.
func table(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../testdata/rearing/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return lines[1:]
}

// rounded checks a number against a printed one, to its last digit.
func rounded(t *testing.T, what string, got float64, printed string) {
	t.Helper()
	want, err := strconv.ParseFloat(printed, 64)
	if err != nil {
		t.Fatal(err)
	}
	_, frac, _ := strings.Cut(printed, ".")
	if !(math.Abs(got-want) <= 0.5001*math.Pow(10, -float64(len(frac)))) {
		t.Errorf("%s: got %.6f, want %s", what, got, printed)
	}
}

var near = cmpopts.EquateApprox(1e-9, 1e-12)

// example is 600 lb of 4 in in 500 ft3 at 100 gpm.
func example(t *testing.T) ([]stock.Fish, stock.Water) {
	t.Helper()
	fish := []stock.Fish{{
		Lot: "2026-A", Number: 6000, MeanWeightG: measure.MassG(base(t, "600 lb") / 6000), LengthMM: 1000 * base(t, "4 in"),
	}}
	return fish, stock.Water{
		VolumeL: measure.VolumeL(base(t, "500 ft3")), FlowLPM: measure.FlowLPM(base(t, "100 gpm")),
		TempC: 10, HaveTemp: true, InflowMgL: 11, LeastMgL: 5,
	}
}

// Each line of indices.csv, which names its source.
func TestPrinted(t *testing.T) {
	fish, w := example(t)
	h := stock.Of(fish, w)
	weight := func(c float64) float64 {
		// the weight of which such a fish is 4 in long
		k := stock.ConditionK(c)
		g := k * math.Pow(1000*base(t, "4 in"), 3) / 1e5
		mm, ok := stock.Fish{MeanWeightG: measure.MassG(g), ConditionK: k}.Length()
		if !ok || math.Abs(mm-101.6) > 1e-9 {
			t.Errorf("a fish of %.4f g at K %.4f is %.4f mm long (%v), want 101.6", g, k, mm, ok)
		}
		return g / base(t, "1 lb")
	}
	guide := func(degF float64, inflow measure.OxygenMgL) float64 {
		return stock.FlowIndexGuide(measure.TempC(measure.DegF.ToBase(degF)), inflow, 5, 11).Value
	}
	got := map[string]float64{
		"flow index of 600 lb of 4 in at 100 gpm":             h.FlowIndex.Value,
		"density index of 600 lb of 4 in in 500 ft3":          h.DensityIndex.Value,
		"turnovers an hour of 100 gpm in 500 ft3":             h.TurnoverPerHour.Value,
		"English condition factor over W/L^3 in g and mm":     1e5 / stock.ConditionK(1),
		"weight of 4 in at C 4055e-7, lb":                     weight(4055e-7),
		"weight of 4 in at C 3500e-7, lb":                     weight(3500e-7),
		"flow index at 50 degF":                               guide(50, 11),
		"flow index at 46 degF":                               guide(46, 11),
		"flow index where 11 ppm come in and 5 ppm may leave": guide(50, 11),
		"flow index where 8 ppm come in and 5 ppm may leave":  guide(50, 8),
	}
	rows := table(t, "indices.csv")
	if len(rows) != len(got) {
		t.Errorf("the table has %d rows and %d are checked", len(rows), len(got))
	}
	for _, r := range rows {
		v, ok := got[r[0]]
		if !ok {
			t.Errorf("no check for %q", r[0])
			continue
		}
		rounded(t, r[0], v, r[1])
	}
}

// The same arithmetic in metric units: NIST SP 811, from memory, 600 lb being
// 272.155422 kg, 500 ft3 14.158423296 m3 and 100 gpm 378.5411784 L/min.
func TestMetric(t *testing.T) {
	fish, w := example(t)
	h := stock.Of(fish, w)
	if h.Number != 6000 || h.Eggs != 0 {
		t.Errorf("number %d with %d eggs, want 6000 without", h.Number, h.Eggs)
	}
	for _, tc := range []struct {
		name      string
		got, want float64
	}{
		{"biomass, kg", h.BiomassKG.Value, 272.155422},
		{"density, kg/m3", h.DensityKGM3.Value, 272.155422 / 14.158423296},
		{"loading, kg/(L/min)", h.LoadingKGperLPM.Value, 272.155422 / 378.5411784},
		{"turnover an hour", h.TurnoverPerHour.Value, 60 * 378.5411784 / 14158.423296},
		{"turnover by 8.0208 (60 min over 7.4805 gal in a ft3)", 8.0208 * 100 / 500, 60 * 378.5411784 / 14158.423296},
		{"50 degF, degC", measure.DegF.ToBase(50), 10},
		{"a degree-day in TU", measure.DegreeDays(1).TUF(), 1.8},
		{"a pound, g", base(t, "1 lb"), 453.59237},
		{"an inch, m", base(t, "1 in"), 0.0254},
		{"a gallon a minute, L/min", base(t, "1 gpm"), 3.785411784},
		{"a cubic foot, L", base(t, "1 ft3"), 28.316846592},
	} {
		if !(math.Abs(tc.got/tc.want-1) < 1e-5) {
			t.Errorf("%s: got %.8f, want %.8f", tc.name, tc.got, tc.want)
		}
	}
}

// Liao 1971. The rows were computed from the same coefficients, all from
// memory: they only show that these were typed in alike.
func TestOxygenDemand(t *testing.T) {
	rows := table(t, "oxygen-demand.csv")
	if len(rows) != 6 {
		t.Errorf("%d rows, want 6", len(rows))
	}
	for _, r := range rows {
		got, err := stock.OxygenDemandMgKgH(measure.TempC(base(t, r[1]+" degF")), measure.MassG(base(t, "0.1 lb")), r[0] == "salmon")
		if err != nil {
			t.Errorf("%v: %v", r, err)
		}
		rounded(t, r[0]+" at "+r[1]+" degF, mg/kg/h", got, r[3])
		rounded(t, r[0]+" at "+r[1]+" degF, lb/100 lb/d", got/416.67, r[2])
	}
}

// The equations do not meet at 50 degF; by how much is why demand is a range.
func TestOxygenDemandJump(t *testing.T) {
	for _, tc := range []struct {
		name   string
		salmon bool
		want   float64 // percent, to a tenth
	}{{"trout", false, 9.5}, {"salmon", true, 0.5}} {
		below, err := stock.OxygenDemandMgKgH(10, 45, tc.salmon)
		above, err2 := stock.OxygenDemandMgKgH(10.0001, 45, tc.salmon)
		if err != nil || err2 != nil {
			t.Fatal(err, err2)
		}
		if jump := 100 * math.Abs(above/below-1); !(math.Abs(jump-tc.want) < 0.06) || jump > 100*stock.DemandSpread {
			t.Errorf("%s: the demand jumps by %.2f %% at 50 degF, want %.1f %%", tc.name, jump, tc.want)
		}
	}
}

func TestOxygenDemandDomain(t *testing.T) {
	for _, tc := range []struct {
		name string
		t    measure.TempC
		g    measure.MassG
		want string // in the error, "" for none
	}{
		{"coldest", 0, 1, ""},
		{"warmest", 25, 1, ""},
		{"too cold", -0.1, 1, "from 0 to 25 degC, not at -0.1 degC"},
		{"too warm", 25.1, 1, "from 0 to 25 degC, not at 25.1 degC"},
		{"no temperature", measure.TempC(math.NaN()), 1, "from 0 to 25 degC"},
		{"no weight", 10, 0, "a mean weight above 0 g, not 0 g"},
		{"endless weight", 10, measure.MassG(math.Inf(1)), "a mean weight above 0 g"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := stock.OxygenDemandMgKgH(tc.t, tc.g, false)
			switch {
			case tc.want == "" && (err != nil || !(got > 0)):
				t.Errorf("got %g, %v, want a demand", got, err)
			case tc.want != "" && (err == nil || !strings.Contains(err.Error(), tc.want)):
				t.Errorf("got %g, %v, want an error with %q", got, err, tc.want)
			}
		})
	}
}

// What the fish use is what the outflow lacks: 100 kg of trout of 45.36 g at
// 10 degC use 22.6 g an hour (Liao 1971, from memory, 226 mg/kg/h); from 60
// L/min, 3600 L an hour, that is 6.3 mg/L.
func TestOxygenBalance(t *testing.T) {
	fish := []stock.Fish{{Lot: "A", Number: 100_000, MeanWeightG: 45.359237, LengthMM: 160}}
	fish[0].Number = int(math.Round(100_000 / 45.359237))
	h := stock.Of(fish, stock.Water{FlowLPM: 60, TempC: 10, HaveTemp: true, InflowMgL: 11, LeastMgL: 5})
	for _, tc := range []struct {
		name           string
		got, want, tol float64
	}{
		{"demand, g/h", h.OxygenDemandGH.Value, 22.6, 0.05},
		{"demand at least", h.OxygenDemandGH.Low, 22.6 * 0.8, 0.05},
		{"demand at most", h.OxygenDemandGH.High, 22.6 * 1.2, 0.05},
		{"the most that may be used, 6 mg/L of 3600 L", h.OxygenDemandGH.Limit, 21.6, 1e-9},
		{"outflow, mg/L", h.OutflowMgL.Value, 11 - 22.6/3.6, 0.02},
		{"outflow at least", h.OutflowMgL.Low, 11 - 1.2*22.6/3.6, 0.02},
		{"outflow at most", h.OutflowMgL.High, 11 - 0.8*22.6/3.6, 0.02},
	} {
		if !(math.Abs(tc.got-tc.want) <= tc.tol) {
			t.Errorf("%s: got %.4f, want %.4f", tc.name, tc.got, tc.want)
		}
	}
	if !h.OxygenDemandGH.Over() {
		t.Errorf("22.6 g an hour of 21.6 is not over: %+v", h.OxygenDemandGH)
	}
	// a tenth of the water: all of the oxygen is gone, and no more than that
	h = stock.Of(fish, stock.Water{FlowLPM: 6, TempC: 10, HaveTemp: true, InflowMgL: 11, LeastMgL: 5})
	if diff := cmp.Diff(stock.Figure{}, h.OutflowMgL); diff != "" {
		t.Errorf("outflow of too little water (-want +got):\n%s", diff)
	}
}

func TestFlowIndexGuide(t *testing.T) {
	degF := func(f float64) measure.TempC { return measure.TempC(measure.DegF.ToBase(f)) }
	for _, tc := range []struct {
		name                string
		t                   measure.TempC
		inflow, least, full measure.OxygenMgL
		want                stock.Figure
	}{
		// Piper et al. 1982, read
		{"saturated at 50 degF", degF(50), 11, 5, 11, stock.Figure{Value: 1.5}},
		{"three of six ppm", degF(50), 8, 5, 11, stock.Figure{Value: 0.75}},
		{"saturated at 46 degF", degF(46), 11, 5, 11, stock.Figure{Value: 1.8}},
		// our own reading of the same
		{"between", degF(48), 11, 5, 11, stock.Figure{Value: 1.65}},
		{"more kept for the outflow", degF(50), 11, 8, 11, stock.Figure{Value: 0.75}},
		{"oversaturated", degF(50), 13, 5, 11, stock.Figure{Value: 1.5}},
		{"nothing to spare", degF(50), 5, 5, 11, stock.Figure{}},
		{"less than nothing", degF(50), 4, 5, 11, stock.Figure{}},
		{"too cold", degF(45), 11, 5, 11, stock.Figure{Why: "the guide to the flow index holds from 7.8 to 10 degC (46 to 50 degF), and the water has 7.2 degC (45.0 degF)"}},
		{"too warm", degF(51), 11, 5, 11, stock.Figure{Why: "the guide to the flow index holds from 7.8 to 10 degC (46 to 50 degF), and the water has 10.6 degC (51.0 degF)"}},
		{"no oxygen", degF(50), 0, 0, 0, stock.Figure{Why: "the oxygen of the inflow, the least oxygen wanted in the outflow and the oxygen of saturated water are not known"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got := stock.FlowIndexGuide(tc.t, tc.inflow, tc.least, tc.full)
			if diff := cmp.Diff(tc.want, got, near); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestLength(t *testing.T) {
	for _, tc := range []struct {
		name string
		fish stock.Fish
		mm   float64
		ok   bool
	}{
		{"measured", stock.Fish{LengthMM: 80, MeanWeightG: 10, ConditionK: 1}, 80, true},
		// by definition: K 1 is 10 g at 100 mm
		{"by condition", stock.Fish{MeanWeightG: 10, ConditionK: 1}, 100, true},
		{"weight alone", stock.Fish{MeanWeightG: 10}, 0, false},
		{"condition alone", stock.Fish{ConditionK: 1}, 0, false},
	} {
		mm, ok := tc.fish.Length()
		if math.Abs(mm-tc.mm) > 1e-9 || ok != tc.ok {
			t.Errorf("%s: got %g, %v, want %g, %v", tc.name, mm, ok, tc.mm, tc.ok)
		}
	}
}

// What is missing is named, and spoils only what rests on it.
func TestWhy(t *testing.T) {
	const (
		weight  = "the mean weight of lot 2026-A is not known"
		length  = "the length of lot 2026-A (or the condition factor) is not known"
		volume  = "the water volume is not known"
		flow    = "the flow is not known"
		temp    = "the water temperature is not known"
		inflow  = "the oxygen of the inflow is not known"
		least   = "the least oxygen wanted in the outflow is not known"
		tooWarm = "oxygen demand is worked out from 0 to 25 degC, not at 26.0 degC"
		eggs    = "there are only eggs, and this is worked out for fish"
	)
	type whys struct {
		Biomass, DensityIndex, FlowIndex, Density, Loading, Turnover, Demand, Outflow string
		NoFlowLimit, NoDemandLimit                                                    string
	}
	for _, tc := range []struct {
		name   string
		change func(*stock.Fish, *stock.Water)
		want   whys
	}{
		{"nothing missing", func(*stock.Fish, *stock.Water) {}, whys{}},
		{"no weight", func(f *stock.Fish, _ *stock.Water) { f.MeanWeightG = 0 }, whys{
			Biomass: weight, DensityIndex: weight, FlowIndex: weight, Density: weight, Loading: weight, Demand: weight, Outflow: weight,
		}},
		{"no length", func(f *stock.Fish, _ *stock.Water) { f.LengthMM = 0 }, whys{DensityIndex: length, FlowIndex: length}},
		{"length by condition", func(f *stock.Fish, _ *stock.Water) { f.LengthMM, f.ConditionK = 0, 1 }, whys{}},
		{"no volume", func(_ *stock.Fish, w *stock.Water) { w.VolumeL = 0 }, whys{DensityIndex: volume, Density: volume, Turnover: volume}},
		{"no flow", func(_ *stock.Fish, w *stock.Water) { w.FlowLPM = 0 }, whys{
			FlowIndex: flow, Loading: flow, Turnover: flow, Outflow: flow, NoDemandLimit: flow,
		}},
		{"no temperature", func(_ *stock.Fish, w *stock.Water) { w.HaveTemp = false }, whys{Demand: temp, Outflow: temp, NoFlowLimit: temp}},
		{"too warm", func(_ *stock.Fish, w *stock.Water) { w.TempC = 26 }, whys{
			Demand: tooWarm, Outflow: tooWarm,
			NoFlowLimit: "the guide to the flow index holds from 7.8 to 10 degC (46 to 50 degF), and the water has 26.0 degC (78.8 degF)",
		}},
		{"no oxygen of the inflow", func(_ *stock.Fish, w *stock.Water) { w.InflowMgL = 0 }, whys{Outflow: inflow, NoFlowLimit: inflow, NoDemandLimit: inflow}},
		{"no least oxygen", func(_ *stock.Fish, w *stock.Water) { w.LeastMgL = 0 }, whys{NoFlowLimit: least, NoDemandLimit: least}},
		{"eggs", func(f *stock.Fish, _ *stock.Water) { f.Eggs, f.MeanWeightG = true, 0 }, whys{
			Biomass: eggs, DensityIndex: eggs, FlowIndex: eggs, Density: eggs, Loading: eggs, Demand: eggs, Outflow: eggs,
		}},
		{"nothing there, nothing known", func(f *stock.Fish, w *stock.Water) { f.Number, *w = 0, stock.Water{} }, whys{
			DensityIndex: volume, FlowIndex: flow, Density: volume, Loading: flow, Turnover: "the flow and the water volume are not known",
			Demand: temp, Outflow: "the water temperature, the oxygen of the inflow and the flow are not known",
			NoFlowLimit:   "the water temperature, the oxygen of the inflow and the least oxygen wanted in the outflow are not known",
			NoDemandLimit: "the oxygen of the inflow, the least oxygen wanted in the outflow and the flow are not known",
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			fish, w := example(t)
			tc.change(&fish[0], &w)
			h := stock.Of(fish, w)
			got := whys{
				h.BiomassKG.Why, h.DensityIndex.Why, h.FlowIndex.Why, h.DensityKGM3.Why, h.LoadingKGperLPM.Why, h.TurnoverPerHour.Why,
				h.OxygenDemandGH.Why, h.OutflowMgL.Why, h.FlowIndex.NoLimit, h.OxygenDemandGH.NoLimit,
			}
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			for name, f := range map[string]stock.Figure{
				"biomass": h.BiomassKG, "density index": h.DensityIndex, "flow index": h.FlowIndex, "density": h.DensityKGM3,
				"loading": h.LoadingKGperLPM, "turnover": h.TurnoverPerHour, "demand": h.OxygenDemandGH, "outflow": h.OutflowMgL,
			} {
				if !f.Known() && (f.Value != 0 || f.Low != 0 || f.High != 0 || f.Over()) {
					t.Errorf("%s is not known and yet %+v", name, f)
				}
			}
		})
	}
}

// Lots that lack something are named once each, in order.
func TestWhyNamesLots(t *testing.T) {
	w := stock.Water{VolumeL: 100}
	for _, tc := range []struct {
		name string
		lots []string
		want string
	}{
		{"one", []string{"A"}, "the mean weight of lot A is not known"},
		{"two, one of them twice", []string{"B", "A", "B"}, "the mean weight of lots A and B is not known"},
		{"three", []string{"C", "B", "A"}, "the mean weight of lots A, B and C is not known"},
		{"without a name", []string{""}, "the mean weight of the fish is not known"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var fish []stock.Fish
			for _, l := range tc.lots {
				fish = append(fish, stock.Fish{Lot: l, Number: 10})
			}
			if got := stock.Of(fish, w).BiomassKG.Why; got != tc.want {
				t.Errorf("got %q, want %q", got, tc.want)
			}
		})
	}
}

// Eggs, and a lot that is gone, are counted and ask for nothing: that nobody
// weighed them spoils no figure of the fish beside them.
func TestEggsBesideFish(t *testing.T) {
	fish, w := example(t)
	want := stock.Of(fish, w)
	want.Number, want.Eggs = 11_000, 5000
	for _, eggs := range []stock.Fish{{Lot: "B", Number: 5000, Eggs: true}, {Lot: "B", Number: 5000, Eggs: true, MeanWeightG: 0.1, LengthMM: 5}} {
		got := stock.Of(append(fish, eggs, stock.Fish{Lot: "gone"}), w)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
	}
}

// An empty unit asks for nothing: all is known, and what comes in goes out.
func TestEmpty(t *testing.T) {
	_, w := example(t)
	h := stock.Of(nil, w)
	if !h.BiomassKG.Known() || h.BiomassKG.Value != 0 || h.DensityIndex.Value != 0 || h.OxygenDemandGH.Value != 0 || h.OutflowMgL.Value != 11 {
		t.Errorf("an empty unit: %+v", h)
	}
}

func TestLimits(t *testing.T) {
	type limit struct {
		Limit  float64
		Source string
		Guide  bool
		Over   bool
	}
	of := func(f stock.Figure) limit { return limit{f.Limit, f.LimitSource, f.Guide, f.Over()} }
	const (
		keeper       = "the keeper's"
		guideDensity = "a common guide, from memory: 0.2 to 0.5 is usual"
		guideFlow    = "a guide after Piper 1982 for trout"
	)
	lot := func(number int, density, flow float64) stock.Fish {
		return stock.Fish{Lot: "A", Number: number, MeanWeightG: 45.359237, LengthMM: 101.6, DensityLimit: density, FlowLimit: flow}
	}
	// full is the saturation at 10 degC and sea level: 11.288 mg/L (Benson and
	// Krause, table in testdata/oxygen, from memory)
	const guide = 1.5 * (11 - 5) / (11.288 - 5)
	for _, tc := range []struct {
		name          string
		fish          []stock.Fish
		density, flow limit
	}{
		// 6000 of them have D 0.30 and F 1.50, as in TestPrinted
		{"none stated", []stock.Fish{lot(6000, 0, 0)}, limit{0.5, guideDensity, true, false}, limit{guide, guideFlow, true, true}},
		{"stated", []stock.Fish{lot(6000, 0.25, 1.6)}, limit{0.25, keeper, false, true}, limit{1.6, keeper, false, false}},
		{"the lowest of two", []stock.Fish{lot(3000, 0.4, 1.2), lot(3000, 0.35, 1.4)}, limit{0.35, keeper, false, false}, limit{1.2, keeper, false, true}},
		{"one of two", []stock.Fish{lot(3000, 0, 0), lot(3000, 0.6, 1.6)}, limit{0.6, keeper, false, false}, limit{1.6, keeper, false, false}},
		{"of a lot that is gone", []stock.Fish{lot(6000, 0, 0), lot(0, 0.1, 0.1)}, limit{0.5, guideDensity, true, false}, limit{guide, guideFlow, true, true}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, w := example(t)
			h := stock.Of(tc.fish, w)
			approx := cmpopts.EquateApprox(1e-4, 0)
			if diff := cmp.Diff(tc.density, of(h.DensityIndex), approx); diff != "" {
				t.Errorf("density index (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(tc.flow, of(h.FlowIndex), approx); diff != "" {
				t.Errorf("flow index (-want +got):\n%s", diff)
			}
		})
	}
	t.Run("water without oxygen to spare bears nothing", func(t *testing.T) {
		fish, w := example(t)
		w.InflowMgL = w.LeastMgL - 1
		h := stock.Of(fish, w)
		for name, f := range map[string]stock.Figure{"flow index": h.FlowIndex, "demand": h.OxygenDemandGH} {
			if !f.Over() || f.Limit != 0 {
				t.Errorf("%s: got %+v, want it over a limit of 0", name, f)
			}
		}
	})
}

// random makes up to four lots, some of eggs.
func random(r *rand.Rand) []stock.Fish {
	fish := make([]stock.Fish, 1+r.IntN(4))
	for i := range fish {
		fish[i] = stock.Fish{
			Lot: string(rune('A' + i)), Number: 2 + r.IntN(50_000), MeanWeightG: measure.MassG(math.Exp(6*r.Float64() - 2)),
			ConditionK: 0.8 + 0.5*r.Float64(), Salmon: r.IntN(2) == 0, Eggs: r.IntN(8) == 0,
		}
		if r.IntN(2) == 0 {
			fish[i].DensityLimit, fish[i].FlowLimit = 0.1+r.Float64(), 0.5+r.Float64()
		}
	}
	return fish
}

func randomWater(r *rand.Rand) stock.Water {
	return stock.Water{
		VolumeL: measure.VolumeL(200 + 50_000*r.Float64()), FlowLPM: measure.FlowLPM(5 + 2000*r.Float64()),
		TempC: measure.TempC(6 + 6*r.Float64()), HaveTemp: true, InflowMgL: measure.OxygenMgL(7 + 4*r.Float64()), LeastMgL: 5,
	}
}

// Counting a lot's fish as two groups of the same mean weight changes nothing,
// nor does the order of lots.
func TestDividing(t *testing.T) {
	for seed := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, 1))
		fish, w := random(r), randomWater(r)
		i := r.IntN(len(fish))
		part := fish[i]
		part.Number = 1 + r.IntN(fish[i].Number-1)
		divided := append([]stock.Fish{part}, fish...)
		divided[i+1].Number -= part.Number
		if diff := cmp.Diff(stock.Of(fish, w), stock.Of(divided, w), near); diff != "" {
			t.Fatalf("seed %d: lot %s divided (-whole +divided):\n%s", seed, part.Lot, diff)
		}
	}
}
