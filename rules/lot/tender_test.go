package lot_test

import (
	"cmp"
	"testing"
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
)

// The tender time begins 48 h after egg take (common practice, no source) and
// ends when eyed is seen, or where it must have come.
func TestTender(t *testing.T) {
	eyed := lot.Need{Low: 220, High: 336}
	tests := []struct {
		name    string
		profile lot.Profile
		start   lot.Stage
		eyedAt  time.Time
		need    lot.Need
		units   measure.DegreeDays
		hours   float64
		want    bool
		why     string
	}{
		{"fresh", lot.Profile{}, lot.Green, time.Time{}, eyed, 15, 47.9, false, "fresh eggs may be moved until 16 Oct 09:30, 2 d after egg take"},
		{"begins", lot.Profile{}, lot.Green, time.Time{}, eyed, 16, 48, true, "leave them still: tender since 16 Oct 09:30 until eyed is seen, or past 336 degree-days (now 16)"},
		{"at the upper end", lot.Profile{}, lot.Green, time.Time{}, eyed, 336, 900, true, "leave them still: tender since 16 Oct 09:30 until eyed is seen, or past 336 degree-days (now 336)"},
		{"past the upper end", lot.Profile{}, lot.Green, time.Time{}, eyed, 337, 900, false, "nobody wrote down that they are eyed, but at 337 degree-days they should be (by 336); look before you move them"},
		{"before it was seen", lot.Profile{}, lot.Green, at(700), eyed, 230, 699, true, "leave them still: tender since 16 Oct 09:30 until eyed is seen, or past 336 degree-days (now 230)"},
		{"eyed", lot.Profile{}, lot.Green, at(700), eyed, 230, 700, false, "eyed on 12 Nov"},
		{"requirement not known", lot.Profile{}, lot.Green, time.Time{}, lot.Need{}, 900, 2000, true, "leave them still: tender since 16 Oct 09:30 until eyed is seen"},
		{"came eyed", lot.Profile{}, lot.Eyed, time.Time{}, eyed, 230, 100, false, ""},
		{"came hatched", lot.Profile{}, lot.Hatch, time.Time{}, eyed, 500, 100, false, ""},
		{"the keeper's own", lot.Profile{Tender: lot.Tender{From: 24 * time.Hour, Until: 250}}, lot.Green, time.Time{}, eyed, 8, 24, true, "leave them still: tender since 15 Oct 09:30 until eyed is seen, or past 250 degree-days (now 8)"},
		{"past the keeper's own", lot.Profile{Tender: lot.Tender{Until: 250}}, lot.Green, time.Time{}, eyed, 251, 800, false, "nobody wrote down that they are eyed, but at 251 degree-days they should be (by 250); look before you move them"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := tt.profile.TenderAt(tt.start, start, tt.eyedAt, tt.need, tt.units, at(tt.hours))
			if got.Tender != tt.want || got.Why != tt.why {
				t.Errorf("%v, %q; want %v, %q", got.Tender, got.Why, tt.want, tt.why)
			}
			from := start.Add(cmp.Or(tt.profile.Tender.From, lot.DefaultTenderFrom))
			if tt.start != lot.Green {
				from = time.Time{}
			}
			if !got.From.Equal(from) {
				t.Errorf("from %v, want %v", got.From, from)
			}
		})
	}
}
