package book_test

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/rulestest"
)

// day is 08:30 on a day after the egg take of the tests' lots.
func day(n int) time.Time { return time.Date(2026, 10, 1+n, 8, 30, 0, 0, time.UTC) }

var now = day(200)

func opening(number int) *book.Opening {
	return &book.Opening{Species: "brook trout", EggTake: day(0), Start: lot.Green, Count: book.Count{Method: book.Direct, Number: number}}
}

// options are those of the small site, where eggs are tender from the third to
// the thirtieth day.
func options() book.Options {
	return book.Options{
		Units: rulestest.Site().Units,
		Tender: func(l *book.Lot, at time.Time) lot.TenderState {
			age := at.Sub(l.EggTake)
			return lot.TenderState{Tender: age > 48*time.Hour && age < 30*24*time.Hour, From: l.EggTake.Add(48 * time.Hour)}
		},
	}
}

// writer keeps a record as the daemon does: what Check lets in gets the next
// number.
type writer struct {
	t       *testing.T
	b       *book.Book
	entries []book.Entry
}

func write(t *testing.T, entries ...book.Entry) *writer {
	t.Helper()
	w := &writer{t: t, b: book.New(nil, options())}
	for _, e := range entries {
		w.add(e)
	}
	return w
}

// add writes one entry, which must be let in.
func (w *writer) add(e book.Entry) []string {
	w.t.Helper()
	warnings, err := w.try(e)
	if err != nil {
		w.t.Fatalf("%s refused: %v", e.Words(), err)
	}
	return warnings
}

func (w *writer) try(e book.Entry) ([]string, error) {
	e = signed(e, len(w.entries)+1)
	warnings, err := w.b.Check(e, now)
	if err != nil {
		var r *book.Refusal
		if !errors.As(err, &r) || r.Reason == "" {
			w.t.Errorf("%v is no refusal with a reason", err)
		}
		return nil, err
	}
	e.Seq = int64(len(w.entries) + 1)
	w.entries = append(w.entries, e)
	w.b = w.b.With(e)
	if p := w.b.Problems(); len(p) > 0 {
		w.t.Errorf("let in, and yet a problem: %v", p)
	}
	return warnings, nil
}

// signed fills in what every entry has.
func signed(e book.Entry, n int) book.Entry {
	if e.ID == "" {
		e.ID = time.Duration(n).String()
	}
	if e.By == "" {
		e.By = "kim"
	}
	if e.Lot == "" {
		e.Lot = "2026-A"
	}
	return e
}

func (w *writer) lot(id string) *book.Lot {
	w.t.Helper()
	l, ok := w.b.Lot(id)
	if !ok {
		w.t.Fatalf("no lot %s", id)
	}
	return l
}

// strand is a strand of 2026-A as the tests write it: its number, and its path
// as units and days.
type stay struct {
	unit     string
	from, to int // to 0: still there
}

func strand(number float64, stays ...stay) book.Strand {
	s := book.Strand{Lot: "2026-A", EggTake: day(0), Number: number}
	for _, x := range stays {
		st := book.Stay{Unit: x.unit, From: day(x.from)}
		if x.to != 0 {
			st.To = day(x.to)
		}
		s.Path = append(s.Path, st)
	}
	return s
}

// rounded compares numbers of strands, which are shares, to a thousandth.
var rounded = cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 1e-3 })

func same(t *testing.T, what string, want, got any) {
	t.Helper()
	if diff := cmp.Diff(want, got, rounded); diff != "" {
		t.Errorf("%s (-want +got):\n%s", what, diff)
	}
}

