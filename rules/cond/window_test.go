package cond_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"weirkeeper/rules/cond"
	"weirkeeper/rules/reading"
)

var start = time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC)

type sample struct {
	at time.Time
	v  float64
}

// says is all that a window says, for comparison.
func says(w *cond.Window) [6]float64 {
	return [6]float64{w.Mean(), w.Min(), w.Max(), w.Median(), w.Change(), w.Stdev()}
}

// naive works it out from the readings in the window.
func naive(in []sample) [6]float64 {
	var vs []float64
	sum := 0.0
	for _, s := range in {
		vs = append(vs, s.v)
		sum += s.v
	}
	n := float64(len(vs))
	mean, squares := sum/n, 0.0
	for _, v := range vs {
		squares += (v - mean) * (v - mean)
	}
	change := vs[len(vs)-1] - vs[0]
	slices.Sort(vs)
	median := vs[len(vs)/2]
	if len(vs)%2 == 0 {
		median = (vs[len(vs)/2-1] + vs[len(vs)/2]) / 2
	}
	return [6]float64{mean, vs[0], vs[len(vs)-1], median, change, math.Sqrt(squares / (n - 1))}
}

// A window with no more readings than parts is exact, gaps and all.
func TestWindowExact(t *testing.T) {
	for seed := range uint64(20) {
		rnd := rand.New(rand.NewPCG(seed, 1))
		over := []time.Duration{10 * time.Minute, 2 * time.Hour, 3 * time.Minute}[seed%3]
		w := cond.NewWindow(over)
		w.KeepMedian()
		var all []sample
		now, ready := start, 0
		for range 600 {
			now = now.Add(over/30 + time.Duration(rnd.Int64N(int64(over/30))))
			if rnd.IntN(50) == 0 {
				now = now.Add(time.Duration(rnd.Int64N(int64(2 * over)))) // a gap
			}
			v := 8 + math.Round(10*rnd.NormFloat64())/10
			w.Add(now, v)
			all = append(all, sample{now, v})
			in := slices.DeleteFunc(slices.Clone(all), func(s sample) bool { return !s.at.After(now.Add(-over)) })
			if got, want := w.Ready(), len(in) > 1 && now.Sub(in[0].at) >= over/2; got != want {
				t.Fatalf("seed %d: ready %v, want %v", seed, got, want)
			}
			if !w.Ready() {
				continue
			}
			ready++
			got, want := says(w), naive(in)
			for i := range got {
				if math.Abs(got[i]-want[i]) > 1e-9 {
					t.Fatalf("seed %d, after %v: says %v, want %v", seed, now.Sub(start), got, want)
				}
			}
		}
		if ready < 300 {
			t.Errorf("seed %d: ready %d times", seed, ready)
		}
	}
}

// The edges: a reading exactly as old as the window is out of it; half of it is
// enough, and no less.
func TestWindowEdges(t *testing.T) {
	w := cond.NewWindow(10 * time.Minute)
	w.Add(start, 1)
	if w.Ready() {
		t.Error("ready with one reading")
	}
	w.Add(start.Add(5*time.Minute-1), 2)
	if w.Ready() {
		t.Error("ready with less than half")
	}
	w.Add(start.Add(5*time.Minute), 3)
	if !w.Ready() || w.Change() != 2 || w.Mean() != 2 {
		t.Errorf("ready %v, change %v, mean %v", w.Ready(), w.Change(), w.Mean())
	}
	w.Add(start.Add(10*time.Minute-1), 4)
	if w.Change() != 3 {
		t.Errorf("change %v, the first is still in it", w.Change())
	}
	w.Add(start.Add(10*time.Minute), 5)
	if w.Change() != 3 || w.Min() != 2 {
		t.Errorf("change %v, least %v: the first is out of it", w.Change(), w.Min())
	}
	w.Add(start.Add(9*time.Minute), 9) // claims to be older: as old as the last
	if w.Change() != 7 || w.Max() != 9 {
		t.Errorf("change %v, greatest %v", w.Change(), w.Max())
	}
}

