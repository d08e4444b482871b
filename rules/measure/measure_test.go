package measure_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"weirkeeper/rules/measure"
)

// Conversions to the base unit. Exact by definition of the units: US gallon
// 3.785411784 L, foot 0.3048 m, 760 mmHg = 1013.25 hPa (from memory).
func TestParse(t *testing.T) {
	tests := []struct {
		in   string
		dim  measure.Dimension
		base float64
		back string
	}{
		{"28 L/min", measure.Flow, 28, "28 L/min"},
		{" 7.5gpm ", measure.Flow, 28.39058838, "7.5 gpm"},
		{"1.5 L/s", measure.Flow, 90, "1.5 L/s"},
		{"6 m³/h", measure.Flow, 100, "6 m3/h"},
		{"0.001 m3/s", measure.Flow, 60, "0.001 m3/s"},
		{"50 degF", measure.Temperature, 10, "50 degF"},
		{"-40°F", measure.Temperature, -40, "-40 degF"},
		{"8.5 c", measure.Temperature, math.NaN(), ""}, // one letter must be right
		{"8.5 C", measure.Temperature, 8.5, "8.5 degC"},
		{"8.5 DEGC", measure.Temperature, 8.5, "8.5 degC"},
		{"7 ppm", measure.Oxygen, 7, "7 mg/L"},
		{"0.007 kg/m3", measure.Oxygen, 7, "0.007 kg/m3"},
		{"80%", measure.Saturation, 80, "80% saturation"},
		{"80 % saturation", measure.Saturation, 80, "80% saturation"},
		{"100 gal", measure.Volume, 378.5411784, "100 gal"},
		{"10 ft3", measure.Volume, 283.16846592, "10 ft3"},
		{"1000 ft", measure.Length, 304.8, "1000 ft"},
		{"760 mmHg", measure.Pressure, 1013.25, "760 mmHg"},
		{"29.92125984 inHg", measure.Pressure, 1013.25, "29.92125984 inHg"},
		{"96.2 kPa", measure.Pressure, 962, "96.2 kPa"},
		{"5 minutes", measure.Time, 300, "5 min"},
		{"432 TU", measure.ThermalUnits, 240, "432 TU"},
		{"1 degree-day", measure.ThermalUnits, 1, "1 degree-days"},
	}
	for _, tt := range tests {
		t.Run(tt.in, func(t *testing.T) {
			a, err := measure.Parse(tt.in)
			if math.IsNaN(tt.base) {
				var unknown *measure.UnknownUnitError
				if !errors.As(err, &unknown) || unknown.Suggestion != "C" {
					t.Errorf("got %v, %v", a, err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if a.Unit.Dimension() != tt.dim || math.Abs(a.Base()-tt.base) > 1e-6 || a.String() != tt.back {
				t.Errorf("%v is %v of %v, written %q; want %v of %v, %q", tt.in, a.Base(), a.Unit.Dimension(), a, tt.base, tt.dim, tt.back)
			}
			if back := a.Unit.FromBase(a.Base()); math.Abs(back-a.Value) > 1e-9 {
				t.Errorf("back again: %v, was %v", back, a.Value)
			}
			if back := a.Unit.DeltaFromBase(a.BaseDelta()); math.Abs(back-a.Value) > 1e-9 {
				t.Errorf("difference back again: %v, was %v", back, a.Value)
			}
		})
	}
}

func TestParseRefuses(t *testing.T) {
	if a, err := measure.Parse("28"); !errors.Is(err, measure.ErrNoUnit) || a.Value != 28 {
		t.Errorf("bare number: %v, %v", a, err)
	}
	for in, want := range map[string]string{
		"":             `"" does not start with a number`,
		"warm":         `"warm" does not start with a number`,
		"1.2.3 L":      `"1.2.3" is not a number`,
		"+-3 L":        `"+-3" is not a number`,
		"5 stone":      `there is no unit "stone"`,
		"5 galon":      `there is no unit "galon"`,
		"5 gpn":        `there is no unit "gpn"; did you mean "gpm"?`,
		"5 Lmin":       `there is no unit "Lmin"; did you mean "L/min"?`,
		"5 degree-dys": `there is no unit "degree-dys"; did you mean "degree-days"?`,
		"1e5 L":        `there is no unit "e5 L"`,
	} {
		if _, err := measure.Parse(in); err == nil || err.Error() != want {
			t.Errorf("%q: got %v, want %s", in, err, want)
		}
	}
}

func TestFormat(t *testing.T) {
	tests := []struct{ got, want string }{
		{measure.LPM.Format(28.44), "28.4 L/min"},
		{measure.GPM.Format(28.39058838), "7.5 gpm"},
		{measure.DegF.Format(10), "50.0 degF"},
		{measure.DegF.FormatDelta(1), "1.8 degF"},
		{measure.DegC.Format(-0.04), "0.0 degC"},
		{measure.KgM3.Format(-0.0000001), "0.00000 kg/m3"},
		{measure.DegC.Format(-0.06), "-0.1 degC"},
		{measure.PercentSat.Format(80.4), "80% saturation"},
		{measure.Amount{Value: 5}.String(), "5"},
		{measure.Unit{}.String(), ""},
		{measure.Temperature.Base().String() + " " + measure.Flow.Base().String() + " " + measure.ThermalUnits.Base().String(), "degC L/min degree-days"},
		{measure.Dimension(99).String(), "dimension(99)"},
		{measure.None.Base().String(), ""},
	}
	for _, tt := range tests {
		if tt.got != tt.want {
			t.Errorf("got %q, want %q", tt.got, tt.want)
		}
	}
	if got := measure.DegreeDays(10).TUF(); got != 18 {
		t.Errorf("10 degree-days are %v TU, want 18", got)
	}
}

func TestDurations(t *testing.T) {
	for d, want := range map[time.Duration]string{
		-90 * time.Second:            "-90 s",
		999 * time.Millisecond:       "0 s",
		119 * time.Second:            "119 s",
		2 * time.Minute:              "2 min",
		59*time.Minute + 59e9:        "59 min",
		time.Hour:                    "1 h",
		3*time.Hour + 10*time.Minute: "3 h 10 min",
		24 * time.Hour:               "1 d",
		52 * time.Hour:               "2 d 4 h",
	} {
		if got := measure.FormatDuration(d); got != want {
			t.Errorf("%d ns: got %q, want %q", d, got, want)
		}
	}
	a, err := measure.Parse("1.5 h")
	if err != nil || a.Duration() != 90*time.Minute {
		t.Errorf("1.5 h is %v, %v", a.Duration(), err)
	}
	if d := (measure.Amount{Value: 5, Unit: measure.LPM}).Duration(); d != 0 {
		t.Errorf("a flow lasts %v", d)
	}
}

// Every unit has one base in its dimension, and no spelling means two units.
func TestTable(t *testing.T) {
	for d := measure.Temperature; d <= measure.ThermalUnits; d++ {
		if d.Base().IsZero() || d.Base().ToBase(7) != 7 {
			t.Errorf("%v has no base unit", d)
		}
		for _, n := range d.UnitNames() {
			if u, err := measure.ParseUnit(n); err != nil || u.String() != n || u.Dimension() != d {
				t.Errorf("unit %q of %v reads as %q of %v (%v)", n, d, u, u.Dimension(), err)
			}
		}
	}
}

func TestSuggest(t *testing.T) {
	known := []string{"trough 1", "trough 10", "raceway", "F"}
	for in, want := range map[string]string{"trogh 1": "trough 1", "Raceway ": "raceway", "pond": "", "f": "F", "g": "", "": ""} {
		if got := measure.Suggest(in, known); got != want {
			t.Errorf("%q: got %q, want %q", in, got, want)
		}
	}
}

func TestGroup(t *testing.T) {
	for n, want := range map[int]string{0: "0", 7: "7", 999: "999", 1000: "1,000", 12400: "12,400", 100_000_000: "100,000,000", -1240: "-1,240", -124: "-124"} {
		if got := measure.Group(n); got != want {
			t.Errorf("%d: %s, want %s", n, got, want)
		}
	}
}

func TestCountAndCapital(t *testing.T) {
	for n, want := range map[int]string{0: "0 rules", 1: "1 rule", 2: "2 rules"} {
		if got := measure.Count(n, "rule"); got != want {
			t.Errorf("%d: %q, want %q", n, got, want)
		}
	}
	for s, want := range map[string]string{"": "", "trough 3": "Trough 3", "Spring": "Spring", "écluse": "Écluse", "3 units": "3 units"} {
		if got := measure.Capital(s); got != want {
			t.Errorf("%q: %q, want %q", s, got, want)
		}
	}
}
