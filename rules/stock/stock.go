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
	// Low and High are the range of Value where it is only known as one, else
	// both 0.
	Low, High float64
	// Why says what is missing, "" when Value holds.
	Why string
	// Limit is the highest value wanted and LimitSource whose it is; both zero
	// for no limit. A Limit of 0 with a source bears no fish at all.
	Limit       float64
	LimitSource string
	// Guide says that the limit is a rule of the trade and not the keeper's:
	// worth showing, no fault.
	Guide bool
	// NoLimit says what is missing for a limit, "" when there is one, or when
	// the figure never has one.
	NoLimit string
}

// Known reports whether the figure was worked out.
func (f Figure) Known() bool { return f.Why == "" }

// Limited reports whether there is a limit.
func (f Figure) Limited() bool { return f.Limit > 0 || f.LimitSource != "" }

// Over reports whether it is above its limit, be that the keeper's or a guide.
func (f Figure) Over() bool { return f.Known() && f.Limited() && f.Value > f.Limit }

// Holding is the arithmetic of one unit.
type Holding struct {
	// Number is of fish and eggs together, Eggs of the eggs alone. All else is
	// about the fish.
	Number, Eggs int
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
	// OxygenDemandGH is what the fish use, grams an hour. Its limit is what the
	// inflow brings above the least that the outflow may have.
	OxygenDemandGH Figure
	// OutflowMgL is the oxygen left in the outflow, 0 when the fish would use
	// all of it.
	OutflowMgL Figure
}
