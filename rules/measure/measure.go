package measure

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/agext/levenshtein"
)

// Named quantities, for boundaries where a bare float64 could be mistaken.
type (
	// TempC is water temperature, degrees Celsius.
	TempC float64
	// FlowLPM is water flow, litres a minute.
	FlowLPM float64
	// OxygenMgL is dissolved oxygen, milligrams a litre.
	OxygenMgL float64
	// Percent is a share in percent; for oxygen, percent of air saturation.
	Percent float64
	// PressureHPa is absolute barometric pressure at the site, hectopascals.
	PressureHPa float64
	// VolumeL is water volume, litres.
	VolumeL float64
	// DegreeDays is thermal units: degC above the base temperature times days.
	DegreeDays float64
	// MassG is a mass, grams.
	MassG float64
)

// TUF gives the same thermal units as US temperature units: degF above 32 degF
// times days. One degree-day is 1.8 TU (by definition of the two scales).
func (d DegreeDays) TUF() float64 { return float64(d) * 1.8 }

// Dimension is what a unit measures.
type Dimension uint8

// The dimensions weirkeeper knows. The zero Dimension is "none".
const (
	None Dimension = iota
	Temperature
	Flow
	Oxygen
	Saturation
	Volume
	Length
	Pressure
	Time
	ThermalUnits
	Mass
)

var dimensionNames = [...]string{"none", "temperature", "flow", "oxygen", "saturation", "volume", "length", "pressure", "time", "thermal units", "mass"}

func (d Dimension) String() string {
	if int(d) < len(dimensionNames) {
		return dimensionNames[d]
	}
	return "dimension(" + strconv.Itoa(int(d)) + ")"
}

// Unit is one spelling of a unit of measure. Compare units with ==.
type Unit struct {
	def *unitDef
}

type unitDef struct {
	name     string
	dim      Dimension
	factor   float64 // base = value*factor + offset
	offset   float64
	decimals int // digits after the point when printed
	aliases  []string
}

// Exact conversion factors: 1 US gallon = 3.785411784 L, 1 ft = 0.3048 m,
// 1 cubic foot = 28.316846592 L, 1 lb = 453.59237 g (NIST SP 811, appendix B, from memory);
// 1 mmHg = 1013.25/760 hPa (the reading used by the oxygen tables).
const (
	litresPerUSGallon  = 3.785411784
	litresPerCubicFoot = 28.316846592
	gramsPerPound      = 453.59237
	metresPerFoot      = 0.3048
	hPaPerMmHg         = 1013.25 / 760
)

var defs = []*unitDef{
	{"degC", Temperature, 1, 0, 1, []string{"C", "°C", "Cel"}},
	{"degF", Temperature, 5.0 / 9, -160.0 / 9, 1, []string{"F", "°F"}},
	{"L/min", Flow, 1, 0, 1, []string{"l/min", "lpm"}},
	{"L/s", Flow, 60, 0, 2, []string{"l/s"}},
	{"m3/h", Flow, 1000.0 / 60, 0, 2, []string{"m³/h"}},
	{"m3/s", Flow, 60000, 0, 4, []string{"m³/s"}},
	{"gpm", Flow, litresPerUSGallon, 0, 1, []string{"gal/min"}},
	{"mg/L", Oxygen, 1, 0, 1, []string{"mg/l", "ppm"}},
	{"kg/m3", Oxygen, 1000, 0, 5, []string{"kg/m³"}},
	{"% saturation", Saturation, 1, 0, 0, []string{"%sat", "% sat", "%"}},
	{"L", Volume, 1, 0, 0, []string{"l", "litre", "litres"}},
	{"m3", Volume, 1000, 0, 2, []string{"m³"}},
	{"mL", Volume, 0.001, 0, 0, []string{"ml"}},
	{"gal", Volume, litresPerUSGallon, 0, 0, nil},
	{"ft3", Volume, litresPerCubicFoot, 0, 1, nil},
	{"m", Length, 1, 0, 0, nil},
	{"mm", Length, 0.001, 0, 0, nil},
	{"cm", Length, 0.01, 0, 1, nil},
	{"ft", Length, metresPerFoot, 0, 0, nil},
	{"in", Length, metresPerFoot / 12, 0, 2, nil},
	{"hPa", Pressure, 1, 0, 0, []string{"mbar"}},
	{"kPa", Pressure, 10, 0, 1, nil},
	{"mmHg", Pressure, hPaPerMmHg, 0, 0, nil},
	{"inHg", Pressure, hPaPerMmHg * 25.4, 0, 2, nil},
	{"s", Time, 1, 0, 0, []string{"sec", "second", "seconds"}},
	{"min", Time, 60, 0, 0, []string{"minute", "minutes"}},
	{"h", Time, 3600, 0, 0, []string{"hour", "hours"}},
	{"d", Time, 86400, 0, 0, []string{"day", "days"}},
	{"degree-days", ThermalUnits, 1, 0, 0, []string{"degree-day", "dd"}},
	{"TU", ThermalUnits, 1 / 1.8, 0, 0, []string{"tu"}},
	{"g", Mass, 1, 0, 2, []string{"gram", "grams"}},
	{"kg", Mass, 1000, 0, 2, nil},
	{"lb", Mass, gramsPerPound, 0, 2, []string{"lbs"}},
	{"oz", Mass, gramsPerPound / 16, 0, 2, nil},
}

