package config

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/hashicorp/hcl/v2"

	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
)

// What a keeper can mean (common practice, no source). Indices and condition
// are bare numbers because they are written so in the books: lb/(ft3 in),
// lb/(gpm in) and 1e5 g/mm3.
const (
	lowFryG, highFryG             = 0.01, 5
	lowCondition, highCondition   = 0.3, 3
	lowIndex, highIndex           = 0.01, 10
	lowTenderFrom, highTenderFrom = time.Hour, 60 * 24 * time.Hour
	lowModelC, highModelC         = -2, 30
	maxCoefficient                = 1000
	fewDays, manyDays             = 5, 400 // from fertilisation to any stage
)

// equations are the forms as a keeper reads them; see lot.Form.
var equations = map[lot.Form]string{
	lot.Power:       "log10 D = a + b log10(T - c)",
	lot.Belehradek:  "ln D = a - b ln(T + c)",
	lot.Exponential: "ln D = a - b T",
}

// species reads what the keeper states of each species.
func (p *parser) species() {
	first := make(map[string]hcl.Range)
	for _, b := range p.file.Named("species") {
		pr := p.profile(b)
		b.Done()
		key := strings.ToLower(b.Name())
		if at, ok := first[key]; ok {
			b.Add(hclread.Twice(b.LabelRanges[0], "species", p.c.Site.Species[key].Species, at))
			continue
		}
		first[key] = b.LabelRanges[0]
		if p.c.Site.Species == nil {
			p.c.Site.Species = make(map[string]lot.Profile)
		}
		p.c.Site.Species[key] = pr
	}
}

func (p *parser) profile(b *hclread.Block) lot.Profile {
	pr := lot.Profile{Species: b.Name(), Needs: needs(b)}
	var stages []string
	for _, st := range lot.Stages()[1:] {
		stages = append(stages, string(st))
	}
	for _, d := range b.Named("develops") {
		if !slices.Contains(stages, d.Name()) {
			b.Add(hclread.Unknown(d.LabelRanges[0], "stage", d.Name(), stages))
		}
		if m, ok := p.model(d); ok {
			if pr.Models == nil {
				pr.Models = make(map[lot.Stage]lot.Model)
			}
			pr.Models[lot.Stage(d.Name())] = m
		}
		d.Done()
	}
	if t := b.One("tender"); t != nil {
		pr.Tender.From = span(t, "from", 0, lowTenderFrom, highTenderFrom)
		if v, ok := between(t, "until", measure.ThermalUnits, 1, maxUnits); ok {
			pr.Tender.Until = measure.DegreeDays(v)
		}
		t.Done()
	}
	if v, ok := between(b, "fry_weight", measure.Mass, lowFryG, highFryG); ok {
		pr.FryWeightG = measure.MassG(v)
	}
	pr.ConditionK, _ = b.Number("condition", lowCondition, highCondition)
	pr.DensityLimit, _ = b.Number("density_index_limit", lowIndex, highIndex)
	pr.FlowLimit, _ = b.Number("flow_index_limit", lowIndex, highIndex)
	return pr
}

