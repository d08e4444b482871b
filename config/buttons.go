package config

import (
	"fmt"
	"slices"
	"strings"

	"weirkeeper/rules/hclread"
	"weirkeeper/rules/site"
)

// buttons reads push buttons, by which chores are told and horns silenced; horns
// are read before.
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
		if at := slices.IndexFunc(p.c.Horns, func(h Horn) bool { return h.Topic == bt.Topic || h.Feedback == bt.Topic }); at >= 0 && bt.Topic != "" {
			b.Fault(b.Rng("topic"), "Topic of a horn", fmt.Sprintf("Horn %q has this topic. Write one that is the button's alone.", p.c.Horns[at].Name))
		}
		for j, o := range s.Buttons {
			if o.Topic == bt.Topic && bt.Topic != "" && (o.Payload == bt.Payload || o.Payload == "" || bt.Payload == "") {
				b.Fault(b.Rng("topic"), "Topic used twice", fmt.Sprintf("Button %q at line %d listens to the same topic. Write another topic here, or in both the payload that tells them apart.", o.Name, blocks[j].DefRange().Start.Line))
				break
			}
		}
		if b.Has("silences") {
			p.silences(b, &bt)
			b.Done()
			s.Buttons = append(s.Buttons, bt)
			continue
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

// silences reads a button that silences a horn, and does nothing else.
func (p *parser) silences(b *hclread.Block, bt *site.Button) {
	for _, attr := range []string{"does", "at", "chore"} {
		if b.Has(attr) {
			b.Fault(b.Rng(attr), "Two uses of a button", fmt.Sprintf("A button that silences a horn tells of no chore. Delete the line with %s, or the one with silences.", attr))
		}
	}
	var names, refs []string
	for _, h := range p.c.Horns {
		names, refs = append(names, h.Name), append(refs, hornRef+h.Name)
	}
	ref, ok := b.Text("silences")
	name, isHorn := strings.CutPrefix(ref, hornRef)
	switch {
	case !ok:
	case isHorn && slices.Contains(names, name):
		bt.Silences = name
	case p.file.Broken():
	case isHorn:
		b.Add(hclread.Unknown(b.Rng("silences"), "horn", name, names))
	default:
		b.Add(hclread.Unknown(b.Rng("silences"), "horn", ref, refs))
	}
}
