package oxyclock_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/oxyclock"
	"weirkeeper/rules/stock"
)

func trout(n int, g measure.MassG) []stock.Fish {
	return []stock.Fish{{Lot: "A", Number: n, MeanWeightG: g, ConditionK: 1}}
}

// still is a deep trough whose flow has stopped.
func still() oxyclock.Water {
	return oxyclock.Water{VolumeL: 1100, HaveFlow: true, TempC: 8.4, HaveTemp: true, NowMgL: 9.5, HaveNow: true}
}

// The doc comment's case by hand: demand by stock.OxygenDemandMgKgH (Liao 1971,
// coefficients from memory), 12 kg, V dC/dt = -M.
func TestStill(t *testing.T) {
	rate, err := stock.OxygenDemandMgKgH(8.4, 20, false)
	if err != nil {
		t.Fatal(err)
	}
	minutes := (9.5 - 4) * 1100 / (rate * 12 / 60)
	r := oxyclock.Of(trout(600, 20), still())
	if got := r.Low.Minutes(); math.Abs(got-minutes/2) > 0.01 {
		t.Errorf("low %v min, want %v", got, minutes/2)
	}
	if got := r.High.Minutes(); math.Abs(got-minutes/0.8) > 0.01 {
		t.Errorf("high %v min, want %v", got, minutes/0.8)
	}
	if rate < 200 || rate > 240 || minutes < 125 || minutes > 155 {
		t.Errorf("demand %v mg/kg/h, %v min: not the worked value of the doc comment", rate, minutes)
	}
}

// Against a step-by-step simulation of the same tank with steps of a second.
func TestAgainstSteps(t *testing.T) {
	for seed := range uint64(200) {
		rnd := rand.New(rand.NewPCG(seed, 7))
		w := oxyclock.Water{
			VolumeL: measure.VolumeL(200 + 2000*rnd.Float64()), FlowLPM: measure.FlowLPM(40 * rnd.Float64()), HaveFlow: true,
			TempC: measure.TempC(2 + 12*rnd.Float64()), HaveTemp: true, NowMgL: measure.OxygenMgL(5 + 6*rnd.Float64()), HaveNow: true, InflowMgL: measure.OxygenMgL(8 + 4*rnd.Float64()),
		}
		fish := trout(200+rnd.IntN(8000), measure.MassG(1+40*rnd.Float64()))
		rate, err := stock.OxygenDemandMgKgH(w.TempC, fish[0].MeanWeightG, false)
		if err != nil {
			t.Fatal(err)
		}
		routine := rate * float64(fish[0].Number) * float64(fish[0].MeanWeightG) / 1000 / 60
		r := oxyclock.Of(fish, w)
		for _, b := range []struct {
			name   string
			demand float64
			got    time.Duration
		}{{"low", 2 * routine, r.Low}, {"high", 0.8 * routine, r.High}} {
			c, s := float64(w.NowMgL), 0
			for ; c > float64(oxyclock.Critical) && s < 86400; s++ {
				c += (float64(w.FlowLPM)*(float64(w.InflowMgL)-c) - b.demand) / float64(w.VolumeL) / 60
			}
			if want := float64(s) / 60; math.Abs(b.got.Minutes()-want) > 0.05+0.01*want {
				t.Errorf("seed %d, %s: %v, by steps %.2f min", seed, b.name, b.got, want)
			}
		}
		if r.Low > r.High {
			t.Errorf("seed %d: %v to %v", seed, r.Low, r.High)
		}
	}
}

