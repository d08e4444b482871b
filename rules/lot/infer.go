package lot

import (
	"fmt"
	"math"
	"slices"

	"weirkeeper/rules/measure"
)

// Range is a range of degree-days, Low <= High.
type Range struct{ Low, High measure.DegreeDays }

func (r Range) overlaps(low, high measure.DegreeDays) bool { return r.Low <= high && low <= r.High }

func (r Range) String() string {
	tenth := func(d measure.DegreeDays) float64 { return math.Round(float64(d)*10) / 10 }
	if tenth(r.Low) == tenth(r.High) {
		return fmt.Sprintf("%g degree-days", tenth(r.Low))
	}
	return fmt.Sprintf("%g to %g degree-days", tenth(r.Low), tenth(r.High))
}

// Came is the state in which eggs may have been placed.
type Came string

// The states. Between is the tender time, in which eggs should not travel.
const (
	CameGreen Came = "green"
	Between   Came = "between green and eyed"
	CameEyed  Came = "eyed"
)

// freshUnits is what eggs gather at most before they are tender: two days in
// water of 10 degC (common practice, no source).
const freshUnits measure.DegreeDays = 20

// Inference is what must have been true of eggs that hatched after so many
// degree-days from the day they were placed.
type Inference struct {
	Species string
	// Placed is what they gathered from placing to hatch.
	Placed Range
	// Hatch and Eyed are the requirements it rests on, from fertilisation.
	Hatch, Eyed Need
	// StartUnits is what they must have gathered before; not set without Fits.
	StartUnits Range
	// Fits are the states that StartUnits allow, and Likeliest the one its
	// middle lies in; none when Placed alone is more than any hatch needs, or
	// no requirement is known.
	Fits      []Came
	Likeliest Came
	// IfEyed is the requirement of hatch, from fertilisation, if they were
	// just eyed when placed. If they were just fertilised, it is Placed itself.
	IfEyed Range
}

// Infer works out with how many degree-days, and so in which state, a lot must
// have come that hatched after so many from placing.
//
// Brook trout hatched after 187.5 to 225 (25 days at 7.5 to 9 degC) against a
// requirement of 440 to 672 came with 215 to 484.5: eyed most likely, as eyed
// needs 220 to 336.
func Infer(p Profile, placedToHatch Range) Inference {
	in := Inference{Species: p.Species, Placed: placedToHatch, Hatch: p.Need(Hatch), Eyed: p.Need(Eyed)}
	if !in.Hatch.Known() {
		return in
	}
	// That of eyed is known wherever that of hatch is.
	in.IfEyed = Range{in.Eyed.Low + in.Placed.Low, in.Eyed.High + in.Placed.High}
	if in.Hatch.High < in.Placed.Low {
		return in
	}
	in.StartUnits = Range{max(0, in.Hatch.Low-in.Placed.High), in.Hatch.High - in.Placed.Low}
	if in.StartUnits.overlaps(0, freshUnits) {
		in.Fits = append(in.Fits, CameGreen)
	}
	if in.StartUnits.overlaps(freshUnits, in.Eyed.High) {
		in.Fits = append(in.Fits, Between)
	}
	if in.StartUnits.High >= in.Eyed.Low {
		in.Fits = append(in.Fits, CameEyed)
	}
	switch mid := (in.StartUnits.Low + in.StartUnits.High) / 2; {
	case mid <= freshUnits:
		in.Likeliest = CameGreen
	case mid >= (in.Eyed.Low+in.Eyed.High)/2:
		in.Likeliest = CameEyed
	default:
		in.Likeliest = Between
	}
	return in
}

// String says it in plain words, a line for each step.
func (in Inference) String() string {
	if !in.Hatch.Known() {
		return fmt.Sprintf("No requirement for hatch is known for %s, so nothing follows. Write your own under needs.\n", in.Species)
	}
	hatch, eyed := Range{in.Hatch.Low, in.Hatch.High}, Range{in.Eyed.Low, in.Eyed.High}
	s := fmt.Sprintf("From placing to hatch: %v.\n", in.Placed) +
		fmt.Sprintf("Hatch of %s takes %v from egg take.\n  %s\n", in.Species, hatch, in.Hatch.Source) +
		fmt.Sprintf("Eyed comes at %v.\n  %s\n", eyed, in.Eyed.Source)
	if len(in.Fits) == 0 {
		return s + "No start fits: even eggs laid down on the day of the egg take would have hatched sooner. Check the days and the temperatures.\n"
	}
	s += fmt.Sprintf("So the eggs came with %v.\nWhat they came as:\n", in.StartUnits)
	for _, c := range []Came{CameGreen, Between, CameEyed} {
		word := "does not fit"
		switch {
		case c == in.Likeliest:
			word = "likeliest"
		case slices.Contains(in.Fits, c):
			word = "possible"
		}
		s += fmt.Sprintf("  %s: %s\n", c, word)
	}
	word := "outside"
	switch {
	case hatch.Low <= in.IfEyed.Low && in.IfEyed.High <= hatch.High:
		word = "within"
	case in.IfEyed.overlaps(hatch.Low, hatch.High):
		word = "partly within"
	}
	s += fmt.Sprintf("Had they just eyed when they were placed, this lot took %v from egg take to hatch: %s the range above.\n", in.IfEyed, word)
	if in.Likeliest == Between {
		s += "Eggs do not travel well between green and eyed. If they came eyed, this strain needs more than the figures above say. Finished lots of your own will tell.\n"
	}
	return s
}
