package config

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"

	"weirkeeper/rules/hclread"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// What a probe can plausibly read, base units, where the site file does not
// say (common practice, no source). Flow goes to ten times the unit's design
// flow where that is stated.
const (
	lowTempC, highTempC         = -1, 30
	lowFlowLPM, highFlowLPM     = -5, 20000
	lowOxygenMgL, highOxygenMgL = -0.5, 25
	lowSaturationPct            = -5
	highSaturationPct           = 250
	flowTimesDesign             = 10
	zeroShare                   = 0.05 // of the design flow, below 0
	defaultEvery                = time.Minute
	shortestEvery, longestEvery = time.Second, 7 * 24 * time.Hour
	lowAccuracyC, highAccuracyC = 0.01, 5
)

func plausible(q reading.Quantity, designFlow measure.FlowLPM) (low, high float64) {
	switch q {
	case reading.Temperature:
		return lowTempC, highTempC
	case reading.Flow:
		// A probe in still water or none reads a little to either side of 0,
		// and that is the reading that matters most.
		if designFlow > 0 {
			return -zeroShare * float64(designFlow), flowTimesDesign * float64(designFlow)
		}
		return lowFlowLPM, highFlowLPM
	case reading.Oxygen:
		return lowOxygenMgL, highOxygenMgL
	case reading.Saturation:
		return lowSaturationPct, highSaturationPct
	case reading.Contact:
		return reading.Open, reading.Closed
	}
	return 0, 0
}

func (p *parser) probes() {
	s := p.c.Site
	blocks := p.file.Named("probe")
	for _, b := range blocks {
		s.Probes = append(s.Probes, p.probe(b))
	}
	if len(p.file.Blocks("probe")) == 0 {
		p.missing("No probes", `Nothing measures the water. Add a block such as probe "spring temperature" with quantity, at and topic.`)
	}
	p.sharedTopics(blocks)
	p.standIns(blocks)
	for _, b := range blocks {
		b.Done()
	}
}

func (p *parser) probe(b *hclread.Block) site.Probe {
	pr := site.Probe{ID: reading.ProbeID(b.Name()), Format: site.Number, Every: span(b, "every", defaultEvery, shortestEvery, longestEvery)}

	b.Need("quantity", `"temperature"`)
	var quantities, formats, timeFormats []string
	for _, q := range reading.Quantities() {
		quantities = append(quantities, q.String())
	}
	if q, ok := b.Choice("quantity", quantities); ok {
		pr.Quantity = reading.Quantities()[slices.Index(quantities, q)]
	}
	if pr.Quantity != reading.Contact {
		b.Need("at", `"spring intake"`) // a contact may be the whole site's
	}
	pr.At, _ = p.refer(b, "at", "unit", p.unitNames())
	b.Need("topic", `"alderfork/spring/temperature"`)
	pr.Topic = topic(b)

	for _, f := range site.Formats() {
		formats = append(formats, string(f))
	}
	if f, ok := b.Choice("format", formats); ok || b.Has("format") {
		pr.Format = site.Format(f) // "" when faulty: what belongs to it cannot be judged
	}
	for _, f := range site.TimeFormats() {
		timeFormats = append(timeFormats, string(f))
	}
	pr.ValuePath = jsonPath(b, "value_path")
	pr.TimePath = jsonPath(b, "time_path")
	tf, _ := b.Choice("time_format", timeFormats)
	pr.TimeFormat = site.TimeFormat(tf)
	pr.RecordName, _ = filled(b, "record")
	for _, a := range []string{"value_path", "time_path", "time_format"} {
		if b.Has(a) && pr.Format != site.JSON && pr.Format != "" {
			b.Fault(b.Rng(a), "Belongs to JSON", fmt.Sprintf("%s is about payloads in JSON. Add format = \"json\", or delete the line.", a))
		}
	}
	if b.Has("record") && pr.Format != site.SenML && pr.Format != "" {
		b.Fault(b.Rng("record"), "Belongs to SenML", `record is the name of a SenML record. Add format = "senml", or delete the line.`)
	}
	if pr.Format == site.JSON {
		b.Need("value_path", `"water.temperature"`)
		if b.Has("time_path") {
			b.Need("time_format", `"rfc3339"`)
		}
	}

	contact(b, &pr)
	p.probeUnit(b, &pr)
	p.probeRange(b, &pr)
	pr.Accuracy = accuracy(b, pr.Quantity)
	return pr
}

