// Package water owns what physics says of the hatchery's water: how much
// oxygen it can hold. It does no I/O.
package water

import (
	"fmt"
	"math"

	"weirkeeper/rules/measure"
)

// Domain of the saturation equations; both ends included.
const (
	MinTempC       measure.TempC       = 0
	MaxTempC       measure.TempC       = 40
	MinPressureHPa measure.PressureHPa = 0.5 * hPaPerAtm
	MaxPressureHPa measure.PressureHPa = 1.1 * hPaPerAtm
)

const hPaPerAtm = 1013.25

// OutOfDomainError says which input the saturation equations do not cover.
type OutOfDomainError struct {
	What     string // "temperature" or "pressure", with its unit
	Value    float64
	Min, Max float64
}

func (e *OutOfDomainError) Error() string {
	return fmt.Sprintf("water: %s %g is outside %g to %g, where the oxygen equations hold", e.What, e.Value, e.Min, e.Max)
}

// SaturationMgL is the dissolved oxygen of fresh water in balance with moist
// air, mg/L, at temperature t (0 to 40 degC) and barometric pressure p (0.5 to
// 1.1 atm, hPa). Worked value: 10 degC, 700 mmHg (933.26 hPa) gives 10.387.
//
// Errors: *OutOfDomainError.
//
// Source: Benson and Krause 1980, 1984, as adopted by USGS Office of Water
// Quality Technical Memorandum 2011.03 and APHA Standard Methods 4500-O.
func SaturationMgL(t measure.TempC, p measure.PressureHPa) (measure.OxygenMgL, error) {
	if !(t >= MinTempC && t <= MaxTempC) {
		return 0, &OutOfDomainError{"temperature, degC,", float64(t), float64(MinTempC), float64(MaxTempC)}
	}
	if !(p >= MinPressureHPa && p <= MaxPressureHPa) {
		return 0, &OutOfDomainError{"pressure, hPa,", float64(p), float64(MinPressureHPa), float64(MaxPressureHPa)}
	}
	tk := float64(t) + 273.15
	atm := float64(p) / hPaPerAtm
	atOneAtm := math.Exp(-139.34411 + (1.575701e5+(-6.642308e7+(1.243800e10-8.621949e11/tk)/tk)/tk)/tk)
	vapour := math.Exp(11.8571 - 3840.70/tk - 216961/(tk*tk))
	theta := 0.000975 - 1.426e-5*float64(t) + 6.436e-8*float64(t)*float64(t)
	pressureFactor := (atm - vapour) * (1 - theta*atm) / ((1 - vapour) * (1 - theta))
	return measure.OxygenMgL(atOneAtm * pressureFactor), nil
}

// PercentSaturation is dissolved oxygen as a share of SaturationMgL, percent.
// Errors: *OutOfDomainError.
func PercentSaturation(o measure.OxygenMgL, t measure.TempC, p measure.PressureHPa) (measure.Percent, error) {
	full, err := SaturationMgL(t, p)
	if err != nil {
		return 0, err
	}
	return measure.Percent(100 * float64(o) / float64(full)), nil
}

// FromPercent is the dissolved oxygen, mg/L, of water at a percent of
// saturation. Errors: *OutOfDomainError.
func FromPercent(s measure.Percent, t measure.TempC, p measure.PressureHPa) (measure.OxygenMgL, error) {
	full, err := SaturationMgL(t, p)
	if err != nil {
		return 0, err
	}
	return measure.OxygenMgL(float64(s) / 100 * float64(full)), nil
}
