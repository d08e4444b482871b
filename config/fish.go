package config

import (
	"fmt"
	"slices"
	"strings"

	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// maxUnits is more degree-days than any stage up to swim-up needs (the largest
// published sum known here is 1000).
const maxUnits = 3000

func (p *parser) lots() {
	for _, b := range p.file.Named("lot") {
		p.c.Site.Lots = append(p.c.Site.Lots, p.lot(b))
		b.Done()
	}
}

func (p *parser) lot(b *hclread.Block) lot.Lot {
	s := p.c.Site
	l := lot.Lot{ID: b.Name(), Start: lot.Green}
	b.Need("species", `"brook trout"`)
	l.Species, _ = filled(b, "species")
	l.Strain, _ = b.Text("strain")
	b.Need("eggs", "24000")
	l.Eggs, _ = b.Int("eggs", 1, 100_000_000)

	b.Need("egg_take", `"2026-10-14 09:30"`)
	take, takeOK := b.Moment("egg_take", s.Location)
	l.EggTake = take
	placed, placedOK := b.Moment("placed", s.Location)
	if !b.Has("placed") {
		placed, placedOK = take, takeOK
	}
	future := func(attr string) {
		b.Fault(b.Rng(attr), "Not yet", fmt.Sprintf("%s lies ahead of this machine's clock, %s. Correct the date, or the clock.", attr, p.opt.Now.In(s.Location).Format("2006-01-02 15:04")))
	}
	switch {
	case takeOK && take.After(p.opt.Now):
		future("egg_take")
	case placedOK && placed.After(p.opt.Now):
		future("placed")
	case takeOK && placedOK && placed.Before(take):
		b.Fault(b.Rng("placed"), "Placed before egg take", "A lot comes to its unit at its egg take or later. Correct the day of one of them.")
	}

	b.Need("unit", `"stack 1"`)
	unit, unitOK := p.refer(b, "unit", "unit", p.unitNames())
	l.Path = []lot.Stay{{Unit: unit, From: placed}}
	if u, ok := s.Unit(unit); unitOK && ok {
		p.lotWater(b, *u)
	}

	var stages []string
	for _, st := range lot.Stages() {
		stages = append(stages, string(st))
	}
	if st, ok := b.Choice("start", stages); ok {
		l.Start = lot.Stage(st)
	}
	if l.Start != lot.Green {
		b.Need("start_units", `"220 degree-days"`)
	}
	if v, ok := between(b, "start_units", measure.ThermalUnits, 0, maxUnits); ok {
		l.StartUnits = measure.DegreeDays(v)
	}
	if v, ok := between(b, "base", measure.Temperature, -2, 10); ok {
		l.BaseC = measure.TempC(v)
	}
	p.needs(b, &l)
	return l
}

// lotWater checks that a lot can be in a unit and its temperature is known.
func (p *parser) lotWater(b *hclread.Block, u site.Unit) {
	if u.Kind == site.Spring || u.Kind == site.HeadBox {
		b.Fault(b.Rng("unit"), "No place for a lot", fmt.Sprintf("Unit %q is a %s. Write the stack, trough or raceway the lot is in.", u.Name, u.Kind))
		return
	}
	if _, ok := p.c.Site.ProbeAt(u.Name, reading.Temperature); ok || p.file.Broken() {
		return
	}
	detail := "no thermal units can be counted"
	if spring, ok := p.c.Site.SpringProbe(reading.Temperature); ok {
		detail = fmt.Sprintf("thermal units are counted from probe %q, as if the water came from there unchanged", spring.ID)
	}
	b.Warn(b.Rng("unit"), "No temperature at the lot", fmt.Sprintf("No probe measures temperature at unit %q, so %s. Add a probe with at = %q.", u.Name, detail, u.Name))
}

// needs reads the keeper's own requirements; without them and without
// published ones nothing can be predicted.
func (p *parser) needs(b *hclread.Block, l *lot.Lot) {
	needs := b.One("needs")
	if needs == nil {
		known := lot.PublishedSpecies()
		slices.Sort(known)
		if l.Species != "" && !slices.Contains(known, strings.ToLower(strings.TrimSpace(l.Species))) {
			d := hclread.Unknown(b.Rng("species"), "species", l.Species, known)
			b.Warn(*d.Subject, "No requirement known", fmt.Sprintf("%s Without thermal units of your own nothing is predicted: add needs { hatch = [\"440 degree-days\", \"500 degree-days\"] } with your figures.", strings.Replace(d.Detail, "There is no species", "No requirement is published here for", 1)))
		}
		return
	}
	l.Needs = make(map[lot.Stage]lot.Need)
	before := lot.Need{}
	for _, st := range lot.Stages()[1:] {
		attr := strings.ReplaceAll(string(st), "-", "_")
		low, high, ok := needs.AmountRange(attr, measure.ThermalUnits)
		if !ok {
			continue
		}
		n := lot.Need{Low: measure.DegreeDays(low.Base()), High: measure.DegreeDays(high.Base()), Source: "site file"}
		switch {
		case n.Low <= 0 || n.High > maxUnits:
			needs.Fault(needs.Rng(attr), "Number out of sense", fmt.Sprintf("Write the thermal units from egg take to %s, above 0 and up to %q.", st, low.Unit.Format(maxUnits)))
			continue
		case n.Low <= before.Low:
			needs.Fault(needs.Rng(attr), "Stages out of order", fmt.Sprintf("All are counted from egg take, so %s needs more than the stage before it. Correct one of them.", st))
			continue
		}
		l.Needs[st], before = n, n
	}
	needs.Done()
}

func (p *parser) chores() {
	s := p.c.Site
	for _, b := range p.file.Named("chore") {
		c := site.Chore{Name: b.Name()}
		units, unitsOK := p.known(b, "units", "unit", p.unitNames())
		kinds, kindsOK := p.known(b, "kinds", "kind", kindNames())
		sections, sectionsOK := p.known(b, "sections", "section", p.sectionNames())
		for _, u := range s.Units {
			if slices.Contains(units, u.Name) || slices.Contains(kinds, string(u.Kind)) || u.Section != "" && slices.Contains(sections, u.Section) {
				c.Units = append(c.Units, u.Name)
			}
		}
		asked := b.Has("units") || b.Has("kinds") || b.Has("sections")
		faulty := b.Has("units") && !unitsOK || b.Has("kinds") && !kindsOK || b.Has("sections") && !sectionsOK
		if asked && !faulty && len(c.Units) == 0 && !p.file.Broken() {
			b.Fault(b.DefRange(), "Chore nowhere", "No unit is of these kinds or in these sections. Correct the names, or delete the lines if it is done once for the whole site.")
		}
		b.Need("by", `["10:00"]`)
		var ok bool
		if c.By, ok = b.HoursOfDay("by"); ok && len(c.By) == 0 {
			b.Fault(b.Rng("by"), "No hour", `Write the hour by which it must be done each day, such as by = ["10:00"].`)
		}
		b.Done()
		s.Chores = append(s.Chores, c)
	}
}