func TestLife(t *testing.T) {
	w := write(t,
		book.Entry{Kind: book.Opened, At: day(0), Unit: "stack 1", Trays: "1-4", Open: opening(24000)},
		book.Entry{Kind: book.Picked, At: day(10), Number: 400},
		book.Entry{Kind: book.Eyed, At: day(35)},
		book.Entry{Kind: book.Shocked, At: day(36), Number: 600},
		book.Entry{Kind: book.Moved, At: day(40), Number: 8000, To: "stack 2", Trays: "1-2"},
		book.Entry{Kind: book.Hatched, At: day(60), Part: book.First},
		book.Entry{Kind: book.Hatched, At: day(63), Part: book.Half},
		book.Entry{Kind: book.Hatched, At: day(66), Part: book.Last},
		book.Entry{Kind: book.Moved, At: day(70), Unit: "stack 2", To: "trough 1"},
		book.Entry{Kind: book.FirstFed, At: day(88)},
		book.Entry{Kind: book.SwimUp, At: day(90)},
		book.Entry{Kind: book.Moved, At: day(91), Unit: "stack 1", Number: 5000, To: "trough 1"},
		book.Entry{Kind: book.Weighed, At: day(100), Unit: "trough 1", Sample: &book.Sample{Number: 50, WeightG: 31, LengthMM: 38}},
		book.Entry{Kind: book.Counted, At: day(100), Unit: "trough 1", Count: &book.Count{Method: book.ByWeight, SampleNumber: 50, SampleAmount: 31, TotalAmount: 7750}},
		book.Entry{Kind: book.Shipped, At: day(110), Unit: "trough 1", Number: 2500, Place: "Birch Run"},
		book.Entry{Kind: book.Lost, At: day(111), Unit: "stack 1", Text: "tray tipped over"},
		book.Entry{Kind: book.Note, At: day(112), Text: "screens changed"},
	)
	// 24,000 less 400 and 600 are 23,000; 8,000 and 5,000 go to the trough, where 12,500
	// are counted (31 g / 50 each in 7,750 g); the 10,000 left in the stack are lost.
	strands := []book.Strand{
		strand(10000.*8/13, stay{"stack 1", 0, 40}, stay{"stack 2", 40, 70}, stay{"trough 1", 70, 0}),
		strand(10000.*5/13, stay{"stack 1", 0, 91}, stay{"trough 1", 91, 0}),
	}
	same(t, "lot", &book.Lot{
		ID: "2026-A", Opening: *opening(24000), OpenedAt: day(0), Placed: day(0), Stage: lot.SwimUp,
		EyedAt: day(35), HatchFirst: day(60), HatchHalf: day(63), HatchLast: day(66), SwimUpAt: day(90), FedAt: day(88),
		Holdings: []book.Holding{{
			Unit: "trough 1", Number: 10000, Since: day(70), MeanWeightG: 0.62, LengthMM: 38, WeighedAt: day(100), Strands: strands,
		}},
		Strands: strands,
		Opened:  24000, Dead: 11000, Out: 2500, Adjusted: -500, Number: 10000,
	}, w.lot("2026-A"))
	same(t, "seen", map[lot.Stage]time.Time{lot.Eyed: day(35), lot.Hatch: day(63), lot.SwimUp: day(90)}, w.lot("2026-A").Seen())

	w.add(book.Entry{Kind: book.Transferred, At: day(120), Place: "Birch Run"})
	l := w.lot("2026-A")
	strands[0].Path[2].To, strands[1].Path[1].To = day(120), day(120)
	same(t, "finished", day(120), l.Finished)
	same(t, "last strands", strands, l.Strands)
	same(t, "holdings", 0, len(l.Holdings))
	same(t, "out", 12500, l.Out)
	lines := w.b.Lines("2026-A")
	same(t, "all of them, filled in", "10,000 transferred from trough 1 to Birch Run", lines[len(lines)-1].Words())
}

// open is a lot with 12,000 eyed eggs in stack 1 since day 0.
func open(t *testing.T, entries ...book.Entry) *writer {
	t.Helper()
	o := opening(12000)
	o.Start, o.StartUnits = lot.Eyed, 230
	return write(t, append([]book.Entry{{Kind: book.Opened, At: day(0), Unit: "stack 1", Open: o}}, entries...)...)
}

func eyed(strands ...book.Strand) []book.Strand {
	for i := range strands {
		strands[i].StartUnits = 230
	}
	return strands
}

func TestStrands(t *testing.T) {
	t.Run("a part is taken in proportion", func(t *testing.T) {
		w := open(t,
			book.Entry{Kind: book.Moved, At: day(10), Number: 6000, To: "trough 1"},
			book.Entry{Kind: book.Moved, At: day(20), Unit: "stack 1", Number: 2000, To: "trough 1"},
			book.Entry{Kind: book.Moved, At: day(30), Unit: "trough 1", Number: 4000, To: "raceway 1"},
		)
		same(t, "strands", eyed(
			strand(4000, stay{"stack 1", 0, 0}),
			strand(3000, stay{"stack 1", 0, 10}, stay{"trough 1", 10, 0}),
			strand(1000, stay{"stack 1", 0, 20}, stay{"trough 1", 20, 0}),
			strand(3000, stay{"stack 1", 0, 10}, stay{"trough 1", 10, 30}, stay{"raceway 1", 30, 0}),
			strand(1000, stay{"stack 1", 0, 20}, stay{"trough 1", 20, 30}, stay{"raceway 1", 30, 0}),
		), w.lot("2026-A").Strands)
	})
	t.Run("the same waters make one strand", func(t *testing.T) {
		w := open(t,
			book.Entry{Kind: book.Split, At: day(5), Number: 3000, Other: "2026-B"},
			book.Entry{Kind: book.Merged, At: day(9), Lot: "2026-B", Other: "2026-A"},
		)
		same(t, "strands", eyed(strand(12000, stay{"stack 1", 0, 0})), w.lot("2026-A").Strands)
		same(t, "the lot that is gone", eyed(strand(3000, stay{"stack 1", 0, 9})), w.lot("2026-B").Strands)
	})
	t.Run("a stay of no length is none", func(t *testing.T) {
		w := open(t,
			book.Entry{Kind: book.Moved, At: day(5), To: "stack 2"},
			book.Entry{Kind: book.Moved, At: day(5), To: "stack 1"},
		)
		same(t, "strands", eyed(strand(12000, stay{"stack 1", 0, 0})), w.lot("2026-A").Strands)
	})
	t.Run("dead are of all strands", func(t *testing.T) {
		w := open(t,
			book.Entry{Kind: book.Moved, At: day(10), Number: 9000, To: "trough 1"},
			book.Entry{Kind: book.Moved, At: day(20), Unit: "stack 1", To: "trough 1"},
			book.Entry{Kind: book.Picked, At: day(30), Number: 400},
		)
		same(t, "strands", eyed(
			strand(8700, stay{"stack 1", 0, 10}, stay{"trough 1", 10, 0}),
			strand(2900, stay{"stack 1", 0, 20}, stay{"trough 1", 20, 0}),
		), w.lot("2026-A").Strands)
		same(t, "since", day(10), w.lot("2026-A").Holdings[0].Since)
	})
}

