package book

import (
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
)

// Stay is time spent in one unit, half-open; To is zero while it goes on.
type Stay struct {
	Unit     string
	From, To time.Time
}

// Strand is a share of a lot that has been in the same waters all its life.
// A lot has one, until a part of it is moved or another lot merges into it.
type Strand struct {
	// Lot is the ID of the lot its eggs were opened as.
	Lot string
	// EggTake, StartUnits and BaseC are those of that lot.
	EggTake    time.Time
	StartUnits measure.DegreeDays
	BaseC      measure.TempC
	// Path is where it has been, in order, without time in between.
	Path []Stay
	// Number is how many of the lot it is.
	Number float64
}

// Holding is what of a lot lies in one unit now.
type Holding struct {
	Unit  string
	Trays string // in the keeper's words, "" when not said
	// Number is the book's number: counted, less what was taken out.
	Number int
	Since  time.Time
	// MeanWeightG and LengthMM are those of the newest sample from there or
	// from the whole lot; 0 when never weighed. Fish that join others are
	// weighed in by number, and WeighedAt is then the older of the two.
	MeanWeightG measure.MassG
	LengthMM    float64
	WeighedAt   time.Time
	Strands     []Strand
}

// Lot is the state of one lot.
type Lot struct {
	ID string
	Opening
	OpenedAt time.Time
	// Placed is the time of the first stay; zero before.
	Placed time.Time
	// Stage is the furthest stage seen, at least Opening.Start; hatch from
	// the first sign of it that was written down.
	Stage lot.Stage
	// EyedAt, HatchFirst, HatchHalf, HatchLast, SwimUpAt and FedAt are when
	// each was seen; zero before.
	EyedAt, HatchFirst, HatchHalf, HatchLast, SwimUpAt, FedAt time.Time
	// Holdings is where it is, in order of first stay. Empty when finished.
	Holdings []Holding
	// Strands are those of all holdings; of a finished lot the last ones.
	Strands []Strand
	// Numbers: Opened is the first count; Dead were picked, shocked out or
	// lost, Out shipped or transferred, Split given to other lots, Joined got
	// from lots merged into this one; Adjusted is what counts changed. So
	// Opened + Joined + Adjusted - Dead - Out - Split is Number, but for
	// what a merge took away whole.
	Opened, Dead, Out, Split, Joined, Adjusted, Number int
	// Finished is when the last of it left; zero while any are here.
	Finished time.Time
	// Into is the lot this one merged into, "" if it did not.
	Into string
	// From is the lot this one was split from, "" if it was not.
	From string
	// Warnings are what was done that should not have been, such as a move
	// while tender, and what of the record is left out (Problem), in words with
	// their entry's time.
	Warnings []string
}

// Line is an entry with what became of it. Where it held and left its unit or
// "all" to the book, Unit and Number are the book's answer.
type Line struct {
	Entry
	// CorrectedBy is the Seq of the entry that replaced or struck it, 0 when
	// it holds.
	CorrectedBy int64
	// Problem is why it is left out though it was not corrected, "" if it is
	// not.
	Problem string
}
