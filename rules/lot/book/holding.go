package book

import (
	"fmt"
	"slices"
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
)

// maxStrands is how many strands a holding may have. Fish moved to and fro in
// parts would double them at every turn. Beyond it the smallest strand is taken
// to have been where that one of its lot was that shared its waters longest.
const maxStrands = 16

// Unplaced is how many of the lot lie in no unit yet.
func (l *Lot) Unplaced() int {
	n := l.Number
	for i := range l.Holdings {
		n -= l.Holdings[i].Number
	}
	return n
}

// Seen is when each stage was seen here. Hatch is half of it where that was
// seen, else the first, else the last.
func (l *Lot) Seen() map[lot.Stage]time.Time {
	hatch := l.HatchHalf
	if hatch.IsZero() {
		hatch = l.HatchFirst
	}
	if hatch.IsZero() {
		hatch = l.HatchLast
	}
	seen := map[lot.Stage]time.Time{lot.Eyed: l.EyedAt, lot.Hatch: hatch, lot.SwimUp: l.SwimUpAt}
	for stage, at := range seen {
		if at.IsZero() {
			delete(seen, stage)
		}
	}
	return seen
}

// gather brings Strands up to date and gives them, without those of what lies
// in no unit, which gathers no units.
func (s *state) gather() []Strand {
	s.Strands = nil
	for i := range s.Holdings {
		s.Strands = append(s.Strands, s.Holdings[i].Strands...)
	}
	return s.Strands
}

// where words where the lot lies: "stack 1 (8,000) and trough 3 (400)".
func (s *state) where() string {
	var parts []string
	for i := range s.Holdings {
		parts = append(parts, fmt.Sprintf("%s (%s)", s.Holdings[i].Unit, measure.Group(s.Holdings[i].Number)))
	}
	if s.loose.Number > 0 {
		parts = append(parts, "no unit yet ("+measure.Group(s.loose.Number)+")")
	}
	return and(parts)
}

// from finds the holding of an entry's unit; without one, the only place where
// the lot lies.
func (s *state) from(unit string) (*Holding, error) {
	if unit == "" {
		switch {
		case len(s.Holdings) == 0:
			return &s.loose, nil
		case len(s.Holdings) == 1 && s.loose.Number == 0:
			return &s.Holdings[0], nil
		}
		return nil, fmt.Errorf("lot %s lies in %s: say which unit", s.ID, s.where())
	}
	for i := range s.Holdings {
		if s.Holdings[i].Unit == unit {
			return &s.Holdings[i], nil
		}
	}
	return nil, fmt.Errorf("nothing of lot %s lies in %s; it lies in %s", s.ID, unit, s.where())
}

// fill makes an entry say where and how many, when there are so many.
func (h *Holding) fill(e *Entry, done string) error {
	switch {
	case e.Number > h.Number && h.Unit == "":
		return fmt.Errorf("%s cannot be %s: by the book %s lie in no unit yet", measure.Group(e.Number), done, measure.Group(h.Number))
	case e.Number > h.Number:
		return fmt.Errorf("%s cannot be %s: by the book %s are there; if there are more, write a count first", measure.Group(e.Number), done, measure.Group(h.Number))
	case e.Number == 0:
		e.Number = h.Number
	}
	if e.Kind != Placed {
		e.Unit = h.Unit
	}
	return nil
}

// take takes n out of the holding, of each strand its share.
func (h *Holding) take(n int) Holding {
	part := *h
	part.Number = n
	part.Strands = scaled(h.Strands, float64(n)/float64(h.Number))
	h.Strands = scaled(h.Strands, float64(h.Number-n)/float64(h.Number))
	h.Number -= n
	return part
}

func scaled(strands []Strand, by float64) []Strand {
	if by == 0 {
		return nil
	}
	out := slices.Clone(strands)
	for i := range out {
		out[i].Number *= by
	}
	return out
}

// add joins another holding of the same unit. Weights are joined so that the
// total weight stays; what was never weighed is taken to be like the rest.
func (h *Holding) add(o Holding) {
	switch {
	case o.MeanWeightG == 0:
	case h.MeanWeightG == 0:
		h.MeanWeightG, h.LengthMM, h.WeighedAt = o.MeanWeightG, o.LengthMM, o.WeighedAt
	default:
		mean := func(a, b float64) float64 {
			return (a*float64(h.Number) + b*float64(o.Number)) / float64(h.Number+o.Number)
		}
		h.MeanWeightG = measure.MassG(mean(float64(h.MeanWeightG), float64(o.MeanWeightG)))
		if h.LengthMM != 0 && o.LengthMM != 0 {
			h.LengthMM = mean(h.LengthMM, o.LengthMM)
		} else {
			h.LengthMM = 0
		}
		if o.WeighedAt.Before(h.WeighedAt) {
			h.WeighedAt = o.WeighedAt
		}
	}
	switch {
	case o.Trays == "" || o.Trays == h.Trays:
	case h.Trays == "":
		h.Trays = o.Trays
	default:
		h.Trays += ", " + o.Trays
	}
	if h.Since.IsZero() || o.Since.Before(h.Since) {
		h.Since = o.Since
	}
	h.Number += o.Number
	h.Strands = joined(h.Strands, o.Strands)
}

