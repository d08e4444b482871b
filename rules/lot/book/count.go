package book

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"weirkeeper/rules/measure"
)

// most is more eggs than any hatchery holds; numbers above it are slips.
const most = 100_000_000

// Value works the number out, rounded to whole eggs or fish: of 1,240 mL of
// eggs, 412 to 50 mL, there are 10,218.
// Errors: what is missing or out of sense.
func (c Count) Value() (int, error) {
	var n float64
	switch c.Method {
	case Direct:
		if c.SampleNumber != 0 || c.SampleAmount != 0 || c.TotalAmount != 0 {
			return 0, errors.New("a direct count has no sample: leave the sample out, or say that it is by volume or by weight")
		}
		n = float64(c.Number)
	case ByVolume, ByWeight:
		unit := c.unit()
		switch {
		case c.Number != 0:
			return 0, fmt.Errorf("a count %s is worked out from its sample: leave the number out", c.Method)
		case c.SampleNumber < 1 || c.SampleNumber > most:
			return 0, errors.New("say how many were in the sample, 1 or more")
		case !within(c.SampleAmount, 1e9) || !within(c.TotalAmount, 1e9):
			return 0, fmt.Errorf("say the %s of the sample and of all, both above 0", unit)
		case c.SampleAmount > c.TotalAmount:
			return 0, fmt.Errorf("the sample, %s %s, is more than all, %s %s: exchange them", amount(c.SampleAmount), unit, amount(c.TotalAmount), unit)
		}
		n = math.Round(c.TotalAmount / c.SampleAmount * float64(c.SampleNumber))
	default:
		return 0, fmt.Errorf("there is no count %q; there are %s, %s and %s", c.Method, Direct, ByVolume, ByWeight)
	}
	switch {
	case n < 1:
		return 0, errors.New("say how many there are, 1 or more")
	case n > most:
		return 0, fmt.Errorf("%.0f is more than any hatchery holds; write at most %s", n, measure.Group(most))
	}
	return int(n), nil
}

// within reports whether 0 < v <= high; it is false for what is no number.
func within(v, high float64) bool { return v > 0 && v <= high }

func (c Count) unit() string {
	if c.Method == ByWeight {
		return "g"
	}
	return "mL"
}

// String is the number with its arithmetic, such as "1,240 mL / 50 mL x 412 =
// 10,218 by volume".
func (c Count) String() string {
	n, err := c.Value()
	switch {
	case err != nil:
		return "no number (" + err.Error() + ")"
	case c.Method == Direct:
		return measure.Group(n) + " direct"
	}
	return fmt.Sprintf("%s %s / %s %s x %s = %s %s",
		amount(c.TotalAmount), c.unit(), amount(c.SampleAmount), c.unit(), measure.Group(c.SampleNumber), measure.Group(n), c.Method)
}

// amount writes an amount grouped, with the decimals it has, at most three.
func amount(v float64) string {
	whole, frac, _ := strings.Cut(strconv.FormatFloat(v, 'f', 3, 64), ".")
	n, err := strconv.Atoi(whole)
	if err != nil {
		return whole
	}
	s := measure.Group(n)
	if frac = strings.TrimRight(frac, "0"); frac != "" {
		s += "." + frac
	}
	return s
}

// MeanWeightG is the mean weight of one, grams; 0 of no fish.
func (s Sample) MeanWeightG() measure.MassG {
	if s.Number <= 0 {
		return 0
	}
	return s.WeightG / measure.MassG(s.Number)
}
