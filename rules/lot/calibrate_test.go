package lot_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
)

func hatches(units ...float64) []lot.Observation {
	var out []lot.Observation
	for i, u := range units {
		out = append(out, lot.Observation{Lot: fmt.Sprintf("2026-%c", 'A'+i), Stage: lot.Hatch, Units: measure.DegreeDays(u)})
	}
	return out
}

var prior = lot.Need{Low: 500, High: 600, Source: "a table"}

// With 4 percent assumed as the spread of three lots (an assumption, no
// source), worked out by hand; Student's t at 0.975 and 0.95 for 3, 4 and 5
// degrees of freedom: 3.182, 2.776, 2.571 and 2.353, 2.132, 2.015 (t table,
// from memory).
func TestCalibrate(t *testing.T) {
	with := func(obs []lot.Observation, change func(*lot.Observation)) []lot.Observation {
		for i := range obs {
			change(&obs[i])
		}
		return obs
	}
	tests := []struct {
		name                                     string
		prior                                    lot.Need
		obs                                      []lot.Observation
		lots                                     int
		odd                                      []string
		middle, low, high, needLow, needHigh, by float64
		source                                   string
	}{
		{"no lots", prior, nil, 0, nil, 550, 500, 600, 500, 600, 0, "a table"},
		{"another stage only", prior, with(hatches(450), func(o *lot.Observation) { o.Stage = lot.Eyed }), 0, nil, 550, 500, 600, 500, 600, 0, "a table"},
		// Half way from 550 to 450, so 450 to 550, and down to 450 - 2.353*18*sqrt(2) for the next, 450 - 3.182*18 for the middle.
		{"one lot", prior, hatches(450), 1, nil, 500, 392.7, 550, 390.1, 550, 0, "half way to one of this site's lots from: a table"},
		{"one lot and no prior", lot.Need{}, hatches(450), 1, nil, 450, 392.7, 507.3, 390.1, 509.9, 0, "one of this site's lots"},
		// 445 and 455: sd sqrt((3*18^2 + 50)/4) = 15.99; 450 -+ 2.776*15.99/sqrt(2), and 450 - 2.132*15.99*sqrt(1.5).
		{"two lots", prior, hatches(445, 455), 2, nil, 500, 418.6, 550, 408.2, 550, 0, "half way to 2 of this site's lots from: a table"},
		// The worked value of the comment; next 2.015*15.59*sqrt(4/3) = 36.3.
		{"three lots alone", prior, hatches(450, 460, 470), 3, nil, 460, 436.9, 483.1, 423.7, 496.3, 0, "3 of this site's lots"},
		{"known no better than measured", prior, with(hatches(450, 460, 470), func(o *lot.Observation) { o.PlusMinus = 50 }), 3, nil, 460, 386.9, 533.1, 386.9, 533.1, 0, "3 of this site's lots"},
		{"seen in the course of a day", prior, with(hatches(454, 464, 474), func(o *lot.Observation) { o.Day = 8 }), 3, nil, 460, 436.9, 483.1, 423.7, 496.3, 0, "3 of this site's lots"},
		{"an odd one", prior, hatches(450, 575, 460, 470), 3, []string{"2026-B"}, 460, 436.9, 483.1, 423.7, 496.3, 0, "3 of this site's lots (set aside as odd: 2026-B)"},
		{"an odd one leaves two", prior, hatches(445, 570, 455), 2, []string{"2026-B"}, 500, 418.6, 550, 408.2, 550, 0, "half way to 2 of this site's lots (set aside as odd: 2026-B) from: a table"},
		{"two say not which is odd", lot.Need{}, hatches(400, 500), 2, nil, 450, 374.2, 525.8, 349.1, 550.9, 0, "2 of this site's lots"}, // sd sqrt((3*18^2 + 5000)/4) = 38.64
		{"three alike and a fourth close make none odd", lot.Need{}, hatches(450, 450, 450, 490), 4, nil, 460, 436.5, 483.5, 418.2, 501.8, 0, "4 of this site's lots"},
		{"the model's pace", prior, with(hatches(450, 460, 470), func(o *lot.Observation) { o.Progress = float64(o.Units) / 500 }), 3, nil, 460, 436.9, 483.1, 423.7, 496.3, 0.92, "3 of this site's lots"},
		{"the model's pace, half way", prior, with(hatches(450), func(o *lot.Observation) { o.Progress = 0.9 }), 1, nil, 500, 392.7, 550, 390.1, 550, 0.95, "half way to one of this site's lots from: a table"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := lot.Calibrate(lot.Hatch, tt.prior, tt.obs)
			for _, v := range []struct {
				what       string
				got        measure.DegreeDays
				want       float64
				wantWithin float64
			}{
				{"middle", c.Middle, tt.middle, 1e-9},
				{"low", c.Low, tt.low, 0.6},
				{"high", c.High, tt.high, 0.6},
				{"next low", c.Need.Low, tt.needLow, 0.6},
				{"next high", c.Need.High, tt.needHigh, 0.6},
			} {
				near(t, v.what, float64(v.got), v.want, v.wantWithin)
			}
			near(t, "factor", c.Factor, tt.by, 1e-9)
			if c.Stage != lot.Hatch || c.Lots != tt.lots || c.Need.Source != tt.source {
				t.Errorf("%s of %d lots, %q; want %d, %q", c.Stage, c.Lots, c.Need.Source, tt.lots, tt.source)
			}
			if d := cmp.Diff(tt.odd, c.Odd); d != "" {
				t.Errorf("odd (-want +got):\n%s", d)
			}
		})
	}
}

