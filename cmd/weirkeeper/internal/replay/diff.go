package replay

import (
	"slices"
	"time"
)

// near is how far apart the raises of two occurrences may lie that count as the
// same trouble though they do not overlap.
const near = 30 * time.Minute

// Pair is one trouble as two sets of rules saw it; one of them may be nil.
type Pair struct{ A, B *Occurrence }

// Compare matches the occurrences of two results: those of one kind on one probe
// or unit that overlap, or were raised within half an hour of each other, are
// the same trouble, whatever the rules are called. The pairs are in order of the
// first raise.
func Compare(a, b *Result, to time.Time) []Pair {
	what := func(o *Occurrence) [3]string {
		return [3]string{string(o.Raised.Kind), o.Raised.Unit, string(o.Raised.Probe)}
	}
	waiting := make(map[[3]string][]*Occurrence)
	for i := range b.Occurrences {
		o := &b.Occurrences[i]
		waiting[what(o)] = append(waiting[what(o)], o)
	}
	var pairs []Pair
	matched := make(map[*Occurrence]bool)
	for i := range a.Occurrences {
		o := &a.Occurrences[i]
		p := Pair{A: o}
		for _, w := range waiting[what(o)] {
			if !matched[w] && same(o, w, to) {
				p.B, matched[w] = w, true
				break
			}
		}
		pairs = append(pairs, p)
	}
	for i := range b.Occurrences {
		if o := &b.Occurrences[i]; !matched[o] {
			pairs = append(pairs, Pair{B: o})
		}
	}
	slices.SortStableFunc(pairs, func(x, y Pair) int { return x.first().Compare(y.first()) })
	return pairs
}

func same(a, b *Occurrence, to time.Time) bool {
	if a.Raised.At.Sub(b.Raised.At).Abs() <= near {
		return true
	}
	endA, endB := a.Raised.At.Add(a.Lasted(to)), b.Raised.At.Add(b.Lasted(to))
	return a.Raised.At.Before(endB) && b.Raised.At.Before(endA)
}

func (p Pair) first() time.Time {
	switch {
	case p.A == nil:
		return p.B.Raised.At
	case p.B == nil || p.A.Raised.At.Before(p.B.Raised.At):
		return p.A.Raised.At
	}
	return p.B.Raised.At
}
