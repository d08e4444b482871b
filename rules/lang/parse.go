package lang

import (
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/hashicorp/hcl/v2"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// Source is one rules file.
type Source struct {
	Name string // as it should stand in messages
	Text []byte
}

// Starting values where a rule says nothing. Deadband and delay of flow and
// temperature follow figures widely attributed to the alarm standards (from
// memory, not confirmed): 5 % and 1 % of range, 15 s and 60 s; the on-delay of
// flow is longer because one missed reading a minute is common.
const (
	defaultFlowDeadband    = 0.05 // of the setpoint
	defaultTempDeadband    = 0.2  // degC
	defaultOxygenDeadband  = 0.3  // mg/L
	defaultPercentDeadband = 3    // percent of saturation
	defaultOnDelay         = time.Minute
	defaultOffDelay        = 2 * time.Minute
	defaultWindow          = 24 * time.Hour
	minWindow              = time.Hour
	maxWindow              = 7 * 24 * time.Hour
)

// Parse reads the rules files against a site. The Program holds every rule
// that could be read; it is to be used only if diags has no errors.
func Parse(files *hclread.Files, sources []Source, s *site.Site) (*Program, hcl.Diagnostics) {
	p := &parser{site: s, first: make(map[string]hcl.Range), text: make(map[string][]byte)}
	for _, src := range sources {
		p.text[src.Name] = src.Text
		body, diags := files.Parse(src.Name, src.Text)
		p.diags = append(p.diags, diags...)
		file := hclread.Read(body, &p.diags, "the rules file")
		for _, k := range slices.Concat(kinds, courseKinds) {
			for _, b := range file.Named(string(k.kind)) {
				p.rule(b, k)
			}
		}
		file.Done()
	}
	if len(p.prog.Rules) == 0 && !p.diags.HasErrors() {
		at := hcl.Range{Start: hcl.InitialPos, End: hcl.InitialPos}
		if len(sources) > 0 {
			at.Filename = sources[0].Name
		}
		p.diags = append(p.diags, &hcl.Diagnostic{
			Severity: hcl.DiagError, Summary: "No rules", Subject: &at,
			Detail: "Nothing would ever call anybody. Write at least one rule, such as low_flow \"spring\" { ... }.",
		})
	}
	return &p.prog, p.diags
}

type parser struct {
	site  *site.Site
	prog  Program
	diags hcl.Diagnostics
	first map[string]hcl.Range // kind/name to the place of the first rule so named
	text  map[string][]byte    // of each file
}

// blockKind is how one kind of block is read and which probes it judges.
type blockKind struct {
	kind       alarm.Kind
	quantities []reading.Quantity
	read       func(p *parser, b *hclread.Block, r *Rule) bool
}

var kinds = []blockKind{
	{alarm.LowFlow, []reading.Quantity{reading.Flow}, (*parser).lowFlow},
	{alarm.TemperatureDrift, []reading.Quantity{reading.Temperature}, (*parser).drift},
	{alarm.FromSpring, []reading.Quantity{reading.Temperature}, (*parser).fromSpring},
	{alarm.TemperatureBand, []reading.Quantity{reading.Temperature}, (*parser).band},
	{alarm.LowOxygen, []reading.Quantity{reading.Oxygen, reading.Saturation}, (*parser).lowOxygen},
	{alarm.HighFlow, []reading.Quantity{reading.Flow}, (*parser).highFlow},
	{alarm.HighOxygen, []reading.Quantity{reading.Oxygen, reading.Saturation}, (*parser).highOxygen},
	{alarm.SilentProbe, reading.Quantities(), (*parser).silent},
	{alarm.StuckProbe, reading.Amounts(), (*parser).stuck},
	{alarm.JumpingProbe, reading.Amounts(), (*parser).jumping},
	{alarm.ImpossibleValue, reading.Amounts(), (*parser).impossible},
	{alarm.ProbeInAir, []reading.Quantity{reading.Temperature, reading.Oxygen, reading.Saturation}, (*parser).inAir},
	{alarm.Contact, []reading.Quantity{reading.Contact}, (*parser).contact},
	{alarm.MissedChore, nil, (*parser).missedChore},
	{alarm.Condition, nil, (*parser).condition},
}

func (p *parser) rule(b *hclread.Block, k blockKind) {
	def := b.DefRange()
	r := Rule{Kind: k.kind, Name: b.Name(), At: fmt.Sprintf("%s:%d", filepath.Base(def.Filename), def.Start.Line), OnDelay: defaultOnDelay, OffDelay: defaultOffDelay}
	id := string(k.kind) + "/" + r.Name
	if at, ok := p.first[id]; ok && at.Filename != def.Filename {
		b.Add(hclread.Twice(b.LabelRanges[0], string(k.kind), r.Name, at))
	} else {
		p.first[id] = b.LabelRanges[0]
	}

	names := make([]string, 0, 3)
	for _, pr := range alarm.Priorities() {
		names = append(names, pr.String())
	}
	if b.Need("priority", `"call-out"`) {
		if s, ok := b.Choice("priority", names); ok {
			r.Priority = alarm.Priority(slices.Index(names, s) + 1)
		}
	}
	r.CanHappen = p.words(b, "can_happen", `"Fry use up the oxygen in minutes."`)
	r.ToDo = p.words(b, "to_do", `"Look for a blocked screen first."`)
	quantities := k.quantities
	if attr := changeOf[k.kind]; attr != "" {
		quantities = p.changed(b, &r, attr)
	}
	units := p.covers(b, &r, quantities)
	ok := k.read(p, b, &r)
	if k.kind != alarm.SilentProbe && k.kind != alarm.MissedChore {
		if d, ok := b.Duration("off_delay"); ok {
			r.OffDelay = d
		}
	}
	if k.kind != alarm.SilentProbe {
		if d, ok := b.Duration("on_delay"); ok {
			r.OnDelay = d
		}
	}
	p.life(b, &r)
	ok = p.whiles(b, k, &r, ok && units) && ok
	if r.Kind == alarm.Condition && ok {
		p.patience(b, &r)
	}
	b.Done()
	if ok && units && len(r.Watches) > 0 {
		p.prog.Rules = append(p.prog.Rules, r)
	}
}

// words reads text that a keeper will be woken with.
func (p *parser) words(b *hclread.Block, name, example string) string {
	if !b.Need(name, example) {
		return ""
	}
	s, ok := b.Text(name)
	if s = strings.Join(strings.Fields(s), " "); ok && s == "" {
		b.Fault(b.Rng(name), "Nothing said", fmt.Sprintf("Somebody reads %s at night. Say it in a sentence: %s = %s.", name, name, example))
	}
	return s
}

// covers resolves which units a rule covers to what it watches there. It
// reports false when that could not be read.
func (p *parser) covers(b *hclread.Block, r *Rule, quantities []reading.Quantity) bool {
	c := b.One("covers")
	if c == nil {
		if r.Kind == alarm.MissedChore {
			return true // every unit of the chore
		}
		b.Fault(b.DefRange(), "Nothing covered", `Say what the rule covers: covers { kinds = ["trough"] }, or sections, or units, or all = true.`)
		return false
	}
	before := len(p.diags)
	chosen := make(map[string]bool)
	add := func(names []hclread.Name, match func(u *site.Unit, n string) bool) {
		for i := range p.site.Units {
			u := &p.site.Units[i]
			if slices.ContainsFunc(names, func(n hclread.Name) bool { return match(u, n.Value) }) {
				chosen[u.Name] = true
			}
		}
	}
	allowed := make([]string, 0, 6)
	for _, k := range site.Kinds() {
		allowed = append(allowed, string(k))
	}
	kindNames, _ := c.KnownNames("kinds", "kind of unit", allowed)
	sections, _ := c.KnownNames("sections", "section", p.sectionNames())
	units, _ := c.KnownNames("units", "unit", p.unitNames())
	except, _ := c.KnownNames("except", "unit", p.unitNames())
	all, _ := c.Bool("all")
	quantities = someOf(c, quantities)
	named := p.namedProbes(c, r, quantities)
	add(kindNames, func(u *site.Unit, n string) bool { return string(u.Kind) == n })
	add(sections, func(u *site.Unit, n string) bool { return u.Section == n })
	add(units, func(u *site.Unit, n string) bool { return u.Name == n })
	if all {
		for i := range p.site.Units {
			chosen[p.site.Units[i].Name] = true
		}
	}
	for _, n := range except {
		if !chosen[n.Value] {
			c.Warn(n.Range, "Exception without effect", fmt.Sprintf("%s is not covered anyway. Delete it from except.", n.Value))
		}
		delete(chosen, n.Value)
	}
	c.Done()
	if p.diags[before:].HasErrors() {
		return false
	}
	if len(chosen) == 0 && len(named) == 0 {
		c.Fault(c.DefRange(), "Nothing covered", `No unit is left to watch. Name some: kinds = ["trough"], sections, units, or all = true.`)
		return false
	}
	if r.Kind == alarm.MissedChore || r.Kind == alarm.Condition {
		for _, u := range p.site.Units {
			if chosen[u.Name] {
				r.Watches = append(r.Watches, Watch{Unit: u.Name})
			}
		}
		return true
	}
	var blind []string
	for _, u := range p.site.Units {
		if !chosen[u.Name] {
			continue
		}
		seen := false
		for _, pr := range p.site.Probes {
			if pr.At == u.Name && slices.Contains(quantities, pr.Quantity) {
				r.Watches = append(r.Watches, Watch{Unit: u.Name, Probe: pr.ID})
				seen = true
			}
		}
		if !seen {
			blind = append(blind, u.Name)
		}
	}
	for _, w := range named {
		if !slices.Contains(r.Watches, w) {
			r.Watches = append(r.Watches, w)
		}
	}
	what := "probe"
	if len(quantities) < len(reading.Amounts())-1 {
		what = quantities[0].String() + " probe"
	}
	switch {
	case len(r.Watches) == 0:
		c.Fault(c.DefRange(), "Nothing to watch", fmt.Sprintf("No unit covered has %s. Add one to the site file, or cover other units.", article(what)))
		return false
	case len(blind) > 0:
		c.Warn(c.DefRange(), "Some units are not watched", fmt.Sprintf("There is no %s at %s. Add one to the site file, or write except = [...] to say that you know.", what, list(blind)))
	}
	return true
}

func article(what string) string {
	if strings.ContainsRune("aeiou", rune(what[0])) {
		return "an " + what
	}
	return "a " + what
}

func list(names []string) string {
	if len(names) > 6 {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:6], ", "), len(names)-6)
	}
	return strings.Join(names, ", ")
}

