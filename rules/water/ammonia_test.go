package water_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/water"
)

// Every value of the table, to its last digit. It was computed from the same
// equation (Emerson et al. 1975; constant read in one secondary place and from
// memory). The misprinted constant 2727.92 must fall out of every cell. The cell
// at 0 degC and pH 9 is printed as 7.608 where the equation gives 7.60749: hence
// two hundredths of a digit more than half of it.
func TestUnionisedAmmoniaShare(t *testing.T) {
	f, err := os.Open("../../testdata/rearing/ammonia.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	num := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	cells := 0
	for _, l := range lines[1:] {
		degC := num(l[0])
		for i := 2; i < len(l); i++ {
			pH, want := num(lines[0][i]), num(l[i])
			_, frac, _ := strings.Cut(l[i], ".")
			tolerance := 0.52 * math.Pow(10, -float64(len(frac)))
			got, err := water.UnionisedAmmoniaShare(measure.TempC(degC), pH)
			if err != nil || math.Abs(float64(got)-want) > tolerance {
				t.Errorf("%g degC, pH %g: got %.5f %%, %v, want %s", degC, pH, got, err, l[i])
			}
			misprint := 100 / (math.Pow(10, 0.09018+2727.92/(degC+273.15)-pH) + 1)
			if math.Abs(misprint-want) <= tolerance {
				t.Errorf("%g degC, pH %g: the misprinted constant gives %.5f, which this table does not tell from %s", degC, pH, misprint, l[i])
			}
			cells++
		}
	}
	if cells != 36 {
		t.Errorf("%d cells were checked, want 36", cells)
	}
}

// Half of the ammonia is un-ionised where pH is pKa: 9.7314 at 10 degC.
func TestUnionisedAmmoniaHalf(t *testing.T) {
	if got, err := water.UnionisedAmmoniaShare(10, 9.7314); err != nil || math.Abs(float64(got)-50) > 0.01 {
		t.Errorf("got %g %%, %v, want 50", got, err)
	}
}

func TestUnionisedAmmoniaDomain(t *testing.T) {
	for _, tc := range []struct {
		name string
		t    measure.TempC
		pH   float64
		want string // in the error, "" for none
	}{
		{"coldest", 0, 7, ""},
		{"warmest", 50, 7, ""},
		{"too cold", -0.1, 7, "from 0 to 50 degC, not at -0.1 degC"},
		{"too warm", 50.1, 7, "from 0 to 50 degC, not at 50.1 degC"},
		{"no temperature", measure.TempC(math.NaN()), 7, "from 0 to 50 degC"},
		{"most acid", 10, 4, ""},
		{"most alkaline", 10, 11, ""},
		{"too acid", 10, 3.9, "from pH 4 to 11, not at pH 3.9"},
		{"too alkaline", 10, 11.1, "from pH 4 to 11, not at pH 11.1"},
		{"no pH", 10, math.NaN(), "from pH 4 to 11"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := water.UnionisedAmmoniaShare(tc.t, tc.pH)
			switch {
			case tc.want == "" && (err != nil || !(got > 0 && got < 100)):
				t.Errorf("got %g, %v, want a share", got, err)
			case tc.want != "" && (err == nil || !strings.Contains(err.Error(), tc.want)):
				t.Errorf("got %g, %v, want an error with %q", got, err, tc.want)
			}
		})
	}
}
