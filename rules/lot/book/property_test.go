package book_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
)

// invariants holds a book against what must be true after any entries.
func invariants(t *testing.T, b *book.Book) {
	t.Helper()
	gone := make(map[string]int) // what merges took out of a lot, by the lot it joined
	joined := make(map[string]int)
	var opened, number, lost int
	for _, l := range b.Lots() {
		left := l.Opened + l.Joined + l.Adjusted - l.Dead - l.Out - l.Split
		switch {
		case l.Into != "":
			gone[l.Into] += left
		case left != l.Number:
			t.Errorf("lot %s: %d opened, %d joined, %d adjusted, %d dead, %d out and %d split make %d, the book has %d",
				l.ID, l.Opened, l.Joined, l.Adjusted, l.Dead, l.Out, l.Split, left, l.Number)
		}
		joined[l.ID] += l.Joined
		if l.From == "" {
			opened += l.Opened
		}
		lost += l.Dead + l.Out - l.Adjusted
		number += l.Number
		lotInvariants(t, l)
	}
	for id, n := range joined {
		if n != gone[id] {
			t.Errorf("lot %s got %d from lots that gave %d", id, n, gone[id])
		}
	}
	if opened-lost != number {
		t.Errorf("of %d opened %d are gone, and %d are left", opened, lost, number)
	}
}

func lotInvariants(t *testing.T, l *book.Lot) {
	t.Helper()
	if (l.Number == 0) != !l.Finished.IsZero() || l.Number < 0 || l.Unplaced() < 0 {
		t.Errorf("lot %s: %d, %d unplaced, finished %v", l.ID, l.Number, l.Unplaced(), l.Finished)
	}
	strands := 0
	seen := make(map[string]bool)
	for i, h := range l.Holdings {
		if h.Number <= 0 || h.Unit == "" || seen[h.Unit] {
			t.Errorf("lot %s: %d in %q", l.ID, h.Number, h.Unit)
		}
		seen[h.Unit] = true
		if i > 0 && h.Since.Before(l.Holdings[i-1].Since) {
			t.Errorf("lot %s: %s is not in order of first stay", l.ID, h.Unit)
		}
		sum := 0.0
		for _, s := range h.Strands {
			sum += s.Number
			if n := len(s.Path); n == 0 || s.Path[n-1].Unit != h.Unit || !s.Path[n-1].To.IsZero() {
				t.Errorf("lot %s: a strand in %s has the path %v", l.ID, h.Unit, s.Path)
			}
		}
		if math.Abs(sum-float64(h.Number)) > 1e-6*float64(h.Number) || len(h.Strands) > 16 {
			t.Errorf("lot %s: %d strands of %v make %d in %s", l.ID, len(h.Strands), sum, h.Number, h.Unit)
		}
		strands += len(h.Strands)
	}
	if l.Finished.IsZero() && strands != len(l.Strands) {
		t.Errorf("lot %s: %d strands in its units, %d in all", l.ID, strands, len(l.Strands))
	}
	for _, s := range l.Strands {
		for i, p := range s.Path {
			last := i == len(s.Path)-1
			switch {
			case last && !p.To.Equal(l.Finished), !last && !p.To.Equal(s.Path[i+1].From), !p.To.IsZero() && !p.From.Before(p.To):
				t.Errorf("lot %s, finished %v: path %v", l.ID, l.Finished, s.Path)
			}
		}
	}
	before := l.EggTake
	for _, at := range []time.Time{l.EyedAt, l.HatchFirst, l.HatchHalf, l.HatchLast, l.SwimUpAt} {
		if !at.IsZero() && at.Before(before) {
			t.Errorf("lot %s: a stage at %v, the one before at %v", l.ID, at, before)
		}
		if !at.IsZero() {
			before = at
		}
	}
}

var (
	lots  = []string{"A", "B", "C", "D", "E", "F", "G", "H", "I", "J"}
	units = []string{"stack 1", "stack 2", "trough 1", "trough 2", "raceway 1"}
)

func pick[T any](r *rand.Rand, from []T) T { return from[r.IntN(len(from))] }

