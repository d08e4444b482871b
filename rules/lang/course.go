package lang

import (
	"fmt"
	"slices"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
)

// Course is what a rule goes by that looks at how values move or at several
// probes together: fast_change, slow_drift, from_sister and water_balance.
type Course struct {
	// Change is the largest change or distance that is still right: a
	// difference in the base unit.
	Change float64
	// Within is the time in which fast_change allows Change.
	Within time.Duration
	// Per is the time in which slow_drift allows Change, Over how far back it
	// looks, whole days.
	Per, Over time.Duration
	// Direction is which way of moving is trouble.
	Direction Direction
	// Sister is the probe that from_sister compares with; "" is the median of
	// Others.
	Sister reading.ProbeID
	// Others are the probes compared with (those of the same unit left out),
	// or the flows that water_balance adds up.
	Others []reading.ProbeID
	// Loss and Gain are the shares of the source's flow that may be missing
	// and that may be too much.
	Loss, Gain float64
}

// Direction is a way in which values move.
type Direction int8

// The directions.
const (
	Either Direction = iota
	Rising
	Falling
)

var directionNames = []string{"either", "rising", "falling"}

// Starting values where a rule says nothing: common practice, no source.
const (
	defaultShareOfChange = 0.2 // deadband of a change or distance
	defaultOver          = 14 * 24 * time.Hour
	minOver              = 5 * 24 * time.Hour
	maxOver              = 60 * 24 * time.Hour
	defaultGain          = 0.05 // flow meters are good for a few percent
	defaultShareDeadband = 0.02
	defaultBalanceDelay  = 10 * time.Minute
)

// MinDays is how many days of those it looks at slow_drift must know at least:
// half of them, and never fewer than five, below which the bound says nothing.
func (c *Course) MinDays() int { return max(5, (int(c.Over/(24*time.Hour))+1)/2) }

// changeable are the quantities of which a change may be written, all or those of
// one dimension.
func changeable(of ...measure.Dimension) []reading.Quantity {
	all := []reading.Quantity{reading.Temperature, reading.Flow, reading.Oxygen, reading.Saturation}
	return slices.DeleteFunc(all, func(q reading.Quantity) bool { return len(of) > 0 && !slices.Contains(of, q.Dimension()) })
}

// changed reads how much is too much, and gives the quantities that its unit says
// are watched.
func (p *parser) changed(b *hclread.Block, r *Rule, attr string) []reading.Quantity {
	if !b.Need(attr, `"1 degC"`) {
		return changeable()
	}
	a, ok := b.Amount(attr, measure.Temperature, measure.Flow, measure.Oxygen, measure.Saturation)
	if !ok {
		return changeable()
	}
	if r.Change = a.BaseDelta(); r.Change <= 0 {
		b.Fault(b.Rng(attr), "Change too small", fmt.Sprintf("Anything would be too much. Write the largest %s that is still right, such as %s = %q.", attr, attr, measure.Amount{Value: 1, Unit: a.Unit}))
		r.Change = 0
	}
	return changeable(a.Unit.Dimension())
}

// changeBack reads the deadband of a change and reports one that never lets the
// alarm return.
func (p *parser) changeBack(b *hclread.Block, r *Rule, attr string) bool {
	if r.Change == 0 || len(r.Watches) == 0 {
		b.Has("deadband")
		return false
	}
	pr, _ := p.site.Probe(r.Watches[0].Probe)
	r.Deadband = p.deadband(b, defaultShareOfChange*r.Change, pr.Quantity.Dimension())
	if r.Deadband >= r.Change {
		show := p.site.ShowUnit(pr.Quantity)
		b.Fault(b.Rng("deadband"), "Deadband too wide", fmt.Sprintf("With a %s of %s and a deadband of %s the alarm could never return. Write a deadband below the %s.", attr, show.FormatDelta(r.Change), show.FormatDelta(r.Deadband), attr))
		return false
	}
	for _, w := range r.Watches {
		if pr, _ := p.site.Probe(w.Probe); r.Change >= pr.High-pr.Low {
			show := p.site.ShowUnit(pr.Quantity)
			b.Fault(b.Rng(attr), "Change out of reach", fmt.Sprintf("Probe %q plausibly reads %s to %s, so that the alarm could never be raised. Write a smaller %s.", pr.ID, show.Format(pr.Low), show.Format(pr.High), attr))
			return false
		}
	}
	return true
}

