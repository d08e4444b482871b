package book_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
)

func TestRefusals(t *testing.T) {
	// 2026-A has 12,000 eyed eggs: 8,000 in stack 1 and 4,000 in stack 2.
	stacks := []book.Entry{{Kind: book.Moved, At: day(1), Number: 4000, To: "stack 2"}}
	green := func(o book.Opening) []book.Entry {
		return []book.Entry{{Lot: "2026-G", Kind: book.Opened, At: day(0), Unit: "trough 1", Open: &o}}
	}
	hatched := append(green(*opening(500)),
		book.Entry{Lot: "2026-G", Kind: book.Eyed, At: day(30)},
		book.Entry{Lot: "2026-G", Kind: book.Hatched, At: day(50), Part: book.Half},
	)
	char := *opening(500)
	char.Species = "arctic char"
	shipped := []book.Entry{{Kind: book.Shipped, At: day(10), Place: "Birch Run"}}
	merged := append(green(*opening(500)), book.Entry{Kind: book.Merged, At: day(5), Lot: "2026-G", Other: "2026-A"})
	replaced := []book.Entry{
		{Kind: book.Picked, At: day(10), Number: 500},
		{Kind: book.Picked, At: day(10), Number: 50, Corrects: 2},
	}
	struck := []book.Entry{
		{Kind: book.Picked, At: day(10), Number: 500},
		{Kind: book.Struck, At: day(10), Corrects: 2, Text: "not this lot"},
	}
	picked := []book.Entry{
		{Kind: book.Moved, At: day(10), Number: 8000, To: "trough 1"},
		{Kind: book.Shipped, At: day(20), Unit: "trough 1", Number: 7500, Place: "Birch Run"},
		{Kind: book.Picked, At: day(21), Unit: "trough 1", Number: 400},
	}
	direct := func(n int) *book.Count { return &book.Count{Method: book.Direct, Number: n} }

	tests := []struct {
		name   string
		before []book.Entry
		entry  book.Entry
		want   string
	}{
		// What is not there.
		{"more moved than are there", stacks, book.Entry{Kind: book.Moved, At: day(10), Unit: "stack 1", Number: 12000, To: "trough 1"}, "12,000 cannot be moved from stack 1: by the book 8,000 are there; if there are more, write a count first"},
		{"more picked", stacks, book.Entry{Kind: book.Picked, At: day(10), Unit: "stack 2", Number: 4001}, "4,001 cannot be picked out of stack 2: by the book 4,000 are there; if there are more, write a count first"},
		{"more shipped", stacks, book.Entry{Kind: book.Shipped, At: day(10), Unit: "stack 2", Number: 4001, Place: "Birch Run"}, "4,001 cannot be shipped from stack 2: by the book 4,000 are there; if there are more, write a count first"},
		{"more split off", nil, book.Entry{Kind: book.Split, At: day(10), Number: 12001, Other: "2026-B"}, "12,001 cannot be split off from stack 1: by the book 12,000 are there; if there are more, write a count first"},
		{"more placed", []book.Entry{{Lot: "2026-B", Kind: book.Opened, At: day(0), Open: opening(300)}}, book.Entry{Lot: "2026-B", Kind: book.Placed, At: day(0), Unit: "stack 1", Number: 301}, "301 cannot be placed in stack 1: by the book 300 lie in no unit yet"},
		{"placed twice", nil, book.Entry{Kind: book.Placed, At: day(10), Unit: "stack 2"}, "all of lot 2026-A is placed already, in stack 1 (12,000): write a move"},
		{"moved before placed", []book.Entry{{Lot: "2026-B", Kind: book.Opened, At: day(0), Open: opening(300)}}, book.Entry{Lot: "2026-B", Kind: book.Moved, At: day(1), To: "stack 1"}, "nothing of lot 2026-B lies in a unit yet: write that it was placed"},
		{"moved before it was there", stacks, book.Entry{Kind: book.Picked, At: day(0), Unit: "stack 2", Number: 1}, "nothing of lot 2026-A lies in stack 2; it lies in stack 1 (12,000)"},
		{"which unit", stacks, book.Entry{Kind: book.Moved, At: day(10), Number: 100, To: "trough 1"}, "lot 2026-A lies in stack 1 (8,000) and stack 2 (4,000): say which unit"},
		{"which unit counted", stacks, book.Entry{Kind: book.Counted, At: day(10), Count: direct(7)}, "lot 2026-A lies in stack 1 (8,000) and stack 2 (4,000): say which unit"},
		{"moved to where it lies", nil, book.Entry{Kind: book.Moved, At: day(10), To: "stack 1"}, "it lies in stack 1 already: say another unit, or the trays there that it has now"},

		// Stages.
		{"hatch before eyed", green(*opening(500)), book.Entry{Lot: "2026-G", Kind: book.Hatched, At: day(50), Part: book.First}, "no eyed date is recorded: write that first, with its date; an estimate will do if you say so in a note"},
		{"swim-up before hatch", nil, book.Entry{Kind: book.SwimUp, At: day(50)}, "no hatch is recorded: write that first, with its date; an estimate will do if you say so in a note"},
		{"fed before hatch", nil, book.Entry{Kind: book.FirstFed, At: day(50)}, "no hatch is recorded: write that first, with its date; an estimate will do if you say so in a note"},
		{"eyed twice", hatched, book.Entry{Lot: "2026-G", Kind: book.Eyed, At: day(31)}, "entry 3 says that already, of 2026-10-31 08:30: correct that one"},
		{"eyed twice, earlier", hatched, book.Entry{Lot: "2026-G", Kind: book.Eyed, At: day(29)}, "entry 3 says that already, of 2026-10-31 08:30: correct that one"},
		{"eyed eggs that came", nil, book.Entry{Kind: book.Eyed, At: day(31)}, "lot 2026-A came here at the stage eyed: eyed was before that"},
		{"eyed after hatch", append(green(*opening(500))[:1:1], book.Entry{Lot: "2026-G", Kind: book.Eyed, At: day(30)}, book.Entry{Lot: "2026-G", Kind: book.Hatched, At: day(50), Part: book.First}), book.Entry{Lot: "2026-G", Kind: book.Eyed, At: day(51), Corrects: 3}, "entry 4 of 2026-11-20 08:30, first hatch, would no longer fit: no eyed date is recorded: write that first, with its date; an estimate will do if you say so in a note"},
		{"first hatch after half", hatched, book.Entry{Lot: "2026-G", Kind: book.Hatched, At: day(51), Part: book.First}, "half the hatch was seen at 2026-11-20 08:30, so the first hatch must be before that"},
		{"last hatch before half", hatched, book.Entry{Lot: "2026-G", Kind: book.Hatched, At: day(49), Part: book.Last}, "entry 4 of 2026-11-20 08:30, half hatched, would no longer fit: the last hatch was seen at 2026-11-19 08:30, so half the hatch must be before that"},
		{"hatch after swim-up", append(hatched[:3:3], book.Entry{Lot: "2026-G", Kind: book.SwimUp, At: day(80)}), book.Entry{Lot: "2026-G", Kind: book.Hatched, At: day(81), Part: book.Last}, "swim-up was seen at 2026-12-20 08:30, so the last hatch must be before that"},
		{"eyed before the split", append(hatched[:2:2], book.Entry{Lot: "2026-G", Kind: book.Split, At: day(40), Number: 100, Other: "2026-H"}), book.Entry{Lot: "2026-H", Kind: book.Eyed, At: day(41)}, "lot 2026-H had eyed behind it, at 2026-10-31 08:30, when it was split from lot 2026-G"},

		// Times.
		{"future", nil, book.Entry{Kind: book.Note, At: now.Add(61 * time.Second), Text: "x"}, "2027-04-19 08:31 lies in the future; now is 2027-04-19 08:30"},
		{"before the lot", nil, book.Entry{Kind: book.Note, At: day(-1), Text: "x"}, "lot 2026-A begins later, at 2026-10-01 08:30"},
		{"before 1990", nil, book.Entry{Kind: book.Note, At: time.Unix(0, 0), Text: "x"}, "the time is before 1990: say when it happened"},
		{"opened before egg take", nil, book.Entry{Lot: "2026-B", Kind: book.Opened, At: day(-1), Unit: "stack 1", Open: opening(500)}, "the lot begins before its egg take: correct one of the two times"},
		{"after all were shipped", shipped, book.Entry{Kind: book.Weighed, At: day(11), Sample: &book.Sample{Number: 1, WeightG: 1}}, "lot 2026-A was finished at 2026-10-11 08:30: nothing of it was left"},
		{"after it was merged", merged, book.Entry{Lot: "2026-G", Kind: book.Picked, At: day(11), Number: 1}, "lot 2026-G became part of lot 2026-A at 2026-10-06 08:30: write it for that one"},

		// Names.
		{"unknown lot", nil, book.Entry{Lot: "2026-a1", Kind: book.Eyed, At: day(10)}, `there is no lot "2026-a1"; did you mean "2026-A"?`},
		{"no lot like it", nil, book.Entry{Lot: "spring eggs", Kind: book.Eyed, At: day(10)}, `there is no lot "spring eggs"; there are 2026-A`},
		{"unknown unit", nil, book.Entry{Kind: book.Moved, At: day(10), To: "trough1"}, `there is no unit "trough1"; did you mean "trough 1"?`},
		{"no unit like it", nil, book.Entry{Kind: book.Picked, At: day(10), Unit: "pond", Number: 1}, `there is no unit "pond"; there are deep 1, raceway 1, stack 1, stack 2, trough 1 and trough 2`},
		{"spring", nil, book.Entry{Kind: book.Moved, At: day(10), To: "spring"}, "spring is a spring, no place for a lot: say the stack, trough or raceway"},
		{"head box", nil, book.Entry{Lot: "2026-B", Kind: book.Opened, At: day(10), Unit: "head box", Open: opening(10)}, "head box is a head box, no place for a lot: say the stack, trough or raceway"},
		{"lot opened twice", nil, book.Entry{Kind: book.Opened, At: day(10), Open: opening(10)}, "there is a lot 2026-A already, by entry 1 of 2026-10-01 08:30: choose another name"},
		{"split into a lot that is", green(*opening(500)), book.Entry{Kind: book.Split, At: day(10), Number: 10, Other: "2026-G"}, "there is a lot 2026-G already, by entry 2 of 2026-10-01 08:30: choose another name"},
		{"lot name", nil, book.Entry{Kind: book.Split, At: day(10), Number: 10, Other: "a*b"}, `a lot cannot be called "a*b": write 1 to 40 letters, digits, spaces and - _ . /`},

		// Merging.
		{"another species", green(char), book.Entry{Kind: book.Merged, At: day(10), Lot: "2026-G", Other: "2026-A"}, "lot 2026-G is arctic char and lot 2026-A is brook trout: only lots of one species are merged"},
		{"hatched into eggs", hatched, book.Entry{Kind: book.Merged, At: day(60), Lot: "2026-G", Other: "2026-A"}, "lot 2026-G is at the stage hatch and lot 2026-A at the stage eyed: eggs and hatched fish stay two lots, or all would be counted as one of them"},
		{"itself", nil, book.Entry{Kind: book.Merged, At: day(10), Other: "2026-A"}, "a lot cannot become part of itself: say another lot"},
		{"into a lot that is gone", append(green(*opening(500)), shipped...), book.Entry{Kind: book.Merged, At: day(11), Lot: "2026-G", Other: "2026-A"}, "lot 2026-A was finished at 2026-10-11 08:30: nothing of it was left"},
		{"round in a ring", merged, book.Entry{Kind: book.Merged, At: day(6), Other: "2026-G"}, "lot 2026-G became part of lot 2026-A at 2026-10-06 08:30: write it for that one"},

		// Corrections.
		{"of another lot", green(*opening(500)), book.Entry{Kind: book.Note, At: day(10), Corrects: 2, Text: "x"}, "entry 2 is of lot 2026-G, not of lot 2026-A"},
		{"of none", nil, book.Entry{Kind: book.Note, At: day(10), Corrects: 7, Text: "x"}, "there is no entry 7 to correct or strike"},
		{"of itself", nil, book.Entry{Kind: book.Note, At: day(10), Corrects: 2, Text: "x"}, "there is no entry 2 to correct or strike"},
		{"of the site file's", nil, book.Entry{Kind: book.Note, At: day(10), Corrects: -2, Text: "x"}, "what the site file states is corrected there"},
		{"of a replaced entry", replaced, book.Entry{Kind: book.Picked, At: day(10), Number: 5, Corrects: 2}, "entry 2 was replaced by 3: correct that"},
		{"of a struck entry", struck, book.Entry{Kind: book.Picked, At: day(10), Number: 5, Corrects: 2}, "entry 2 was struck by 3: write what holds as a new entry"},
		{"of a strike", struck, book.Entry{Kind: book.Struck, At: day(10), Corrects: 3, Text: "was right"}, "entry 3 strikes entry 2 and is not corrected itself: write what holds as a new entry"},
		{"that a later entry needs", picked, book.Entry{Kind: book.Moved, At: day(10), Number: 7000, To: "trough 1", Corrects: 2}, "entry 3 of 2026-10-21 08:30, 7,500 shipped from trough 1 to Birch Run, would no longer fit: 7,500 cannot be shipped from trough 1: by the book 7,000 are there; if there are more, write a count first"},
		{"strike that later entries need", picked, book.Entry{Kind: book.Struck, At: day(22), Corrects: 2, Text: "no"}, "entry 3 of 2026-10-21 08:30, 7,500 shipped from trough 1 to Birch Run, would no longer fit: nothing of lot 2026-A lies in trough 1; it lies in stack 1 (12,000) (and so for 1 more)"},
		{"back-dated, that a later entry needs", picked, book.Entry{Kind: book.Lost, At: day(15), Unit: "trough 1", Number: 101, Text: "flood"}, "entry 4 of 2026-10-22 08:30, 400 dead picked out of trough 1, would no longer fit: 400 cannot be picked out of trough 1: by the book 399 are there; if there are more, write a count first"},
		{"strike of the opening", stacks, book.Entry{Kind: book.Struck, At: day(22), Corrects: 1, Text: "no"}, `entry 2 of 2026-10-02 08:30, 4,000 moved to stack 2, would no longer fit: there is no lot 2026-A any more: entry 1, which began it, was taken back or replaced`},
		{"sent twice", nil, book.Entry{ID: "1ns", Kind: book.Note, At: day(10), Text: "x"}, "it is in the record already, as entry 1"},

		// What an entry must say.
		{"no lot", nil, book.Entry{Lot: " ", Kind: book.Note, At: day(10), Text: "x"}, `there is no lot " "; there are 2026-A`},
		{"kind", nil, book.Entry{Kind: "eaten", At: day(10)}, `there is no kind of entry "eaten"`},
		{"who", nil, book.Entry{By: " ", Kind: book.Note, At: day(10), Text: "x"}, "say who says so"},
		{"why lost", nil, book.Entry{Kind: book.Lost, At: day(10), Number: 4}, "say why, or what happened, in a few words"},
		{"an empty note", nil, book.Entry{Kind: book.Note, At: day(10)}, "say why, or what happened, in a few words"},
		{"where shipped", nil, book.Entry{Kind: book.Shipped, At: day(10), Number: 4}, "say where they went"},
		{"where placed", nil, book.Entry{Kind: book.Placed, At: day(10)}, "say which unit they were placed in"},
		{"where moved", nil, book.Entry{Kind: book.Moved, At: day(10)}, "say which unit they were moved to"},
		{"no new name", nil, book.Entry{Kind: book.Split, At: day(10), Number: 4}, "say what the new lot is called"},
		{"how many split", nil, book.Entry{Kind: book.Split, At: day(10), Other: "2026-B"}, "say how many became the new lot"},
		{"into which lot", nil, book.Entry{Kind: book.Merged, At: day(10)}, "say which lot it became part of"},
		{"how many picked", nil, book.Entry{Kind: book.Picked, At: day(10)}, "say how many dead were picked out"},
		{"which part", nil, book.Entry{Kind: book.Hatched, At: day(10), Part: "most"}, "say how far the hatch has come: first, half or last"},
		{"no sample", nil, book.Entry{Kind: book.Weighed, At: day(10)}, "say how many fish were weighed and what all of them weighed"},
		{"length", nil, book.Entry{Kind: book.Weighed, At: day(10), Sample: &book.Sample{Number: 1, WeightG: 1, LengthMM: -4}}, "-4 mm is no length of a fish; leave it out if it was not measured"},
		{"no count", nil, book.Entry{Kind: book.Counted, At: day(10)}, "say how many were counted"},
		{"count of none", nil, book.Entry{Kind: book.Counted, At: day(10), Count: direct(0)}, "say how many there are, 1 or more"},
		{"what to strike", nil, book.Entry{Kind: book.Struck, At: day(10), Text: "no"}, "say the number of the entry to strike"},
		{"number below 0", nil, book.Entry{Kind: book.Picked, At: day(10), Number: -5}, "-5 is no number of eggs or fish; write 1 to 100,000,000"},
		{"number above all", nil, book.Entry{Kind: book.Picked, At: day(10), Number: 100_000_001}, "100000001 is no number of eggs or fish; write 1 to 100,000,000"},
		{"what says nothing", nil, book.Entry{Kind: book.SwimUp, At: day(10), Number: 4}, `an entry "swim-up" says nothing of "number": leave that out`},
		{"line break", nil, book.Entry{Kind: book.Note, At: day(10), Text: "a\nb"}, "the text has a line break or another character that cannot be printed in a line: leave it out"},
		{"turned text", nil, book.Entry{Kind: book.Note, At: day(10), Text: "a\u202eb"}, "the text has a line break or another character that cannot be printed in a line: leave it out"},
		{"long text", nil, book.Entry{Kind: book.Note, At: day(10), Text: strings.Repeat("ü", 2001)}, "the text has 2,001 characters; write at most 2,000"},
		{"no opening", nil, book.Entry{Lot: "2026-B", Kind: book.Opened, At: day(10)}, "say what is known of the lot: its species, egg take and number"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := open(t, tt.before...)
			_, err := w.try(tt.entry)
			if err == nil {
				t.Fatalf("let in, want: %s", tt.want)
			}
			same(t, "reason", tt.want, err.Error())
		})
	}
}

