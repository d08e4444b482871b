package page

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
	"weirkeeper/rules/tally"
)

// shownRule is a rule as the page shows it.
type shownRule struct {
	Kind, Name, At    string
	KindKey, Priority string // keys
	CanHappen, ToDo   string
	Facts             []ruleFact
	Where             []ruleWhere
	Whiles            []shownWhile
	// Unit and Setpoint are of the number that a what-if changes, "" where there is
	// no one such number.
	Unit, Setpoint  string
	Did             *tally.Rule // nil: nothing in the time
	Answered, Worst string
}

// ruleFact is one thing that a rule says: a key of the catalogue, and its value, or
// the key of its value.
type ruleFact struct{ Key, Value, ValueKey string }

// ruleWhere is one thing that it watches.
type ruleWhere struct{ Unit, Probe, Setpoint string }

// shownWhile is a while-clause.
type shownWhile struct {
	Holding  []string // keys
	From, To string   // "22:00", both "" for all day
	Off      bool
	At       string
	Facts    []ruleFact
	Where    []ruleWhere
}

func (p *Rules) shown(r *lang.Rule) shownRule {
	s := shownRule{
		Kind: string(r.Kind), Name: r.Name, At: r.At, KindKey: "rules." + "kind-" + string(r.Kind), Priority: "rules." + "priority-" + r.Priority.String(),
		CanHappen: r.CanHappen, ToDo: r.ToDo,
	}
	s.Facts, s.Where = p.facts(r)
	late := func(key string, d time.Duration, none string) {
		f := ruleFact{Key: key, ValueKey: none}
		if d > 0 {
			f = ruleFact{Key: key, Value: measure.FormatDuration(d)}
		}
		s.Facts = append(s.Facts, f)
	}
	late("rules.ondelay", r.OnDelay, "rules.atonce")
	late("rules.offdelay", r.OffDelay, "rules.atonce")
	if r.Priority == alarm.CallOut {
		late("rules.realarm", r.ReAlarm, "rules.notagain")
	}
	if r.Latch {
		s.Facts = append(s.Facts, ruleFact{Key: "rules.latch", ValueKey: "rules.yes"})
	}
	for i := range r.Whiles {
		x := &r.Whiles[i]
		w := shownWhile{Off: x.Off}
		for _, c := range x.Holding {
			w.Holding = append(w.Holding, "rules."+"content-"+strings.ReplaceAll(string(c), " ", "-"))
		}
		if x.From != x.To {
			w.From, w.To = fmt.Sprintf("%02d:%02d", x.From/60, x.From%60), fmt.Sprintf("%02d:%02d", x.To/60, x.To%60)
		}
		if x.Rule != nil {
			w.At = x.Rule.At
			w.Facts, w.Where = p.facts(x.Rule)
		}
		s.Whiles = append(s.Whiles, w)
	}
	if d, ok := p.dial(r); ok {
		s.Unit, s.Setpoint = d.unit.String(), d.format(d.value)
	}
	return s
}

// facts are the numbers that a rule judges by, and what it watches.
func (p *Rules) facts(r *lang.Rule) (facts []ruleFact, where []ruleWhere) {
	put := func(key, value string) { facts = append(facts, ruleFact{Key: key, Value: value}) }
	unit, length := p.unitOf(r), measure.FormatDuration
	setpoint := func(w lang.Watch) string {
		switch r.Kind { //nolint:exhaustive // the others have none for each watch
		case alarm.LowFlow, alarm.HighFlow, alarm.LowOxygen, alarm.HighOxygen:
			return unit.Format(w.Setpoint)
		case alarm.JumpingProbe:
			return p.delta(w.Probe, w.Setpoint)
		case alarm.SilentProbe, alarm.StuckProbe:
			return length(w.After)
		}
		return ""
	}
	same := len(r.Watches) > 0
	for _, w := range r.Watches {
		same = same && setpoint(w) == setpoint(r.Watches[0])
	}
	for _, w := range r.Watches {
		x := ruleWhere{Unit: w.Unit, Probe: string(w.Probe)}
		if !same {
			x.Setpoint = setpoint(w)
		}
		where = append(where, x)
	}
	one := "" // the setpoint of all
	if same {
		one = setpoint(r.Watches[0])
	}
	var first reading.ProbeID
	if len(r.Watches) > 0 {
		first = r.Watches[0].Probe
	}
	named := func(key, value string) {
		if value == "" {
			facts = append(facts, ruleFact{Key: key, ValueKey: "rules.seewhere"})
			return
		}
		put(key, value)
	}
	percent := func(share float64) string { return strconv.FormatFloat(100*share, 'g', 4, 64) + "%" }
	switch r.Kind {
	case alarm.LowFlow, alarm.LowOxygen:
		named("rules.least", one)
	case alarm.HighFlow, alarm.HighOxygen:
		named("rules.most", one)
	case alarm.TemperatureBand:
		if r.HasLow {
			put("rules.least", unit.Format(float64(r.Low)))
		}
		if r.HasHigh {
			put("rules.most", unit.Format(float64(r.High)))
		}
	case alarm.TemperatureDrift:
		put("rules.frommedian", unit.FormatDelta(float64(r.Departure)))
		put("rules.window", length(r.Window))
	case alarm.FromSpring:
		put("rules.fromspring", unit.FormatDelta(float64(r.Departure)))
	case alarm.FastChange:
		put("rules.change", p.delta(first, r.Change))
		put("rules.within", length(r.Within))
	case alarm.SlowDrift:
		put("rules.change", p.delta(first, r.Change))
		put("rules.within", length(r.Per))
		put("rules.window", length(r.Over))
	case alarm.FromSister:
		put("rules.apart", p.delta(first, r.Change))
		if r.Sister != "" {
			put("rules.sister", string(r.Sister))
		}
	case alarm.WaterBalance:
		put("rules.loss", percent(r.Loss))
		put("rules.gain", percent(r.Gain))
	case alarm.SilentProbe:
		named("rules.silent", one)
	case alarm.StuckProbe:
		named("rules.stuck", one)
	case alarm.JumpingProbe:
		named("rules.jump", one)
		put("rules.times", strconv.Itoa(r.Times))
	case alarm.ProbeInAir:
		put("rules.margin", strconv.FormatFloat(float64(r.Margin), 'g', 4, 64)+"%")
	case alarm.Contact:
		put("rules.contact", reading.ContactWord(r.AlarmWhen))
		put("rules.means", r.Means)
	case alarm.MissedChore:
		put("rules.chore", r.Chore)
	case alarm.Condition:
		if r.Says != "" {
			put("rules.means", r.Says)
		}
	case alarm.ImpossibleValue, alarm.CommonCause, alarm.LotDue, alarm.DaemonHealth:
	}
	if r.Deadband > 0 {
		switch {
		case r.Kind == alarm.WaterBalance:
			put("rules.deadband", percent(r.Deadband))
		case !unit.IsZero():
			put("rules.deadband", unit.FormatDelta(r.Deadband))
		default:
			put("rules.deadband", p.delta(first, r.Deadband))
		}
	}
	return facts, where
}