func (p *parser) direction(b *hclread.Block, r *Rule) bool {
	if !b.Has("direction") {
		return true
	}
	s, ok := b.Choice("direction", directionNames)
	if ok {
		r.Direction = Direction(slices.Index(directionNames, s))
	}
	return ok
}

// span reads a time between low and high.
func (p *parser) span(b *hclread.Block, attr string, low, high time.Duration, what string) (time.Duration, bool) {
	d, ok := b.Duration(attr)
	if ok && (d < low || d > high) {
		b.Fault(b.Rng(attr), "Time out of sense", fmt.Sprintf("%s is %s. Write it between %q and %q.", attr, what, measure.FormatDuration(low), measure.FormatDuration(high)))
		return 0, false
	}
	return d, ok
}

func (p *parser) fastChange(b *hclread.Block, r *Rule) bool {
	ok := p.changeBack(b, r, "change")
	ok = p.direction(b, r) && ok
	if !b.Need("within", `"1 h"`) {
		return false
	}
	within, good := p.span(b, "within", time.Minute, 7*24*time.Hour, "the time in which so much change is too fast")
	if !good {
		return false
	}
	r.Within = within
	for _, w := range r.Watches {
		// Three readings make a value that a single wild one does not move, and
		// two such make a change.
		if pr, _ := p.site.Probe(w.Probe); within < 4*pr.Every {
			b.Fault(b.Rng("within"), "Time too short", fmt.Sprintf("Probe %q is expected every %s; from so few readings a change cannot be told from one wild value. Write at least %q.", pr.ID, measure.FormatDuration(pr.Every), measure.FormatDuration(4*pr.Every)))
			return false
		}
	}
	return ok
}

func (p *parser) slowDrift(b *hclread.Block, r *Rule) bool {
	ok := p.changeBack(b, r, "change")
	ok = p.direction(b, r) && ok
	const day = 24 * time.Hour
	r.Over = defaultOver
	if b.Has("over") {
		over, good := p.span(b, "over", minOver, maxOver, "how far back the trend looks")
		if !good {
			ok = false
		}
		r.Over = over.Truncate(day)
	}
	if !b.Need("per", `"7 d"`) {
		return false
	}
	per, good := p.span(b, "per", day, 365*day, "the time in which so much change is too much")
	r.Per = per
	return ok && good
}

func (p *parser) fromSister(b *hclread.Block, r *Rule) bool {
	ok := p.changeBack(b, r, "departure")
	named, median := b.Has("sister"), b.Has("sisters")
	switch {
	case named && median:
		b.Fault(b.Rng("sisters"), "Two references", "Write either sister or sisters, and delete the other.")
		return false
	case !named && !median:
		b.Fault(b.DefRange(), "Nothing to compare with", `Write sister = "trough 2", one unit that gets the same water, or sisters = "median" for the median of all other units covered.`)
		return false
	case median:
		if _, good := b.Choice("sisters", []string{"median"}); !good || !ok {
			return false
		}
		return p.sisters(b, r)
	}
	name, good := b.Text("sister")
	if !good {
		return false
	}
	if _, found := p.site.Unit(name); !found {
		b.Add(hclread.Unknown(b.Rng("sister"), "unit", name, p.unitNames()))
		return false
	}
	if !ok {
		return false
	}
	pr, _ := p.site.Probe(r.Watches[0].Probe)
	sister, found := p.site.ProbeAt(name, pr.Quantity)
	if !found {
		b.Fault(b.Rng("sister"), "Sister without a probe", fmt.Sprintf("There is no %s probe at %s to compare with. Add one to the site file, or name another unit.", pr.Quantity, name))
		return false
	}
	r.Sister = sister.ID
	r.Watches = slices.DeleteFunc(r.Watches, func(w Watch) bool { return w.Unit == name })
	if len(r.Watches) == 0 {
		b.Fault(b.Rng("sister"), "Nothing to watch", fmt.Sprintf("%s is only compared with itself. Cover other units.", name))
		return false
	}
	return true
}