var byName = func() map[string]Unit {
	m := make(map[string]Unit)
	for _, d := range defs {
		m[d.name] = Unit{d}
		for _, a := range d.aliases {
			m[a] = Unit{d}
		}
	}
	return m
}()

func must(name string) Unit {
	u, ok := byName[name]
	if !ok {
		panic("measure: no unit " + name)
	}
	return u
}

// The units used by name in code.
var (
	DegC          = must("degC")
	DegF          = must("degF")
	LPM           = must("L/min")
	LPS           = must("L/s")
	GPM           = must("gpm")
	MgL           = must("mg/L")
	KgM3          = must("kg/m3")
	PercentSat    = must("% saturation")
	Litre         = must("L")
	Metre         = must("m")
	HPa           = must("hPa")
	MmHg          = must("mmHg")
	Second        = must("s")
	Minute        = must("min")
	Hour          = must("h")
	Day           = must("d")
	DegreeDayUnit = must("degree-days")
	TUFUnit       = must("TU")
	Gram          = must("g")
	Kilogram      = must("kg")
	Pound         = must("lb")
	Inch          = must("in")
	CubicFoot     = must("ft3")
)

// Base returns the base unit of a dimension.
func (d Dimension) Base() Unit {
	for _, def := range defs {
		if def.dim == d && def.factor == 1 && def.offset == 0 {
			return Unit{def}
		}
	}
	return Unit{}
}

// UnitNames lists the preferred spelling of every unit of a dimension.
func (d Dimension) UnitNames() []string {
	var names []string
	for _, def := range defs {
		if def.dim == d {
			names = append(names, def.name)
		}
	}
	return names
}

// IsZero reports whether u is the zero Unit, which measures nothing.
func (u Unit) IsZero() bool { return u.def == nil }

// String is the preferred spelling.
func (u Unit) String() string {
	if u.def == nil {
		return ""
	}
	return u.def.name
}

// Dimension is what u measures.
func (u Unit) Dimension() Dimension {
	if u.def == nil {
		return None
	}
	return u.def.dim
}

// ToBase converts a value in u to the base unit of its dimension.
func (u Unit) ToBase(v float64) float64 { return v*u.def.factor + u.def.offset }

// FromBase converts a value in the base unit to u.
func (u Unit) FromBase(b float64) float64 { return (b - u.def.offset) / u.def.factor }

// DeltaToBase converts a difference in u to a difference in the base unit:
// 1.8 degF of difference is 1 degC of difference.
func (u Unit) DeltaToBase(v float64) float64 { return v * u.def.factor }

// DeltaFromBase is the inverse of DeltaToBase.
func (u Unit) DeltaFromBase(b float64) float64 { return b / u.def.factor }

// Format prints a base-unit value in u, rounded for a reader, with the unit:
// Format(28.4) of L/min is "28.4 L/min".
func (u Unit) Format(base float64) string { return u.format(u.FromBase(base)) }

// FormatDelta prints a base-unit difference in u.
func (u Unit) FormatDelta(base float64) string { return u.format(u.DeltaFromBase(base)) }

