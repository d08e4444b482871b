package config

import (
	"fmt"
	"slices"
	"strings"

	"weirkeeper/rules/hclread"
	"weirkeeper/rules/site"
)

// feeders resolves fed_by once all units are known.
func (p *parser) feeders(blocks []*hclread.Block) {
	s := p.c.Site
	stated := make(map[string]*hclread.Block)
	for i, b := range blocks {
		name, ok := p.refer(b, "fed_by", "unit", p.unitNames())
		if !ok {
			continue
		}
		from, _ := s.Unit(name)
		switch u := &s.Units[i]; {
		case name == b.Name():
			b.Fault(b.Rng("fed_by"), "Fed by itself", "The water comes from another unit. Write its name, or delete the line.")
		case u.Kind == site.Spring:
			b.Fault(b.Rng("fed_by"), "A spring that is fed", fmt.Sprintf("%s is a spring, and no unit lies above it. Delete the line, or write another kind, such as \"head box\".", b.What()))
		default:
			u.FedBy = from.Name
			stated[u.Name] = b
		}
	}
	// Each ring is reported once, at its first unit that says what feeds it.
	done := make(map[string]bool)
	for i, b := range blocks {
		name := s.Units[i].Name
		if stated[name] == nil || done[name] {
			continue
		}
		ring := []string{name}
		at := s.Feeder(name)
		for ; at != "" && !slices.Contains(ring, at); at = s.Feeder(at) {
			ring = append(ring, at)
		}
		if at != name {
			continue // it ends, or another's ring lies above it
		}
		var others []string
		for _, n := range ring {
			done[n] = true
			switch {
			case stated[n] == nil:
				others = append(others, fmt.Sprintf("%q by %q, since nothing else is said", n, s.Feeder(n)))
			case n != name:
				others = append(others, fmt.Sprintf("%q by %q at line %d", n, s.Feeder(n), stated[n].Rng("fed_by").Start.Line))
			}
		}
		b.Fault(b.Rng("fed_by"), "Water in a ring", fmt.Sprintf("%s is fed by %q here, and %s: the water would run in a ring. Correct one of them.", b.What(), s.Feeder(name), strings.Join(others, ", ")))
	}
}
