package water_test

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/water"
)

const mmHg = 1013.25 / 760

type row struct {
	tempC, mmHg, salinity, mgL float64
	decimals                   int
	status                     string
}

// table reads testdata/oxygen/saturation.csv; its README says what each status
// is worth.
func table(t *testing.T) []row {
	t.Helper()
	f, err := os.Open("../../testdata/oxygen/saturation.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []row
	for _, l := range lines[1:] {
		var v [4]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(l[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		_, frac, _ := strings.Cut(l[3], ".")
		rows = append(rows, row{v[0], v[1], v[2], v[3], len(frac), l[5]})
	}
	return rows
}

// Every fresh-water row of the table. MEMORY rows are the printed 0 to 30 degC
// table of the APHA method, written down from memory: within 0.0015 mg/L, its
// worst row (4 degC) being 0.0014 off. READ rows are single values printed in
// public documents: half of the last digit, and 0.0005 for their own rounding
// of the atmosphere. COMPUTED rows come from the same equations and only show
// that they were typed in alike; they say nothing of the equations themselves.
func TestTable(t *testing.T) {
	seen := make(map[string]int)
	for _, r := range table(t) {
		if r.salinity != 0 {
			continue // fresh water only
		}
		seen[r.status]++
		half := 0.5 * math.Pow(10, -float64(r.decimals))
		tolerance := half + 1e-9
		switch r.status {
		case "MEMORY":
			tolerance = 0.0015
		case "READ":
			tolerance = half + 0.0005
		case "COMPUTED":
		default:
			t.Fatalf("row %+v has an unknown status", r)
		}
		got, err := water.SaturationMgL(measure.TempC(r.tempC), measure.PressureHPa(r.mmHg*mmHg))
		if err != nil {
			t.Fatal(err)
		}
		if d := math.Abs(float64(got) - r.mgL); d > tolerance {
			t.Errorf("%s: %g degC, %g mmHg: got %.4f mg/L, printed %g (off by %.4f, allowed %.4f)", r.status, r.tempC, r.mmHg, got, r.mgL, d, tolerance)
		}
	}
	if got, want := fmt.Sprint(seen), "map[COMPUTED:28 MEMORY:31 READ:6]"; got != want {
		t.Errorf("rows checked: %s, want %s", got, want)
	}
}

// garciaGordon is oxygen solubility in fresh water at 1 atm, mg/L, by Garcia and
// Gordon 1992, Limnology and Oceanography 37, 1307, table 1, the fit to the
// data of Benson and Krause in mL/L, times 1.42905 mg/mL (from memory). The
// form and the data treatment differ from water's equation; the data do not.
func garciaGordon(t float64) float64 {
	ts := math.Log((298.15 - t) / (273.15 + t))
	return 1.42905 * math.Exp(2.00907+ts*(3.22014+ts*(4.05010+ts*(4.94457+ts*(-0.256847+ts*3.88767)))))
}

func TestSecondEquation(t *testing.T) {
	worst := 0.0
	for c := 0.0; c <= 30; c += 0.25 {
		got, err := water.SaturationMgL(measure.TempC(c), 1013.25)
		if err != nil {
			t.Fatal(err)
		}
		worst = max(worst, math.Abs(float64(got)-garciaGordon(c)))
	}
	if worst > 0.002 {
		t.Errorf("the two equations differ by up to %.4f mg/L between 0 and 30 degC, want at most 0.002", worst)
	}
	t.Logf("worst difference %.4f mg/L", worst)
}

// The vapour pressure enters only off 1 atm. A common form for it and the plain
// pressure ratio (USGS memoranda 81.11 and 81.15 as quoted in public code) stay
// within 0.0025 mg/L of the equation at hatchery altitudes.
func TestPressureRatio(t *testing.T) {
	for _, p := range []float64{600, 650, 700, 780} {
		for c := 0.0; c <= 30; c++ {
			at, err := water.SaturationMgL(measure.TempC(c), measure.PressureHPa(p*mmHg))
			if err != nil {
				t.Fatal(err)
			}
			full, err := water.SaturationMgL(measure.TempC(c), 1013.25)
			if err != nil {
				t.Fatal(err)
			}
			u := math.Pow(10, 8.10765-1750.286/(235+c))
			if want := float64(full) * (p - u) / (760 - u); math.Abs(float64(at)-want) > 0.0025 {
				t.Errorf("%g degC, %g mmHg: got %.4f, ratio gives %.4f", c, p, at, want)
			}
		}
	}
}

func TestDomain(t *testing.T) {
	nan := math.NaN()
	tests := []struct {
		name string
		t    measure.TempC
		p    measure.PressureHPa
		what string // "" is inside
	}{
		{"coldest", 0, 1013.25, ""},
		{"warmest", 40, 1013.25, ""},
		{"thinnest", 10, 506.625, ""},
		{"densest", 10, 1114.575, ""},
		{"ice", -0.001, 1013.25, "temperature"},
		{"hot", 40.001, 1013.25, "temperature"},
		{"too thin", 10, 506.6, "pressure"},
		{"too dense", 10, 1114.6, "pressure"},
		{"no temperature", measure.TempC(nan), 1013.25, "temperature"},
		{"no pressure", 10, measure.PressureHPa(nan), "pressure"},
		{"endless", 10, measure.PressureHPa(math.Inf(1)), "pressure"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err1 := water.SaturationMgL(tt.t, tt.p)
			_, err2 := water.PercentSaturation(10, tt.t, tt.p)
			_, err3 := water.FromPercent(90, tt.t, tt.p)
			for _, err := range []error{err1, err2, err3} {
				var out *water.OutOfDomainError
				switch {
				case tt.what == "" && err != nil:
					t.Errorf("got error %v", err)
				case tt.what != "" && (!errors.As(err, &out) || !strings.HasPrefix(out.What, tt.what)):
					t.Errorf("got error %v, want an OutOfDomainError about the %s", err, tt.what)
				}
			}
		})
	}
}

func TestPercentRoundTrip(t *testing.T) {
	for c := 0.0; c <= 40; c += 2.5 {
		for _, p := range []measure.PressureHPa{600, 962, 1013.25} {
			for _, o := range []measure.OxygenMgL{0, 0.1, 7, 14} {
				s, err := water.PercentSaturation(o, measure.TempC(c), p)
				if err != nil {
					t.Fatal(err)
				}
				back, err := water.FromPercent(s, measure.TempC(c), p)
				if err != nil || math.Abs(float64(back-o)) > 1e-12 {
					t.Errorf("%g mg/L at %g degC is %g %%, and that is %g mg/L (%v)", o, c, s, back, err)
				}
			}
		}
	}
	// 10.387 mg/L is full saturation at 10 degC and 700 mmHg, three decimals.
	if s, err := water.PercentSaturation(10.387, 10, 700*mmHg); err != nil || math.Abs(float64(s)-100) > 0.005 {
		t.Errorf("got %g %%, %v, want 100", s, err)
	}
}
