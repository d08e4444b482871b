package config

import (
	"fmt"
	"slices"

	"weirkeeper/rules/site"
)

// buttons reads push buttons at the units, by which chores are told.
func (p *parser) buttons() {
	s := p.c.Site
	blocks := p.file.Named("button")
	for _, b := range blocks {
		bt := site.Button{Name: b.Name()}
		b.Need("topic", `"alderfork/trough-3/button"`)
		bt.Topic = topic(b)
		bt.Payload, _ = filled(b, "payload")
		if at := slices.IndexFunc(s.Probes, func(pr site.Probe) bool { return pr.Topic == bt.Topic && bt.Topic != "" }); at >= 0 {
			b.Fault(b.Rng("topic"), "Topic of a probe", fmt.Sprintf("Probe %q listens to this topic. Write one that is the button's alone.", s.Probes[at].ID))
		}
		for j, o := range s.Buttons {
			if o.Topic == bt.Topic && bt.Topic != "" && (o.Payload == bt.Payload || o.Payload == "" || bt.Payload == "") {
				b.Fault(b.Rng("topic"), "Topic used twice", fmt.Sprintf("Button %q at line %d listens to the same topic. Write another topic here, or in both the payload that tells them apart.", o.Name, blocks[j].DefRange().Start.Line))
				break
			}
		}
		does, _ := b.Choice("does", []string{"cleaning", "done"})
		bt.Done = does == "done"
		var atOK bool
		if !bt.Done {
			b.Need("at", `"trough 3"`)
		}
		bt.At, atOK = p.refer(b, "at", "unit", p.unitNames())
		if bt.Done {
			b.Need("chore", `"feeding"`)
		}
		var chores []string
		for _, c := range s.Chores {
			chores = append(chores, c.Name)
		}
		name, ok := p.refer(b, "chore", "chore", chores)
		if bt.Chore = name; ok && (atOK || !b.Has("at")) && !p.file.Broken() {
			if c, _ := s.Chore(name); !c.DoneAt(bt.At) && bt.At == "" {
				b.Fault(b.Rng("chore"), "Chore of units", fmt.Sprintf("%q is done at units. Write at which the button is, such as at = %q.", name, c.Units[0]))
			} else if !c.DoneAt(bt.At) {
				b.Fault(b.Rng("chore"), "Chore elsewhere", fmt.Sprintf("%q is not done at %q. Write a chore that is, or add the unit to the chore.", name, bt.At))
			}
		}
		b.Done()
		s.Buttons = append(s.Buttons, bt)
	}
}
