package lang

import (
	"fmt"
	"slices"
	"strings"

	"github.com/hashicorp/hcl/v2"

	"weirkeeper/rules/cond"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// condition reads a rule that the keeper puts together himself:
//
//	condition "warm and slow" {
//	  covers {
//	    kinds = ["trough"]
//	  }
//	  when    = flow < "70%" * design_flow && temperature > "12 degC"
//	  until   = flow > "75%" * design_flow || temperature < "11.5 degC"
//	  lasting = "2 min"      # the same as on_delay
//	  says    = "warm and slow"
//	  ...
//	}
func (p *parser) condition(b *hclread.Block, r *Rule) bool {
	if b.Has("lasting") {
		if b.Has("on_delay") {
			b.Fault(b.Rng("on_delay"), "Two delays", "lasting and on_delay are the same: how long it must last before somebody is told. Delete one of them.")
		}
		if d, ok := b.Duration("lasting"); ok {
			r.OnDelay = d
		}
	}
	if b.Has("deadband") {
		b.Fault(b.Rng("deadband"), "No deadband here", `A condition may have several values, so write instead from when it is over: until = flow > "30 L/min".`)
	}
	if b.Has("says") {
		r.Says = p.words(b, "says", `"runs warm and slow"`)
	}
	if !b.Need("when", `flow < "28 L/min" && temperature > "12 degC"`) {
		b.Has("until")
		return false
	}
	when, ok := p.truth(b, "when")
	var until *term
	if b.Has("until") {
		var good bool
		until, good = p.truth(b, "until")
		ok = ok && good
	}
	if !ok || len(r.Watches) == 0 {
		return false
	}
	return p.resolve(b, r, when, until)
}

// resolve settles a condition for every unit it covers.
func (p *parser) resolve(b *hclread.Block, r *Rule, when, until *term) bool {
	var kept []Watch
	var blind []string
	var missing string // what the first blind unit lacks
	for _, w := range r.Watches {
		u, _ := p.site.Unit(w.Unit)
		v := resolver{parser: p, body: b, unit: u}
		if lack := v.lacks(when, until); lack != "" {
			if blind = append(blind, u.Name); missing == "" {
				missing = lack
			}
			continue
		}
		w.Condition = &Condition{When: v.whole(when, false)}
		if until != nil {
			w.Condition.Until = v.whole(until, true)
		}
		if v.faulty {
			return false // the other units have the same
		}
		w.Condition.Uses = cond.Probes(w.Condition.When, w.Condition.Until)
		if len(w.Condition.Uses) == 0 {
			b.Fault(when.rng, "No reading in it", fmt.Sprintf("Nothing measured enters this, so that it never changes. Compare a reading: %s.", "flow < \"28 L/min\""))
			return false
		}
		kept = append(kept, w)
	}
	covers := b.One("covers")
	switch {
	case len(kept) == 0:
		covers.Fault(covers.DefRange(), "Nothing to watch", fmt.Sprintf("No unit covered has all that the condition goes by; %s. Add it to the site file, or cover other units.", missing))
		return false
	case len(blind) > 0:
		covers.Warn(covers.DefRange(), "Some units are not watched", fmt.Sprintf("The condition cannot be judged at %s: %s. Add it to the site file, or write except = [...] to say that you know.", list(blind), missing))
	}
	if len(kept) > 1 && !when.own() && !until.own() {
		covers.Warn(covers.DefRange(), "The same for every unit", fmt.Sprintf("The condition uses nothing of the unit itself, so that all %d would be told at once. Cover one unit, or use flow, temperature, oxygen or saturation without unit[...].", len(kept)))
	}
	r.Watches = kept
	return true
}

// patience warns of a delay that one wrong reading can outlast. It is called when
// the delays are read.
func (p *parser) patience(b *hclread.Block, r *Rule) {
	at := b.Rng("lasting")
	if b.Has("on_delay") {
		at = b.Rng("on_delay")
	}
	for _, w := range r.Watches {
		for _, id := range w.Condition.Uses {
			pr, _ := p.site.Probe(id)
			if r.OnDelay > 0 && r.OnDelay < pr.Every && pr.Quantity != reading.Contact {
				b.Warn(at, "Shorter than a reading", fmt.Sprintf("Probe %q is expected every %s, and until its next reading one wrong number holds: longer than the %s that the condition has to last. Write %s or more.",
					pr.ID, measure.FormatDuration(pr.Every), measure.FormatDuration(r.OnDelay), measure.FormatDuration(pr.Every)))
				return
			}
		}
	}
}

// term is one checked piece of an expression, not yet settled for a unit.
type term struct {
	cond.Node
	rng  hcl.Range
	kind cond.Type // until it is settled also degrees or percent
	args []*term
	// amount is a literal whose meaning its surroundings decide.
	amount measure.Amount
	// here: the quantity of the covered unit; else unit or probe names it.
	here     bool
	quantity reading.Quantity
	probe    *site.Probe
	unit     *site.Unit
	what     string // "design_flow" or "volume"
}

// own reports whether a term uses anything of the covered unit.
func (t *term) own() bool {
	return t != nil && (t.here || slices.ContainsFunc(t.args, (*term).own))
}

// each calls f for a term and all below it, in order of writing.
func (t *term) each(f func(*term)) {
	if t == nil {
		return
	}
	f(t)
	for _, a := range t.args {
		a.each(f)
	}
}

// resolver settles terms for one covered unit.
type resolver struct {
	*parser
	body   *hclread.Block
	unit   *site.Unit
	faulty bool
	votes  int
}

// lacks says what a unit has not that a condition needs of it; "" for nothing.
func (v *resolver) lacks(trees ...*term) string {
	lack := ""
	for _, t := range trees {
		t.each(func(t *term) {
			if lack != "" || !t.here {
				return
			}
			switch {
			case t.what == designFlow && v.unit.DesignFlowLPM == 0, t.what == volume && v.unit.VolumeL == 0:
				lack = fmt.Sprintf("unit %q has no %s in the site file", v.unit.Name, t.what)
			case t.what == "":
				if _, ok := v.site.ProbeAt(v.unit.Name, t.quantity); !ok {
					lack = fmt.Sprintf("there is no %s probe at %s", t.quantity, v.unit.Name) + v.instead(t.quantity)
				}
			}
		})
	}
	return lack
}

// instead says how oxygen can be had at a unit that measures the other kind of it.
func (v *resolver) instead(q reading.Quantity) string {
	_, saturated := v.site.ProbeAt(v.unit.Name, reading.Saturation)
	_, dissolved := v.site.ProbeAt(v.unit.Name, reading.Oxygen)
	switch {
	case q == reading.Oxygen && saturated:
		return ", which reads saturation: write oxygen_at(saturation, temperature)"
	case q == reading.Saturation && dissolved:
		return ", which reads mg/L: write saturation_of(oxygen, temperature)"
	}
	return ""
}

// whole settles a condition and faults one that never changes.
func (v *resolver) whole(t *term, until bool) *cond.Node {
	n, s := v.settle(t)
	if !v.faulty && s.decided() {
		v.constant(t, s.truth == cond.Yes, until)
	}
	return n
}

func (v *resolver) constant(t *term, yes, until bool) {
	v.faulty = true
	text := v.source(t.rng)
	switch {
	case yes && until:
		v.body.Fault(t.rng, "Always true", fmt.Sprintf("%s is true at %s whatever the readings are, so that it decides nothing. Delete until, or write a value that the water must come back to.", text, v.unit.Name))
	case yes:
		v.body.Fault(t.rng, "Always true", fmt.Sprintf("%s is true at %s whatever the readings are: the alarm would stand for ever. Write a value that the water passes only when something is wrong.", text, v.unit.Name))
	case until:
		v.body.Fault(t.rng, "Never true", fmt.Sprintf("%s cannot come true at %s whatever the readings are: the alarm could never return. Write a value that the water does come back to.", text, v.unit.Name))
	default:
		v.body.Fault(t.rng, "Never true", fmt.Sprintf("%s cannot come true at %s whatever the readings are: the alarm could never be raised. Write a value that the water can pass, or widen plausible in the site file.", text, v.unit.Name))
	}
}

// settle makes the node of a term and the span its value can lie in.
func (v *resolver) settle(t *term) (*cond.Node, span) {
	n := t.Node
	var spans []span
	n.Args = make([]*cond.Node, 0, len(t.args))
	for _, a := range t.args {
		m, s := v.settle(a)
		n.Args, spans = append(n.Args, m), append(spans, s)
	}
	switch t.Op {
	case cond.Const:
		switch {
		case t.what != "":
			u := t.unit
			if t.here {
				u = v.unit
			}
			if n.Value = float64(u.DesignFlowLPM); t.what == volume {
				n.Value = float64(u.VolumeL)
			}
		case !t.amount.Unit.IsZero():
			n.Value = literal(t)
		}
		return &n, span{low: n.Value, high: n.Value, fixed: true}
	case cond.Truthy:
		return &n, span{truth: cond.Of(n.Value != 0), fixed: true}
	case cond.Read, cond.Silent, cond.Closed, cond.MeanOver, cond.MinOver, cond.MaxOver, cond.MedianOver, cond.ChangeOver, cond.StdevOver:
		pr := t.probe
		if t.here {
			pr, _ = v.site.ProbeAt(v.unit.Name, t.quantity)
		}
		n.Probe, n.Name = pr.ID, v.name(t, pr)
		if t.Over > 0 && t.Over < 2*pr.Every {
			v.faulty = true
			v.body.Fault(t.rng, "Window too short", fmt.Sprintf("Probe %q is expected every %s, so that less than two readings lie in it. Write at least %q.", pr.ID, measure.FormatDuration(pr.Every), measure.FormatDuration(2*pr.Every)))
		}
		return &n, reach(n.Op, pr)
	case cond.SaturationOf:
		n.Name = derived("saturation", "from", "oxygen", n.Args[0].Name)
	case cond.OxygenAt:
		n.Name = derived("oxygen", "from", "saturation", n.Args[0].Name)
	case cond.Turnover:
		n.Name = derived("turnover", "of", "flow", n.Args[0].Name)
	case cond.AtLeast:
		if v.votes++; v.votes == 1 {
			n.Name = "votes"
		} else {
			n.Name = fmt.Sprintf("votes of group %d", v.votes)
		}
	default:
	}
	s := combine(&n, spans)
	switch t.Op {
	case cond.Less, cond.LessEqual, cond.Greater, cond.GreaterEqual:
		// One that only compares what is built is a choice between units.
		if s.decided() && !s.fixed && !v.faulty {
			v.beyond(t, s.truth == cond.Yes)
		}
	default:
	}
	if s.fixed && n.Type != cond.Bool && s.low == s.high {
		return &cond.Node{Op: cond.Const, Type: n.Type, Value: s.low}, s
	}
	return &n, s
}

// beyond faults a comparison that no plausible reading changes.
func (v *resolver) beyond(t *term, yes bool) {
	v.faulty = true
	summary, never := "Never true", "never"
	if yes {
		summary, never = "Always true", "always"
	}
	var within []string
	t.each(func(t *term) {
		if t.Op != cond.Read {
			return
		}
		pr := t.probe
		if t.here {
			pr, _ = v.site.ProbeAt(v.unit.Name, t.quantity)
		}
		u := v.site.ShowUnit(pr.Quantity)
		if pr.Quantity == reading.Contact {
			return
		}
		if s := fmt.Sprintf("%q plausibly reads %s to %s", pr.ID, u.Format(pr.Low), u.Format(pr.High)); !slices.Contains(within, s) {
			within = append(within, s)
		}
	})
	why := "The readings in it cannot change that."
	if len(within) > 0 {
		why = "Probe " + strings.Join(within, ", probe ") + "."
	}
	v.body.Fault(t.rng, summary, fmt.Sprintf("At %s, %s is %s so. %s Write a value inside that, or delete this part.", v.unit.Name, v.source(t.rng), never, why))
}

// name is how words call what is read of a probe.
func (v *resolver) name(t *term, pr *site.Probe) string {
	name := pr.Quantity.String()
	if first, ok := v.site.ProbeAt(pr.At, pr.Quantity); !ok || first.ID != pr.ID || pr.At == "" {
		name = string(pr.ID)
	} else if pr.At != v.unit.Name {
		name = pr.At + " " + name
	}
	over := measure.FormatDuration(t.Over)
	switch t.Op {
	case cond.MeanOver:
		return "mean " + name + " over " + over
	case cond.MinOver:
		return "least " + name + " in " + over
	case cond.MaxOver:
		return "greatest " + name + " in " + over
	case cond.MedianOver:
		return "median " + name + " over " + over
	case cond.ChangeOver:
		return "change of " + name + " in " + over
	case cond.StdevOver:
		return "spread of " + name + " over " + over
	case cond.Silent:
		return name + " probe"
	case cond.Closed:
		if first, _ := v.site.ProbeAt(v.unit.Name, reading.Contact); first == pr {
			return "contact"
		}
		return "contact " + string(pr.ID)
	default:
		return name
	}
}

// derived names a value by what it is worked out from, where that is not plain.
func derived(what, by, plain, from string) string {
	if from == "" || from == plain {
		return what
	}
	return what + " " + by + " " + from
}