// joined puts strands together; those of the same lot and waters become one.
func joined(out, more []Strand) []Strand {
	for _, s := range more {
		i := slices.IndexFunc(out, func(x Strand) bool { return x.Lot == s.Lot && slices.EqualFunc(x.Path, s.Path, sameStay) })
		if i >= 0 {
			out[i].Number += s.Number
		} else {
			out = append(out, s)
		}
	}
	for len(out) > maxStrands {
		least := 0
		for i := range out {
			if out[i].Number < out[least].Number {
				least = i
			}
		}
		gone := out[least]
		out = slices.Delete(out, least, least+1)
		out[nearest(gone, out)].Number += gone.Number
	}
	return out
}

// nearest finds the strand that was in the same waters as s for the longest, one
// of the same lot before any other.
func nearest(s Strand, among []Strand) int {
	best, bestSame, bestTogether := 0, false, time.Duration(-1)
	for i, x := range among {
		same, together := x.Lot == s.Lot, together(x.Path, s.Path)
		if same == bestSame && together > bestTogether || same && !bestSame {
			best, bestSame, bestTogether = i, same, together
		}
	}
	return best
}

// together is how long two paths, up to their last stays, ran through the same
// units.
func together(a, b []Stay) time.Duration {
	var sum time.Duration
	for len(a) > 0 && len(b) > 0 && !a[0].To.IsZero() && !b[0].To.IsZero() {
		from, to := a[0].From, a[0].To
		if b[0].From.After(from) {
			from = b[0].From
		}
		if b[0].To.Before(to) {
			to = b[0].To
		}
		if a[0].Unit == b[0].Unit && to.After(from) {
			sum += to.Sub(from)
		}
		if a[0].To.After(b[0].To) {
			b = b[1:]
		} else {
			a = a[1:]
		}
	}
	return sum
}

func sameStay(a, b Stay) bool { return a.Unit == b.Unit && a.From.Equal(b.From) && a.To.Equal(b.To) }

// put lays a part into a unit.
func (s *state) put(part Holding, unit, trays string, at time.Time) {
	part.Unit, part.Trays, part.Since = unit, trays, at
	for i := range part.Strands {
		path := closed(part.Strands[i].Path, at)
		if n := len(path); n > 0 && path[n-1].Unit == unit {
			path[n-1].To = time.Time{}
		} else {
			path = append(path, Stay{Unit: unit, From: at})
		}
		part.Strands[i].Path = path
	}
	if s.Placed.IsZero() {
		s.Placed = at
	}
	s.join(part)
}

// join adds a part that lies where it says.
func (s *state) join(part Holding) {
	if i := slices.IndexFunc(s.Holdings, func(h Holding) bool { return h.Unit == part.Unit }); i >= 0 {
		s.Holdings[i].add(part)
	} else {
		s.Holdings = append(s.Holdings, part)
	}
	slices.SortStableFunc(s.Holdings, func(a, b Holding) int { return a.Since.Compare(b.Since) })
}

// closed is a path that ends at a time, without a last stay of no length.
func closed(path []Stay, at time.Time) []Stay {
	path = slices.Clone(path)
	if n := len(path); n > 0 {
		if path[n-1].To = at; path[n-1].From.Equal(at) {
			path = path[:n-1]
		}
	}
	return path
}

func (s *state) tidy() {
	s.Holdings = slices.DeleteFunc(s.Holdings, func(h Holding) bool { return h.Number == 0 })
}

// less says that n have left the lot for good. With the last of them it is
// finished, and their strands are kept.
func (s *state) less(n int, last []Strand, at time.Time) {
	s.Number -= n
	s.tidy()
	if s.Number > 0 {
		return
	}
	s.Finished, s.Holdings = at, nil
	s.Strands = slices.Clone(last)
	for i := range s.Strands {
		s.Strands[i].Path = closed(s.Strands[i].Path, at)
	}
}
