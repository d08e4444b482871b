package book

import (
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
)

// Kind is what an entry says has happened.
type Kind string

// The kinds of entry, in the words of the command.
const (
	// Opened: eggs were taken, or eggs or fish arrived. Needs Opening and,
	// unless a Placed at the same time follows, Unit.
	Opened Kind = "opened"
	// Placed: Number (0: all that lie nowhere yet) were laid into Unit.
	Placed Kind = "placed"
	// Moved: Number (0: all) were moved from Unit to To; to other Trays, if
	// that is the same.
	Moved Kind = "moved"
	// Split: Number out of Unit became the new lot Other, which stays in
	// Unit or goes to To.
	Split Kind = "split"
	// Merged: the whole lot became part of lot Other. It stays where it is.
	Merged Kind = "merged"
	// Eyed: eyes were seen in most of the eggs.
	Eyed Kind = "eyed"
	// Shocked: the eggs were shocked; Number is the dead picked out after it.
	Shocked Kind = "shocked"
	// Picked: Number dead were picked out.
	Picked Kind = "picked"
	// Hatched: hatch began, was half done, or ended; see Part.
	Hatched Kind = "hatched"
	// SwimUp: most fry swim up.
	SwimUp Kind = "swim-up"
	// FirstFed: they were fed for the first time.
	FirstFed Kind = "fed"
	// Weighed: a sample was weighed; needs Sample.
	Weighed Kind = "weighed"
	// Counted: the number in Unit (or in the whole lot if Unit is "" and it
	// lies in one unit) is what Count says, whatever the book said before.
	Counted Kind = "counted"
	// Transferred: Number (0: all) went to another station, Place.
	Transferred Kind = "transferred"
	// Shipped: Number (0: all) were sold or stocked out to Place.
	Shipped Kind = "shipped"
	// Lost: Number (0: all) died or escaped at once; Text says how.
	Lost Kind = "lost"
	// Note: Text is worth keeping.
	Note Kind = "note"
	// Struck: the entry Corrects is taken back; Text says why.
	Struck Kind = "struck"
)

// Kinds lists the kinds in the order of a lot's life.
func Kinds() []Kind {
	return []Kind{
		Opened, Placed, Moved, Split, Merged, Eyed, Shocked, Picked, Hatched, SwimUp, FirstFed, Weighed, Counted,
		Transferred, Shipped, Lost, Note, Struck,
	}
}

// Part is how far a hatch has come.
type Part string

// The parts of a hatch.
const (
	First Part = "first"
	Half  Part = "half"
	Last  Part = "last"
)

// Parts lists the parts in order.
func Parts() []Part { return []Part{First, Half, Last} }

// Entry is one line of the record.
type Entry struct {
	// Seq is its number in the record, from 1; 0 before it is written, and
	// negative for what the site file states, where it may be used twice.
	Seq int64 `json:"seq,omitempty"`
	// ID is chosen by whoever makes the entry, so that the same entry sent
	// twice is written once.
	ID   string `json:"id"`
	Lot  string `json:"lot"`
	Kind Kind   `json:"kind"`
	// At is when it happened, RecordedAt when it was written, UTC.
	At         time.Time `json:"at"`
	RecordedAt time.Time `json:"recorded_at,omitzero"`
	// By is who says so.
	By string `json:"by"`
	// Corrects is the Seq of the entry that this one replaces (of the same
	// lot; any kind) or strikes; 0 for none.
	Corrects int64 `json:"corrects,omitempty"`

	Unit string `json:"unit,omitempty"`
	To   string `json:"to,omitempty"`
	// Trays says which trays of the stack, in the keeper's words.
	Trays  string   `json:"trays,omitempty"`
	Number int      `json:"number,omitempty"`
	Other  string   `json:"other,omitempty"`
	Place  string   `json:"place,omitempty"`
	Part   Part     `json:"part,omitempty"`
	Text   string   `json:"text,omitempty"`
	Count  *Count   `json:"count,omitempty"`
	Sample *Sample  `json:"sample,omitempty"`
	Open   *Opening `json:"opening,omitempty"`
}

// Opening is what is known of a lot when it begins here.
type Opening struct {
	Species string `json:"species"`
	Strain  string `json:"strain,omitempty"`
	// Source says where the eggs or fish are from.
	Source string `json:"source,omitempty"`
	// EggTake is the time of spawning and fertilisation, UTC.
	EggTake time.Time `json:"egg_take"`
	// Start is the stage in which it came; StartUnits the degree-days it had
	// gathered before.
	Start      lot.Stage          `json:"start"`
	StartUnits measure.DegreeDays `json:"start_degree_days,omitempty"`
	// BaseC is the temperature above which units count, degC.
	BaseC measure.TempC `json:"base_deg_c,omitempty"`
	Count Count         `json:"count"`
}

// Method is how a number was found.
type Method string

// The methods.
const (
	// Direct: counted or taken over one by one; only Number is set.
	Direct Method = "direct"
	// ByVolume: SampleNumber eggs filled SampleAmount mL; all fill
	// TotalAmount mL.
	ByVolume Method = "by volume"
	// ByWeight: SampleNumber weighed SampleAmount g; all weigh TotalAmount g.
	ByWeight Method = "by weight"
)

// Count is a number of eggs or fish and how it was found.
type Count struct {
	Method       Method  `json:"method"`
	Number       int     `json:"number,omitempty"` // Direct only
	SampleNumber int     `json:"sample_number,omitempty"`
	SampleAmount float64 `json:"sample_amount,omitempty"` // mL or g
	TotalAmount  float64 `json:"total_amount,omitempty"`  // mL or g
}

// Sample is some fish weighed together.
type Sample struct {
	Number int `json:"number"`
	// WeightG is the weight of all of them, grams.
	WeightG measure.MassG `json:"weight_g"`
	// LengthMM is their mean total length, mm; 0 when not measured.
	LengthMM float64 `json:"length_mm,omitempty"`
}
