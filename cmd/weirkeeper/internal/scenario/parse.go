package scenario

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/hashicorp/hcl/v2"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// Scenario is one checked scenario.
type Scenario struct {
	Name  string
	At    hcl.Range
	Begin time.Time
	Steps []Step
	// Usual is what probes say that no step names, base unit.
	Usual   map[reading.ProbeID]float64
	Expects []Expect
	Never   []Never
	// NothingElse is where it says that no alarm but the expected ones may be
	// raised; nil if it does not.
	NothingElse *hcl.Range
}

// Length is that of all steps.
func (s *Scenario) Length() (d time.Duration) {
	for _, st := range s.Steps {
		d += st.Length
	}
	return d
}

// Step is a stretch of time.
type Step struct {
	Length time.Duration
	Says   map[reading.ProbeID]Says
	Cleans []Clean
	Dones  []Done
}

// Says is what a probe says during a step.
type Says struct {
	From, To float64 // base unit
	Silent   bool
}

// Clean is a unit cleaned from the beginning of a step to its end; Unfinished
// when nobody writes down the end.
type Clean struct {
	Unit, By   string
	Unfinished bool
}

// Done is a chore done at the beginning of a step.
type Done struct{ Chore, Unit, By string }

// Expect is an alarm that must be raised. Times count from the scenario's
// beginning; a zero one is not asked for.
type Expect struct {
	Alarm                 string
	At                    hcl.Range
	NotBefore, By, OverBy time.Duration
	// Calls, where not nil, says whether somebody must be called out.
	Calls *bool
}

// Never is an alarm that must not be raised.
type Never struct {
	Alarm string
	At    hcl.Range
}

// maxSteps bounds what one scenario costs.
const (
	maxSteps  = 1000
	maxLength = 60 * 24 * time.Hour
)

// noon is when a scenario begins that does not say when.
var noon = time.Date(2026, 1, 15, 12, 0, 0, 0, time.UTC)

type parser struct {
	site  *site.Site
	prog  *lang.Program
	names []string // of alarms, whole and short
}

// Parse reads a file of scenarios against a site and its rules. The scenarios are
// to be used only if diags has no errors.
func Parse(files *hclread.Files, name string, src []byte, s *site.Site, prog *lang.Program) ([]Scenario, hcl.Diagnostics) {
	p := &parser{site: s, prog: prog}
	for i := range prog.Rules {
		r := &prog.Rules[i]
		for _, w := range r.Watches {
			p.names = append(p.names, string(r.Key(w)))
			for _, short := range []string{r.Name, w.Unit, string(w.Probe)} {
				if short != "" {
					p.names = append(p.names, string(r.Kind)+"/"+short)
				}
			}
		}
	}
	slices.Sort(p.names)
	p.names = slices.Compact(p.names)
	body, diags := files.Parse(name, src)
	file := hclread.Read(body, &diags, "the file of scenarios")
	var out []Scenario
	for _, b := range file.Named("scenario") {
		out = append(out, p.scenario(b))
	}
	file.Done()
	if len(out) == 0 && !diags.HasErrors() {
		at := hcl.Range{Filename: name, Start: hcl.InitialPos, End: hcl.InitialPos}
		diags = append(diags, &hcl.Diagnostic{Severity: hcl.DiagError, Summary: "No scenario", Subject: &at, Detail: "Nothing would be tried. Write at least one scenario \"name\" { ... }."})
	}
	return out, diags
}

func (p *parser) scenario(b *hclread.Block) Scenario {
	s := Scenario{Name: b.Name(), At: b.DefRange(), Usual: p.usual()}
	local := p.site.Location
	s.Begin = time.Date(noon.Year(), noon.Month(), noon.Day(), noon.Hour(), 0, 0, 0, local).UTC()
	if t, ok := b.Moment("begin", local); ok {
		s.Begin = t.UTC().Truncate(time.Second)
	}
	for _, u := range b.Named("usual") {
		if pr, ok := p.probe(u); ok {
			if v, ok := p.value(u, "says", pr); ok {
				s.Usual[pr.ID] = v
			} else if !u.Has("says") {
				u.Need("says", p.example(pr))
			}
		}
		u.Done()
	}
	for _, d := range b.Blocks("during") {
		s.Steps = append(s.Steps, p.step(d))
	}
	if len(s.Steps) == 0 && !b.Broken() {
		b.Fault(b.DefRange(), "No time passes", `Say what happens, step by step: during "30 min" { ... }.`)
	}
	if len(s.Steps) > maxSteps || s.Length() > maxLength {
		b.Fault(b.DefRange(), "Too long", fmt.Sprintf("A scenario has at most %d steps and %s. Cut it into several.", maxSteps, measure.FormatDuration(maxLength)))
	}
	for _, x := range b.Blocks("expect") {
		s.Expects = append(s.Expects, p.expect(x, s.Length()))
	}
	if names, ok := b.Names("never"); ok {
		for _, n := range names {
			if p.alarm(b.Body, n.Value, n.Range) {
				s.Never = append(s.Never, Never{n.Value, n.Range})
			}
		}
	}
	if on, ok := b.Bool("nothing_else"); ok && on {
		at := b.Rng("nothing_else")
		s.NothingElse = &at
	}
	if len(s.Expects) == 0 && len(s.Never) == 0 && s.NothingElse == nil && !b.Broken() {
		b.Fault(b.DefRange(), "Nothing expected", `Say what must come of it: expect "low_flow/spring" { by = "10 min" }, never = [...], or nothing_else = true.`)
	}
	b.Done()
	return s
}