// sisters takes all units covered as each other's sisters.
func (p *parser) sisters(b *hclread.Block, r *Rule) bool {
	units := make(map[string]bool)
	for _, w := range r.Watches {
		units[w.Unit] = true
		r.Others = append(r.Others, w.Probe)
	}
	if len(units) < 3 {
		b.Fault(b.Rng("sisters"), "Too few sisters", `Of two units nobody can say which one departs. Cover at least three with such a probe, or write sister = "..." to name the one that is right.`)
		return false
	}
	return true
}

func (p *parser) waterBalance(b *hclread.Block, r *Rule) bool {
	r.OnDelay = defaultBalanceDelay
	ok := true
	share := func(attr string, low float64, fallback float64, example string) float64 {
		if !b.Has(attr) {
			return fallback
		}
		v, good := p.share(b, attr, low, 100, example)
		ok = ok && good
		return v
	}
	if !b.Need("allowed_loss", `"15%"`) {
		ok = false
	}
	r.Loss = share("allowed_loss", 0, 0, "15%")
	r.Gain = share("allowed_gain", 0, defaultGain, "5%")
	least := min(r.Loss, r.Gain)
	r.Deadband = share("deadband", 0, min(defaultShareDeadband, least/2), "2%")
	if ok && r.Deadband >= least {
		b.Fault(b.Rng("deadband"), "Deadband too wide", "With a deadband as large as what is allowed the alarm could never return. Write a smaller share.")
		ok = false
	}
	if !b.Need("source", `"spring"`) {
		return false
	}
	name, good := b.Text("source")
	if !good {
		return false
	}
	u, found := p.site.Unit(name)
	if !found {
		b.Add(hclread.Unknown(b.Rng("source"), "unit", name, p.unitNames()))
		return false
	}
	source, found := p.site.ProbeAt(u.Name, reading.Flow)
	if !found {
		b.Fault(b.Rng("source"), "Flow of the source not known", fmt.Sprintf("There is no flow probe at %s. Add one to the site file, or name another source.", name))
		return false
	}
	var fed []string
	for _, w := range r.Watches {
		if w.Unit == name || slices.Contains(fed, w.Unit) {
			continue // the source itself; a second meter on the same water
		}
		fed = append(fed, w.Unit)
		r.Others = append(r.Others, w.Probe)
	}
	if len(fed) == 0 {
		if len(r.Watches) > 0 {
			b.Fault(b.DefRange(), "Nothing to add up", fmt.Sprintf("Only %s itself is covered. Cover the units that it feeds.", name))
		}
		return false
	}
	for _, a := range fed {
		for _, above := range p.site.Upstream(a) {
			if above != name && slices.Contains(fed, above) {
				b.Fault(b.DefRange(), "Water counted twice", fmt.Sprintf("The water of %s comes through %s, and both are covered. Cover only one of them.", a, above))
				return false
			}
		}
	}
	r.Watches = []Watch{{Unit: name, Probe: source.ID}}
	return ok
}

var courseKinds = []blockKind{
	{alarm.FastChange, changeable(), (*parser).fastChange},
	{alarm.SlowDrift, changeable(), (*parser).slowDrift},
	{alarm.FromSister, changeable(), (*parser).fromSister},
	{alarm.WaterBalance, []reading.Quantity{reading.Flow}, (*parser).waterBalance},
}

// changeOf is the attribute whose unit says which quantity a rule of the kind is
// for.
var changeOf = map[alarm.Kind]string{alarm.FastChange: "change", alarm.SlowDrift: "change", alarm.FromSister: "departure"}