// model reads an equation of development and checks that it foretells what
// eggs can do: a number of days that falls as the water gets warmer.
func (p *parser) model(b *hclread.Block) (lot.Model, bool) {
	var forms []string
	for _, f := range lot.Forms() {
		forms = append(forms, string(f))
	}
	m := lot.Model{Source: siteFile}
	b.Need("form", `"power"`)
	form, formOK := b.Choice("form", forms)
	m.Form = lot.Form(form)
	whole := formOK
	coefficient := func(attr string, to *float64) {
		if b.Need(attr, "1.5") {
			var ok bool
			*to, ok = b.Number(attr, -maxCoefficient, maxCoefficient)
			whole = whole && ok
		} else {
			whole = false
		}
	}
	coefficient("a", &m.A)
	coefficient("b", &m.B)
	switch {
	case formOK && m.Form == lot.Exponential:
		if b.Has("c") {
			b.Fault(b.Rng("c"), "Not in this form", fmt.Sprintf("The form %s is %s, without a c. Delete the line, or write the form the numbers belong to.", form, equations[m.Form]))
			whole = false
		}
	case formOK:
		coefficient("c", &m.C)
	default:
		b.Has("c")
	}
	b.Need("low", `"2 degC"`)
	low, lowOK := between(b, "low", measure.Temperature, lowModelC, highModelC)
	b.Need("high", `"12 degC"`)
	high, highOK := between(b, "high", measure.Temperature, lowModelC, highModelC)
	if s, ok := filled(b, "source"); ok {
		m.Source = s
	}
	if !whole || !lowOK || !highOK {
		return m, false
	}
	m.LowC, m.HighC = measure.TempC(low), measure.TempC(high)
	show := func(t measure.TempC) string { return p.c.Site.Show.Temperature.Format(float64(t)) }
	if low >= high {
		b.Fault(b.Rng("high"), "Wrong order", "The equation holds from low to high. Write the colder water as low and the warmer as high.")
		return m, false
	}
	is := fmt.Sprintf("The form %s is %s, with D in days and T in degC.", form, equations[m.Form])
	ends := [2]float64{}
	for i, t := range []measure.TempC{m.LowC, m.HighC} {
		ends[i], _ = m.Days(t)
		if d := ends[i]; !(d > 0) || math.IsInf(d, 0) {
			b.Fault(b.DefRange(), "No number of days", fmt.Sprintf("%s With these numbers it gives no number of days at %s. Correct a coefficient or its sign, or the form.", is, show(t)))
			return m, false
		}
	}
	if ends[1] >= ends[0] {
		b.Fault(b.DefRange(), "Slower in warmer water", fmt.Sprintf("%s With these numbers eggs take %s at %s and %s at %s: warmer water must be faster. Correct a coefficient or its sign, or the form.", is, days(ends[0]), show(m.LowC), days(ends[1]), show(m.HighC)))
		return m, false
	}
	mid := (m.LowC + m.HighC) / 2
	if d, _ := m.Days(mid); d < fewDays || d > manyDays {
		b.Warn(b.DefRange(), "Days out of sense", fmt.Sprintf("With these numbers eggs take %s at %s; %d to %d are usual. Correct a coefficient, if that is not what you mean. %s", days(d), show(mid), fewDays, manyDays, is))
	}
	return m, true
}

// days words a number of days that may be far out of sense.
func days(d float64) string {
	switch {
	case d < 1:
		return "less than a day"
	case d >= 1e6:
		return "more than a million days"
	}
	return fmt.Sprintf("%.0f d", d)
}

// siteFile is the source of what stands there without one.
const siteFile = "site file"

// needs reads the keeper's own requirements out of a lot or a species; nil
// without any.
func needs(b *hclread.Block) map[lot.Stage]lot.Need {
	block := b.One("needs")
	if block == nil {
		return nil
	}
	out := make(map[lot.Stage]lot.Need)
	before := lot.Need{}
	for _, st := range lot.Stages()[1:] {
		attr := strings.ReplaceAll(string(st), "-", "_")
		low, high, ok := block.AmountRange(attr, measure.ThermalUnits)
		if !ok {
			continue
		}
		n := lot.Need{Low: measure.DegreeDays(low.Base()), High: measure.DegreeDays(high.Base()), Source: siteFile}
		switch {
		case n.Low <= 0 || n.High > maxUnits:
			block.Fault(block.Rng(attr), "Number out of sense", fmt.Sprintf("Write the thermal units from egg take to %s, above 0 and up to %q.", st, low.Unit.Format(maxUnits)))
			continue
		case n.Low <= before.Low:
			block.Fault(block.Rng(attr), "Stages out of order", fmt.Sprintf("All are counted from egg take, so %s needs more than the stage before it. Correct one of them.", st))
			continue
		}
		out[st], before = n, n
	}
	block.Done()
	return out
}
