package config

import (
	"fmt"
	"path/filepath"
	"slices"
	"time"

	"github.com/hashicorp/hcl/v2"

	"weirkeeper/rules/hclread"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
)

// parser holds what the parts of the file refer to in each other.
type parser struct {
	files *hclread.Files
	file  *hclread.Body
	diags *hcl.Diagnostics
	opt   Options
	dir   string // of the site file
	c     *Config
	def   hcl.Range // the site's header
	// deaf are people that nothing reaches, and why, in words that end a sentence.
	deaf map[string]string
}

// Parse reads the site file's text. The Config is never nil, but only of use
// when the diagnostics hold no errors. Every diagnostic has a Subject.
func Parse(files *hclread.Files, name string, src []byte, opt Options) (*Config, hcl.Diagnostics) {
	if opt.Local == nil {
		opt.Local = time.Local
	}
	body, diags := files.Parse(name, src)
	p := &parser{
		files: files, file: hclread.Read(body, &diags, "the site file"), diags: &diags, opt: opt, dir: filepath.Dir(name),
		c: &Config{Site: &site.Site{}}, deaf: make(map[string]string),
	}
	p.site()
	p.sections()
	p.units()
	p.probes()
	p.species()
	p.lots()
	p.chores()
	p.horns()
	p.buttons()
	p.mail()
	p.sms()
	p.hooks()
	p.people()
	p.callOut()
	p.drill()
	p.heartbeats()
	p.peers()
	p.broker()
	p.web()
	p.paths()
	p.history()
	p.file.Done()
	return p.c, diags
}

// faults counts what is wrong so far, warnings left out.
func (p *parser) faults() int { return len(p.diags.Errs()) }

// missing reports something the whole file lacks, unless the parser may have
// lost it.
func (p *parser) missing(summary, detail string) {
	if !p.file.Broken() {
		p.file.Fault(p.def, summary, detail)
	}
}

// known reads a list of names that refer to other blocks.
func (p *parser) known(b *hclread.Block, attr, kindOfThing string, known []string) ([]string, bool) {
	read := func() ([]hclread.Name, bool) { return b.KnownNames(attr, kindOfThing, known) }
	if p.file.Broken() {
		read = func() ([]hclread.Name, bool) { return b.Names(attr) }
	}
	names, ok := read()
	var out []string
	for _, n := range names {
		out = append(out, n.Value)
	}
	return out, ok
}

// refer reads one name that refers to another block.
func (p *parser) refer(b *hclread.Block, attr, kindOfThing string, known []string) (string, bool) {
	s, ok := b.Text(attr)
	if ok && !slices.Contains(known, s) {
		if !p.file.Broken() {
			b.Add(hclread.Unknown(b.Rng(attr), kindOfThing, s, known))
		}
		return "", false
	}
	return s, ok
}

// between reads an amount whose base value lies between low and high, and
// returns that.
func between(b *hclread.Block, attr string, dim measure.Dimension, low, high float64) (float64, bool) {
	a, ok := b.Amount(attr, dim)
	if !ok {
		return 0, false
	}
	if v := a.Base(); v >= low && v <= high {
		return v, true
	}
	u := a.Unit
	if shown, err := measure.Parse(u.Format(low)); err == nil && shown.Value == 0 && low != 0 {
		u = dim.Base() // too coarse to name the bound in
	}
	b.Fault(b.Rng(attr), "Number out of sense", fmt.Sprintf("%s cannot be %s: write it between %q and %q.", attr, a, u.Format(low), u.Format(high)))
	return 0, false
}

// span reads a duration between low and high; def is its value when missing.
func span(b *hclread.Block, attr string, def, low, high time.Duration) time.Duration {
	d, ok := b.Duration(attr)
	if !ok {
		return def
	}
	if d < low || d > high {
		b.Fault(b.Rng(attr), "Time out of sense", fmt.Sprintf("Write %s between %q and %q.", attr, measure.FormatDuration(low), measure.FormatDuration(high)))
		return def
	}
	return d
}

// filled reads text that is not empty.
func filled(b *hclread.Block, attr string) (string, bool) {
	s, ok := b.Text(attr)
	if ok && s == "" {
		b.Fault(b.Rng(attr), "Empty text", fmt.Sprintf("Write something between the quotes, or delete the line with %s.", attr))
		return "", false
	}
	return s, ok
}

// filePath reads a path.
func (p *parser) filePath(b *hclread.Block, attr string) string {
	s, _ := filled(b, attr)
	return p.path(s)
}

// path makes a path relative to the site file one that can be opened.
func (p *parser) path(s string) string {
	if s == "" || filepath.IsAbs(s) {
		return s
	}
	return filepath.Join(p.dir, s)
}

