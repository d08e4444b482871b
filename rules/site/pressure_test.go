package site_test

import (
	"math"
	"testing"

	"weirkeeper/rules/site"
)

// The standard atmosphere, ISO 2533, table values in hPa (from memory).
func TestPressureAtAltitude(t *testing.T) {
	for _, tt := range []struct{ metres, hPa float64 }{
		{-200, 1037.5}, {0, 1013.25}, {500, 954.6}, {1000, 898.7}, {2000, 795.0}, {3000, 701.1}, {5000, 540.2},
	} {
		if got := float64(site.PressureAtAltitude(tt.metres)); math.Abs(got-tt.hPa) > 0.1 {
			t.Errorf("at %v m: got %.2f hPa, want %.2f", tt.metres, got, tt.hPa)
		}
	}
}