func TestOpenings(t *testing.T) {
	tests := []struct {
		name   string
		change func(*book.Opening)
		want   string // "" when it is let in
	}{
		{"whole", func(*book.Opening) {}, ""},
		{"species", func(o *book.Opening) { o.Species = " " }, "say the species"},
		{"egg take", func(o *book.Opening) { o.EggTake = time.Time{} }, "say when the eggs were taken; an estimate will do if a note says so"},
		{"start", func(o *book.Opening) { o.Start = "" }, "say the stage it came in: green, eyed, hatch or swim-up"},
		{"eyed without units", func(o *book.Opening) { o.Start = lot.Eyed }, "say the degree-days it had gathered before it came, as it came at the stage eyed"},
		{"fry without units", func(o *book.Opening) { o.Start = lot.SwimUp }, ""},
		{"units below 0", func(o *book.Opening) { o.StartUnits = -1 }, "-1 degree-days are out of sense; write 0 to 3,000"},
		{"units that are no number", func(o *book.Opening) { o.StartUnits = noNumber }, "NaN degree-days are out of sense; write 0 to 3,000"},
		{"base", func(o *book.Opening) { o.BaseC = 11 }, "units cannot be counted above 11 degC; write -2 to 10 degC"},
		{"count", func(o *book.Opening) { o.Count = book.Count{} }, `there is no count ""; there are direct, by volume and by weight`},
		{"strain", func(o *book.Opening) { o.Strain = "a\tb" }, "the strain has a line break or another character that cannot be printed in a line: leave it out"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			o := opening(500)
			tt.change(o)
			_, err := book.New(nil, options()).Check(signed(book.Entry{Kind: book.Opened, At: day(0), Unit: "stack 1", Open: o}, 1), now)
			got := ""
			if err != nil {
				got = err.Error()
			}
			same(t, "reason", tt.want, got)
		})
	}
}

