package water

import (
	"fmt"
	"math"

	"weirkeeper/rules/measure"
)

// Domain of UnionisedAmmoniaShare; both ends included. The temperatures are
// those of the source, the pH any water that could hold fish.
const (
	MinAmmoniaTempC measure.TempC = 0
	MaxAmmoniaTempC measure.TempC = 50
	MinAmmoniaPH                  = 4
	MaxAmmoniaPH                  = 11
)

// UnionisedAmmoniaShare is the share of total ammonia that is un-ionised (NH3,
// the part that harms fish) in fresh water at temperature t (0 to 50 degC) and
// pH (4 to 11), percent. Worked value: 10 degC, pH 8 gives 1.822.
//
// Errors: a description of the input that is out of range.
//
// Source: Emerson et al. 1975: pKa = 0.09018 + 2729.92/T with T in kelvin,
// share 1/(10^(pKa-pH) + 1). The form was read in two secondary places, the
// constant 2729.92 in one, and it agrees with memory; another place prints
// 2727.92, which is 1.5 % more and taken to be a misprint.
func UnionisedAmmoniaShare(t measure.TempC, pH float64) (measure.Percent, error) {
	if !(t >= MinAmmoniaTempC && t <= MaxAmmoniaTempC) {
		return 0, fmt.Errorf("water: the share of un-ionised ammonia is known from %g to %g degC, not at %g degC", float64(MinAmmoniaTempC), float64(MaxAmmoniaTempC), float64(t))
	}
	if !(pH >= MinAmmoniaPH && pH <= MaxAmmoniaPH) {
		return 0, fmt.Errorf("water: the share of un-ionised ammonia is worked out from pH %d to %d, not at pH %g", MinAmmoniaPH, MaxAmmoniaPH, pH)
	}
	pKa := 0.09018 + 2729.92/(float64(t)+273.15)
	return measure.Percent(100 / (math.Pow(10, pKa-pH) + 1)), nil
}