// Half of each of two troughs goes to the other every day for 40 days. The mean
// time in trough 1, followed here through two mixed vessels without any strands,
// must come out of the strands within two days, though only 16 of a holding are kept apart.
func TestStrandsAreBounded(t *testing.T) {
	w := open(t, book.Entry{Kind: book.Moved, At: day(0), To: "trough 1"})
	n, mean := [2]float64{12000, 0}, [2]float64{} // fish, and their mean days in trough 1
	names := [2]string{"trough 1", "trough 2"}
	for d := 1; d <= 40; d++ {
		mean[0]++
		from, to := d%2, 1-d%2
		if d == 1 {
			from, to = 0, 1
		}
		half := int(n[from]) / 2
		w.add(book.Entry{Kind: book.Moved, At: day(d), Unit: names[from], To: names[to], Number: half})
		share := float64(half)
		mean[to] = (mean[to]*n[to] + mean[from]*share) / (n[to] + share)
		n[from] -= share
		n[to] += share
	}
	for i, h := range w.lot("2026-A").Holdings {
		var sum, days float64
		for _, s := range h.Strands {
			sum += s.Number
			for _, p := range s.Path {
				if p.To.IsZero() {
					p.To = day(40)
				}
				if p.Unit == "trough 1" {
					days += s.Number * p.To.Sub(p.From).Hours() / 24
				}
			}
		}
		if got := days / sum; math.Abs(got-mean[i]) > 2 || len(h.Strands) != 16 || h.Unit != names[i] {
			t.Errorf("%s: %d strands, in trough 1 for %.3f days, want %.3f", h.Unit, len(h.Strands), got, mean[i])
		}
		same(t, "number", n[i], sum)
	}
}

func TestSplitAndMerge(t *testing.T) {
	w := open(t,
		book.Entry{Kind: book.Hatched, At: day(20), Part: book.First},
		book.Entry{Kind: book.Weighed, At: day(21), Sample: &book.Sample{Number: 100, WeightG: 12}},
		book.Entry{Kind: book.Split, At: day(22), Number: 3000, Other: "2026-B", To: "trough 1"},
		book.Entry{Kind: book.Hatched, At: day(24), Part: book.Half},
		book.Entry{Kind: book.Picked, At: day(25), Lot: "2026-B", Number: 100},
	)
	b := w.lot("2026-B")
	same(t, "part", &book.Lot{
		ID: "2026-B", Opening: func() book.Opening {
			o := *opening(3000)
			o.Start, o.StartUnits = lot.Eyed, 230
			return o
		}(),
		OpenedAt: day(22), Placed: day(0), Stage: lot.Hatch, HatchFirst: day(20), From: "2026-A",
		Holdings: []book.Holding{{
			Unit: "trough 1", Number: 2900, Since: day(22), MeanWeightG: 0.12, WeighedAt: day(21),
			Strands: eyed(strand(2900, stay{"stack 1", 0, 22}, stay{"trough 1", 22, 0})),
		}},
		Strands: eyed(strand(2900, stay{"stack 1", 0, 22}, stay{"trough 1", 22, 0})),
		Opened:  3000, Dead: 100, Number: 2900,
	}, b)
	same(t, "given", 3000, w.lot("2026-A").Split)
	w.add(book.Entry{Kind: book.SwimUp, At: day(40)})
	warnings := w.add(book.Entry{Kind: book.Merged, At: day(50), Lot: "2026-B", Other: "2026-A"})
	same(t, "warnings", []string{"2026-11-20 08:30: lot 2026-B, at the stage hatch, became part of lot 2026-A, at the stage swim-up"}, warnings)
	a := w.lot("2026-A")
	same(t, "number", [3]int{11900, 2900, 0}, [3]int{a.Number, a.Joined, w.lot("2026-B").Number})
	same(t, "into", "2026-A", w.lot("2026-B").Into)
	same(t, "where", []string{"stack 1", "trough 1"}, []string{a.Holdings[0].Unit, a.Holdings[1].Unit})
	var words []string
	for _, l := range w.b.Lines("2026-B") {
		words = append(words, l.Words())
	}
	same(t, "lines of the part", []string{
		"3,000 of lot 2026-A in stack 1 became lot 2026-B, moved to trough 1",
		"100 dead picked out of trough 1",
		"lot 2026-B became part of lot 2026-A",
	}, words)
	ids := ""
	for _, l := range w.b.Lots() {
		ids += l.ID + " "
	}
	same(t, "unfinished first", "2026-A 2026-B ", ids)
}

