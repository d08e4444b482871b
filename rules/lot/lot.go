package lot

import (
	"time"

	"weirkeeper/rules/measure"
)

// Stage is how far a lot has come.
type Stage string

// The stages in order.
const (
	Green  Stage = "green"
	Eyed   Stage = "eyed"
	Hatch  Stage = "hatch"
	SwimUp Stage = "swim-up"
)

// Stages lists the stages in order.
func Stages() []Stage { return []Stage{Green, Eyed, Hatch, SwimUp} }

// Need is the thermal units from fertilisation to a stage, as a range of
// degree-days above the lot's base temperature. Low <= High; both 0 means not
// known.
type Need struct {
	Low, High measure.DegreeDays
	// Source names where the range comes from, for the keeper to judge.
	Source string
}

// Known reports whether the need is stated.
func (n Need) Known() bool { return n.High > 0 }

// Stay is a lot's time in one unit. A lot's stays are in order of time; the
// last one is where it is now.
type Stay struct {
	Unit string
	From time.Time // UTC
}

// Lot is one lot of eggs or fish as the site file states it; what happens to it
// later is in the book (package book).
type Lot struct {
	ID      string
	Species string
	Strain  string
	// Source says where the eggs or fish are from, in the keeper's words.
	Source string `json:",omitempty"`
	// Trays says which trays of the first unit, in the keeper's words.
	Trays string `json:",omitempty"`
	// EggTake is the time of spawning and fertilisation, UTC.
	EggTake time.Time
	// Start is the stage the lot was in when it came to its first unit.
	Start Stage
	// StartUnits are the degree-days the lot had gathered before its first
	// stay began.
	StartUnits measure.DegreeDays
	Eggs       int
	// Path is where it has been, at least one stay.
	Path []Stay
	// BaseC is the temperature above which units count, degC, default 0.
	BaseC measure.TempC
	// Needs are the keeper's own requirements by stage; a stage without
	// one uses the published range for the species.
	Needs map[Stage]Need
}

// Unit is where the lot is now.
func (l Lot) Unit() string { return l.Path[len(l.Path)-1].Unit }
