package reading_test

import (
	"math"
	"testing"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
)

func TestQuality(t *testing.T) {
	tests := []struct {
		name            string
		flags           reading.Flags
		value           float64
		usable, current bool
	}{
		{"plain", 0, 8, true, true},
		{"device time", reading.DeviceTimed, 8, true, true},
		{"future", reading.FutureTime, 8, true, true},
		{"sent again", reading.Redelivered, 8, true, true},
		{"late", reading.Late | reading.DeviceTimed, 8, true, false},
		{"out of order", reading.OutOfOrder, 8, true, false},
		{"kept by the broker", reading.Retained, 8, true, false},
		{"kept, with its time", reading.Retained | reading.DeviceTimed, 8, true, true},
		{"kept, with its time, late", reading.Retained | reading.DeviceTimed | reading.Late, 8, true, false},
		{"out of range", reading.OutOfRange, 99, false, false},
		{"not a number", 0, math.NaN(), false, false},
		{"endless", 0, math.Inf(-1), false, false},
	}
	for _, tt := range tests {
		r := reading.Reading{Flags: tt.flags, Value: tt.value}
		if r.Usable() != tt.usable || r.Current() != tt.current {
			t.Errorf("%s: usable %v, current %v; want %v, %v", tt.name, r.Usable(), r.Current(), tt.usable, tt.current)
		}
	}
}

// The stored numbers of the flags never change.
func TestFlagsAreStored(t *testing.T) {
	for f, want := range map[reading.Flags]string{
		0: "", 1: "device-timed", 2: "retained", 4: "late", 8: "future-time", 16: "out-of-range", 32: "redelivered", 64: "out-of-order",
		128: "clock-corrected", 256: "clock-untrusted",
		1 | 4 | 64: "device-timed,late,out-of-order",
	} {
		if got := f.String(); got != want {
			t.Errorf("%d: got %q, want %q", f, got, want)
		}
	}
}

func TestQuantities(t *testing.T) {
	for i, q := range reading.Quantities() {
		want := []struct {
			q   reading.Quantity
			s   string
			dim measure.Dimension
		}{{1, "temperature", measure.Temperature}, {2, "flow", measure.Flow}, {3, "oxygen", measure.Oxygen}, {4, "saturation", measure.Saturation}, {5, "contact", measure.None}}[i]
		if q != want.q || q.String() != want.s || q.Dimension() != want.dim {
			t.Errorf("quantity %d is %q of %v, want %+v", q, q, q.Dimension(), want)
		}
	}
	if q := reading.Quantity(9); q.String() != "quantity(9)" || q.Dimension() != measure.None {
		t.Errorf("unknown quantity %q of %v", q, q.Dimension())
	}
}