func (p *parser) site() {
	s := p.c.Site
	s.Location = p.opt.Local
	s.PressureHPa = site.PressureAtAltitude(0)
	s.Show = site.Show{Temperature: measure.DegC, Flow: measure.LPM, Oxygen: measure.MgL}
	p.def = p.file.DefRange()
	blocks := p.file.Named("site")
	if len(blocks) == 0 {
		if len(p.file.Blocks("site")) == 0 {
			p.missing("No site", `The site file starts with the site's name: write site "Alder Fork" { ... }.`)
		}
		return
	}
	b := blocks[0]
	for _, more := range blocks[1:] {
		b.Fault(more.DefRange(), "Second site", fmt.Sprintf("One file describes one site, and %s is at line %d. Give this one a file and a daemon of its own.", b.What(), b.DefRange().Start.Line))
	}
	p.def = b.DefRange()
	s.Name = b.Name()
	if h, ok := between(b, "altitude", measure.Length, -430, 6000); ok {
		s.PressureHPa = site.PressureAtAltitude(h)
	}
	if hPa, ok := between(b, "pressure", measure.Pressure, 450, 1080); ok {
		s.PressureHPa = measure.PressureHPa(hPa)
	}
	if b.Has("altitude") && b.Has("pressure") {
		b.Fault(b.Rng("pressure"), "Said twice", "The altitude stands for a pressure. Keep pressure if a barometer at the site gave it, else altitude, and delete the other.")
	}
	if tz, ok := filled(b, "timezone"); ok {
		loc, err := time.LoadLocation(tz)
		switch {
		case err != nil:
			b.Fault(b.Rng("timezone"), "Unknown time zone", fmt.Sprintf("There is no time zone %q. Write a name of the time zone database, such as \"UTC\", or delete the line for the zone of this machine.", tz))
		case tz != "Local":
			s.Location = loc
		}
	}
	if show := b.One("show"); show != nil {
		if u, ok := show.Unit("temperature", measure.Temperature); ok {
			s.Show.Temperature = u
		}
		if u, ok := show.Unit("flow", measure.Flow); ok {
			s.Show.Flow = u
		}
		if u, ok := show.Unit("oxygen", measure.Oxygen); ok {
			s.Show.Oxygen = u
		}
		show.Done()
	}
	b.Done()
}

func (p *parser) sections() {
	for _, b := range p.file.Named("section") {
		p.c.Site.Sections = append(p.c.Site.Sections, site.Section{Name: b.Name()})
		b.Done()
	}
}

func (p *parser) sectionNames() []string {
	var names []string
	for _, s := range p.c.Site.Sections {
		names = append(names, s.Name)
	}
	return names
}

func (p *parser) unitNames() []string {
	var names []string
	for _, u := range p.c.Site.Units {
		names = append(names, u.Name)
	}
	return names
}

func kindNames() []string {
	var names []string
	for _, k := range site.Kinds() {
		names = append(names, string(k))
	}
	return names
}

// The largest unit, litres, and the largest flow, L/min, taken seriously: a
// pond of 10,000 m3 and a river of 10 m3/s (no source).
const (
	maxVolumeL = 1e7
	maxFlowLPM = 6e5
)

func (p *parser) units() {
	blocks := p.file.Named("unit")
	defer p.feeders(blocks)
	for _, b := range blocks {
		u := site.Unit{Name: b.Name()}
		b.Need("kind", `"trough"`)
		kind, kindOK := b.Choice("kind", kindNames())
		u.Kind = site.Kind(kind)
		u.Section, _ = p.refer(b, "section", "section", p.sectionNames())
		u.Trays, _ = b.Int("trays", 1, 100)
		if kindOK && u.Kind != site.Stack && b.Has("trays") {
			b.Fault(b.Rng("trays"), "Trays outside a stack", fmt.Sprintf("Only a stack has trays, and %s is a %s. Delete the line, or write kind = \"stack\".", b.What(), kind))
		}
		if v, ok := between(b, "volume", measure.Volume, 1, maxVolumeL); ok {
			u.VolumeL = measure.VolumeL(v)
		}
		if v, ok := between(b, "design_flow", measure.Flow, 0.1, maxFlowLPM); ok {
			u.DesignFlowLPM = measure.FlowLPM(v)
		}
		b.Has("fed_by") // read once all units are known
		b.Done()
		p.c.Site.Units = append(p.c.Site.Units, u)
	}
	if len(p.file.Blocks("unit")) == 0 {
		p.missing("No units", `There is nothing to watch over. Add the places where water runs, such as unit "spring intake" with kind = "spring".`)
	}
}
