package stock

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/water"
)

// ConditionK is the condition factor K = 1e5 W/L^3 (g, mm) of fish whose
// condition is given as C = W/L^3 (lb, in), total length from the snout to the
// tip of the spread tail. Worked value: C 4055e-7 is K 1.1224.
//
// Source: English C = 36.13 W/L^3 in g and mm, Piper et al. 1982, p. 61; here
// by the exact sizes of pound and inch, 36.127.
func ConditionK(c float64) float64 {
	mm := 1000 * measure.Inch.ToBase(1)
	return c * 1e5 * measure.Pound.ToBase(1) / (mm * mm * mm)
}

// Length is the mean total length, mm: as stated, else from weight and
// condition factor, L = (1e5 W/K)^(1/3). It is false when neither is known.
// Worked value: 11.771 g at K 1.1224 is 101.6 mm.
func (f Fish) Length() (float64, bool) {
	switch {
	case f.LengthMM > 0:
		return f.LengthMM, true
	case f.MeanWeightG > 0 && f.ConditionK > 0:
		return math.Cbrt(1e5 * float64(f.MeanWeightG) / f.ConditionK), true
	}
	return 0, false
}

// Limits shown where the keeper states none.
const (
	// GuideDensityIndex is the upper end of 0.2 to 0.5 lb/(ft3 in), the common
	// range (from memory).
	GuideDensityIndex = 0.5

	guideDensitySource = "a common guide, from memory: 0.2 to 0.5 is usual"
	guideFlowSource    = "a guide after Piper 1982 for trout"
	keeperSource       = "the keeper's"
	oxygenSource       = "the oxygen that comes in above the least wanted in the outflow"
)

// Of is the arithmetic of all fish in one unit, of one lot or of several.
//
// The indices add up over lots, each by its own length: D = sum(W/L)/V and
// F = sum(W/L)/I, so that dividing a lot changes nothing and small fish beside
// large ones count as they would alone. Likewise demand is the sum of each lot's at
// its own mean weight. Where lots have different limits the lowest is taken;
// the guides stand only where no lot has one. Eggs are counted and no more: the
// formulas are for fish, and what eggs use is left out.
//
// Worked value: 600 lb of 4 in in 500 ft3 at 100 gpm has D 0.30, F 1.50 and a
// turnover of 1.604 an hour.
//
// Source: D = W/(V L), F = W/(L I), exchange R = 8.0208 I/V, with W in lb, L in
// in, V in ft3, I in gpm (Piper et al. 1982, from memory).
func Of(fish []Fish, w Water) Holding {
	var h Holding
	var massG, poundsPerInch float64
	var swimming []Fish
	var noWeight, noLength []string
	var densityLimits, flowLimits []float64
	for _, f := range fish {
		if f.Number <= 0 {
			continue
		}
		h.Number += f.Number
		if f.Eggs {
			h.Eggs += f.Number
			continue
		}
		swimming = append(swimming, f)
		if f.DensityLimit > 0 {
			densityLimits = append(densityLimits, f.DensityLimit)
		}
		if f.FlowLimit > 0 {
			flowLimits = append(flowLimits, f.FlowLimit)
		}
		if !(f.MeanWeightG > 0) {
			noWeight = append(noWeight, f.Lot)
		}
		if !(f.LengthMM > 0 || f.ConditionK > 0) {
			noLength = append(noLength, f.Lot)
		}
		g := float64(f.Number) * float64(f.MeanWeightG)
		massG += g
		if mm, ok := f.Length(); ok {
			poundsPerInch += measure.Pound.FromBase(g) / measure.Inch.FromBase(mm/1000)
		}
	}
	if h.Number > 0 && h.Eggs == h.Number {
		none := Figure{Why: "there are only eggs, and this is worked out for fish"}
		h.BiomassKG, h.DensityIndex, h.FlowIndex, h.DensityKGM3 = none, none, none, none
		h.LoadingKGperLPM, h.OxygenDemandGH, h.OutflowMgL = none, none, none
	} else {
		weight, length := ofLots("the mean weight", "", noWeight), ofLots("the length", " (or the condition factor)", noLength)
		h.BiomassKG = figure(massG/1000, weight)
		h.DensityIndex = figure(poundsPerInch/measure.CubicFoot.FromBase(float64(w.VolumeL)), weight, length, w.noVolume())
		h.FlowIndex = figure(poundsPerInch/measure.GPM.FromBase(float64(w.FlowLPM)), weight, length, w.noFlow())
		h.DensityKGM3 = figure(massG/float64(w.VolumeL), weight, w.noVolume()) // g/L is kg/m3
		h.LoadingKGperLPM = figure(massG/1000/float64(w.FlowLPM), weight, w.noFlow())
		h.oxygen(swimming, w, weight)
	}
	h.TurnoverPerHour = figure(60*float64(w.FlowLPM)/float64(w.VolumeL), w.noFlow(), w.noVolume())

	if len(densityLimits) > 0 {
		h.DensityIndex.Limit, h.DensityIndex.LimitSource = slices.Min(densityLimits), keeperSource
	} else {
		h.DensityIndex.Limit, h.DensityIndex.LimitSource, h.DensityIndex.Guide = GuideDensityIndex, guideDensitySource, true
	}
	if len(flowLimits) > 0 {
		h.FlowIndex.Limit, h.FlowIndex.LimitSource = slices.Min(flowLimits), keeperSource
	} else if g := w.flowIndexGuide(); g.Known() {
		h.FlowIndex.Limit, h.FlowIndex.LimitSource, h.FlowIndex.Guide = g.Value, guideFlowSource, true
	} else {
		h.FlowIndex.NoLimit = g.Why
	}
	return h
}

