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

// lot reads how a lot begins at this site. What happens to it later, such as a
// move, a hatch or a count, is told by "weirkeeper lot ..." and stands in the
// book (rules/lot/book), not here.
func (p *parser) lot(b *hclread.Block) lot.Lot {
	s := p.c.Site
	l := lot.Lot{ID: b.Name(), Start: lot.Green}
	b.Need("species", `"brook trout"`)
	l.Species, _ = filled(b, "species")
	l.Strain, _ = b.Text("strain")
	l.Source, _ = filled(b, "source")
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
	l.Trays, _ = filled(b, "trays")
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
	p.lotNeeds(b, &l)
	return l
}

// lotWater checks that a lot can be in a unit and its temperature is known.
func (p *parser) lotWater(b *hclread.Block, u site.Unit) {
	if u.Kind == site.Spring || u.Kind == site.HeadBox {
		b.Fault(b.Rng("unit"), "No place for a lot", fmt.Sprintf("Unit %q is a %s. Write the stack, trough or raceway the lot is in.", u.Name, u.Kind))
		return
	}
	if u.Kind != site.Stack && b.Has("trays") {
		b.Fault(b.Rng("trays"), "Trays outside a stack", fmt.Sprintf("Only a stack has trays, and unit %q is a %s. Delete the line, or write the stack the lot is in.", u.Name, u.Kind))
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

// lotNeeds reads the lot's own requirements; without them, and without any of
// its species, nothing can be predicted.
func (p *parser) lotNeeds(b *hclread.Block, l *lot.Lot) {
	if l.Needs = needs(b); l.Needs != nil || l.Species == "" || p.file.Broken() {
		return
	}
	key := strings.ToLower(strings.TrimSpace(l.Species))
	known := lot.PublishedSpecies()
	for name, pr := range p.c.Site.Species {
		if len(pr.Needs)+len(pr.Models) > 0 {
			known = append(known, name)
		}
	}
	if slices.Contains(known, key) || lot.PublishedModel(key, lot.Hatch).Known() {
		return
	}
	slices.Sort(known)
	why := strings.Replace(hclread.Unknown(b.Rng("species"), "species", l.Species, slices.Compact(known)).Detail, "There is no species", "No requirement is known here for", 1)
	if _, own := p.c.Site.Species[key]; own {
		why = fmt.Sprintf("The block species %q states no requirement, and none is published here.", l.Species)
	}
	b.Warn(b.Rng("species"), "No requirement known", fmt.Sprintf("%s Without thermal units of your own nothing is predicted: add needs { hatch = [\"440 degree-days\", \"500 degree-days\"] } with your figures, to the lot or to a block species %q { ... }.", why, l.Species))
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
		p.choreDays(b, &c)
		b.Done()
		s.Chores = append(s.Chores, c)
	}
}