func (u Unit) format(v float64) string {
	s := strconv.FormatFloat(v, 'f', u.def.decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	if u.def.name == "% saturation" {
		return s + u.def.name
	}
	return s + " " + u.def.name
}

// ErrNoUnit is returned by Parse for a number that stands alone.
var ErrNoUnit = errors.New("the number has no unit")

// UnknownUnitError is returned by ParseUnit and Parse for a unit that is not
// in the table.
type UnknownUnitError struct {
	Name       string
	Suggestion string // a known unit that looks like it, or ""
}

func (e *UnknownUnitError) Error() string {
	if e.Suggestion != "" {
		return fmt.Sprintf("there is no unit %q; did you mean %q?", e.Name, e.Suggestion)
	}
	return fmt.Sprintf("there is no unit %q", e.Name)
}

// ParseUnit finds a unit by any of its spellings.
// Errors: *UnknownUnitError.
func ParseUnit(s string) (Unit, error) {
	s = strings.TrimSpace(s)
	if u, ok := byName[s]; ok {
		return u, nil
	}
	for name, u := range byName {
		if len(name) > 1 && strings.EqualFold(name, s) {
			return u, nil
		}
	}
	return Unit{}, &UnknownUnitError{Name: s, Suggestion: suggestUnit(s)}
}

func suggestUnit(s string) string {
	names := make([]string, 0, len(byName))
	for n := range byName {
		names = append(names, n)
	}
	slices.Sort(names)
	return Suggest(s, names)
}

// Suggest returns the known name nearest to s at an edit distance below 3 (and
// below half its length), or "".
func Suggest(s string, known []string) string {
	best, bestDist := "", 3
	low := strings.ToLower(s)
	for _, k := range known {
		d := levenshtein.Distance(low, strings.ToLower(k), nil)
		if d < bestDist && 2*d <= len(k) {
			best, bestDist = k, d
		}
	}
	return best
}

// Amount is a number with its unit, as a keeper wrote it.
type Amount struct {
	Value float64
	Unit  Unit
}

// Base is the amount in the base unit of its dimension.
func (a Amount) Base() float64 { return a.Unit.ToBase(a.Value) }

// BaseDelta is the amount, read as a difference, in the base unit.
func (a Amount) BaseDelta() float64 { return a.Unit.DeltaToBase(a.Value) }

// Duration is the amount as a time; it is zero unless Unit measures time.
func (a Amount) Duration() time.Duration {
	if a.Unit.Dimension() != Time {
		return 0
	}
	return time.Duration(math.Round(a.Base() * float64(time.Second)))
}

// String prints the amount as written, in the preferred spelling of the unit.
func (a Amount) String() string {
	if a.Unit.IsZero() {
		return strconv.FormatFloat(a.Value, 'f', -1, 64)
	}
	s := strconv.FormatFloat(a.Value, 'f', -1, 64)
	if a.Unit == PercentSat {
		return s + a.Unit.String()
	}
	return s + " " + a.Unit.String()
}

// Parse reads a finite number and its unit, "28 L/min" or "50degF".
// Errors: ErrNoUnit, *UnknownUnitError, or a description of the bad number.
func Parse(s string) (Amount, error) {
	t := strings.TrimSpace(s)
	end := 0
	for end < len(t) && strings.IndexByte("+-0123456789.", t[end]) >= 0 {
		end++
	}
	if end == 0 {
		return Amount{}, fmt.Errorf("%q does not start with a number", s)
	}
	v, err := strconv.ParseFloat(t[:end], 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return Amount{}, fmt.Errorf("%q is not a number", t[:end])
	}
	rest := strings.TrimSpace(t[end:])
	if rest == "" {
		return Amount{Value: v}, ErrNoUnit
	}
	u, err := ParseUnit(rest)
	if err != nil {
		return Amount{Value: v}, err
	}
	return Amount{Value: v, Unit: u}, nil
}

// FormatDuration prints a duration the way a keeper says it: "45 s", "20 min",
// "3 h 10 min", "2 d 4 h". Anything below a second prints as "0 s".
func FormatDuration(d time.Duration) string {
	neg := ""
	if d < 0 {
		neg, d = "-", -d
	}
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%s%d s", neg, int(d/time.Second))
	case d < time.Hour:
		return fmt.Sprintf("%s%d min", neg, int(d/time.Minute))
	case d < 24*time.Hour:
		return neg + two(int(d/time.Hour), "h", int(d%time.Hour/time.Minute), "min")
	default:
		day := 24 * time.Hour
		return neg + two(int(d/day), "d", int(d%day/time.Hour), "h")
	}
}

func two(a int, an string, b int, bn string) string {
	if b == 0 {
		return fmt.Sprintf("%d %s", a, an)
	}
	return fmt.Sprintf("%d %s %d %s", a, an, b, bn)
}

// Group writes a number with its thousands apart, "12,400".
func Group(n int) string {
	s := strconv.Itoa(n)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// Count words a number of things whose plural takes an s: "1 rule", "2 rules".
func Count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// Capital begins a sentence: it writes the first letter large.
func Capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}