func TestUnplaced(t *testing.T) {
	w := write(t,
		book.Entry{Kind: book.Opened, At: day(0), Open: opening(9000)},
		book.Entry{Kind: book.Picked, At: day(0), Number: 200},
		book.Entry{Kind: book.Placed, At: day(1), Unit: "stack 1", Number: 5000},
	)
	l := w.lot("2026-A")
	same(t, "unplaced", 3800, l.Unplaced())
	same(t, "strands", []book.Strand{strand(5000, stay{"stack 1", 1, 0})}, l.Strands)
	w.add(book.Entry{Kind: book.Placed, At: day(2), Unit: "stack 2", Trays: "8"})
	l = w.lot("2026-A")
	same(t, "unplaced", 0, l.Unplaced())
	same(t, "trays", "8", l.Holdings[1].Trays)
	same(t, "placed", day(1), l.Placed)
	same(t, "line", "3,800 placed in stack 2 (trays 8)", w.b.Lines("2026-A")[3].Words())
	same(t, "warnings", []string(nil), l.Warnings)
}

// Eggs that lie in no unit yet are split and merged like others.
func TestUnplacedSplitAndMerge(t *testing.T) {
	w := write(t,
		book.Entry{Kind: book.Opened, At: day(0), Open: opening(9000)},
		book.Entry{Kind: book.Split, At: day(0), Number: 3000, Other: "2026-B"},
		book.Entry{Kind: book.Split, At: day(0), Number: 1000, Other: "2026-C", To: "stack 2", Trays: "8"},
		book.Entry{Kind: book.Merged, At: day(0), Lot: "2026-B", Other: "2026-C"},
		book.Entry{Kind: book.Placed, At: day(1), Lot: "2026-C", Unit: "stack 2", Trays: "7"},
	)
	same(t, "left", 5000, w.lot("2026-A").Unplaced())
	same(t, "not placed", time.Time{}, w.lot("2026-A").Placed)
	same(t, "joined", []book.Holding{{
		Unit: "stack 2", Trays: "8, 7", Number: 4000, Since: day(0),
		Strands: []book.Strand{strand(1000, stay{"stack 2", 0, 0}), strand(3000, stay{"stack 2", 1, 0})},
	}}, w.lot("2026-C").Holdings)

	// Into a lot of which nothing is placed.
	w.add(book.Entry{Kind: book.Merged, At: day(2), Lot: "2026-C", Other: "2026-A"})
	a := w.lot("2026-A")
	same(t, "numbers", [3]int{9000, 5000, 4000}, [3]int{a.Number, a.Unplaced(), a.Joined})
	same(t, "placed", day(0), a.Placed)
	same(t, "which", "lot 2026-A lies in stack 2 (4,000) and no unit yet (5,000): say which unit", func() string {
		_, err := w.try(book.Entry{Kind: book.Picked, At: day(3), Number: 1})
		return fmt.Sprint(err)
	}())
	w.add(book.Entry{Kind: book.Shipped, At: day(3), Unit: "stack 2", Place: "Birch Run"})
	same(t, "eggs still in no unit", 5000, w.lot("2026-A").Number)
}

// Where fish join others that came later, the unit's place in the order is theirs.
func TestOrderOfHoldings(t *testing.T) {
	w := open(t,
		book.Entry{Lot: "2026-B", Kind: book.Opened, At: day(0), Unit: "stack 2", Open: opening(500)},
		book.Entry{Kind: book.Moved, At: day(1), Number: 10, To: "trough 1"},
		book.Entry{Kind: book.Moved, At: day(2), Unit: "stack 1", Number: 10, To: "stack 2"},
		book.Entry{Kind: book.Merged, At: day(3), Lot: "2026-B", Other: "2026-A"},
	)
	var got []string
	for _, h := range w.lot("2026-A").Holdings {
		got = append(got, h.Unit)
	}
	same(t, "units", []string{"stack 1", "stack 2", "trough 1"}, got)
}

