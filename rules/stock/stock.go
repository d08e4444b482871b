package stock

import (
	"weirkeeper/rules/measure"
)

// Fish are the fish of one lot in a unit.
type Fish struct {
	Lot string
	// Number of fish or eggs; Eggs says that they have not hatched.
	Number int
	Eggs   bool
	// MeanWeightG is the mean weight of one, grams; 0 when not known.
	MeanWeightG measure.MassG
	// LengthMM is the mean total length, mm; 0 takes it from the weight and
	// ConditionK (K = 1e5 W/L^3, g and mm); both 0: not known.
	LengthMM   float64
	ConditionK float64
	// Salmon: oxygen demand by the salmon coefficients, else by the trout ones.
	Salmon bool
	// DensityLimit and FlowLimit are the keeper's, 0 for none.
	DensityLimit, FlowLimit float64
}

// Water is what a unit has.
type Water struct {
	VolumeL measure.VolumeL // 0 when not stated
	// FlowLPM is the flow measured lately, else the design flow; 0 for
	// neither. Design says that it is the design flow.
	FlowLPM measure.FlowLPM
	Design  bool
	// TempC is the temperature; HaveTemp false when not known.
	TempC    measure.TempC
	HaveTemp bool
	// InflowMgL is the oxygen of the water coming in, LeastMgL the least the
	// outflow may have; 0 when not known.
	InflowMgL, LeastMgL measure.OxygenMgL
}

// A Figure is one result, or why there is none.
type Figure struct {
	Value float64
	// Why says what is missing, "" when Value holds.
	Why string
	// Limit is the highest value wanted, 0 for none; LimitSource whose it is.
	Limit       float64
	LimitSource string
}

// Known reports whether the figure was worked out.
func (f Figure) Known() bool { return f.Why == "" }

// Over reports whether it is above its limit.
func (f Figure) Over() bool { return f.Known() && f.Limit > 0 && f.Value > f.Limit }

// Holding is the arithmetic of one unit.
type Holding struct {
	Number int
	// BiomassKG is the weight of all fish, kg.
	BiomassKG Figure
	// DensityIndex is W/(V L), lb/(ft3 in).
	DensityIndex Figure
	// FlowIndex is W/(L I), lb/(in gpm).
	FlowIndex Figure
	// DensityKGM3 is the biomass in the volume, kg/m3.
	DensityKGM3 Figure
	// LoadingKGperLPM is the biomass on the flow, kg/(L/min).
	LoadingKGperLPM Figure
	// TurnoverPerHour is how often the water is exchanged in an hour.
	TurnoverPerHour Figure
	// OxygenDemandGH is what the fish use, grams an hour.
	OxygenDemandGH Figure
	// OutflowMgL is the oxygen that leaves for it at that flow.
	OutflowMgL Figure
}
