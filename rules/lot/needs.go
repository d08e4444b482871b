package lot

import (
	"fmt"
	"slices"
	"strings"

	"weirkeeper/rules/measure"
)

// published holds the lowest and highest published degree-days to a stage, and
// where they were read. Published figures differ by strain and temperature;
// that disagreement is the range. Figures marked "from memory" were not seen in
// the source itself. Rows from water of 35 degF are left out, as their sums fall
// far below the others, and one hatch of coho at the units of eyeing; none of
// these sums is a constant of the species.
var published = map[string]map[Stage]Need{
	"rainbow trout": {
		Eyed:   {222, 222, "AFS 2015 abstract (preliminary)"},
		Hatch:  {291, 390, "Leitritz and Lewis 1976 / Piper 1982 (from memory); AFS 2015 abstract; an abstract on temperature and light"},
		SwimUp: {481.5, 481.5, "AFS 2015 abstract (preliminary)"},
	},
	"brown trout": {
		Hatch: {400, 462.2, "Leitritz and Lewis 1976 / Piper 1982 (from memory); an estuary wildlife page"},
	},
	"brook trout": {
		Hatch: {440, 672, "Leitritz and Lewis 1976 / Piper 1982 (from memory), 440 to 491; Baird et al. 2002, 457 to 672 for all eggs hatched"},
	},
	"lake trout": {
		Hatch: {480, 520, "Leitritz and Lewis 1976 / Piper 1982 (from memory)"},
	},
	"chinook": {
		Eyed:   {250, 250, "Piper 1982 (from memory)"},
		Hatch:  {416.7, 500, "Piper 1982 (from memory); an agency e-mail citing Beacham and Murray 1990; a classroom programme"},
		SwimUp: {724, 944, "Piper 1982 (from memory); an agency e-mail; a regression on hatchery ponding"},
	},
	"coho": {
		Eyed:   {250, 250, "Piper 1982 (from memory)"},
		Hatch:  {416.7, 416.7, "Piper 1982 (from memory)"},
		SwimUp: {972.2, 972.2, "Piper 1982 (from memory)"},
	},
	"sockeye": {
		Eyed:   {500, 500, "Piper 1982 (from memory)"},
		Hatch:  {666.7, 666.7, "Piper 1982 (from memory)"},
		SwimUp: {1000, 1000, "Piper 1982 (from memory)"},
	},
	"coastal cutthroat": {
		Eyed:   {216, 216, "AFS 2015 abstract (preliminary)"},
		Hatch:  {300, 312, "AFS 2015 abstract (preliminary)"},
		SwimUp: {462.8, 462.8, "AFS 2015 abstract (preliminary)"},
	},
}

// leastSpread is the half-width every published range is widened to at least:
// a fixed total is an estimate, not a date (common practice, no source).
const leastSpread = 0.10

// Published is the published requirement of a species for a stage, widened to
// at least 10 percent either side of its middle. It is not Known for species
// and stages nothing was found for, arctic char among them.
func Published(species string, s Stage) Need {
	return widen(published[canonical(species)][s], leastSpread)
}

// PublishedSpecies lists the species with any published requirement, sorted.
func PublishedSpecies() []string {
	var s []string
	for name := range published {
		s = append(s, name)
	}
	slices.Sort(s)
	return s
}

// Crisp 1988 (abstract, read): time to eyed is half of that to hatch in Atlantic
// salmon, and time to swim-up 1.7 of it in eight species of Salmo and
// Oncorhynchus; both approximate, over most of 0 to 9.5 degC.
const (
	eyedOfHatch   = 0.5
	swimUpOfHatch = 1.7
)

// carriedSpread is the least half-width of a range worked out from hatch for a
// species the ratio was not shown for (an assumption, no source).
const carriedSpread = 0.15

// crispGenera are the species known here of the two genera; the abstract does
// not say which eight it rests on.
var crispGenera = []string{"atlantic salmon", "brown trout", "chinook", "coastal cutthroat", "coho", "rainbow trout", "sockeye"}

func canonical(species string) string { return strings.ToLower(strings.TrimSpace(species)) }

// ofHatch is the share of the time to hatch that a stage takes, the least
// half-width of what follows from it, and its source in words. ok is false for
// stages without one.
func ofHatch(species string, s Stage) (ratio, spread float64, source string, ok bool) {
	species = canonical(species)
	shown := false
	switch s {
	case Eyed:
		ratio, source, shown = eyedOfHatch, "half of hatch (Crisp 1988, abstract, for Atlantic salmon", species == "atlantic salmon"
	case SwimUp:
		ratio, source, shown = swimUpOfHatch, "1.7 times hatch (Crisp 1988, abstract, for eight species of Salmo and Oncorhynchus", slices.Contains(crispGenera, species)
	case Green, Hatch:
		return 0, 0, "", false
	}
	if shown {
		return ratio, leastSpread, source + ")", true
	}
	return ratio, carriedSpread, fmt.Sprintf("%s; carried over to %s, for which it was not shown)", source, species), true
}

// Need is the requirement of the species for a stage: the keeper's own, else
// published, else worked out from hatch: eyed at half of it and swim-up at 1.7
// times it (Crisp 1988, abstract). Brook trout, hatch at 440 to 672
// degree-days: eyed at 220 to 336, swim-up at 748 to 1142.4. Published figures count from 0
// degC. It is not Known where there is none of these.
func (p Profile) Need(s Stage) Need { return p.need(s, true) }

// need leaves published figures out for lots that are not counted from 0 degC.
func (p Profile) need(s Stage, published bool) Need {
	if n := p.Needs[s]; n.Known() {
		return n
	}
	if published {
		if n := Published(p.Species, s); n.Known() {
			return n
		}
	}
	ratio, spread, source, ok := ofHatch(p.Species, s)
	if !ok {
		return Need{}
	}
	hatch := p.need(Hatch, published)
	if !hatch.Known() {
		return Need{}
	}
	r := measure.DegreeDays(ratio)
	return widen(Need{r * hatch.Low, r * hatch.High, source + "; hatch: " + hatch.Source}, spread)
}

// widen makes a range at least spread (a share) wide either side of its middle.
func widen(n Need, spread float64) Need {
	mid := (n.Low + n.High) / 2
	n.Low = min(n.Low, mid*measure.DegreeDays(1-spread))
	n.High = max(n.High, mid*measure.DegreeDays(1+spread))
	return n
}
