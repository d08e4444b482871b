package sheet

import (
	"fmt"
	"io"
	"strings"

	"weirkeeper/rules"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
	"weirkeeper/rules/stock"
)

// Stock writes what every unit holds, and what that asks of its room, its water
// and its oxygen. Figures that could not be worked out are "-" with the reason
// in a footnote. Masses are in pounds, and densities in pounds to the cubic foot,
// where the keeper reads flow in gpm.
func Stock(w io.Writer, at *site.Site, units []rules.UnitStock) error {
	var b strings.Builder
	for i, t := range stockTables(at, units) {
		if i > 0 {
			b.WriteByte('\n')
		}
		t.text(&b)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// stockTables is a table of what is there and, where there are fish, two of what
// they ask for: in one they are too wide for a page.
func stockTables(at *site.Site, units []rules.UnitStock) []table {
	mass, flow, density := measure.Kilogram, measure.LPM, "kg/m3"
	dense, decimals := same, 1
	if at.Show.Flow == measure.GPM {
		mass, flow, density = measure.Pound, measure.GPM, "lb/ft3"
		decimals = 2
		dense = func(v float64) float64 { return measure.Pound.FromBase(v) * measure.CubicFoot.ToBase(1) } // kg/m3 is g/L
	}
	holds := table{
		Caption: "What each unit holds", Align: "lwrrrrr", None: "No unit holds any.",
		Heads: []string{"Unit", "Lots", "Number", "Mean\nweight", "Biomass\n" + mass.String(), "Density\n" + density, "Changed\nan hour"},
	}
	room := table{
		Caption: "What that asks of room and water", Align: "wrrr",
		Heads: []string{"Unit", "Density index\nlb/(ft3 in)", "Flow index\nlb/(gpm in)", fmt.Sprintf("Loading\n%s/(%s)", mass, flow)},
	}
	oxygen := table{
		Caption: "What that asks of oxygen", Align: "lrr",
		Heads: []string{"Unit", "Used\ng an hour", "Leaves with\n" + at.Show.Oxygen.String()},
	}
	kilos := func(kg float64) float64 { return mass.FromBase(1000 * kg) }
	loading := func(v float64) float64 { return kilos(v) * flow.ToBase(1) }
	const design = "reckoned with the flow it is designed for, as none was measured lately"
	named := func(t *table, u rules.UnitStock) string {
		if u.Water.Design {
			return u.Unit + " " + t.note(design)
		}
		return u.Unit
	}
	for _, u := range units {
		holds.add(named(&holds, u), strings.Join(lotsIn(u.Fish), ", "), measure.Group(u.Number), meanWeight(u.Fish),
			holds.figure(u.BiomassKG, 2, kilos), holds.figure(u.DensityKGM3, decimals, dense), holds.figure(u.TurnoverPerHour, 1, same))
		if u.Eggs == u.Number {
			continue // the rest is about fish
		}
		room.add(named(&room, u), room.figure(u.DensityIndex, 2, same), room.figure(u.FlowIndex, 2, same), room.figure(u.LoadingKGperLPM, 2, loading))
		oxygen.add(named(&oxygen, u), oxygen.figure(u.OxygenDemandGH, 1, same), oxygen.figure(u.OutflowMgL, 1, at.Show.Oxygen.FromBase))
	}
	if len(room.Rows) == 0 {
		return []table{holds}
	}
	return []table{holds, room, oxygen}
}

func same(v float64) float64 { return v }

// figure words a figure with its limit: "0.62, OVER 0.50 [1]".
func (t *table) figure(f stock.Figure, decimals int, show func(float64) float64) string {
	if !f.Known() {
		return "- " + t.note(f.Why)
	}
	s := number(show(f.Value), decimals)
	if f.High > 0 {
		s = number(show(f.Low), decimals) + " to " + number(show(f.High), decimals)
	}
	switch limit := number(show(f.Limit), decimals); {
	case !f.Limited():
		if f.NoLimit != "" {
			s += " " + t.note("no limit to compare with: "+f.NoLimit)
		}
		return s
	case !f.Over():
		s += " of " + limit
	case f.Guide:
		s += ", over " + limit
	default:
		s += ", OVER " + limit
	}
	return s + " " + t.note("limit: "+f.LimitSource)
}

// lotsIn names the lots of a unit once each.
func lotsIn(fish []stock.Fish) []string {
	var out []string
	for _, f := range fish {
		name := f.Lot
		if f.Eggs {
			name += " (eggs)"
		}
		if len(out) == 0 || out[len(out)-1] != name {
			out = append(out, name)
		}
	}
	return out
}

// meanWeight is that of all fish of a unit, "-" unless every lot was weighed.
func meanWeight(fish []stock.Fish) string {
	var mass measure.MassG
	n := 0
	for _, f := range fish {
		if f.Eggs {
			continue
		}
		if f.MeanWeightG <= 0 {
			return "-"
		}
		mass += f.MeanWeightG * measure.MassG(f.Number)
		n += f.Number
	}
	if n == 0 {
		return "-"
	}
	return weight(mass / measure.MassG(n))
}
