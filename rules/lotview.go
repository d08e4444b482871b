package rules

import (
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/stock"
	"weirkeeper/rules/thermal"
)

// LotView is a lot with its units up to now and what they foretell. It shares
// nothing with the engine that changes.
type LotView struct {
	Lot *book.Lot
	// Units is what the lot has gathered from fertilisation, its StartUnits
	// included: over its strands the mean by number. Least and Most are those
	// of single strands.
	Units       thermal.Units
	Least, Most measure.DegreeDays
	// Sources are the probes counted now, one for each unit it lies in.
	Sources []LotProbe
	// MeanC is the recent mean temperature where most of it lies; HaveMean
	// false before the first reading.
	MeanC    measure.TempC
	HaveMean bool
	// LastYear says that forecasts follow the same weeks of last year, shifted
	// to the recent mean, in place of the recent mean alone.
	LastYear bool
	// Forecast is one for each stage still to come.
	Forecast []lot.Forecast
	Tender   lot.TenderState
	// Counting says that it is being counted again from the record and Units
	// are not whole yet.
	Counting bool
}

// LotProbe is where a lot's temperature comes from in one unit.
type LotProbe struct {
	Unit  string
	Probe reading.ProbeID // "" when there is none anywhere
	// Spring says that the unit has none of its own and the spring's is used.
	Spring bool
}

// LotSheet is all that is known of a lot.
type LotSheet struct {
	LotView
	// Lines are its entries, corrected ones included, by time.
	Lines []book.Line
	// Days is the table by local day, the mean over the strands by number.
	Days []thermal.Day
	// Seen is what the lot had gathered when each stage was seen.
	Seen []SeenStage
	// Stock is the arithmetic of every unit it lies in, all its fish and
	// those of other lots there together.
	Stock []UnitStock
}

// SeenStage is a stage that was seen, with the units gathered by then.
type SeenStage struct {
	What  string // "eyed", "first hatch", "half hatched", "last hatch", "swim-up", "fed first"
	At    time.Time
	Units thermal.Units
}

// UnitStock is what one unit holds, and the arithmetic of it.
type UnitStock struct {
	Unit  string
	Fish  []stock.Fish
	Water stock.Water
	stock.Holding
}