// oxygen fills in what the fish use and what is left.
func (h *Holding) oxygen(fish []Fish, w Water, noWeight string) {
	h.OxygenDemandGH = figure(0, noWeight, w.noTemp())
	if h.OxygenDemandGH.Known() {
		var demand float64
		for _, f := range fish {
			rate, err := OxygenDemandMgKgH(w.TempC, f.MeanWeightG, f.Salmon)
			if err != nil {
				h.OxygenDemandGH.Why = err.Error()
				break
			}
			demand += rate * float64(f.Number) * float64(f.MeanWeightG) / 1e6
		}
		if h.OxygenDemandGH.Known() {
			h.OxygenDemandGH.Value = demand
			h.OxygenDemandGH.Low, h.OxygenDemandGH.High = demand*(1-DemandSpread), demand*(1+DemandSpread)
		}
	}
	litresAnHour := 60 * float64(w.FlowLPM)
	if why := unknown(w.noInflow(), w.noLeast(), w.noFlow()); why != "" {
		h.OxygenDemandGH.NoLimit = why
	} else {
		h.OxygenDemandGH.Limit = max(0, float64(w.InflowMgL-w.LeastMgL)) * litresAnHour / 1000
		h.OxygenDemandGH.LimitSource = oxygenSource
	}
	left := func(demandGH float64) float64 { return max(0, float64(w.InflowMgL)-1000*demandGH/litresAnHour) }
	h.OutflowMgL = figure(left(h.OxygenDemandGH.Value), noWeight, w.noTemp(), w.noInflow(), w.noFlow())
	if h.OutflowMgL.Known() {
		if h.OxygenDemandGH.Known() {
			h.OutflowMgL.Low, h.OutflowMgL.High = left(h.OxygenDemandGH.High), left(h.OxygenDemandGH.Low)
		} else {
			h.OutflowMgL = Figure{Why: h.OxygenDemandGH.Why}
		}
	}
}

// Each names an input that is missing, "" when it is there.

func (w Water) noVolume() string { return missing(w.VolumeL > 0, "the water volume") }
func (w Water) noFlow() string   { return missing(w.FlowLPM > 0, "the flow") }
func (w Water) noTemp() string   { return missing(w.HaveTemp, "the water temperature") }

func (w Water) noInflow() string {
	return missing(w.InflowMgL > 0, "the oxygen of the inflow")
}

func (w Water) noLeast() string {
	return missing(w.LeastMgL > 0, "the least oxygen wanted in the outflow")
}

func missing(have bool, what string) string {
	if have {
		return ""
	}
	return what
}

// ofLots names what is missing of some lots, "" when there are none.
func ofLots(what, or string, lots []string) string {
	if len(lots) == 0 {
		return ""
	}
	lots = slices.Compact(slices.Sorted(slices.Values(lots)))
	switch {
	case lots[0] == "": // fish without a name
		return what + " of the fish" + or
	case len(lots) == 1:
		return what + " of lot " + lots[0] + or
	}
	return what + " of lots " + and(lots) + or
}

// figure is a value unless one of the inputs it rests on is missing.
func figure(value float64, missing ...string) Figure {
	if why := unknown(missing...); why != "" {
		return Figure{Why: why}
	}
	return Figure{Value: value}
}

// unknown says in words what is missing, "" when nothing is.
func unknown(missing ...string) string {
	missing = slices.DeleteFunc(missing, func(m string) bool { return m == "" })
	switch len(missing) {
	case 0:
		return ""
	case 1:
		return missing[0] + " is not known"
	}
	return and(missing) + " are not known"
}

// and joins names, at least one.
func and(names []string) string {
	last := len(names) - 1
	if last == 0 {
		return names[0]
	}
	return strings.Join(names[:last], ", ") + " and " + names[last]
}

