package book_test

import (
	"math"
	"testing"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
)

func TestCount(t *testing.T) {
	tests := []struct {
		name  string
		count book.Count
		want  int
		words string
	}{
		{"direct", book.Count{Method: book.Direct, Number: 24000}, 24000, "24,000 direct"},
		// 1240/50 x 412 = 10217.6, by hand.
		{"by volume", book.Count{Method: book.ByVolume, SampleNumber: 412, SampleAmount: 50, TotalAmount: 1240}, 10218, "1,240 mL / 50 mL x 412 = 10,218 by volume"},
		// 3100.5/8.25 x 1100 = 413400, by hand.
		{"by weight", book.Count{Method: book.ByWeight, SampleNumber: 1100, SampleAmount: 8.25, TotalAmount: 3100.5}, 413400, "3,100.5 g / 8.25 g x 1,100 = 413,400 by weight"},
		{"all is the sample", book.Count{Method: book.ByVolume, SampleNumber: 412, SampleAmount: 50, TotalAmount: 50}, 412, "50 mL / 50 mL x 412 = 412 by volume"},
		{"none", book.Count{Method: book.Direct}, 0, "no number (say how many there are, 1 or more)"},
		{"below 0", book.Count{Method: book.Direct, Number: -4}, 0, "no number (say how many there are, 1 or more)"},
		{"no method", book.Count{Number: 4}, 0, `no number (there is no count ""; there are direct, by volume and by weight)`},
		{"direct with a sample", book.Count{Method: book.Direct, Number: 4, SampleNumber: 4}, 0, "no number (a direct count has no sample: leave the sample out, or say that it is by volume or by weight)"},
		{"sample with a number", book.Count{Method: book.ByVolume, Number: 4, SampleNumber: 4, SampleAmount: 1, TotalAmount: 2}, 0, "no number (a count by volume is worked out from its sample: leave the number out)"},
		{"no sample number", book.Count{Method: book.ByVolume, SampleAmount: 1, TotalAmount: 2}, 0, "no number (say how many were in the sample, 1 or more)"},
		{"no sample amount", book.Count{Method: book.ByVolume, SampleNumber: 4, TotalAmount: 2}, 0, "no number (say the mL of the sample and of all, both above 0)"},
		{"not a number", book.Count{Method: book.ByWeight, SampleNumber: 4, SampleAmount: math.NaN(), TotalAmount: 2}, 0, "no number (say the g of the sample and of all, both above 0)"},
		{"without end", book.Count{Method: book.ByWeight, SampleNumber: 4, SampleAmount: 1, TotalAmount: math.Inf(1)}, 0, "no number (say the g of the sample and of all, both above 0)"},
		{"exchanged", book.Count{Method: book.ByVolume, SampleNumber: 412, SampleAmount: 1240, TotalAmount: 50}, 0, "no number (the sample, 1,240 mL, is more than all, 50 mL: exchange them)"},
		{"too many", book.Count{Method: book.ByVolume, SampleNumber: 4120, SampleAmount: 0.001, TotalAmount: 1240}, 0, "no number (5108800000 is more than any hatchery holds; write at most 100,000,000)"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := tt.count.Value()
			if got != tt.want || (err == nil) != (tt.want > 0) {
				t.Errorf("%d, %v, want %d", got, err, tt.want)
			}
			same(t, "words", tt.words, tt.count.String())
		})
	}
}

func TestMeanWeight(t *testing.T) {
	if got := (book.Sample{Number: 50, WeightG: 412}).MeanWeightG(); got != 8.24 {
		t.Errorf("%v g, want 8.24", got)
	}
	if got := (book.Sample{WeightG: 412}).MeanWeightG(); got != 0 {
		t.Errorf("%v g of no fish, want 0", got)
	}
}