func (p *parser) unitNames() []string {
	out := make([]string, len(p.site.Units))
	for i, u := range p.site.Units {
		out[i] = u.Name
	}
	return out
}

func (p *parser) sectionNames() []string {
	out := make([]string, len(p.site.Sections))
	for i, s := range p.site.Sections {
		out[i] = s.Name
	}
	return out
}

func (p *parser) choreNames() []string {
	out := make([]string, len(p.site.Chores))
	for i, c := range p.site.Chores {
		out[i] = c.Name
	}
	return out
}

// deadband reads a difference in the base unit, or gives the default.
func (p *parser) deadband(b *hclread.Block, fallback float64, dim measure.Dimension) float64 {
	a, ok := b.Amount("deadband", dim)
	switch {
	case !ok:
		return fallback
	case a.Value < 0:
		b.Fault(b.Rng("deadband"), "Deadband below zero", "A deadband is how far back inside the setpoint a value must come. Write it as 0 or more.")
		return fallback
	}
	return a.BaseDelta()
}

// reachable reports a setpoint that the probe can never read beyond.
func (p *parser) reachable(b *hclread.Block, attr string, setpoint, deadband float64, id reading.ProbeID) bool {
	pr, ok := p.site.Probe(id)
	if !ok {
		return true
	}
	u := p.site.ShowUnit(pr.Quantity)
	if setpoint <= pr.Low || setpoint+deadband > pr.High {
		b.Fault(b.Rng(attr), "Setpoint out of reach", fmt.Sprintf("Probe %q plausibly reads %s to %s; with this setpoint and deadband the alarm could never be raised or never return. Choose values inside that range.", pr.ID, u.Format(pr.Low), u.Format(pr.High)))
		return false
	}
	return true
}