// A window says the same whenever its readings began: a restart changes nothing,
// to the last bit. And so it does when the clock steps.
func TestWindowForgets(t *testing.T) {
	rnd := rand.New(rand.NewPCG(4, 4))
	const over, step = 6 * time.Hour, 7 * time.Hour
	old, young, shifted := cond.NewWindow(over), cond.NewWindow(over), cond.NewWindow(over)
	for _, w := range []*cond.Window{old, young, shifted} {
		w.KeepMedian()
	}
	now, compared := start, 0
	for i := range 9000 {
		now = now.Add(time.Duration(5+rnd.Int64N(20)) * time.Second)
		v := 8 + rnd.NormFloat64()
		old.Add(now, v)
		if i == 3000 {
			shifted.Shift(step)
		}
		at := now
		if i >= 3000 {
			at = now.Add(step)
		}
		shifted.Add(at, v)
		if i < 4000 {
			continue
		}
		young.Add(now, v)
		if says(old) != says(shifted) {
			t.Fatalf("after the clock's step %v, before %v", says(shifted), says(old))
		}
		if i < 4000+2*6*60*60/15 {
			continue
		}
		compared++
		if says(old) != says(young) {
			t.Fatalf("begun later it says %v, else %v", says(young), says(old))
		}
	}
	if compared < 100 {
		t.Errorf("compared %d times", compared)
	}
}

// A long window of many readings costs its parts only, and its mean, spread and
// edges are still those of all readings in them.
func TestWindowLong(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 5))
	const over = 24 * time.Hour
	w := cond.NewWindow(over)
	w.KeepMedian()
	var all []sample
	for i := range 3 * 86400 / 10 {
		at := start.Add(time.Duration(i) * 10 * time.Second)
		v := 8 + 0.3*math.Sin(float64(i)/900) + 0.05*rnd.NormFloat64()
		w.Add(at, v)
		all = append(all, sample{at, v})
	}
	in := all[len(all)-8640:]
	got, want := says(w), naive(in)
	for i, tolerance := range []float64{1e-3, 0.02, 0.02, 0.03, 0.2, 1e-3} { // a part at the edge is half in
		if math.Abs(got[i]-want[i]) > tolerance {
			t.Errorf("figure %d: %v, want %v", i, got[i], want[i])
		}
	}
}

func TestNothingAllocated(t *testing.T) {
	p := pond{values: map[reading.ProbeID]float64{"flow": 5, "warm": 9}, windows: map[reading.ProbeID]*cond.Window{"flow": cond.NewWindow(time.Hour)}}
	over := func(op cond.Op) *cond.Node {
		return &cond.Node{Op: op, Type: cond.Flow, Probe: "flow", Over: time.Hour}
	}
	vote := node(cond.AtLeast, node(cond.Less, over(cond.MeanOver), constant(1)), node(cond.Less, over(cond.MedianOver), over(cond.StdevOver)),
		node(cond.Less, &cond.Node{Op: cond.Median, Args: []*cond.Node{read("flow"), read("warm"), constant(3), over(cond.ChangeOver)}}, constant(2)))
	vote.Value = 3
	j, _ := cond.Compile(node(cond.Or, vote, node(cond.Less, node(cond.Div, read("flow"), read("warm")), constant(0.1)), node(cond.Less, node(cond.SaturationOf, read("warm"), read("warm")), constant(1))), p)
	at, w, n := start, p.windows["flow"], 0
	look := func() {
		at = at.Add(time.Second)
		w.Add(at, float64(n%17))
		n++
		j(at)
	}
	for range 10000 {
		look()
	}
	if a := testing.AllocsPerRun(1000, look); a != 0 {
		t.Errorf("%v allocations a reading", a)
	}
}
