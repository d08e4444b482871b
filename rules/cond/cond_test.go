package cond_test

import (
	"math"
	"testing"
	"time"

	"weirkeeper/rules/cond"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
)

// pond is an Env of values that are there or not.
type pond struct {
	values  map[reading.ProbeID]float64
	silent  map[reading.ProbeID]bool
	windows map[reading.ProbeID]*cond.Window
}

func (p pond) Newest(id reading.ProbeID) func(time.Time) (float64, bool) {
	return func(time.Time) (float64, bool) { v, ok := p.values[id]; return v, ok }
}
func (p pond) Contact(id reading.ProbeID) func(time.Time) (float64, bool) { return p.Newest(id) }
func (p pond) Silent(id reading.ProbeID) func(time.Time) bool {
	return func(time.Time) bool { return p.silent[id] }
}
func (p pond) Window(id reading.ProbeID, _ time.Duration) *cond.Window { return p.windows[id] }
func (p pond) Pressure() measure.PressureHPa                           { return 700 * 1013.25 / 760 }

func read(id reading.ProbeID) *cond.Node {
	return &cond.Node{Op: cond.Read, Type: cond.Flow, Probe: id, Name: string(id)}
}
func constant(v float64) *cond.Node { return &cond.Node{Op: cond.Const, Type: cond.Flow, Value: v} }
func node(op cond.Op, args ...*cond.Node) *cond.Node {
	return &cond.Node{Op: op, Type: cond.Bool, Args: args}
}

// three gives leaves of each truth: the probes a, b, c are below 1, above, or not heard.
func three(values ...cond.Truth) (pond, []*cond.Node) {
	p := pond{values: make(map[reading.ProbeID]float64)}
	var leaves []*cond.Node
	for i, v := range values {
		id := reading.ProbeID("a" + string(rune('0'+i)))
		switch v {
		case cond.Yes:
			p.values[id] = 0
		case cond.No:
			p.values[id] = 2
		case cond.Unknown:
		}
		leaves = append(leaves, node(cond.Less, read(id), constant(1)))
	}
	return p, leaves
}

var truths = []cond.Truth{cond.No, cond.Unknown, cond.Yes}

// Kleene's strong logic of three values, the tables as in his Introduction to
// Metamathematics 1952, section 64 (from memory).
func TestKleene(t *testing.T) {
	const n, u, y = cond.No, cond.Unknown, cond.Yes
	and := [3][3]cond.Truth{{n, n, n}, {n, u, u}, {n, u, y}}
	or := [3][3]cond.Truth{{n, u, y}, {u, u, y}, {y, y, y}}
	same := [3][3]cond.Truth{{y, u, n}, {u, u, u}, {n, u, y}}
	not := [3]cond.Truth{y, u, n}
	for i, a := range truths {
		p, l := three(a)
		if j, _ := cond.Compile(node(cond.Not, l[0]), p); j(time.Time{}) != not[i] {
			t.Errorf("not %v is %v", a, j(time.Time{}))
		}
		for k, b := range truths {
			for op, want := range map[cond.Op]cond.Truth{cond.And: and[i][k], cond.Or: or[i][k], cond.Same: same[i][k]} {
				p, l := three(a, b)
				if j, _ := cond.Compile(node(op, l...), p); j(time.Time{}) != want {
					t.Errorf("operation %d of %v and %v is %v, want %v", op, a, b, j(time.Time{}), want)
				}
			}
		}
	}
}

// Votes against the definition: what every way to fill in the unknown agrees on.
// The same for a choice.
func TestVotesAndChoices(t *testing.T) {
	agreed := func(values []cond.Truth, f func(known []cond.Truth) cond.Truth) cond.Truth {
		seen := make(map[cond.Truth]bool)
		var fill func(i int, known []cond.Truth)
		fill = func(i int, known []cond.Truth) {
			if i == len(values) {
				seen[f(known)] = true
				return
			}
			if values[i] != cond.Unknown {
				fill(i+1, append(known, values[i]))
				return
			}
			fill(i+1, append(known[:i:i], cond.No))
			fill(i+1, append(known[:i:i], cond.Yes))
		}
		fill(0, nil)
		if len(seen) > 1 {
			return cond.Unknown
		}
		return cond.Of(seen[cond.Yes])
	}
	for _, a := range truths {
		for _, b := range truths {
			for _, c := range truths {
				values := []cond.Truth{a, b, c}
				for need := 1; need <= 3; need++ {
					p, l := three(values...)
					n := node(cond.AtLeast, l...)
					n.Value = float64(need)
					want := agreed(values, func(known []cond.Truth) cond.Truth {
						yes := 0
						for _, k := range known {
							if k == cond.Yes {
								yes++
							}
						}
						return cond.Of(yes >= need)
					})
					if j, _ := cond.Compile(n, p); j(time.Time{}) != want {
						t.Errorf("%d of %v: %v, want %v", need, values, j(time.Time{}), want)
					}
				}
				p, l := three(values...)
				want := agreed(values, func(known []cond.Truth) cond.Truth {
					if known[0] == cond.Yes {
						return known[1]
					}
					return known[2]
				})
				if j, _ := cond.Compile(node(cond.Choose, l...), p); j(time.Time{}) != want {
					t.Errorf("choice of %v: %v, want %v", values, j(time.Time{}), want)
				}
			}
		}
	}
}