func (p *parser) lowFlow(b *hclread.Block, r *Rule) bool {
	if b.Has("share_of_design_flow") {
		if b.Has("setpoint") {
			b.Fault(b.Rng("share_of_design_flow"), "Two setpoints", "Write either setpoint or share_of_design_flow, and delete the other.")
			return false
		}
		return p.shareOfDesign(b, r)
	}
	if !b.Need("setpoint", `"28 L/min"`) {
		b.Has("deadband")
		return false
	}
	a, ok := b.Amount("setpoint", measure.Flow)
	setpoint := 0.0
	if ok {
		setpoint = a.Base()
	}
	if ok && setpoint <= 0 {
		b.Fault(b.Rng("setpoint"), "Setpoint too low", `A flow below zero never comes. Write the lowest flow that is still right, such as "28 L/min".`)
		ok = false
	}
	r.Deadband = p.deadband(b, defaultFlowDeadband*setpoint, measure.Flow)
	if !ok {
		return false
	}
	for i := range r.Watches {
		r.Watches[i].Setpoint = setpoint
	}
	return p.flowReachable(b, "setpoint", r)
}

// flowReachable reports the first watch whose alarm could never be raised or
// never return.
func (p *parser) flowReachable(b *hclread.Block, attr string, r *Rule) bool {
	for _, w := range r.Watches {
		if u, found := p.site.Unit(w.Unit); found && u.DesignFlowLPM > 0 && w.Setpoint+r.Deadband > float64(u.DesignFlowLPM) {
			show := p.site.Show.Flow
			b.Fault(b.Rng(attr), "Setpoint above design flow", fmt.Sprintf("Unit %q is built for %s; with setpoint %s and deadband %s the alarm could stand in normal water. Lower them, or cover this unit by another rule.",
				u.Name, show.Format(float64(u.DesignFlowLPM)), show.Format(w.Setpoint), show.FormatDelta(r.Deadband)))
			return false
		}
		if !p.reachable(b, attr, w.Setpoint, r.Deadband, w.Probe) {
			return false
		}
	}
	return true
}

