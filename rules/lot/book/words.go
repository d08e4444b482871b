package book

import (
	"fmt"
	"strings"

	"weirkeeper/rules/measure"
)

// Words is the entry in one line of the record sheet, without its time and who
// made it: "8,000 moved from stack 1 to trough 3 (trays 1-4)".
func (e Entry) Words() string {
	s := e.what()
	if e.Text != "" {
		s += ": " + e.Text
	}
	if e.Corrects != 0 && e.Kind != Struck {
		s = fmt.Sprintf("in place of entry %d: %s", e.Corrects, s)
	}
	return s
}

// what says what happened, without the text.
func (e Entry) what() string {
	trays := ""
	if e.Trays != "" {
		trays = " (trays " + e.Trays + ")"
	}
	switch e.Kind {
	case Opened:
		s := "opened"
		if o := e.Open; o != nil {
			s += ": " + o.Species
			if o.Strain != "" {
				s += ", " + o.Strain
			}
			s += ", " + string(o.Start)
			if o.StartUnits != 0 {
				s += fmt.Sprintf(" with %s degree-days", amount(float64(o.StartUnits)))
			}
			s += ", " + o.Count.String()
			if o.Source != "" {
				s += ", from " + o.Source
			}
		}
		return s + prefixed(", in ", e.Unit) + trays
	case Placed:
		return e.number() + " placed in " + e.Unit + trays
	case Moved:
		if e.To == e.Unit {
			return e.number() + " moved within " + e.To + trays
		}
		return e.number() + " moved" + prefixed(" from ", e.Unit) + " to " + e.To + trays
	case Split:
		s := fmt.Sprintf("%s of lot %s%s became lot %s", e.number(), e.Lot, prefixed(" in ", e.Unit), e.Other)
		if e.To != e.Unit {
			s += prefixed(", moved to ", e.To)
		}
		return s + trays
	case Merged:
		return fmt.Sprintf("lot %s became part of lot %s", e.Lot, e.Other)
	case Shocked:
		if e.Number == 0 {
			return "shocked" + prefixed(" in ", e.Unit)
		}
		return "shocked, " + e.number() + " dead picked out" + prefixed(" of ", e.Unit)
	case Picked:
		return e.number() + " dead picked out" + prefixed(" of ", e.Unit)
	case Hatched:
		if e.Part == Half {
			return "half hatched"
		}
		return string(e.Part) + " hatch"
	case FirstFed:
		return "fed for the first time"
	case Weighed:
		s := "weighed"
		if w := e.Sample; w != nil {
			s = fmt.Sprintf("%s weighed %s g, %s g each", measure.Group(w.Number), amount(float64(w.WeightG)), amount(float64(w.MeanWeightG())))
			if w.LengthMM != 0 {
				s += fmt.Sprintf(", %s mm long", amount(w.LengthMM))
			}
		}
		return s + prefixed(", from ", e.Unit)
	case Counted:
		s := "counted"
		if e.Count != nil {
			s += ": " + e.Count.String()
		}
		return s + prefixed(", in ", e.Unit)
	case Transferred, Shipped:
		return e.number() + " " + string(e.Kind) + prefixed(" from ", e.Unit) + prefixed(" to ", e.Place)
	case Lost:
		return e.number() + " lost" + prefixed(" from ", e.Unit)
	case Note:
		return "note" + prefixed(" on ", e.Unit)
	case Struck:
		return fmt.Sprintf("entry %d struck", e.Corrects)
	case Eyed, SwimUp:
		return string(e.Kind)
	}
	return string(e.Kind)
}

// number is how many an entry speaks of; none stated means all.
func (e Entry) number() string {
	if e.Number == 0 {
		return "all"
	}
	return measure.Group(e.Number)
}

func prefixed(before, s string) string {
	if s == "" {
		return ""
	}
	return before + s
}

// and joins words as a sentence does.
func and(words []string) string {
	if n := len(words) - 1; n > 0 {
		return strings.Join(words[:n], ", ") + " and " + words[n]
	}
	return strings.Join(words, "")
}