// usual is what each probe says when all is well.
func (p *parser) usual() map[reading.ProbeID]float64 {
	m := make(map[reading.ProbeID]float64)
	for i := range p.site.Probes {
		pr := &p.site.Probes[i]
		switch pr.Quantity {
		case reading.Flow:
			if u, ok := p.site.Unit(pr.At); ok && u.DesignFlowLPM > 0 {
				m[pr.ID] = float64(u.DesignFlowLPM)
			}
		case reading.Temperature:
			m[pr.ID] = 8
		case reading.Oxygen:
			m[pr.ID] = 10
		case reading.Saturation:
			m[pr.ID] = 95
		case reading.Contact:
			m[pr.ID] = reading.Closed
			for _, r := range p.prog.Rules {
				if r.Kind == alarm.Contact && r.AlarmWhen == reading.Closed && slices.ContainsFunc(r.Watches, func(w lang.Watch) bool { return w.Probe == pr.ID }) {
					m[pr.ID] = reading.Open
				}
			}
		}
	}
	return m
}

func (p *parser) probe(b *hclread.Block) (*site.Probe, bool) {
	pr, ok := p.site.Probe(reading.ProbeID(b.Name()))
	if !ok {
		var known []string
		for i := range p.site.Probes {
			known = append(known, string(p.site.Probes[i].ID))
		}
		b.Add(hclread.Unknown(b.LabelRanges[0], "probe", b.Name(), known))
	}
	return pr, ok
}

func (p *parser) example(pr *site.Probe) string {
	if pr.Quantity == reading.Contact {
		return `"open"`
	}
	return fmt.Sprintf("%q", measure.Amount{Value: 10, Unit: p.site.ShowUnit(pr.Quantity)}.String())
}

// value reads what a probe says, base unit.
func (p *parser) value(b *hclread.Block, name string, pr *site.Probe) (float64, bool) {
	if pr.Quantity == reading.Contact {
		s, ok := b.Choice(name, []string{reading.ContactWord(reading.Open), reading.ContactWord(reading.Closed)})
		if s == reading.ContactWord(reading.Closed) {
			return reading.Closed, ok
		}
		return reading.Open, ok
	}
	a, ok := b.Amount(name, pr.Quantity.Dimension())
	if !ok {
		return 0, false
	}
	return a.Base(), true
}

func (p *parser) step(b *hclread.Block) Step {
	s := Step{Says: make(map[reading.ProbeID]Says)}
	if len(b.Labels) != 1 {
		b.Fault(b.DefRange(), "Length missing", `Say how long the step lasts, in quotes before the brace: during "10 min" { ... }.`)
	} else if a, err := measure.Parse(b.Labels[0]); err != nil || a.Unit.Dimension() != measure.Time || a.Value <= 0 || a.Base() > maxLength.Seconds() {
		b.Fault(b.LabelRanges[0], "Not a length of time", `Write a number above 0 with its unit: during "10 min" { ... }.`)
	} else {
		s.Length = a.Duration()
	}
	for _, x := range b.Named("probe") {
		pr, ok := p.probe(x)
		if !ok {
			x.Has("says")
			x.Has("to")
			x.Has("silent")
			continue
		}
		var says Says
		v, ok := p.value(x, "says", pr)
		says.From, says.To = v, v
		if to, has := p.value(x, "to", pr); has {
			says.To = to
			if !x.Has("says") {
				x.Fault(x.Rng("to"), "Beginning missing", fmt.Sprintf("Say from where it goes there: says = %s.", p.example(pr)))
			}
		}
		if silent, has := x.Bool("silent"); has && silent {
			says.Silent = true
			if x.Has("says") {
				x.Fault(x.Rng("silent"), "Both at once", "A silent probe says nothing. Delete says, or silent.")
			}
		}
		if !x.Has("says") && !says.Silent {
			x.Need("says", p.example(pr))
		}
		if ok || says.Silent {
			s.Says[pr.ID] = says
		}
		x.Done()
	}
	for _, x := range b.Named("clean") {
		c := Clean{Unit: x.Name(), By: p.by(x)}
		if _, ok := p.site.Unit(c.Unit); !ok {
			x.Add(hclread.Unknown(x.LabelRanges[0], "unit", c.Unit, p.units()))
		}
		c.Unfinished, _ = x.Bool("unfinished")
		s.Cleans = append(s.Cleans, c)
		x.Done()
	}
	for _, x := range b.Blocks("done") {
		s.Dones = append(s.Dones, p.done(x)...)
	}
	b.Done()
	return s
}