// The lots are not put in another order.
func TestCalibrateLeavesItsInput(t *testing.T) {
	obs := hatches(480, 450, 900, 460)
	lot.Calibrate(lot.Hatch, prior, obs)
	if d := cmp.Diff(hatches(480, 450, 900, 460), obs); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

// A hiddenSite is a hatchery with a strain whose requirement nobody knows.
type hiddenSite struct {
	rng            *rand.Rand
	need, sd       float64 // degree-days; share
	bias, accuracy float64 // of its probe, degC
}

func newHiddenSite(seed uint64, accuracy float64) *hiddenSite {
	rng := rand.New(rand.NewPCG(seed, 7))
	return &hiddenSite{rng, 300 + 300*rng.Float64(), 0.03 + 0.01*rng.Float64(), accuracy * (2*rng.Float64() - 1), accuracy}
}

// lot lets a lot of eggs lie in water of changing temperature until it has what
// it needs, times odd, and is seen hatched up to a day later.
func (s *hiddenSite) lot(id string, odd float64) lot.Observation {
	need := s.need * (1 + s.sd*s.rng.NormFloat64()) * odd
	phase, drift := 365*s.rng.Float64(), 0.0
	var temps []float64
	var gathered, at float64
	for at == 0 || len(temps) < int(at)+2 {
		drift = 0.8*drift + 0.3*s.rng.NormFloat64()
		c := 7.5 + 3*math.Sin(2*math.Pi*(float64(len(temps))+phase)/365) + drift
		if at == 0 && gathered+c >= need {
			at = float64(len(temps)) + (need-gathered)/c + s.rng.Float64()
		}
		gathered += c
		temps = append(temps, c+s.bias)
	}
	obs, ok := lot.Observe(lot.Outlook{
		Species: "brown trout", Days: daily(0, s.accuracy, temps...), Start: lot.Green,
		Seen: map[lot.Stage]time.Time{lot.Hatch: start.Add(time.Duration(at * 24 * float64(time.Hour)))},
	}, id, "upper pond", lot.Hatch)
	if !ok {
		panic("hatched, but not observed")
	}
	return obs
}

// lots are n of them; in every other seed one is odd by a quarter.
func (s *hiddenSite) lots(seed uint64, n int) []lot.Observation {
	which := s.rng.IntN(n)
	factor := 1.25 - 0.5*float64(s.rng.IntN(2))
	var out []lot.Observation
	for i := range n {
		odd := 1.0
		if seed%2 == 0 && i == which {
			odd = factor
		}
		out = append(out, s.lot(fmt.Sprint("lot ", i+1), odd))
	}
	return out
}

// recovery calibrates n finished lots a seed: in what share of the seeds the
// hidden requirement lies within the stated interval, how often the next lot within its range, how
// wide the interval is, and what share of the odd lots was set aside.
func recovery(seeds uint64, n int, accuracy float64) (within, next, width, oddFound float64) {
	var odd float64
	for seed := range seeds {
		s := newHiddenSite(seed, accuracy)
		c := lot.Calibrate(lot.Hatch, prior, s.lots(seed, n))
		if h := measure.DegreeDays(s.need); c.Low <= h && h <= c.High {
			within++
		}
		if o := s.lot("next", 1); c.Need.Low <= o.Units-o.Day/2 && o.Units-o.Day/2 <= c.Need.High {
			next++
		}
		width += float64(c.High-c.Low) / s.need
		if seed%2 == 0 {
			odd++
			if len(c.Odd) == 1 {
				oddFound++
			}
		}
	}
	return within / float64(seeds), next / float64(seeds), width / float64(seeds), oddFound / odd
}

func TestCalibrationRecovers(t *testing.T) {
	if within, _, _, _ := recovery(10, 10, 0.1); within < 0.9 {
		t.Errorf("ten seeds: the interval holds the requirement in %.0f %%, want 90", 100*within)
	}
	// The coverage does not come from the probe's uncertainty: a perfect one
	// has it too.
	for _, accuracy := range []float64{0, 0.1} {
		within, next, width, odd := recovery(200, 10, accuracy)
		t.Logf("200 seeds of ten lots, probe within %g degC: the interval of 95 %% holds the requirement in %.1f %%, the next lot lies in its range of 90 %% in %.1f %%, odd lots set aside %.0f %%, width %.1f %%", accuracy, 100*within, 100*next, 100*odd, 100*width)
		if within < 0.9 || next < 0.85 || odd < 0.9 {
			t.Errorf("accuracy %g: within %.3f, next %.3f, odd lots found %.3f", accuracy, within, next, odd)
		}
	}
	var widths []string
	last := math.Inf(1)
	for _, n := range []int{1, 3, 5, 10, 20} {
		_, _, width, _ := recovery(200, n, 0.1)
		widths = append(widths, fmt.Sprintf("%d lots %.1f %%", n, 100*width))
		if width >= last {
			t.Errorf("width %.4f of %d lots is no less than %.4f before", width, n, last)
		}
		last = width
	}
	t.Log("width of the interval: " + strings.Join(widths, ", "))
}

// A stage seen in the middle of a day, with the share of that day.
func TestObserve(t *testing.T) {
	o := lot.Outlook{
		Species: "rainbow trout", Start: lot.Green, Days: daily(0, 0.1, repeat(8, 60)...), StartUnits: 80,
		Seen: map[lot.Stage]time.Time{lot.Hatch: at(30.5 * 24)},
	}
	obs, ok := lot.Observe(o, "2026-A", "upper pond", lot.Hatch)
	if !ok {
		t.Fatal("not observed")
	}
	near(t, "units", float64(obs.Units), 80+30.5*8, 1e-9)
	near(t, "of the last day", float64(obs.Day), 8, 1e-9)
	near(t, "plus or minus", float64(obs.PlusMinus), 3.05, 1e-9)
	// Crisp's 42.6 d at 8 degC; the 80 degree-days from before stand for ten
	// days more.
	near(t, "progress", obs.Progress, 40.5/42.6, 0.002)
	if obs.Lot != "2026-A" || obs.Strain != "upper pond" || obs.Stage != lot.Hatch || !obs.At.Equal(at(30.5*24)) {
		t.Errorf("%+v", obs)
	}
	for name, change := range map[string]func(*lot.Outlook){
		"not seen":            func(o *lot.Outlook) { o.Seen = nil },
		"came so":             func(o *lot.Outlook) { o.Start = lot.Hatch },
		"before it came":      func(o *lot.Outlook) { o.Days = o.Days[31:] },
		"long after its days": func(o *lot.Outlook) { o.Days = o.Days[:29] },
		"no days":             func(o *lot.Outlook) { o.Days = nil },
	} {
		other := o
		change(&other)
		if obs, ok := lot.Observe(other, "", "", lot.Hatch); ok {
			t.Errorf("%s: %+v", name, obs)
		}
	}
	if len(o.Days) != 60 || o.Days[30].Units.DegreeDays != 8 {
		t.Error("the days were changed")
	}
}
