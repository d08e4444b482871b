package book

import (
	"fmt"

	"weirkeeper/rules/lot"
)

// BySiteFile is who says what the site file states.
const BySiteFile = "site file"

// FromSite gives a lot of the site file as entries, so that there is one fold
// for all lots. A lot of green eggs without units is opened at its egg take, any
// other one when it came to its first unit. The entries' IDs stay the same as
// long as the lot's ID does; their numbers are negative and may be those of
// another lot's too.
func FromSite(l lot.Lot) []Entry {
	first := l.Path[0]
	opened := Entry{
		Lot: l.ID, Kind: Opened, At: first.From,
		Open: &Opening{
			Species: l.Species, Strain: l.Strain, Source: l.Source, EggTake: l.EggTake.UTC(),
			Start: l.Start, StartUnits: l.StartUnits, BaseC: l.BaseC, Count: Count{Method: Direct, Number: l.Eggs},
		},
	}
	if l.Start == lot.Green && l.StartUnits == 0 {
		opened.At = l.EggTake
	}
	entries := []Entry{opened, {Lot: l.ID, Kind: Placed, At: first.From, Unit: first.Unit, Trays: l.Trays}}
	for i, s := range l.Path[1:] {
		entries = append(entries, Entry{Lot: l.ID, Kind: Moved, At: s.From, Unit: l.Path[i].Unit, To: s.Unit})
	}
	for i := range entries {
		e := &entries[i]
		e.Seq = int64(i - len(entries))
		e.ID = fmt.Sprintf("%s: %s: %d %s", BySiteFile, l.ID, i+1, e.Kind)
		e.At, e.By = e.At.UTC(), BySiteFile
	}
	return entries
}