// Domain of OxygenDemandMgKgH, both ends included: water that salmon and trout
// live in. The range the equations were fitted to is not known here.
const (
	MinDemandTempC measure.TempC = 0
	MaxDemandTempC measure.TempC = 25
)

// DemandSpread is the share by which the demand may be off either way (our
// judgement, no source): twice the jump between the trout equations, which also has to
// cover feeding and unrest.
const DemandSpread = 0.2

// OxygenDemandMgKgH is the oxygen that fish of a mean weight (grams, above 0)
// use at temperature t (0 to 25 degC), milligrams a kilogram an hour. Worked
// values: trout of 45.36 g (0.1 lb) use 226 at 10 degC, salmon 128.
//
// Errors: a description of the input that is out of range.
//
// Source: O2 = K T^a W^b, lb a day for 100 lb of fish, T in degF, W in lb (Liao
// 1971), form and ALL coefficients from memory. The two equations for trout
// differ by 9.5 % where they meet at 50 degF (for salmon by 0.5 %), so that one
// of them may be misremembered: hence DemandSpread.
func OxygenDemandMgKgH(t measure.TempC, meanWeight measure.MassG, salmon bool) (float64, error) {
	if !(t >= MinDemandTempC && t <= MaxDemandTempC) {
		return 0, fmt.Errorf("oxygen demand is worked out from %g to %g degC, not at %.1f degC", float64(MinDemandTempC), float64(MaxDemandTempC), float64(t))
	}
	if !(meanWeight > 0) || math.IsInf(float64(meanWeight), 1) {
		return 0, fmt.Errorf("oxygen demand needs a mean weight above 0 g, not %g g", float64(meanWeight))
	}
	degF, lb := measure.DegF.FromBase(float64(t)), measure.Pound.FromBase(float64(meanWeight))
	var k, a, b float64
	switch cold := degF <= 50; {
	case salmon && cold:
		k, a, b = 7.20e-7, 3.200, -0.194
	case salmon:
		k, a, b = 4.90e-5, 2.120, -0.194
	case cold:
		k, a, b = 1.90e-6, 3.130, -0.138
	default:
		k, a, b = 3.05e-4, 1.855, -0.138
	}
	const mgKgH = 1e6 / 100 / 24 // of one lb a day for 100 lb
	return k * math.Pow(degF, a) * math.Pow(lb, b) * mgKgH, nil
}

// FlowIndexGuide is a flow index, lb/(gpm in), that trout water of temperature
// t commonly bears: 1.50 at 50 degF and 1.80 at 46 degF for water that comes in
// about saturated and may leave with 5 mg/L, a straight line between, times the
// oxygen there is to use over what there is in that table, (inflow - least) /
// (full - 5). Full is the saturation the table rests on: at t and sea level.
// Oxygen above full is not counted. Worked values at 50 degF, full 11: inflow
// 11 and least 5 gives 1.50, inflow 8 gives 0.75.
//
// It is not known outside 46 to 50 degF (7.8 to 10 degC), for which no figure
// was found, and its Why says so. It is 0 when the inflow brings no more than
// least.
//
// Source: Piper et al. 1982, both temperatures and the halving from 6 to 3 ppm
// of available oxygen as read there; that the table's water is saturated at sea
// level is our reading of it, since its example starts from 11 ppm.
func FlowIndexGuide(t measure.TempC, inflow, least, full measure.OxygenMgL) Figure {
	const warm, cold, atWarm, atCold, tableLeast = 50, 46, 1.50, 1.80, 5
	w := Water{InflowMgL: inflow, LeastMgL: least}
	if why := unknown(w.noInflow(), w.noLeast(), missing(full > tableLeast, "the oxygen of saturated water")); why != "" {
		return Figure{Why: why}
	}
	degF := measure.DegF.FromBase(float64(t))
	if !(degF >= cold && degF <= warm) {
		return Figure{Why: fmt.Sprintf("the guide to the flow index holds from 7.8 to 10 degC (46 to 50 degF), and the water has %.1f degC (%.1f degF)", float64(t), degF)}
	}
	saturated := atWarm + (atCold-atWarm)*(warm-degF)/(warm-cold)
	usable := max(0, float64(min(inflow, full)-least)) / float64(full-tableLeast)
	return Figure{Value: saturated * usable}
}

// flowIndexGuide is the guide for this water.
func (w Water) flowIndexGuide() Figure {
	if why := unknown(w.noTemp(), w.noInflow(), w.noLeast()); why != "" {
		return Figure{Why: why}
	}
	const seaLevelHPa = 1013.25
	full, err := water.SaturationMgL(w.TempC, seaLevelHPa)
	if err != nil {
		return Figure{Why: err.Error()}
	}
	return FlowIndexGuide(w.TempC, w.InflowMgL, w.LeastMgL, full)
}