func TestWords(t *testing.T) {
	o := opening(24000)
	o.Strain, o.Source, o.Start, o.StartUnits = "upper", "own broodstock", lot.Eyed, 230
	tests := []struct {
		entry book.Entry
		want  string
	}{
		{book.Entry{Kind: book.Opened, Unit: "stack 1", Trays: "1-4", Open: o}, "opened: brook trout, upper, eyed with 230 degree-days, 24,000 direct, from own broodstock, in stack 1 (trays 1-4)"},
		{book.Entry{Kind: book.Opened}, "opened"},
		{book.Entry{Kind: book.Placed, Unit: "stack 1"}, "all placed in stack 1"},
		{book.Entry{Kind: book.Moved, Number: 8000, Unit: "stack 1", To: "trough 3", Trays: "1-4"}, "8,000 moved from stack 1 to trough 3 (trays 1-4)"},
		{book.Entry{Kind: book.Moved, To: "trough 3"}, "all moved to trough 3"},
		{book.Entry{Kind: book.Split, Lot: "2026-A", Number: 800, Other: "2026-B", Unit: "stack 1"}, "800 of lot 2026-A in stack 1 became lot 2026-B"},
		{book.Entry{Kind: book.Split, Lot: "2026-A", Number: 800, Other: "2026-B", Unit: "stack 1", To: "stack 1"}, "800 of lot 2026-A in stack 1 became lot 2026-B"},
		{book.Entry{Kind: book.Merged, Lot: "2026-B", Other: "2026-A"}, "lot 2026-B became part of lot 2026-A"},
		{book.Entry{Kind: book.Eyed, Text: "estimated"}, "eyed: estimated"},
		{book.Entry{Kind: book.Shocked}, "shocked"},
		{book.Entry{Kind: book.Shocked, Number: 1200, Unit: "stack 1"}, "shocked, 1,200 dead picked out of stack 1"},
		{book.Entry{Kind: book.Picked, Number: 45}, "45 dead picked out"},
		{book.Entry{Kind: book.Hatched, Part: book.First}, "first hatch"},
		{book.Entry{Kind: book.Hatched, Part: book.Half}, "half hatched"},
		{book.Entry{Kind: book.Hatched, Part: book.Last}, "last hatch"},
		{book.Entry{Kind: book.SwimUp}, "swim-up"},
		{book.Entry{Kind: book.FirstFed}, "fed for the first time"},
		{book.Entry{Kind: book.Weighed, Unit: "trough 3", Sample: &book.Sample{Number: 50, WeightG: 412, LengthMM: 92}}, "50 weighed 412 g, 8.24 g each, 92 mm long, from trough 3"},
		{book.Entry{Kind: book.Counted, Unit: "trough 3", Count: &book.Count{Method: book.ByVolume, SampleNumber: 412, SampleAmount: 50, TotalAmount: 1240}}, "counted: 1,240 mL / 50 mL x 412 = 10,218 by volume, in trough 3"},
		{book.Entry{Kind: book.Transferred, Number: 500, Unit: "trough 3", Place: "Birch Run"}, "500 transferred from trough 3 to Birch Run"},
		{book.Entry{Kind: book.Shipped, Place: "Birch Run"}, "all shipped to Birch Run"},
		{book.Entry{Kind: book.Lost, Number: 500, Unit: "trough 3", Text: "screen off"}, "500 lost from trough 3: screen off"},
		{book.Entry{Kind: book.Note, Text: "screens changed"}, "note: screens changed"},
		{book.Entry{Kind: book.Struck, Corrects: 12, Text: "wrong lot"}, "entry 12 struck: wrong lot"},
		{book.Entry{Kind: book.Picked, Number: 5, Corrects: 12}, "in place of entry 12: 5 dead picked out"},
	}
	seen := make(map[book.Kind]bool)
	for _, tt := range tests {
		same(t, string(tt.entry.Kind), tt.want, tt.entry.Words())
		seen[tt.entry.Kind] = true
	}
	for _, k := range book.Kinds() {
		if !seen[k] {
			t.Errorf("no words of %q are tested", k)
		}
	}
}