func TestMissing(t *testing.T) {
	tests := []struct {
		name string
		fish []stock.Fish
		w    func(*oxyclock.Water)
		want string
	}{
		{"nobody there", nil, nil, "fish in the book of lots"},
		{"eggs", []stock.Fish{{Lot: "A", Number: 500, Eggs: true}}, nil, "what eggs use"},
		{"not weighed", []stock.Fish{{Lot: "2026-A", Number: 500}}, nil, "the mean weight of lot 2026-A"},
		{"volume", trout(600, 20), func(w *oxyclock.Water) { w.VolumeL = 0 }, "the water volume"},
		{"temperature", trout(600, 20), func(w *oxyclock.Water) { w.HaveTemp = false }, "the water temperature"},
		{"too warm", trout(600, 20), func(w *oxyclock.Water) { w.TempC = 27 }, "the demand (oxygen demand is worked out from 0 to 25 degC, not at 27.0 degC)"},
		{"flow", trout(600, 20), func(w *oxyclock.Water) { w.HaveFlow = false }, "the flow now"},
		{"inflow", trout(600, 20), func(w *oxyclock.Water) { w.FlowLPM = 10 }, "the oxygen of the inflow"},
		{"oxygen", trout(600, 20), func(w *oxyclock.Water) { w.HaveNow, w.InflowMgL = false, 10 }, "the oxygen in it, or the flow there was before"},
		{"several", trout(600, 20), func(w *oxyclock.Water) { w.VolumeL, w.HaveTemp = 0, false }, "the water volume, the water temperature"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := still()
			if tt.w != nil {
				tt.w(&w)
			}
			r := oxyclock.Of(tt.fish, w)
			if got := strings.Join(r.Missing, ", "); got != tt.want || r.Known() || r.Holds() {
				t.Errorf("missing %q, want %q", got, tt.want)
			}
			if s := r.String(); s != "time left not known: "+tt.want+" missing" || strings.Contains(s, "min ") {
				t.Errorf("%q", s)
			}
		})
	}
}

func TestWords(t *testing.T) {
	m := func(f float64) time.Duration { return time.Duration(f * float64(time.Minute)) }
	for _, tt := range []struct {
		low, high time.Duration
		want      string
	}{
		{m(69.3), m(172.7), "oxygen for about 65 min to 3 h"},
		{m(8.9), m(19.2), "oxygen for about 8 to 20 min"},
		{m(21), m(59), "oxygen for about 20 to 60 min"},
		{m(130), m(290), "oxygen for about 2 to 5 h"},
		{m(0.4), m(0.9), "oxygen is critical now or within 1 min"},
		{0, m(4), "oxygen is critical now or within 4 min"},
		{0, 0, "oxygen is at the critical level now"},
		{m(200), oxyclock.Longest, "oxygen for 3 h or more"},
		{m(45), oxyclock.Longest, "oxygen for 45 min or more"},
		{m(20), m(20), "oxygen for about 20 min"},
		{oxyclock.Longest, oxyclock.Longest, "oxygen holds at this flow, as far as is known"},
	} {
		if got := (oxyclock.Reading{Low: tt.low, High: tt.high}).String(); got != tt.want {
			t.Errorf("%v to %v: %q, want %q", tt.low, tt.high, got, tt.want)
		}
	}
}

// Where no probe says it, the oxygen before is what the usual flow left.
func TestWithoutProbe(t *testing.T) {
	w := still()
	w.HaveNow, w.InflowMgL, w.UsualLPM = false, 10.5, 75
	r := oxyclock.Of(trout(600, 20), w)
	w.HaveNow, w.NowMgL = true, 10.5
	full := oxyclock.Of(trout(600, 20), w)
	if !r.Known() || r.Low <= 0 || r.Low >= full.Low || r.High >= full.High || len(r.Assumed) != 1 {
		t.Errorf("%+v, with the oxygen of the inflow %+v", r, full)
	}
}

// More fish, warmer water, less volume, less oxygen, less flow: never longer.
func TestMonotone(t *testing.T) {
	for seed := range uint64(200) {
		rnd := rand.New(rand.NewPCG(seed, 8))
		w := oxyclock.Water{
			VolumeL: 500 + measure.VolumeL(rnd.Float64()*1000), FlowLPM: measure.FlowLPM(rnd.Float64() * 30), HaveFlow: true,
			TempC: 4 + measure.TempC(rnd.Float64()*5), HaveTemp: true, NowMgL: 8, HaveNow: true, InflowMgL: 10,
		}
		n := 1000 + rnd.IntN(3000)
		base := oxyclock.Of(trout(n, 10), w)
		worse := map[string]oxyclock.Reading{"fish": oxyclock.Of(trout(n+500, 10), w)}
		for name, change := range map[string]func(*oxyclock.Water){
			"warmer": func(w *oxyclock.Water) { w.TempC++ }, "smaller": func(w *oxyclock.Water) { w.VolumeL -= 100 },
			"less oxygen": func(w *oxyclock.Water) { w.NowMgL-- }, "less flow": func(w *oxyclock.Water) { w.FlowLPM /= 2 },
		} {
			c := w
			change(&c)
			worse[name] = oxyclock.Of(trout(n, 10), c)
		}
		for name, r := range worse {
			if r.Low > base.Low || r.High > base.High {
				t.Errorf("seed %d, %s: %s, before %s", seed, name, fmt.Sprint(r.Low, r.High), fmt.Sprint(base.Low, base.High))
			}
		}
	}
}