// Eggs get other trays of the same stack: the stay goes on, and still tender eggs
// were moved.
func TestOtherTrays(t *testing.T) {
	w := write(t, book.Entry{Kind: book.Opened, At: day(0), Unit: "stack 1", Trays: "1-4", Open: opening(9000)})
	same(t, "early", 0, len(w.add(book.Entry{Kind: book.Moved, At: day(1), To: "stack 1", Trays: "1-3"})))
	same(t, "tender", []string{"2026-10-06 08:30: 3,000 moved within stack 1 (trays 7), while the eggs were tender, as they are from 2026-10-03 08:30 until eyed"},
		w.add(book.Entry{Kind: book.Moved, At: day(5), To: "stack 1", Trays: "7", Number: 3000}))
	h := w.lot("2026-A").Holdings
	same(t, "holdings", []book.Holding{{Unit: "stack 1", Trays: "1-3, 7", Number: 9000, Since: day(0), Strands: []book.Strand{strand(9000, stay{"stack 1", 0, 0})}}}, h)
}

func TestMergeOfOtherBase(t *testing.T) {
	o := opening(500)
	o.Start, o.StartUnits, o.BaseC = lot.Eyed, 230, 1
	w := open(t, book.Entry{Lot: "2026-B", Kind: book.Opened, At: day(0), Unit: "stack 1", Open: o})
	same(t, "warnings", []string{"2026-10-06 08:30: the units of lot 2026-B, which became part of lot 2026-A, are counted above another temperature, so a mean of both says little"},
		w.add(book.Entry{Kind: book.Merged, At: day(5), Lot: "2026-B", Other: "2026-A"}))
	same(t, "strands", 2, len(w.lot("2026-A").Strands))
}

func TestWarnings(t *testing.T) {
	green := func() *writer {
		return write(t, book.Entry{Kind: book.Opened, At: day(0), Unit: "stack 1", Open: opening(9000)})
	}
	tests := []struct {
		name  string
		entry book.Entry
		want  string
	}{
		{"moved while tender", book.Entry{Kind: book.Moved, At: day(10), Number: 4000, To: "stack 2", Trays: "1-2"}, "2026-10-11 08:30: 4,000 moved from stack 1 to stack 2 (trays 1-2), while the eggs were tender, as they are from 2026-10-03 08:30 until eyed"},
		{"moved early", book.Entry{Kind: book.Moved, At: day(1), To: "stack 2"}, ""},
		{"split where it lies", book.Entry{Kind: book.Split, At: day(10), Number: 4000, Other: "2026-B"}, ""},
		{"split and moved", book.Entry{Kind: book.Split, At: day(10), Number: 4000, Other: "2026-B", To: "stack 2"}, "2026-10-11 08:30: 4,000 of lot 2026-A in stack 1 became lot 2026-B, moved to stack 2, while the eggs were tender, as they are from 2026-10-03 08:30 until eyed"},
		{"shocked before eyed", book.Entry{Kind: book.Shocked, At: day(10), Number: 30}, "2026-10-11 08:30: shocked, 30 dead picked out of stack 1, though no eyed date is recorded before it"},
		{"counted far off", book.Entry{Kind: book.Counted, At: day(10), Count: &book.Count{Method: book.Direct, Number: 7199}}, "2026-10-11 08:30: counted: 7,199 direct, in stack 1, where the book had 9,000"},
		{"counted a fifth off", book.Entry{Kind: book.Counted, At: day(10), Count: &book.Count{Method: book.Direct, Number: 7200}}, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := green()
			same(t, "warnings", tt.want, strings.Join(w.add(tt.entry), "; "))
			same(t, "of the lot", tt.want, strings.Join(w.lot("2026-A").Warnings, "; "))
		})
	}
	t.Run("eyed are not tender", func(t *testing.T) {
		w := green()
		w.add(book.Entry{Kind: book.Eyed, At: day(9)})
		same(t, "warnings", 0, len(w.add(book.Entry{Kind: book.Moved, At: day(10), To: "stack 2"})))
	})
	t.Run("a move of what an eyed date, written late, makes safe", func(t *testing.T) {
		w := green()
		w.add(book.Entry{Kind: book.Moved, At: day(10), To: "stack 2"})
		w.add(book.Entry{Kind: book.Eyed, At: day(9)})
		same(t, "warnings", 0, len(w.lot("2026-A").Warnings))
	})
	t.Run("said once, also of a part split off", func(t *testing.T) {
		w := green()
		since := day(2)
		o := options()
		o.Tender = func(*book.Lot, time.Time) lot.TenderState { return lot.TenderState{Tender: true, From: since} }
		w.b = book.New(w.entries, o)
		w.add(book.Entry{Kind: book.Moved, At: day(10), Number: 4000, To: "stack 2"})
		since = day(3) // known better by now: its words change
		same(t, "split where it lies", 0, len(w.add(book.Entry{Kind: book.Split, At: day(10), Unit: "stack 2", Number: 100, Other: "2026-B"})))
		same(t, "note", 0, len(w.add(book.Entry{Kind: book.Note, At: day(11), Text: "all well"})))
		same(t, "of the part", w.lot("2026-A").Warnings, w.lot("2026-B").Warnings)
	})
	t.Run("weighed far too light", func(t *testing.T) {
		w := green()
		weigh := func(g measure.MassG) string {
			return strings.Join(w.add(book.Entry{Kind: book.Weighed, At: day(90), Sample: &book.Sample{Number: 50, WeightG: g}}), "; ")
		}
		same(t, "first", "", weigh(31))
		same(t, "the weight of one", "2026-12-30 08:30: 50 weighed 0.6 g, 0.012 g each, from stack 1, where they weighed 0.62 g each before; the weight to write is that of the whole sample", weigh(0.6))
		same(t, "heavier", "", weigh(31))
		same(t, "half", "", weigh(15.5))
	})
	t.Run("each part has its own", func(t *testing.T) {
		w := green()
		w.add(book.Entry{Kind: book.Shocked, At: day(1)})
		w.add(book.Entry{Kind: book.Shocked, At: day(1)})
		w.add(book.Entry{Kind: book.Shocked, At: day(1)})
		w.add(book.Entry{Kind: book.Split, At: day(2), Number: 400, Other: "2026-B"})
		w.add(book.Entry{Kind: book.Shocked, At: day(3)})
		w.add(book.Entry{Kind: book.Shocked, At: day(4), Lot: "2026-B"})
		same(t, "lot", "2026-10-04 08:30: shocked, though no eyed date is recorded before it", w.lot("2026-A").Warnings[3])
		same(t, "part", "2026-10-05 08:30: shocked, though no eyed date is recorded before it", w.lot("2026-B").Warnings[3])
	})
	t.Run("who judges sees where the eggs were", func(t *testing.T) {
		o := options()
		var seen []book.Strand
		o.Tender = func(l *book.Lot, at time.Time) lot.TenderState {
			seen = append(seen, l.Strands...)
			return lot.TenderState{}
		}
		w := green()
		w.add(book.Entry{Kind: book.Moved, At: day(10), Number: 4000, To: "stack 2"})
		w.add(book.Entry{Kind: book.Moved, At: day(11), Unit: "stack 2", To: "stack 1"})
		book.New(w.entries, o)
		same(t, "strands", []book.Strand{
			strand(9000, stay{"stack 1", 0, 0}),
			strand(5000, stay{"stack 1", 0, 0}), strand(4000, stay{"stack 1", 0, 10}, stay{"stack 2", 10, 0}),
		}, seen)
	})
	t.Run("placed again", func(t *testing.T) {
		w := write(t,
			book.Entry{Kind: book.Opened, At: day(0), Open: opening(9000)},
			book.Entry{Kind: book.Placed, At: day(5), Unit: "stack 1", Number: 5000},
		)
		same(t, "first", 0, len(w.lot("2026-A").Warnings))
		same(t, "again", 1, len(w.add(book.Entry{Kind: book.Placed, At: day(6), Unit: "stack 2"})))
	})
}