func (p *parser) shareOfDesign(b *hclread.Block, r *Rule) bool {
	const attr = "share_of_design_flow"
	s, ok := b.Text(attr)
	if !ok {
		b.Has("deadband")
		return false
	}
	num, isPercent := strings.CutSuffix(strings.TrimSpace(s), "%")
	share, err := strconv.ParseFloat(strings.TrimSpace(num), 64)
	if !isPercent || err != nil || !(share > 0 && share < 100) {
		b.Fault(b.Rng(attr), "Not a share", `Write a share of each unit's design flow between 0% and 100%, such as "70%".`)
		b.Has("deadband")
		return false
	}
	fixed := b.Has("deadband")
	r.Deadband = p.deadband(b, 0, measure.Flow)
	least := 0.0
	ok = true
	for i := range r.Watches {
		w := &r.Watches[i]
		u, _ := p.site.Unit(w.Unit)
		if u.DesignFlowLPM == 0 {
			b.Fault(b.Rng(attr), "Design flow not known", fmt.Sprintf("Unit %q has no design_flow in the site file. Add it there, or cover the unit by a rule with a setpoint.", u.Name))
			ok = false
			continue
		}
		w.Setpoint = share / 100 * float64(u.DesignFlowLPM)
		if least == 0 || w.Setpoint < least {
			least = w.Setpoint
		}
	}
	if !fixed {
		r.Deadband = defaultFlowDeadband * least
	}
	return ok && p.flowReachable(b, attr, r)
}