var noNumber = measure.DegreeDays(math.NaN())

func TestClocksMayDiffer(t *testing.T) {
	w := open(t)
	w.add(book.Entry{Kind: book.Note, At: now.Add(time.Minute), Text: "x"})
}

// After a lot is gone, what was forgotten can still be written into its past.
func TestBackDated(t *testing.T) {
	w := open(t, book.Entry{Kind: book.Shipped, At: day(10), Place: "Birch Run"})
	w.add(book.Entry{Kind: book.Picked, At: day(5), Number: 200})
	l := w.lot("2026-A")
	same(t, "dead, out", "200 11800", fmt.Sprint(l.Dead, l.Out))
	w.add(book.Entry{Kind: book.Note, At: day(11), Text: "all well there"})
	w.add(book.Entry{Kind: book.Shipped, At: day(10), Number: 5000, Place: "Birch Run", Corrects: 2})
	same(t, "left again", 6800, w.lot("2026-A").Number)
}

// What a lot begins with cannot go while anything else is written of it.
func TestBeginningTakenBack(t *testing.T) {
	w := open(t, book.Entry{Kind: book.Split, At: day(5), Number: 100, Other: "2026-B"}, book.Entry{Lot: "2026-B", Kind: book.Picked, At: day(6), Number: 5})
	for name, tt := range map[string]struct {
		entry book.Entry
		want  string
	}{
		"opening struck":   {book.Entry{Kind: book.Struck, At: day(9), Corrects: 1, Text: "twice"}, "entry 2 of 2026-10-06 08:30, 100 of lot 2026-A became lot 2026-B, would no longer fit: there is no lot 2026-A any more: entry 1, which began it, was taken back or replaced (and so for 1 more)"},
		"opening replaced": {book.Entry{Kind: book.Eyed, At: day(9), Corrects: 1}, "there is no lot 2026-A any more: entry 1, which began it, was taken back or replaced"},
		"split struck":     {book.Entry{Kind: book.Struck, At: day(9), Corrects: 2, Text: "twice"}, "entry 3 of 2026-10-07 08:30, 5 dead picked out, would no longer fit: there is no lot 2026-B any more: entry 2, which began it, was taken back or replaced"},
	} {
		_, err := w.b.Check(signed(tt.entry, 4), now)
		same(t, name, tt.want, fmt.Sprint(err))
	}
}

// A strike may leave the lot to the entry that it strikes.
func TestNoSuchEntry(t *testing.T) {
	e := signed(book.Entry{Kind: book.Struck, At: day(10), Corrects: 99, Text: "twice"}, 2)
	e.Lot = ""
	_, err := open(t).b.Check(e, now)
	same(t, "reason", "there is no entry 99 to correct or strike; the record sheet of a lot gives each line its number", fmt.Sprint(err))
}

// Of two lots that are as near, the same is named each time.
func TestTwoNearNames(t *testing.T) {
	w := open(t, book.Entry{Kind: book.Split, At: day(5), Number: 100, Other: "2026-B"})
	for range 20 {
		_, err := w.b.Check(signed(book.Entry{Lot: "2026-C", Kind: book.Eyed, At: day(9)}, 3), now)
		same(t, "reason", `there is no lot "2026-C"; did you mean "2026-A"?`, fmt.Sprint(err))
	}
}