func TestWeights(t *testing.T) {
	w := open(t,
		book.Entry{Kind: book.Moved, At: day(10), Number: 3000, To: "trough 1"},
		book.Entry{Kind: book.Weighed, At: day(11), Sample: &book.Sample{Number: 10, WeightG: 10, LengthMM: 40}},
		book.Entry{Kind: book.Weighed, At: day(12), Unit: "trough 1", Sample: &book.Sample{Number: 10, WeightG: 20, LengthMM: 60}},
	)
	at := func(unit string) book.Holding {
		for _, h := range w.lot("2026-A").Holdings {
			if h.Unit == unit {
				h.Strands = nil
				return h
			}
		}
		t.Fatalf("nothing in %s", unit)
		return book.Holding{}
	}
	same(t, "whole lot", book.Holding{Unit: "stack 1", Number: 9000, Since: day(0), MeanWeightG: 1, LengthMM: 40, WeighedAt: day(11)}, at("stack 1"))
	same(t, "own", book.Holding{Unit: "trough 1", Number: 3000, Since: day(10), MeanWeightG: 2, LengthMM: 60, WeighedAt: day(12)}, at("trough 1"))
	w.add(book.Entry{Kind: book.Moved, At: day(13), Unit: "stack 1", Number: 1000, To: "trough 1"})
	same(t, "joined by number", book.Holding{Unit: "trough 1", Number: 4000, Since: day(10), MeanWeightG: 1.75, LengthMM: 55, WeighedAt: day(11)}, at("trough 1"))
	w.add(book.Entry{Kind: book.Weighed, At: day(14), Sample: &book.Sample{Number: 10, WeightG: 30}})
	same(t, "newer of the whole lot", book.Holding{Unit: "trough 1", Number: 4000, Since: day(10), MeanWeightG: 3, WeighedAt: day(14)}, at("trough 1"))
}

