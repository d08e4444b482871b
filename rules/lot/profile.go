package lot

import (
	"time"

	"weirkeeper/rules/measure"
)

// Profile is what the keeper states of a species at this site. What is left
// zero is taken from the published figures, where there are any.
type Profile struct {
	Species string
	// Needs are the keeper's own requirements by stage, from fertilisation.
	Needs map[Stage]Need
	// Models are the keeper's own rates of development by stage.
	Models map[Stage]Model
	// Tender is the time in which eggs must lie still.
	Tender Tender
	// FryWeightG is the weight of a fry at swim-up, grams.
	FryWeightG measure.MassG
	// ConditionK is the condition factor K = 1e5 W/L^3 (g, mm), about 1 for
	// trout; it gives the length of fish that were only weighed.
	ConditionK float64
	// DensityLimit and FlowLimit are the highest density index, lb/(ft3*in),
	// and flow index, lb/(gpm*in), the keeper wants.
	DensityLimit, FlowLimit float64
}

// Tender is the time between early development and the eyed stage, in which
// eggs must be neither moved nor shocked.
type Tender struct {
	// From is how long after fertilisation it begins, DefaultTenderFrom when
	// 0.
	From time.Duration
	// Until is the degree-days at which it ends if nobody wrote down that
	// the lot is eyed; 0 takes the upper end of the requirement for eyed.
	Until measure.DegreeDays
}

// DefaultTenderFrom is how long after fertilisation green eggs may still be
// moved (common practice, no source).
const DefaultTenderFrom = 48 * time.Hour

// Form is the form of a published equation of development.
type Form string

// The forms. D is the days from fertilisation to the stage at a constant
// temperature T, degC.
const (
	// Power is log10 D = B log10(T - C) + A: Crisp 1981, where C is his a0
	// and A his log10 a.
	Power Form = "power"
	// Belehradek is ln D = A - B ln(T + C): the log-inverse Belehradek form
	// of Beacham and Murray 1990.
	Belehradek Form = "belehradek"
	// Exponential is ln D = A - B T.
	Exponential Form = "exponential"
)

// Forms lists the forms.
func Forms() []Form { return []Form{Power, Belehradek, Exponential} }

// Model is the rate of development to a stage: each day adds 1/D(T), and the
// stage is reached at 1.
type Model struct {
	Form    Form
	A, B, C float64
	// LowC and HighC bound the temperatures it holds for, degC, inclusive.
	// Outside them the nearer end's rate is used, and it is said.
	LowC, HighC measure.TempC
	// Source names where the coefficients come from, and whether from memory.
	Source string
}

// Known reports whether there is a model.
func (m Model) Known() bool { return m.Form != "" }

// TenderState is whether a lot's eggs are tender now.
type TenderState struct {
	Tender bool
	// From is when it began or will; zero when it does not apply.
	From time.Time
	// Why says what it rests on, in words, "" when it does not apply.
	Why string
}

// Where the keeper states nothing: a fry at swim-up weighs about 0.12 g (common
// practice, no source), and a trout's condition factor is about 1.05, between
// the C of 3500e-7 and 4055e-7 lb/in^3 of common tables (from memory).
const usualFryWeightG, usualConditionK = 0.12, 1.05

// FryWeight is the weight of a fry at swim-up, grams.
func (p Profile) FryWeight() measure.MassG {
	if p.FryWeightG > 0 {
		return p.FryWeightG
	}
	return usualFryWeightG
}

// Condition is the condition factor K, g and mm.
func (p Profile) Condition() float64 {
	if p.ConditionK > 0 {
		return p.ConditionK
	}
	return usualConditionK
}