func (p *parser) departure(b *hclread.Block, r *Rule) bool {
	if !b.Need("departure", `"1 degC"`) {
		b.Has("deadband")
		return false
	}
	a, ok := b.Amount("departure", measure.Temperature)
	r.Deadband = p.deadband(b, defaultTempDeadband, measure.Temperature)
	if !ok {
		return false
	}
	r.Departure = measure.TempC(a.BaseDelta())
	switch {
	case r.Departure <= 0:
		b.Fault(b.Rng("departure"), "Departure too small", `Write how far the temperature may move before it is trouble, such as "1 degC".`)
		return false
	case r.Deadband >= float64(r.Departure):
		at := b.Rng("deadband")
		if !b.Has("deadband") {
			at = b.Rng("departure")
		}
		show := p.site.Show.Temperature
		b.Fault(at, "Deadband too wide", fmt.Sprintf("With a departure of %s and a deadband of %s the alarm could never return. Write a deadband below the departure.", show.FormatDelta(float64(r.Departure)), show.FormatDelta(r.Deadband)))
		return false
	}
	return true
}

func (p *parser) drift(b *hclread.Block, r *Rule) bool {
	ok := p.departure(b, r)
	r.Window = defaultWindow
	if d, given := b.Duration("window"); given {
		if d < minWindow || d > maxWindow {
			b.Fault(b.Rng("window"), "Window out of sense", `Write how far the median looks back, between "1 h" and "7 d". "24 h" suits spring water with a small daily swing.`)
			return false
		}
		r.Window = d
	}
	return ok
}

func (p *parser) fromSpring(b *hclread.Block, r *Rule) bool {
	ok := p.departure(b, r)
	sp, found := p.site.SpringProbe(reading.Temperature)
	if !found {
		b.Fault(b.DefRange(), "No spring temperature", `There is no temperature probe at a unit of kind "spring" or "head box" to compare with. Add one to the site file, or use temperature_drift.`)
		return false
	}
	r.Watches = slices.DeleteFunc(r.Watches, func(w Watch) bool { return w.Probe == sp.ID })
	if len(r.Watches) == 0 && ok {
		b.Fault(b.DefRange(), "Nothing to watch", "The spring is only compared with itself. Cover other units.")
		return false
	}
	return ok
}

func (p *parser) band(b *hclread.Block, r *Rule) bool {
	low, hasLow := b.Amount("low", measure.Temperature)
	high, hasHigh := b.Amount("high", measure.Temperature)
	r.Deadband = p.deadband(b, defaultTempDeadband, measure.Temperature)
	if !b.Has("low") && !b.Has("high") {
		b.Fault(b.DefRange(), "No limit", `Write low = "5 degC", or high = "12 degC", or both.`)
	}
	if hasLow != b.Has("low") || hasHigh != b.Has("high") || (!hasLow && !hasHigh) {
		return false
	}
	r.HasLow, r.HasHigh = hasLow, hasHigh
	if hasLow {
		r.Low = measure.TempC(low.Base())
	}
	if hasHigh {
		r.High = measure.TempC(high.Base())
	}
	if hasLow && hasHigh && float64(r.Low)+r.Deadband > float64(r.High)-r.Deadband {
		show := p.site.Show.Temperature
		b.Fault(b.Rng("high"), "Band too narrow", fmt.Sprintf("Between %s and %s, with a deadband of %s from each side, no temperature is normal. Move the limits apart or narrow the deadband.", show.Format(float64(r.Low)), show.Format(float64(r.High)), show.FormatDelta(r.Deadband)))
		return false
	}
	for _, w := range r.Watches {
		if hasLow {
			if !p.reachable(b, "low", float64(r.Low), r.Deadband, w.Probe) {
				return false
			}
		}
		if pr, found := p.site.Probe(w.Probe); hasHigh && found && float64(r.High) >= pr.High {
			b.Fault(b.Rng("high"), "Setpoint out of reach", fmt.Sprintf("Probe %q plausibly reads up to %s, so that the alarm could never be raised. Lower the limit, or widen plausible in the site file.", pr.ID, p.site.Show.Temperature.Format(pr.High)))
			return false
		}
	}
	return true
}