// unitOf is the unit in which a kind of rule judges, zero where its probes have
// that of their own.
func (p *Rules) unitOf(r *lang.Rule) measure.Unit {
	switch r.Kind { //nolint:exhaustive // the others have that of their probes
	case alarm.LowFlow, alarm.HighFlow:
		return p.site.ShowUnit(reading.Flow)
	case alarm.LowOxygen, alarm.HighOxygen:
		if r.InSaturation {
			return p.site.ShowUnit(reading.Saturation)
		}
		return p.site.ShowUnit(reading.Oxygen)
	case alarm.TemperatureBand, alarm.TemperatureDrift, alarm.FromSpring:
		return p.site.ShowUnit(reading.Temperature)
	}
	return measure.Unit{}
}

// delta words a difference of a probe's readings.
func (p *Rules) delta(id reading.ProbeID, base float64) string {
	pr, ok := p.site.Probe(id)
	if !ok || p.site.ShowUnit(pr.Quantity).IsZero() {
		return strconv.FormatFloat(base, 'g', 4, 64)
	}
	return p.site.ShowUnit(pr.Quantity).FormatDelta(base)
}

// dial is the one number of a rule that a what-if changes.
type dial struct {
	unit     measure.Unit
	distance bool
	value    float64 // base unit
	set      func(*lang.Rule, float64)
}

// dial finds it; false for a rule that has none, or several.
func (p *Rules) dial(r *lang.Rule) (d dial, ok bool) {
	d.unit = p.unitOf(r)
	switch k := r.Kind; {
	case k == alarm.LowFlow, k == alarm.HighFlow, k == alarm.LowOxygen, k == alarm.HighOxygen:
		d.value = r.Watches[0].Setpoint
		d.set = func(r *lang.Rule, v float64) {
			r.Watches = slices.Clone(r.Watches)
			for i := range r.Watches {
				r.Watches[i].Setpoint = v
			}
		}
		return d, !slices.ContainsFunc(r.Watches, func(w lang.Watch) bool { return w.Setpoint != d.value })
	case k == alarm.TemperatureBand && r.HasLow && !r.HasHigh:
		d.value, d.set = float64(r.Low), func(r *lang.Rule, v float64) { r.Low = measure.TempC(v) }
		return d, true
	case k == alarm.TemperatureBand && r.HasHigh && !r.HasLow:
		d.value, d.set = float64(r.High), func(r *lang.Rule, v float64) { r.High = measure.TempC(v) }
		return d, true
	case byDistance(k):
		d.distance, d.value = true, float64(r.Departure)
		d.set = func(r *lang.Rule, v float64) { r.Departure = measure.TempC(v) }
		return d, true
	}
	return d, false
}

func (d dial) format(v float64) string {
	if d.distance {
		return d.unit.FormatDelta(v)
	}
	return d.unit.Format(v)
}

// read reads what was typed, in the unit beside the field, into the base unit;
// fault is the key of what is wrong with it. A value that no probe of the rule
// can plausibly read would make an alarm that never comes or never goes.
func (d dial) read(s string, r *lang.Rule, at *site.Site) (v float64, fault string) {
	s = strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(s), d.unit.String()))
	v, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
	switch {
	case err != nil, math.IsNaN(v), math.IsInf(v, 0):
		return 0, "rules.badnumber"
	case d.distance:
		if v = d.unit.DeltaToBase(v); v <= r.Deadband || v > 30 {
			return 0, "rules.outofreach"
		}
		return v, ""
	}
	v = d.unit.ToBase(v)
	low, high := v, v+r.Deadband // for a least value
	if r.Kind == alarm.HighFlow || r.Kind == alarm.HighOxygen || r.HasHigh {
		low, high = v-r.Deadband, v
	}
	if r.Kind != alarm.TemperatureBand && v <= 0 {
		return 0, "rules.outofreach"
	}
	for _, w := range r.Watches {
		pr, ok := at.Probe(w.Probe)
		if !ok || at.ShowUnit(pr.Quantity).Dimension() != d.unit.Dimension() {
			continue // judged by what is reckoned from it
		}
		if low < pr.Low || high > pr.High {
			return 0, "rules.outofreach"
		}
	}
	if r.InSaturation && v > 300 {
		return 0, "rules.outofreach"
	}
	return v, ""
}
