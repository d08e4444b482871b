package site

import (
	"math"

	"weirkeeper/rules/measure"
)

// PressureAtAltitude is the barometric pressure of the standard atmosphere at an
// altitude in metres above sea level: p = 1013.25 hPa (1 - 2.25577e-5 h)^5.25588
// (ISO 2533, from memory; good below 11000 m). At 1000 m it is 898.7 hPa. The
// weather moves the true pressure by up to about 3 percent around it.
func PressureAtAltitude(metres float64) measure.PressureHPa {
	return measure.PressureHPa(1013.25 * math.Pow(1-2.25577e-5*metres, 5.25588))
}