func TestNumbers(t *testing.T) {
	inf := math.Inf(1)
	tests := []struct {
		name string
		op   cond.Op
		args []float64
		want float64 // NaN: not known
	}{
		{"sum", cond.Add, []float64{1, 2}, 3},
		{"difference", cond.Sub, []float64{1, 2}, -1},
		{"product", cond.Mul, []float64{3, 2}, 6},
		{"quotient", cond.Div, []float64{3, 2}, 1.5},
		{"over a unit that stopped", cond.Div, []float64{3, 0}, inf},
		{"over the zero below zero", cond.Div, []float64{3, math.Copysign(0, -1)}, inf},
		{"nothing over nothing", cond.Div, []float64{0, 0}, math.NaN()},
		{"nothing of endless", cond.Mul, []float64{0, inf}, math.NaN()},
		{"minus", cond.Neg, []float64{3}, -3},
		{"size", cond.Abs, []float64{-3}, 3},
		{"least", cond.Min, []float64{3, 1, 2}, 1},
		{"greatest", cond.Max, []float64{3, 1, 2}, 3},
		{"mean", cond.Mean, []float64{3, 1, 5}, 3},
		{"median, odd", cond.Median, []float64{9, 1, 2}, 2},
		{"median, even", cond.Median, []float64{9, 1, 2, 4}, 3},
		// 100 L/min through 300 L: 20 times an hour, by hand.
		{"turnover", cond.Turnover, []float64{100, 300}, 20},
		// Worked value of USGS 2011.03: 10 degC and 700 mmHg hold 10.387 mg/L.
		{"saturation", cond.SaturationOf, []float64{10.387, 10}, 100},
		{"oxygen", cond.OxygenAt, []float64{50, 10}, 10.387 / 2},
		{"oxygen in slush is that at freezing", cond.SaturationOf, []float64{7, -0.5}, math.NaN()},
		{"oxygen of water that cannot be", cond.SaturationOf, []float64{7, -3}, math.NaN()},
	}
	// What the slush holds is what water at 0 degC does.
	at0, _ := value(node(cond.SaturationOf, constant(7), constant(0)), pond{})
	for _, tt := range tests {
		n := &cond.Node{Op: tt.op, Type: cond.Number}
		for _, v := range tt.args {
			n.Args = append(n.Args, constant(v))
		}
		if tt.name == "oxygen in slush is that at freezing" {
			tt.want = at0
		}
		got, ok := value(n, pond{})
		if ok == math.IsNaN(tt.want) || (ok && got != tt.want && math.Abs(got-tt.want) > 0.001*math.Abs(tt.want)) {
			t.Errorf("%s: %v, %v; want %v", tt.name, got, ok, tt.want)
		}
		if tt.op == cond.SaturationOf {
			continue
		}
		// One that is not known makes it not known.
		n.Args[len(n.Args)-1] = read("dead")
		if got, ok := value(n, pond{}); ok {
			t.Errorf("%s of an unknown: %v", tt.name, got)
		}
	}
	// Either way the same, so that the question does not matter.
	_, l := three(cond.Unknown)
	if v, ok := value(node(cond.Choose, l[0], constant(4), constant(4)), pond{}); !ok || v != 4 {
		t.Errorf("4 or 4 is %v, %v", v, ok)
	}
	if v, ok := value(node(cond.Choose, l[0], constant(4), constant(5)), pond{}); ok {
		t.Errorf("4 or 5 is %v", v)
	}
}

// value asks for a number by where it lies; Compile makes truths only.
func value(n *cond.Node, p pond) (float64, bool) {
	n.Name = "it"
	wrapped := &cond.Node{Op: cond.Choose, Type: n.Type, Args: []*cond.Node{{Op: cond.Truthy, Type: cond.Bool, Value: 1}, n, n}}
	below := func(v float64) cond.Truth {
		j, _ := cond.Compile(node(cond.LessEqual, wrapped, constant(v)), p)
		return j(time.Time{})
	}
	if below(0) == cond.Unknown {
		return 0, false
	}
	if below(math.MaxFloat64) == cond.No {
		return math.Inf(1), true
	}
	low, high := -1e6, 1e6
	for range 200 {
		mid := (low + high) / 2
		if below(mid) == cond.Yes {
			high = mid
		} else {
			low = mid
		}
	}
	return high, true
}

// What words are given: values in order of writing, each once, with its limits.
func TestShown(t *testing.T) {
	p := pond{values: map[reading.ProbeID]float64{"flow": 5}, silent: map[reading.ProbeID]bool{"warm": true}}
	vote := node(cond.AtLeast, node(cond.Less, read("flow"), constant(7)), node(cond.Greater, constant(1), read("flow")), node(cond.Less, read("dead"), constant(3)))
	vote.Value, vote.Name = 2, "votes"
	n := node(cond.Or, vote, &cond.Node{Op: cond.Silent, Type: cond.Bool, Probe: "warm", Name: "warm probe"})
	_, shown := cond.Compile(n, p)
	if len(shown) != 4 {
		t.Fatalf("shown: %+v", shown)
	}
	if yes, known, all, need := shown[0].Votes(time.Time{}); yes != 1 || known != 2 || all != 3 || need != 2 {
		t.Errorf("votes: %d yes of %d known of %d, %d needed", yes, known, all, need)
	}
	if v, ok := shown[1].Value(time.Time{}); shown[1].Name != "flow" || v != 5 || !ok || len(shown[1].Limits) != 2 || shown[1].Limits[0] != 7 || shown[1].Limits[1] != 1 {
		t.Errorf("flow: %+v", shown[1])
	}
	if _, ok := shown[2].Value(time.Time{}); shown[2].Name != "dead" || ok {
		t.Errorf("dead: %+v", shown[2])
	}
	if !shown[3].Silence(time.Time{}) {
		t.Errorf("silence: %+v", shown[3])
	}
	if got := cond.Probes(n, nil, read("more")); len(got) != 4 || got[0] != "flow" || got[2] != "warm" || got[3] != "more" {
		t.Errorf("probes %v", got)
	}
}