// probeUnit reads the unit of the numbers sent. An oxygen probe that sends
// percent of saturation is a saturation probe.
func (p *parser) probeUnit(b *hclread.Block, pr *site.Probe) {
	dims := []measure.Dimension{pr.Quantity.Dimension()}
	switch pr.Quantity {
	case 0: // faulty: the unit cannot be judged
		b.Has("unit")
		return
	case reading.Contact:
		if b.Has("unit") {
			b.Fault(b.Rng("unit"), "A contact has no unit", "It is open or closed. Delete the line.")
		}
		return
	case reading.Oxygen:
		dims = append(dims, measure.Saturation)
	case reading.Temperature, reading.Flow, reading.Saturation:
	}
	u, ok := b.Unit("unit", dims...)
	switch {
	case ok && u.Dimension() == measure.Saturation:
		pr.Quantity, pr.Unit = reading.Saturation, u
	case ok:
		pr.Unit = u
	default:
		pr.Unit = pr.Quantity.Dimension().Base()
		shown := p.c.Site.ShowUnit(pr.Quantity)
		if !b.Has("unit") && pr.Format != site.SenML && pr.Format != "" && shown != pr.Unit {
			b.Warn(b.DefRange(), "Unit not stated", fmt.Sprintf("The site shows %s in %s, but numbers of %s are read as %s. Write what it sends: unit = %q or unit = %q.", pr.Quantity, shown, b.What(), pr.Unit, shown, pr.Unit))
		}
	}
}

func (p *parser) probeRange(b *hclread.Block, pr *site.Probe) {
	var design measure.FlowLPM
	if u, ok := p.c.Site.Unit(pr.At); ok {
		design = u.DesignFlowLPM
	}
	pr.Low, pr.High = plausible(pr.Quantity, design)
	r := b.One("plausible")
	if r == nil {
		return
	}
	if pr.Quantity == reading.Contact {
		r.Fault(r.DefRange(), "A contact has no range", "It is open or closed. Delete the block plausible.")
	}
	if pr.Quantity == 0 || pr.Quantity == reading.Contact { // its units cannot be judged
		r.Has("low")
		r.Has("high")
		r.Done()
		return
	}
	if v, ok := r.Amount("low", pr.Quantity.Dimension()); ok {
		pr.Low = v.Base()
	}
	if v, ok := r.Amount("high", pr.Quantity.Dimension()); ok {
		pr.High = v.Base()
	}
	if pr.Low >= pr.High {
		r.Fault(r.DefRange(), "Wrong order", fmt.Sprintf("No reading can lie above %s and below %s. Write the smaller amount as low and the greater one as high.", pr.Unit.Format(pr.Low), pr.Unit.Format(pr.High)))
	}
	r.Done()
}

// accuracy reads the half-width of a probe's error, a difference of
// temperature; 0 when it is not stated.
func accuracy(b *hclread.Block, q reading.Quantity) float64 {
	if !b.Has("accuracy") || q == 0 {
		return 0
	}
	if q != reading.Temperature {
		b.Fault(b.Rng("accuracy"), "Only for temperature", "accuracy says how sure thermal units are, and they come from probes of temperature only. Delete the line.")
		return 0
	}
	a, ok := b.Amount("accuracy", measure.Temperature)
	if !ok {
		return 0
	}
	v := a.BaseDelta()
	if v < lowAccuracyC || v > highAccuracyC {
		bound := func(c float64) string {
			return measure.Amount{Value: math.Round(a.Unit.DeltaFromBase(c)*1000) / 1000, Unit: a.Unit}.String()
		}
		b.Fault(b.Rng("accuracy"), "Number out of sense", fmt.Sprintf("accuracy is how far the probe may be off to either side: write it between %q and %q.", bound(lowAccuracyC), bound(highAccuracyC)))
		return 0
	}
	return v
}

// topic reads an exact MQTT topic (MQTT 3.1.1, section 4.7).
func topic(b *hclread.Block) string {
	return topicOf(b, "topic", "alderfork/spring/temperature")
}

