package lot

import (
	"fmt"
	"math"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/thermal"
)

// crisp is a row of Crisp 1981 for half hatched, log10 D = B log10(T - C) + A.
// All coefficients are from memory; they hold for about 2 to 12 degC.
func crisp(b, c, a float64) Model {
	return Model{
		Form: Power, A: a, B: b, C: c, LowC: 2, HighC: 12,
		Source: "Crisp 1981, half hatched (coefficients from memory)",
	}
}

// beacham is Beacham and Murray 1990 for emergence, ln D = A - B ln(T + C). The
// form was read in the abstract; the coefficients are from memory, and so are
// the bounds, which are taken to be those of Crisp.
func beacham(a, b, c float64) Model {
	return Model{
		Form: Belehradek, A: a, B: b, C: c, LowC: 2, HighC: 12,
		Source: "Beacham and Murray 1990, emergence (coefficients from memory)",
	}
}

// publishedModels lists the published rates of development by species and
// stage, the one to prefer first: what was read before what was remembered.
var publishedModels = map[string]map[Stage][]Model{
	"brown trout":     {Hatch: {crisp(-13.9306, -80, 28.8392)}},
	"atlantic salmon": {Hatch: {crisp(-2.6562, -11, 5.1908)}},
	"rainbow trout":   {Hatch: {crisp(-2.0961, -6, 4.0313)}},
	"chinook": {
		Hatch: {crisp(-1.8126, -6, 3.9166)},
		SwimUp: {
			{
				Form: Exponential, A: 5.99, B: 0.150, LowC: 5, HighC: 12.5,
				Source: "an abstract on chinook eggs at 5 to 12.5 degC, days to ponding",
			},
			beacham(10.404, 2.043, 7.575),
		},
	},
	"coho": {SwimUp: {beacham(7.018, 1.069, 2.062)}},
}

// PublishedModels lists the published rates of development of a species to a
// stage, the preferred one first; none for species and stages nothing was found
// for. Where they differ, that is how well the rate is known.
func PublishedModels(species string, s Stage) []Model { return publishedModels[canonical(species)][s] }

// PublishedModel is the preferred one of PublishedModels. Without any it is
// worked out from hatch, like Profile.Need; it is not Known without that either.
func PublishedModel(species string, s Stage) Model { return Profile{Species: species}.Model(s) }

// Model is the rate of development of the species to a stage: the keeper's own,
// else published, else that of hatch by the ratios of Crisp 1988.
func (p Profile) Model(s Stage) Model {
	if m := p.models(s); len(m) > 0 {
		return m[0].Model
	}
	return Model{}
}

// spreadModel is a model with the share either side of 1 within which the stage
// is reached.
type spreadModel struct {
	Model
	spread float64
	own    bool
}

func (p Profile) models(s Stage) []spreadModel {
	if m := p.Models[s]; m.Known() {
		return []spreadModel{{m, leastSpread, true}}
	}
	var out []spreadModel
	for _, m := range PublishedModels(p.Species, s) {
		out = append(out, spreadModel{m, leastSpread, false})
	}
	if ratio, spread, source, ok := ofHatch(p.Species, s); ok && len(out) == 0 {
		for _, m := range p.models(Hatch) {
			m.Model = m.times(ratio)
			m.Source, m.spread, m.own = source+"; hatch: "+m.Source, spread, false
			out = append(out, m)
		}
	}
	return out
}

// times is the model of a stage that takes ratio times as many days.
func (m Model) times(ratio float64) Model {
	if m.Form == Power {
		m.A += math.Log10(ratio)
	} else {
		m.A += math.Log(ratio)
	}
	return m
}

// Days is how many days the stage takes from fertilisation at a constant
// temperature, degC. Outside LowC to HighC (unless both are 0) it gives the
// nearer end's days, and clamped is true. It is +Inf where the equation has no
// answer, and without a model.
//
// Rainbow trout to hatch at 10 degC: 10^(-2.0961 log10(10 + 6) + 4.0313) =
// 32.2 days.
func (m Model) Days(t measure.TempC) (days float64, clamped bool) { return m.days(t) }

// days is Days without the copy, for the inner loop of forecasts.
func (m *Model) days(t measure.TempC) (days float64, clamped bool) {
	if m.LowC != 0 || m.HighC != 0 {
		in := min(max(t, m.LowC), m.HighC)
		t, clamped = in, in != t
	}
	ln := math.Inf(1)
	switch m.Form {
	case Power:
		if x := float64(t) - m.C; x > 0 {
			ln = m.B*math.Log(x) + m.A*math.Ln10
		}
	case Belehradek:
		if x := float64(t) + m.C; x > 0 {
			ln = m.A - m.B*math.Log(x)
		}
	case Exponential:
		ln = m.A - m.B*float64(t)
	}
	return math.Exp(ln), clamped
}

// Progress is how far towards the stage the days have brought a lot by the
// model: each adds its covered time over Days at its mean temperature. 1 is the
// stage.
func Progress(m Model, days []thermal.Day) float64 {
	p, _ := progress(m, days)
	return p
}

// progress also says whether any day lay outside the model's bounds.
func progress(m Model, days []thermal.Day) (sum float64, outside bool) {
	for _, d := range days {
		need, clamped := m.Days(d.MeanC)
		sum += d.Units.To.Sub(d.Units.From).Hours() / 24 / need
		outside = outside || clamped
	}
	return sum, outside
}

// startDays is how many days after it came give the temperature at which
// a lot's units from before are taken to have been gathered.
const startDays = 7

// startProgress is the progress that stands for the units a lot came with, as
// if they were gathered in water like that of its first days here (fallback
// where it has none yet). ok is false if that water is not above the base.
func (m Model) startProgress(units measure.DegreeDays, base measure.TempC, days []thermal.Day, fallback measure.TempC) (p float64, t measure.TempC, ok bool) {
	if units <= 0 {
		return 0, 0, true
	}
	var degH, hours float64
	for _, d := range days[:min(len(days), startDays)] {
		h := d.Units.To.Sub(d.Units.From).Hours()
		degH, hours = degH+float64(d.MeanC)*h, hours+h
	}
	t = fallback
	if hours > 0 {
		t = measure.TempC(degH / hours)
	}
	if t <= base {
		return 0, t, false
	}
	need, _ := m.Days(t)
	return float64(units) / (need * float64(t-base)), t, true
}

// bounds words the temperatures the model holds for.
func (m Model) bounds() string {
	return fmt.Sprintf("%g to %g degC", float64(m.LowC), float64(m.HighC))
}