func (p *parser) lowOxygen(b *hclread.Block, r *Rule) bool {
	return p.oxygenSetpoint(b, r, `"7 mg/L"`, `Oxygen below zero never comes. Write the lowest that is still right, such as "7 mg/L" or "75% saturation".`, p.reachable)
}

// oxygenSetpoint reads a setpoint in mg/L or saturation. example is one, tooLow
// says what is wrong with one of 0 or less, and reach reports one that a probe of
// the same unit can never read beyond.
func (p *parser) oxygenSetpoint(b *hclread.Block, r *Rule, example, tooLow string, reach func(b *hclread.Block, attr string, setpoint, deadband float64, id reading.ProbeID) bool) bool {
	if !b.Need("setpoint", example) {
		b.Has("deadband")
		return false
	}
	a, ok := b.Amount("setpoint", measure.Oxygen, measure.Saturation)
	if !ok {
		b.Has("deadband")
		return false
	}
	if r.InSaturation = a.Unit.Dimension() == measure.Saturation; r.InSaturation {
		r.Deadband = p.deadband(b, defaultPercentDeadband, measure.Saturation)
	} else {
		r.Deadband = p.deadband(b, defaultOxygenDeadband, measure.Oxygen)
	}
	if a.Base() <= 0 {
		b.Fault(b.Rng("setpoint"), "Setpoint too low", tooLow)
		return false
	}
	for i := range r.Watches {
		w := &r.Watches[i]
		w.Setpoint = a.Base()
		pr, _ := p.site.Probe(w.Probe)
		if (pr.Quantity == reading.Saturation) == r.InSaturation {
			if !reach(b, "setpoint", w.Setpoint, r.Deadband, w.Probe) {
				return false
			}
			continue
		}
		if !p.temperatureKnown(b, pr.ID, pr.Quantity, w.Unit) {
			return false
		}
	}
	return true
}

func (p *parser) silent(b *hclread.Block, r *Rule) bool {
	r.OnDelay, r.OffDelay = 0, 0
	after, given := b.Duration("after")
	if b.Has("after") && !given {
		return false
	}
	for i := range r.Watches {
		w := &r.Watches[i]
		pr, _ := p.site.Probe(w.Probe)
		w.After = SilentAfter(pr.Every)
		if !given {
			continue
		}
		w.After = after
		if after < 2*pr.Every {
			b.Fault(b.Rng("after"), "Too impatient", fmt.Sprintf("Probe %q is expected every %s; one late reading would call somebody out. Wait at least %s, or leave after out for three intervals.", pr.ID, measure.FormatDuration(pr.Every), measure.FormatDuration(2*pr.Every)))
			return false
		}
	}
	return true
}

func (p *parser) missedChore(b *hclread.Block, r *Rule) bool {
	r.OnDelay, r.OffDelay = 0, 0
	if !b.Need("chore", `"cleaning"`) {
		return false
	}
	name, ok := b.Text("chore")
	if !ok {
		return false
	}
	ch, found := p.site.Chore(name)
	if !found {
		b.Add(hclread.Unknown(b.Rng("chore"), "chore", name, p.choreNames()))
		return false
	}
	r.Chore = name
	if len(r.Watches) == 0 {
		if len(ch.Units) == 0 {
			r.Watches = []Watch{{}}
		}
		for _, u := range ch.Units {
			r.Watches = append(r.Watches, Watch{Unit: u})
		}
		return true
	}
	kept := slices.DeleteFunc(r.Watches, func(w Watch) bool { return !slices.Contains(ch.Units, w.Unit) })
	if len(kept) == 0 {
		b.Fault(b.Rng("chore"), "Nothing to watch", fmt.Sprintf("The chore %q is not done at any unit covered here. Leave covers out to watch it wherever it is done.", name))
		return false
	}
	r.Watches = kept
	return true
}