func TestCorrections(t *testing.T) {
	// Entry 2, a pick of 500, corrected twice, and the second correction struck.
	w := open(t, book.Entry{Kind: book.Picked, At: day(10), Number: 500})
	state := func() [2]int { l := w.lot("2026-A"); return [2]int{l.Number, l.Dead} }
	same(t, "500", [2]int{11500, 500}, state())
	w.add(book.Entry{Kind: book.Picked, At: day(10), Number: 50, Corrects: 2})
	same(t, "50", [2]int{11950, 50}, state())
	w.add(book.Entry{Kind: book.Lost, At: day(11), Number: 60, Text: "a tray fell", Corrects: 3})
	same(t, "60", [2]int{11940, 60}, state())
	warnings := w.add(book.Entry{Kind: book.Struck, At: day(12), Corrects: 4, Text: "it was another lot's"})
	same(t, "50 again", [2]int{11950, 50}, state())
	same(t, "warnings", []string{"entry 3 of 2026-10-11 08:30 holds again: 50 dead picked out of stack 1"}, warnings)
	warnings = w.add(book.Entry{Kind: book.Struck, At: day(12), Corrects: 3, Text: "it was another lot's"})
	same(t, "500 again", [2]int{11500, 500}, state())
	same(t, "warnings", []string{"entry 2 of 2026-10-11 08:30 holds again: 500 dead picked out of stack 1"}, warnings)
	w.add(book.Entry{Kind: book.Struck, At: day(12), Corrects: 2, Text: "it was another lot's"})
	same(t, "none", [2]int{12000, 0}, state())

	type line struct {
		Seq, By int64
		Words   string
	}
	var got []line
	for _, l := range w.b.Lines("2026-A") {
		got = append(got, line{l.Seq, l.CorrectedBy, l.Words()})
	}
	same(t, "lines", []line{
		{1, 0, "opened: brook trout, eyed with 230 degree-days, 12,000 direct, in stack 1"},
		{2, 7, "500 dead picked out"},
		{3, 6, "in place of entry 2: 50 dead picked out"},
		{4, 5, "in place of entry 3: 60 lost: a tray fell"},
		{5, 0, "entry 4 struck: it was another lot's"},
		{6, 0, "entry 3 struck: it was another lot's"},
		{7, 0, "entry 2 struck: it was another lot's"},
	}, got)
	one, ok := w.b.Entry(3)
	same(t, "by number", [2]any{"in place of entry 2: 50 dead picked out", true}, [2]any{one.Words(), ok})
}

// A correction stands where the corrected entry stood, also among entries of the
// same moment.
func TestCorrectionTakesThePlace(t *testing.T) {
	w := write(t,
		book.Entry{Kind: book.Opened, At: day(0), Open: opening(9000)},
		book.Entry{Kind: book.Placed, At: day(0), Unit: "stack 1"},
		book.Entry{Kind: book.Opened, At: day(0), Open: opening(8000), Corrects: 1},
	)
	same(t, "number", 8000, w.lot("2026-A").Number)
	same(t, "line", "in place of entry 1: opened: brook trout, green, 8,000 direct", w.b.Lines("2026-A")[1].Words())
}

// What the site file made impossible is named and left out; the rest goes on.
func TestProblems(t *testing.T) {
	site := rulestest.Site().Lots[0]
	entries := append(book.FromSite(site),
		book.Entry{Seq: 1, ID: "a", Lot: site.ID, Kind: book.Moved, At: rulestest.Start, Number: 20000, To: "stack 2", By: "kim"},
		book.Entry{Seq: 2, ID: "b", Lot: site.ID, Kind: book.Picked, At: rulestest.Start, Unit: "stack 1", Number: 10, By: "kim"},
		book.Entry{Seq: 3, ID: "c", Lot: "gone", Kind: book.Eyed, At: rulestest.Start, By: "kim"},
	)
	same(t, "problems", 1, len(book.New(entries, book.Options{}).Problems()))
	site.Eggs = 19000
	b := book.New(append(book.FromSite(site), entries[2:]...), options())
	same(t, "problems", []book.Problem{
		{1, "2026-A", "20,000 cannot be moved from stack 1: by the book 19,000 are there; if there are more, write a count first"},
		{3, "gone", `there is no lot "gone"; there are 2026-A`},
	}, b.Problems())
	l, _ := b.Lot("2026-A")
	same(t, "number", 18990, l.Number)
	same(t, "said of the lot", []string{"2026-11-20 18:00: 20,000 moved to stack 2 (entry 1) is left out: 20,000 cannot be moved from stack 1: by the book 19,000 are there; if there are more, write a count first"}, l.Warnings)
	// What the site file states has its name before what was written.
	_, err := b.Check(signed(book.Entry{Kind: book.Opened, At: rulestest.Start, Unit: "stack 1", Open: opening(5)}, 4), now)
	same(t, "name taken", "there is a lot 2026-A already, by the site file of 2026-10-21 18:00: choose another name", fmt.Sprint(err))
	same(t, "number used twice", []book.Problem{{1, "2026-A", "the record has two entries 1; this one came second"}},
		book.New(append(slices.Clone(entries[:3]), book.Entry{Seq: 1, ID: "z", Lot: "2026-A", Kind: book.Note, At: rulestest.Start}), options()).Problems())
	// A correction that never was one gives nothing back when it is struck.
	picks := func(seq, corrects int64) book.Entry {
		return book.Entry{Seq: seq, ID: fmt.Sprint(seq), Lot: "2026-A", Kind: book.Picked, At: rulestest.Start, Number: int(seq), Corrects: corrects}
	}
	wrong := book.New(append(book.FromSite(site), picks(1, 0), picks(2, 1), picks(3, 1), book.Entry{Seq: 4, ID: "4", Lot: "2026-A", Kind: book.Struck, At: rulestest.Start, Corrects: 3}), options())
	l, _ = wrong.Lot("2026-A")
	same(t, "dead", 2, l.Dead)
	same(t, "problems", 0, len(wrong.Problems()))
	third, _ := wrong.Entry(3)
	same(t, "corrected, and no problem any more", book.Line{Entry: picks(3, 1), CorrectedBy: 4}, third)
	// Old problems hinder no new entry, and can be mended.
	if _, err := b.Check(book.Entry{ID: "d", Lot: site.ID, Kind: book.Moved, At: rulestest.Start, Number: 2000, To: "stack 2", By: "kim", Corrects: 1}, rulestest.Start); err != nil {
		t.Error(err)
	}
}

