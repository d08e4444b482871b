package stock_test

import (
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
	"weirkeeper/rules/stock"
)

// over lists the limits that a holding breaks.
func over(h stock.Holding) []string {
	var names []string
	for _, l := range []struct {
		name string
		stock.Figure
	}{{"density index", h.DensityIndex}, {"flow index", h.FlowIndex}, {"oxygen", h.OxygenDemandGH}} {
		if l.Over() {
			names = append(names, l.name)
		}
	}
	return names
}

// The number is the largest that breaks no limit, and By is one that the next
// fish breaks.
func TestRoomIsTheMost(t *testing.T) {
	bound := make(map[string]int)
	for seed := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, 2))
		next := random(r)[0]
		next.Lot, next.Eggs = "next", false
		p := stock.Place{Unit: "raceway 1", Kind: string(site.Raceway), Water: randomWater(r)}
		for _, f := range random(r) {
			f.Number /= 1 + r.IntN(2000)
			p.Fish = append(p.Fish, f)
		}
		if r.IntN(4) == 0 {
			p.Water.FlowLPM = 0
		}
		with := func(n int) stock.Holding {
			f := next
			f.Number = n
			return stock.Of(append(slices.Clone(p.Fish), f), p.Water)
		}
		room := stock.RoomFor(next, []stock.Place{p})[0]
		bound[room.By]++
		if n := room.Number; n > 0 && len(over(with(n))) > 0 {
			t.Fatalf("seed %d: %d fit and break %v", seed, n, over(with(n)))
		}
		if !slices.Contains(over(with(room.Number+1)), room.By) {
			t.Fatalf("seed %d: one more than %d breaks %v, not %q", seed, room.Number, over(with(room.Number+1)), room.By)
		}
		want := stock.Holding{}
		if fits := next.Number <= room.Number; fits {
			want = with(next.Number)
		}
		if room.Fits != (next.Number <= room.Number) {
			t.Fatalf("seed %d: %d of %d fit, and Fits is %v", seed, room.Number, next.Number, room.Fits)
		}
		if diff := cmp.Diff(want, room.Holding); diff != "" {
			t.Fatalf("seed %d: holding (-want +got):\n%s", seed, diff)
		}
	}
	for _, by := range []string{"density index", "flow index", "oxygen"} {
		if bound[by] == 0 {
			t.Errorf("no case was bound by the %s: %v", by, bound)
		}
	}
}

// By hand: fish of 10 g at K 1 are 100 mm; a trough of 1000 L with D 0.5 takes
// 0.5 * 35.3147 ft3 * 3.93701 in = 69.516 lb of them, 31532 g, 3153 fish, of which 153 are there.
func TestRoomByHand(t *testing.T) {
	next := stock.Fish{Lot: "next", MeanWeightG: 10, ConditionK: 1}
	lots := []stock.Fish{{Lot: "there", Number: 153, MeanWeightG: 10, ConditionK: 1}, {Lot: "elsewhere"}}
	places := []stock.Place{{Unit: "trough 1", Kind: string(site.Trough), Water: stock.Water{VolumeL: 1000}, Fish: lots[:1]}}
	for number, fits := range map[int]bool{2999: true, 3000: true, 3001: false} {
		next.Number = number
		got := stock.RoomFor(next, places)[0]
		if got.Number != 3000 || got.By != "density index" || got.Fits != fits {
			t.Errorf("room for %d: got %+v, want 3000 by density index", number, got)
		}
	}
	if lots[1].Lot != "elsewhere" {
		t.Errorf("the caller's lots were written over: %+v", lots)
	}
}

func TestRoomOrderAndWords(t *testing.T) {
	water := func(volume measure.VolumeL, flow measure.FlowLPM) stock.Water {
		_, w := example(t)
		w.VolumeL *= volume
		w.FlowLPM *= flow
		return w
	}
	next := stock.Fish{Lot: "next", Number: 1000, MeanWeightG: 10, ConditionK: 1}
	unweighed := stock.Fish{Lot: "B", Number: 100}
	heavy := stock.Fish{Lot: "C", Number: 100_000, MeanWeightG: 100, ConditionK: 1}
	noFlow := water(1, 0)
	places := []stock.Place{
		{Unit: "stack 1", Kind: string(site.Stack), Water: water(1, 1)},
		{Unit: "full, no flow", Kind: string(site.Raceway), Water: noFlow, Fish: []stock.Fish{heavy}},
		{Unit: "full", Kind: string(site.Raceway), Water: water(1, 1), Fish: []stock.Fish{heavy}},
		{Unit: "unweighed", Kind: string(site.Trough), Water: water(1, 1), Fish: []stock.Fish{unweighed}},
		{Unit: "unknown", Kind: string(site.Trough)},
		{Unit: "no flow", Kind: string(site.Raceway), Water: noFlow},
		{Unit: "small", Kind: string(site.DeepTrough), Water: water(0.01, 1)},
		{Unit: "middling", Kind: string(site.Raceway), Water: water(1, 0.5)},
		{Unit: "large", Kind: string(site.Raceway), Water: water(1, 1)},
	}
	type said struct {
		Unit, By, Why string
		Fits          bool
	}
	rows := func(next stock.Fish) []said {
		var got []said
		for _, r := range stock.RoomFor(next, places) {
			got = append(got, said{r.Unit, r.By, r.Why, r.Fits})
			if r.By == "" && r.Number != 0 {
				t.Errorf("%s: nothing is known and %d fit", r.Unit, r.Number)
			}
		}
		return got
	}
	const (
		stack     = "a stack is no place for fish"
		unweighB  = "the mean weight of lot B is not known"
		lengthB   = "the mean weight of lot B and the length of lot B (or the condition factor) are not known"
		noWeight  = "the mean weight of the fish to be placed is not known"
		eggs      = "room for eggs is not worked out, because it is not stated how many a tray holds"
		nothing   = "density index: the water volume is not known; flow index: the flow is not known; oxygen: the water temperature is not known"
		noFlowWhy = "flow index and oxygen: the flow is not known"
	)
	want := []said{
		{"large", "flow index", "", true},
		{"middling", "flow index", "", true},
		{"no flow", "density index", noFlowWhy, true},
		{"small", "density index", "", false},
		{"full", "density index", "", false},
		{"full, no flow", "density index", noFlowWhy, false},
		{"stack 1", "", stack, false},
		{"unweighed", "", "density index and flow index: " + lengthB + "; oxygen: " + unweighB, false},
		{"unknown", "", nothing, false},
	}
	if diff := cmp.Diff(want, rows(next)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	for _, tc := range []struct {
		name, why string
		change    func(*stock.Fish)
	}{
		{"no weight", noWeight, func(f *stock.Fish) { f.MeanWeightG = 0 }},
		{"eggs", eggs, func(f *stock.Fish) { f.Eggs = true }},
	} {
		f := next
		tc.change(&f)
		for _, r := range rows(f) {
			if r.Why != tc.why || r.By != "" || r.Fits {
				t.Errorf("%s: got %+v, want nothing but %q", tc.name, r, tc.why)
			}
		}
	}
}

// Where the inflow brings no oxygen to spare there is no room at all.
func TestNoRoomWithoutOxygen(t *testing.T) {
	_, w := example(t)
	w.InflowMgL = w.LeastMgL
	next := stock.Fish{Lot: "next", Number: 1, MeanWeightG: 1, ConditionK: 1, FlowLimit: 2}
	got := stock.RoomFor(next, []stock.Place{{Unit: "raceway 1", Kind: string(site.Raceway), Water: w}})
	want := []stock.Room{{Unit: "raceway 1", By: "oxygen"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