// random is an entry that may or may not fit. Its time is most often late in the
// record, sometimes in the past of what is there.
func random(r *rand.Rand, b *book.Book, n int) book.Entry {
	kinds := append(book.Kinds(), book.Placed, book.Placed, book.Moved, book.Moved, book.Moved, book.Split, book.Picked, book.Weighed, book.Eyed, book.Hatched)
	e := book.Entry{Lot: pick(r, lots), Kind: pick(r, kinds), At: day(0).Add(time.Duration(n) * 8 * time.Hour), Text: "x"}
	if r.IntN(5) == 0 {
		e.At = day(0).Add(time.Duration(r.IntN(n*8+1)) * time.Hour)
	}
	some := func() int { return 1 + r.IntN(4000) }
	// All of them leave seldom, or there would soon be nothing left to try.
	all := r.IntN(8) == 0
	unit := func() string {
		l, ok := b.Lot(e.Lot)
		switch {
		case r.IntN(3) == 0:
			return ""
		case !ok || len(l.Holdings) == 0 || r.IntN(8) == 0:
			return pick(r, units)
		}
		return pick(r, l.Holdings).Unit
	}
	switch e.Kind {
	case book.Opened:
		e.Open = opening(1 + r.IntN(10000))
		if r.IntN(2) == 0 {
			e.Open.Start, e.Open.StartUnits = lot.Eyed, 230
		}
		if r.IntN(4) > 0 {
			e.Unit = pick(r, units)
		}
	case book.Placed:
		if e.Unit = pick(r, units); !all {
			e.Number = some()
		}
	case book.Moved:
		if e.Unit, e.To = unit(), pick(r, units); !all {
			e.Number = some()
		}
	case book.Split:
		e.Other, e.Unit, e.To, e.Number = pick(r, lots), unit(), pick(r, append(units, "", "")), some()/4
	case book.Merged:
		e.Other = pick(r, lots)
	case book.Shocked, book.Picked, book.Lost:
		if e.Unit = unit(); !all {
			e.Number = 1 + r.IntN(300)
		}
	case book.Transferred, book.Shipped:
		if e.Unit, e.Place = unit(), "Birch Run"; !all {
			e.Number = some() / 4
		}
	case book.Hatched:
		e.Part = pick(r, book.Parts())
	case book.Weighed:
		e.Unit, e.Sample = unit(), &book.Sample{Number: 1 + r.IntN(50), WeightG: measure.MassG(1 + r.IntN(100))}
	case book.Counted:
		e.Unit, e.Count = unit(), &book.Count{Method: book.Direct, Number: 1 + r.IntN(9000)}
	case book.Struck:
		e.Corrects = int64(1 + r.IntN(n+1))
	case book.Eyed, book.SwimUp, book.FirstFed, book.Note:
	}
	if r.IntN(10) == 0 {
		e.Corrects = int64(1 + r.IntN(n+1))
	}
	return e
}

// history is a valid record: of many random entries those that Check lets in.
func history(t *testing.T, seed uint64, corrections bool) *writer {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 4))
	w := write(t)
	for range 400 {
		e := random(r, w.b, len(w.entries))
		if old, ok := w.b.Entry(e.Corrects); ok {
			e.Lot = old.Lot
		}
		if !corrections {
			if e.Corrects != 0 {
				continue
			}
			e.At = e.At.Add(time.Duration(len(w.entries)) * time.Second) // no two at the same time
		}
		before := w.b
		if _, err := w.try(e); err != nil || e.Kind == book.Struck || r.IntN(4) > 0 {
			continue
		}
		// Struck at once, the entry leaves what was before it.
		strike := signed(book.Entry{Kind: book.Struck, Lot: e.Lot, At: now, Corrects: int64(len(w.entries)), Text: "x"}, -1)
		if _, err := w.b.Check(strike, now); err != nil {
			t.Errorf("cannot strike %s: %v", e.Words(), err)
		}
		strike.Seq = int64(len(w.entries) + 1)
		same(t, "struck: "+e.Words(), before.Lots(), w.b.With(strike).Lots())
	}
	return w
}

func TestHistories(t *testing.T) {
	kinds := make(map[book.Kind]int)
	corrected := 0
	for seed := range uint64(15) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			w := history(t, seed, true)
			invariants(t, w.b)
			for _, e := range w.entries {
				kinds[e.Kind]++
				if e.Corrects != 0 {
					corrected++
				}
			}
			whole := book.New(w.entries, options())
			same(t, "one by one, and whole", whole.Lots(), w.b.Lots())
			shuffled := slices.Clone(w.entries)
			rand.New(rand.NewPCG(seed, 5)).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
			again := book.New(shuffled, options())
			same(t, "shuffled", whole.Lots(), again.Lots())
			for _, id := range lots {
				same(t, "lines shuffled", whole.Lines(id), again.Lines(id))
			}
		})
	}
	// The histories must have tried everything.
	for _, k := range book.Kinds() {
		if kinds[k] < 5 {
			t.Errorf("%d entries %q in all histories", kinds[k], k)
		}
	}
	if corrected < 100 {
		t.Errorf("%d corrections in all histories", corrected)
	}
	t.Logf("entries: %v, corrections: %d", kinds, corrected)
}

// Where times differ it does not matter in which order the entries were written.
func TestOrderOfWriting(t *testing.T) {
	for seed := range uint64(10) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			w := history(t, seed, false)
			entries := slices.Clone(w.entries)
			for i, n := range rand.New(rand.NewPCG(seed, 6)).Perm(len(entries)) {
				entries[i].Seq = int64(n + 1)
			}
			same(t, "lots", w.b.Lots(), book.New(entries, options()).Lots())
		})
	}
}
