package lot_test

import (
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"weirkeeper/rules/lot"
)

var start = time.Date(2026, 10, 14, 9, 30, 0, 0, time.UTC)

// at is hours after the start.
func at(hours float64) time.Time { return start.Add(time.Duration(hours * float64(time.Hour))) }

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.6f, want %.6f within %g", what, got, want, within)
	}
}

type published struct {
	species, stage       string
	tempF, tempC         float64
	days, tu, degreeDays float64
	source, status       string
	steady               bool // temperature and days are given
}

// incubation reads testdata/incubation; its README says what the rows are worth.
func incubation(t *testing.T) []published {
	t.Helper()
	f, err := os.Open("../../testdata/incubation/incubation-units.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []published
	for _, l := range lines[1:] {
		var v [5]float64
		for i := range v {
			if l[2+i] == "" {
				continue
			}
			if v[i], err = strconv.ParseFloat(l[2+i], 64); err != nil {
				t.Fatal(err)
			}
		}
		out = append(out, published{l[0], l[1], v[0], v[1], v[2], v[3], v[4], l[7], l[8], l[4] != ""})
	}
	return out
}

// Every published row that the ranges are made of lies inside them. Left out,
// as needs.go says: water of 35 degF, and coho at the units of eyeing.
func TestPublishedRangesHoldTheirRows(t *testing.T) {
	n := 0
	for _, r := range incubation(t) {
		if r.tempF == 35 || strings.Contains(r.source, "IMPLAUSIBLE") {
			continue
		}
		stage := lot.Hatch
		switch r.stage {
		case "eyed":
			stage = lot.Eyed
		case "emergence", "swim-up":
			stage = lot.SwimUp
		}
		need := lot.Published(strings.TrimPrefix(r.species, "fall "), stage)
		if !need.Known() || r.degreeDays < float64(need.Low) || r.degreeDays > float64(need.High) {
			t.Errorf("%s %s: %g degree-days is outside %g to %g", r.species, r.stage, r.degreeDays, need.Low, need.High)
		}
		n++
	}
	if n != 40 {
		t.Errorf("%d rows, want 40", n)
	}
	for _, species := range lot.PublishedSpecies() {
		for _, s := range lot.Stages() {
			need := lot.Published(species, s)
			if !need.Known() {
				continue
			}
			if mid := (need.Low + need.High) / 2; float64(need.Low) > 0.9*float64(mid)+1e-9 || float64(need.High) < 1.1*float64(mid)-1e-9 || need.Source == "" {
				t.Errorf("%s %s: %+v is narrower than 10 percent either side, or has no source", species, s, need)
			}
		}
	}
	if s := lot.PublishedSpecies(); !slices.IsSorted(s) || !slices.Contains(s, "brook trout") || slices.Contains(s, "arctic char") {
		t.Errorf("species %v", s)
	}
	if !lot.Published(" Brook Trout ", lot.Hatch).Known() {
		t.Error("the case of a species matters")
	}
}
