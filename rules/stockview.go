package rules

import (
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
	"weirkeeper/rules/stock"
	"weirkeeper/rules/water"
)

// leastOutflow is the least oxygen the water leaving a unit of trout should
// have (handbook habit, from memory).
const leastOutflow measure.OxygenMgL = 5

// salmon are the species that oxygen demand is worked out for by the salmon
// coefficients.
var salmon = []string{"salmon", "chinook", "coho", "sockeye", "chum", "pink"}

// fish is a lot's part in a unit, as stock arithmetic takes it.
func (e *Engine) fish(l *book.Lot, h *book.Holding) stock.Fish {
	p := e.profile(l.Species)
	return stock.Fish{
		Lot: l.ID, Number: h.Number, Eggs: l.Stage == lot.Green || l.Stage == lot.Eyed,
		MeanWeightG: h.MeanWeightG, LengthMM: h.LengthMM, ConditionK: p.Condition(),
		Salmon:       slices.ContainsFunc(salmon, func(s string) bool { return strings.Contains(strings.ToLower(l.Species), s) }),
		DensityLimit: p.DensityLimit, FlowLimit: p.FlowLimit,
	}
}

// water is what a unit has, as far as its probes and the site file tell.
func (e *Engine) water(u *site.Unit, now time.Time) stock.Water {
	w := stock.Water{VolumeL: u.VolumeL, FlowLPM: u.DesignFlowLPM, Design: u.DesignFlowLPM > 0, LeastMgL: leastOutflow}
	newest := e.newest(now)
	if v, ok := newest(e.site.ProbeAt(u.Name, reading.Flow)); ok {
		w.FlowLPM, w.Design = measure.FlowLPM(max(0, v)), false
	}
	if v, ok := newest(e.temperatureFor(u.Name)); ok {
		w.TempC, w.HaveTemp = measure.TempC(v), true
	}
	t, haveT := newest(e.site.SpringProbe(reading.Temperature))
	if o, ok := e.oxygen(now, e.site.SpringProbe, measure.TempC(t), haveT); ok {
		w.InflowMgL = o
	}
	return w
}

// newest gives the newest value of a probe, where there is one and it can be
// used.
func (e *Engine) newest(now time.Time) func(*site.Probe, bool) (float64, bool) {
	return func(p *site.Probe, ok bool) (float64, bool) {
		if !ok {
			return 0, false
		}
		pr := e.probe(p.ID)
		return pr.last.Value, pr.fresh(now)
	}
}

// oxygen is what the probes of one place say of it, by mg/L or, with a
// temperature, by saturation.
func (e *Engine) oxygen(now time.Time, of func(reading.Quantity) (*site.Probe, bool), t measure.TempC, haveT bool) (measure.OxygenMgL, bool) {
	newest := e.newest(now)
	if v, ok := newest(of(reading.Oxygen)); ok {
		return measure.OxygenMgL(v), true
	}
	v, ok := newest(of(reading.Saturation))
	if !ok || !haveT {
		return 0, false
	}
	o, err := water.FromPercent(measure.Percent(v), t, e.site.PressureHPa)
	return o, err == nil
}

// places are the units of some kinds with what lies in them, empty ones
// included, in the order of the site.
func (e *Engine) places(now time.Time, kinds ...site.Kind) []stock.Place {
	var out []stock.Place
	for i := range e.site.Units {
		u := &e.site.Units[i]
		if !slices.Contains(kinds, u.Kind) {
			continue
		}
		p := stock.Place{Unit: u.Name, Kind: string(u.Kind), Water: e.water(u, now)}
		for _, l := range e.book.Lots() {
			for j := range l.Holdings {
				if l.Holdings[j].Unit == u.Name {
					p.Fish = append(p.Fish, e.fish(l, &l.Holdings[j]))
				}
			}
		}
		out = append(out, p)
	}
	return out
}

// Stock is the arithmetic of every unit that holds eggs or fish, in the order
// of the site.
func (e *Engine) Stock(now time.Time) []UnitStock {
	var out []UnitStock
	for _, p := range e.places(now, site.Kinds()...) {
		if len(p.Fish) > 0 {
			out = append(out, UnitStock{Unit: p.Unit, Fish: p.Fish, Water: p.Water, Holding: stock.Of(p.Fish, p.Water)})
		}
	}
	return out
}

// Room says how many more fish like next would fit into each trough, deep trough
// and raceway, best first.
func (e *Engine) Room(now time.Time, next stock.Fish, species string) []stock.Room {
	p := e.profile(species)
	next.ConditionK, next.DensityLimit, next.FlowLimit = p.Condition(), p.DensityLimit, p.FlowLimit
	return stock.RoomFor(next, e.places(now, site.Trough, site.DeepTrough, site.Raceway))
}

// Sheet is all that is known of a lot; ok is false for a lot that is not there.
func (e *Engine) Sheet(id string, now time.Time) (_ *LotSheet, ok bool) {
	l, ok := e.book.Lot(id)
	if !ok {
		return nil, false
	}
	s := &LotSheet{LotView: e.view(l, now), Lines: e.book.Lines(id)}
	until := now
	if !l.Finished.IsZero() && l.Finished.Before(now) {
		until = l.Finished
	}
	s.Days = e.days(l.Strands, until)
	for _, x := range []struct {
		what string
		at   time.Time
	}{
		{"eyed", l.EyedAt},
		{"first hatch", l.HatchFirst},
		{"half hatched", l.HatchHalf},
		{"last hatch", l.HatchLast},
		{"swim-up", l.SwimUpAt},
		{"fed first", l.FedAt},
	} {
		if !x.at.IsZero() {
			s.Seen = append(s.Seen, SeenStage{What: x.what, At: x.at, Units: e.unitsAt(l, own(l, e.book), x.at)})
		}
	}
	for _, u := range e.Stock(now) {
		if slices.ContainsFunc(l.Holdings, func(h book.Holding) bool { return h.Unit == u.Unit }) {
			s.Stock = append(s.Stock, u)
		}
	}
	return s, true
}