func topicOf(b *hclread.Block, attr, example string) string {
	t, ok := filled(b, attr)
	if !ok {
		return ""
	}
	switch {
	case strings.ContainsAny(t, "+#"):
		b.Fault(b.Rng(attr), "Wildcard in a topic", "It is one exact topic: write it out without + and #, as it is published.")
	case strings.HasPrefix(t, "$"):
		b.Fault(b.Rng(attr), "Topic of the broker", fmt.Sprintf("Topics that begin with $ belong to the broker itself. Write one of your own, such as %q.", example))
	case strings.ContainsFunc(t, func(r rune) bool { return unicode.IsControl(r) || r == unicode.ReplacementChar }) || t != strings.TrimSpace(t) || len(t) > 65535:
		b.Fault(b.Rng(attr), "Not a topic", fmt.Sprintf("A topic has no line breaks and no space at its ends. Write it as it is published, such as %q.", example))
	default:
		return t
	}
	return ""
}

// jsonPath reads a dotted path.
func jsonPath(b *hclread.Block, attr string) string {
	s, ok := filled(b, attr)
	if ok && slices.Contains(strings.Split(s, "."), "") {
		b.Fault(b.Rng(attr), "Not a path", fmt.Sprintf("%s is names joined by single dots: write it like \"water.temperature\" or \"values.0\".", attr))
		return ""
	}
	return s
}

// sharedTopics checks that probes on one topic read different parts of one
// kind of payload.
func (p *parser) sharedTopics(blocks []*hclread.Block) {
	for i, a := range p.c.Site.Probes {
		for j, b := range p.c.Site.Probes[:i] {
			if a.Topic == b.Topic && a.Topic != "" && !shares(blocks[i], a, b, blocks[j].DefRange().Start.Line) {
				break
			}
		}
	}
}

// shares reports whether two probes can share their topic; b is the earlier one
// and stands at the line.
func shares(block *hclread.Block, a, b site.Probe, line int) bool {
	other := fmt.Sprintf("Probe %q at line %d listens to the same topic", b.ID, line)
	switch {
	case a.Format == "" || b.Format == "":
	case a.Format != b.Format:
		block.Fault(block.Rng("topic"), "Topic with two formats", fmt.Sprintf("%s with format %q, this one with %q. Write the same format in both, or another topic.", other, b.Format, a.Format))
	case a.Format == site.Number:
		block.Fault(block.Rng("topic"), "Topic used twice", other+", and its payload is one number. Write another topic here, or delete one of the probes.")
	case a.Format == site.JSON && a.ValuePath != "" && a.ValuePath == b.ValuePath:
		block.Fault(block.Rng("value_path"), "Value used twice", other+" and takes the same value from it. Write another value_path here, or delete one of the probes.")
	case a.Format == site.SenML && a.RecordName == b.RecordName && (a.RecordName != "" || a.Quantity == b.Quantity):
		block.Fault(block.Rng("record"), "Value used twice", other+` and takes the same record from it. Write the name of another one here, such as record = "probe-2/temperature".`)
	default:
		return true
	}
	return false
}

// standIns resolves stand_in once all probes are known.
func (p *parser) standIns(blocks []*hclread.Block) {
	s := p.c.Site
	var names []string
	for _, pr := range s.Probes {
		names = append(names, string(pr.ID))
	}
	for i, b := range blocks {
		id, ok := p.refer(b, "stand_in", "probe", names)
		if !ok {
			continue
		}
		other := s.Probes[slices.Index(names, id)]
		switch q := s.Probes[i].Quantity; {
		case id == b.Name():
			b.Fault(b.Rng("stand_in"), "Stands in for itself", "A stand-in is another probe in the same water. Write its name, or delete the line.")
		case q != 0 && other.Quantity != 0 && q != other.Quantity:
			b.Fault(b.Rng("stand_in"), "Stand-in of another kind", fmt.Sprintf("%s measures %s, but probe %q measures %s. Write a probe of %s, or delete the line.", b.What(), q, id, other.Quantity, q))
		default:
			s.Probes[i].StandIn = reading.ProbeID(id)
		}
	}
	for i, b := range blocks {
		// Follow the stand-ins: a ring is reported once, at its first probe.
		at, first := i, true
		for range s.Probes {
			next := slices.Index(names, string(s.Probes[at].StandIn))
			if next < 0 || next == i {
				if next == i && first {
					b.Fault(b.Rng("stand_in"), "Stand-ins in a ring", fmt.Sprintf("The stand-ins lead from %s back to it, so none of them can stand in. Delete stand_in at one of them.", b.What()))
				}
				break
			}
			first = first && next > i
			at = next
		}
	}
}