func (p *parser) by(b *hclread.Block) string {
	if by, ok := b.Text("by"); ok {
		return by
	}
	return "somebody"
}

func (p *parser) done(b *hclread.Block) (out []Done) {
	defer b.Done()
	by := p.by(b)
	at, _ := b.KnownNames("at", "unit", p.units())
	if len(b.Labels) != 1 {
		b.Fault(b.DefRange(), "Name missing", `Name the chore in quotes before the brace: done "cleaning" { at = ["trough 1"] }.`)
		return nil
	}
	c, ok := p.site.Chore(b.Labels[0])
	if !ok {
		var known []string
		for _, c := range p.site.Chores {
			known = append(known, c.Name)
		}
		b.Add(hclread.Unknown(b.LabelRanges[0], "chore", b.Labels[0], known))
		return nil
	}
	units := c.Units // everywhere, if nothing else is said
	if b.Has("at") {
		units = nil
		for _, n := range at {
			if !c.DoneAt(n.Value) {
				b.Fault(n.Range, "Not done there", fmt.Sprintf("The chore %q is not done at %q. It is done at: %s.", c.Name, n.Value, strings.Join(c.Units, ", ")))
			}
			units = append(units, n.Value)
		}
	} else if len(units) == 0 {
		units = []string{""}
	}
	for _, u := range units {
		out = append(out, Done{c.Name, u, by})
	}
	return out
}

func (p *parser) units() []string {
	var all []string
	for _, u := range p.site.Units {
		all = append(all, u.Name)
	}
	return all
}

// alarm checks the name of an alarm. Those that are built in are not in the
// rules.
func (p *parser) alarm(b *hclread.Body, name string, at hcl.Range) bool {
	if _, found := slices.BinarySearch(p.names, name); found || p.builtIn(name) {
		return true
	}
	b.Add(hclread.Unknown(at, "alarm", name, p.names))
	return false
}

// builtIn reports whether an alarm is of a kind about the water that needs no
// rule.
func (p *parser) builtIn(name string) bool {
	kind, what, ok := strings.Cut(name, "/")
	return ok && what != "" && slices.Contains([]string{"common_cause", "flood"}, kind)
}

func (p *parser) expect(b *hclread.Block, length time.Duration) Expect {
	x := Expect{At: b.DefRange()}
	defer b.Done()
	if len(b.Labels) != 1 {
		b.Fault(b.DefRange(), "Name missing", `Name the alarm in quotes before the brace: expect "low_flow/spring" { by = "10 min" }.`)
	} else {
		x.Alarm, x.At = b.Labels[0], b.LabelRanges[0]
		p.alarm(b.Body, x.Alarm, x.At)
	}
	for _, t := range []struct {
		name string
		to   *time.Duration
	}{{"not_before", &x.NotBefore}, {"by", &x.By}, {"over_by", &x.OverBy}} {
		d, ok := b.Duration(t.name)
		if !ok {
			continue
		}
		if *t.to = d; d > length {
			b.Fault(b.Rng(t.name), "After the end", fmt.Sprintf("The scenario lasts %s. Write an earlier time, or another step.", measure.FormatDuration(length)))
		}
	}
	switch {
	case !b.Has("by"):
		b.Need("by", `"10 min"`)
	case x.By < x.NotBefore || x.OverBy > 0 && x.OverBy < x.NotBefore:
		b.Fault(b.Rng("not_before"), "Wrong order", "An alarm is raised before it is over: not_before is at most by and over_by.")
	}
	if calls, ok := b.Bool("calls"); ok {
		x.Calls = &calls
	}
	return x
}
