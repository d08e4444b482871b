package stock

import (
	"cmp"
	"slices"
	"sort"
	"strings"

	"weirkeeper/rules/site"
)

// A Place is a unit that fish could be put into, with those it has.
type Place struct {
	Unit  string
	Kind  string // as in site.Kind
	Water Water
	Fish  []Fish
}

// Room is how many more fish fit into one unit.
type Room struct {
	Unit string
	// Number is the most that keeps every limit that can be worked out; 0 when
	// By is "".
	Number int
	// By is the limit that one fish more would break: "density index", "flow
	// index" or "oxygen"; "" when no limit could be worked out.
	By string
	// Why says which limits were not looked at and why, "" when all were.
	Why string
	// Holding is the unit with all of the new fish in it; only when Fits.
	Holding Holding
	// Fits says that all of them fit.
	Fits bool
}

// mostFish ends the search for a number that is too high.
const mostFish = 1 << 30

// RoomFor says how many more fish like next each place takes and whether all
// next.Number of them fit. The limits are those of Of: density index, flow
// index, and the oxygen the outflow must keep; guides count where the keeper
// states none. It needs the mean weight. For eggs nothing is worked out, since
// nobody has said what a tray holds.
//
// The best comes first: where all fit, then where every limit was looked at,
// then where the most fit; those where nothing could be worked out are last.
func RoomFor(next Fish, places []Place) []Room {
	rooms := make([]Room, 0, len(places))
	for _, p := range places {
		rooms = append(rooms, roomIn(p, next))
	}
	slices.SortStableFunc(rooms, func(a, b Room) int {
		return cmp.Or(
			falseLast(a.By != "", b.By != ""),
			falseLast(a.Fits, b.Fits),
			falseLast(a.Why == "", b.Why == ""),
			cmp.Compare(b.Number, a.Number),
		)
	})
	return rooms
}

func falseLast(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

func roomIn(p Place, next Fish) Room {
	r := Room{Unit: p.Unit}
	switch {
	case next.Eggs:
		r.Why = "room for eggs is not worked out, because it is not stated how many a tray holds"
		return r
	case !(next.MeanWeightG > 0):
		r.Why = "the mean weight of the fish to be placed is not known"
		return r
	}
	switch site.Kind(p.Kind) {
	case site.Spring, site.HeadBox, site.Stack:
		r.Why = "a " + p.Kind + " is no place for fish"
		return r
	case site.Trough, site.DeepTrough, site.Raceway:
	}
	with := func(n int) Holding {
		added := next
		added.Number = n
		return Of(append(slices.Clone(p.Fish), added), p.Water)
	}
	var not []string
	why := make(map[string][]string)
	looked := false
	for _, l := range with(1).limits() {
		reason := l.NoLimit
		switch {
		case !l.Known():
			reason = l.Why
		case l.Limited():
			looked = true
			continue
		}
		if why[reason] == nil {
			not = append(not, reason)
		}
		why[reason] = append(why[reason], l.name)
	}
	for i, reason := range not {
		not[i] = and(why[reason]) + ": " + reason
	}
	r.Why = strings.Join(not, "; ")
	if !looked {
		return r
	}
	r.Number = sort.Search(mostFish, func(n int) bool { return with(n+1).over() != "" })
	r.By = with(r.Number + 1).over()
	if r.Number >= next.Number {
		r.Fits, r.Holding = true, with(next.Number)
	}
	return r
}

type named struct {
	name string
	Figure
}

// limits are the figures that bound what a unit holds.
func (h Holding) limits() [3]named {
	return [3]named{{"density index", h.DensityIndex}, {"flow index", h.FlowIndex}, {"oxygen", h.OxygenDemandGH}}
}

// over names the first limit that is broken, "" for none.
func (h Holding) over() string {
	for _, l := range h.limits() {
		if l.Over() {
			return l.name
		}
	}
	return ""
}