// A unit that got another name keeps what lies in it, under its old name.
func TestRenamedUnit(t *testing.T) {
	entries := []book.Entry{
		{Seq: 1, ID: "1", Lot: "2026-A", Kind: book.Opened, At: day(0), By: "kim", Unit: "old stack", Open: opening(9000)},
		{Seq: 2, ID: "2", Lot: "2026-A", Kind: book.Moved, At: day(1), By: "kim", To: "old trough", Number: 100},
	}
	b := book.New(entries, options())
	same(t, "problems", 0, len(b.Problems()))
	for _, e := range []book.Entry{
		{Kind: book.Moved, At: day(40), Unit: "old stack", To: "stack 1"},
		{Kind: book.Moved, At: day(1), Corrects: 2, To: "old trough", Number: 150},
		{Kind: book.Split, At: day(40), Unit: "old stack", To: "old stack", Number: 5, Other: "2026-B"},
	} {
		if _, err := b.Check(signed(e, 3), now); err != nil {
			t.Errorf("%s: %v", e.Words(), err)
		}
	}
}

// Nothing is laid into a unit that is gone, whoever lay there.
func TestGoneUnit(t *testing.T) {
	b := book.New([]book.Entry{
		{Seq: 1, ID: "1", Lot: "2026-A", Kind: book.Opened, At: day(0), By: "kim", Unit: "stack 1", Open: opening(9000)},
		{Seq: 2, ID: "2", Lot: "2026-B", Kind: book.Opened, At: day(0), By: "kim", Unit: "old trough", Open: opening(9000)},
	}, options())
	_, err := b.Check(signed(book.Entry{Kind: book.Moved, At: day(1), To: "old trough"}, 3), now)
	same(t, "reason", `there is no unit "old trough"; there are deep 1, raceway 1, stack 1, stack 2, trough 1 and trough 2`, fmt.Sprint(err))
}

func TestFromSite(t *testing.T) {
	l := lot.Lot{
		ID: "2026-A", Species: "brook trout", Strain: "upper", Source: "own broodstock", Trays: "1-4", EggTake: day(0), Start: lot.Green, Eggs: 9000,
		Path: []lot.Stay{{Unit: "stack 1", From: day(1)}, {Unit: "trough 1", From: day(50)}},
	}
	b := book.New(book.FromSite(l), book.Options{})
	same(t, "problems", 0, len(b.Problems()))
	got, _ := b.Lot("2026-A")
	same(t, "opened", day(0), got.OpenedAt)
	same(t, "placed", day(1), got.Placed)
	same(t, "strands", []book.Strand{strand(9000, stay{"stack 1", 1, 50}, stay{"trough 1", 50, 0})}, got.Strands)
	var lines []string
	for _, e := range b.Lines("2026-A") {
		lines = append(lines, e.By+", "+e.ID+": "+e.Words())
	}
	same(t, "lines", []string{
		"site file, site file: 2026-A: 1 opened: opened: brook trout, upper, green, 9,000 direct, from own broodstock",
		"site file, site file: 2026-A: 2 placed: 9,000 placed in stack 1 (trays 1-4)",
		"site file, site file: 2026-A: 3 moved: 9,000 moved from stack 1 to trough 1",
	}, lines)

	// Eyed eggs came on the day they were placed.
	l.Start, l.StartUnits = lot.Eyed, 230
	got, _ = book.New(book.FromSite(l), book.Options{}).Lot("2026-A")
	same(t, "came", day(1), got.OpenedAt)

	// Two lots' entries have the same numbers, and do not meet.
	other := l
	other.ID = "2026-B"
	both := book.New(append(book.FromSite(l), book.FromSite(other)...), book.Options{})
	same(t, "problems", 0, len(both.Problems()))
	same(t, "lots", 2, len(both.Lots()))
}
