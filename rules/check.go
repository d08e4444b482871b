package rules

import (
	"fmt"
	"math"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
	"weirkeeper/rules/tally"
	"weirkeeper/rules/water"
)

// verdict is what one look says.
type verdict uint8

const (
	unknown verdict = iota // cannot be judged: nothing changes
	good                   // inside the setpoint by the deadband
	between                // inside the setpoint, not by the deadband
	bad                    // beyond the setpoint
)

// check is one rule watching one thing: one alarm.
type check struct {
	rule  *lang.Rule
	watch lang.Watch
	name  alarm.Key

	state      alarm.State
	occurrence uint64
	since      time.Time // of the current occurrence
	judged     verdict   // newest that was not unknown
	badSince   time.Time // of the trouble waited on or standing; zero: none
	goodSince  time.Time // zero: not inside the setpoint by the deadband
	movedAt    time.Time // of the newest transition
	pastSince  time.Time // of trouble that late readings tell of; zero: none
	pastNoted  bool
	unsure     bool   // the newest look could not judge
	hid        string // Hidden of the newest transition
	unclean    bool   // it has outlasted a cleaning
	side       int8   // temperature_band, last beyond: -1 low, +1 high, 0 not yet

	probe  *probe        // judged; nil for chores and parts
	other  *probe        // the spring, or the temperature oxygen goes by
	spare  *probe        // the spring's temperature, when other is silent
	window *medianWindow // temperature_drift

	chore            *site.Chore
	lastDone         time.Time
	lastDue, nextDue time.Time // the newest hour by which it was due, and the next
	settled          time.Time // the newest due hour that is done
	knownChore       bool      // the record knows this chore

	chatter
	off bool // nothing is watched while its unit holds what it holds
	following

	det    detector // of the kinds that have one, see detectors
	notice *notice  // of a lot
	lot    string

	part    Part
	told    bool // the part has said something since the start
	healthy bool
	said    string
}

func (c *check) key() alarm.Key {
	if c.name == "" {
		c.name = c.rule.Key(c.watch)
	}
	return c.name
}

// priority is the rule's. What has outlasted cleaning is urgent: fish may lie dry.
func (c *check) priority() alarm.Priority {
	if c.unclean {
		return alarm.CallOut
	}
	return c.rule.Priority
}

func (c *check) unitName() string {
	if c.part != "" || c.notice != nil {
		return ""
	}
	return c.watch.Unit
}

// builtIn are the daemon's own alarms, which need no rules file.
var builtIn = []struct {
	part Part
	rule lang.Rule
}{
	{Broker, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "broker gone", Priority: alarm.CallOut, ReAlarm: lang.DefaultReAlarm, OnDelay: 2 * time.Minute,
		CanHappen: "No probe is heard. Anything may happen to the water and no alarm will tell of it.",
		ToDo:      "Go and look at the water. Then see to the broker, its network and its power.",
	}},
	{Record, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "record not written", Priority: alarm.CallOut, ReAlarm: lang.DefaultReAlarm, OnDelay: time.Minute,
		CanHappen: "Readings and alarms are not stored; after a power cut they would be lost.",
		ToDo:      "Look at the disk of the hatchery computer: is it full, or read-only?",
	}},
	{Clock, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "clock not steady", Priority: alarm.Morning,
		CanHappen: "Readings without a time of their own may stand at a wrong hour, and chores and the morning round come at the wrong one.",
		ToDo:      "See that the hatchery computer gets the time from the network, or has a clock battery.",
	}},
	{History, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "history damaged", Priority: alarm.Morning,
		CanHappen: "A month of old readings cannot be read, or could not be put away. Watching and call-outs go on.",
		ToDo:      "Copy the data folder before anything else, then look at the disk. A backup may have the month whole.",
	}},
	{Disk, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "disk filling up", Priority: alarm.Morning, OnDelay: time.Minute,
		CanHappen: "When the disk is full, readings and alarms are no longer stored. Call-outs go on.",
		ToDo:      "Delete what is not needed from the hatchery computer's disk, or fit a larger one.",
	}},
	{Rules, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "rules not read anew", Priority: alarm.Morning,
		CanHappen: "The rules that were changed are not watched; those read before go on.",
		ToDo:      "Run weirkeeper check, mend what it says, then weirkeeper reload.",
	}},
	{Service, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "units out of service", Priority: alarm.Morning, ReAlarm: remindAgain,
		CanHappen: "Nobody is called for anything there, whatever happens to its water.",
		ToDo:      "If a unit holds fish or eggs, or is in use again: weirkeeper service in --by YOUR-NAME UNIT.",
	}},
	{Flood, lang.Rule{
		Kind: alarm.DaemonHealth, Name: tally.FloodRule, Priority: alarm.Note,
		CanHappen: "Alarms come faster than anybody can take them in.",
		ToDo:      "Look for the one cause they share, nearest to the spring.",
	}},
	{Mail, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "mail not going out", Priority: alarm.Morning, OnDelay: 15 * time.Minute,
		CanHappen: "Call-outs reach nobody.",
		ToDo:      "Stay near the fish. See to the internet line and the mail server.",
	}},
	{Texts, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "text messages not going out", Priority: alarm.CallOut, ReAlarm: lang.DefaultReAlarm, OnDelay: 30 * time.Minute,
		CanHappen: "Nobody is woken by a text message. At night, with the internet down, call-outs reach nobody.",
		ToDo:      "Stay near the fish, or let somebody sleep there. See to the modem, its aerial, its SIM and its power.",
	}},
	{Person, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "somebody not reached", Priority: alarm.Morning, OnDelay: 15 * time.Minute,
		CanHappen: "That person is not called out that way.",
		ToDo:      "See whether the number or address in the site file is right, and the telephone in service. Then run weirkeeper drill.",
	}},
	{Hooks, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "hook not answering", Priority: alarm.Morning, OnDelay: 15 * time.Minute,
		CanHappen: "Who is only reached that way is not called out.",
		ToDo:      "See to the internet line and the service behind the hook.",
	}},
	{Quota, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "limit of text messages reached", Priority: alarm.Morning,
		CanHappen: "Further text messages wait until the hour has room again. Other ways go on.",
		ToDo:      "Look at what calls so often: weirkeeper calls and weirkeeper rules tell. Raise per_hour if it is too low.",
	}},
	{Horn, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "horn not answering", Priority: alarm.Morning, OnDelay: time.Minute,
		CanHappen: "A call-out is not heard in the house.",
		ToDo:      "Sound it by hand. See to its power, its fuse and its network; mains work is for a licensed electrician.",
	}},
	{Outside, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "outside watcher not reached", Priority: alarm.Morning, OnDelay: 30 * time.Minute,
		CanHappen: "If this computer dies nobody is told, or somebody is told that it has died while it lives.",
		ToDo:      "See to the internet line and to the outside watcher.",
	}},
	{Peer, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "other watcher silent", Priority: alarm.CallOut, ReAlarm: lang.DefaultReAlarm,
		CanHappen: "Nobody watches the water there.",
		ToDo:      "Go and look at the water there. Then see to that computer, its network and its power.",
	}},
	{Drill, lang.Rule{
		Kind: alarm.DaemonHealth, Name: "drill missed", Priority: alarm.Morning,
		CanHappen: "A real call-out may reach nobody, as the drill did.",
		ToDo:      "Find out why nobody answered: telephone silent, number wrong, no network? Then run weirkeeper drill.",
	}},
}

// verdict judges the newest reading of the check's probe.
func (c *check) verdict(e *Engine, now time.Time) verdict {
	if c.off {
		return good
	}
	v := c.probe.last.Value
	switch c.rule.Kind {
	case alarm.LowFlow:
		return c.floor(v, c.watch.Setpoint)
	case alarm.LowOxygen:
		o, ok := c.oxygen(e, now)
		if !ok {
			return unknown
		}
		return c.floor(o, c.watch.Setpoint)
	case alarm.TemperatureBand:
		low, high := good, good
		if c.rule.HasLow {
			low = c.floor(v, float64(c.rule.Low))
		}
		if c.rule.HasHigh {
			high = c.floor(-v, -float64(c.rule.High))
		}
		switch {
		case low == bad:
			c.side = -1
		case high == bad:
			c.side = +1
		}
		return max(low, high)
	case alarm.TemperatureDrift:
		m, ok := c.window.median()
		if !ok {
			return unknown
		}
		return c.floor(-math.Abs(v-m), -float64(c.rule.Departure))
	case alarm.FromSpring:
		if c.other == nil || !c.other.fresh(now) {
			return unknown
		}
		return c.floor(-math.Abs(v-c.other.last.Value), -float64(c.rule.Departure))
	case alarm.SilentProbe:
		return c.silence(e, now)
	case alarm.Contact:
		if v == c.rule.AlarmWhen {
			return bad
		}
		return good
	case alarm.MissedChore, alarm.DaemonHealth, alarm.LotDue, alarm.CommonCause:
	default: // see detectors
	}
	if c.det != nil {
		return c.det.look(e, now)
	}
	return unknown
}

// pastVerdict judges a value by itself, for the kinds that can, and words it.
func (c *check) pastVerdict(e *Engine, v float64) (_ verdict, trouble, detail string) {
	unit := measure.Capital(c.watch.Unit)
	u := e.site.Show.Temperature
	switch {
	case c.rule.Kind == alarm.LowFlow:
		return c.floor(v, c.watch.Setpoint), unit + ": low flow", c.against(e, v, c.watch.Setpoint)
	case c.rule.Kind == alarm.LowOxygen && (c.probe.def.Quantity == reading.Saturation) == c.rule.InSaturation:
		return c.floor(v, c.watch.Setpoint), unit + ": low oxygen", c.against(e, v, c.watch.Setpoint)
	case c.rule.Kind == alarm.TemperatureBand && c.rule.HasHigh && c.floor(-v, -float64(c.rule.High)) == bad:
		return bad, unit + tooWarm, u.Format(v) + ", limit " + u.Format(float64(c.rule.High))
	case c.rule.Kind == alarm.TemperatureBand && c.rule.HasLow && c.floor(v, float64(c.rule.Low)) == bad:
		return bad, unit + tooCold, u.Format(v) + ", limit " + u.Format(float64(c.rule.Low))
	case c.rule.Kind == alarm.TemperatureBand:
		return good, "", ""
	}
	if p, ok := c.det.(pastJudge); ok {
		return p.past(e, v)
	}
	return unknown, "", ""
}

// floor judges a value that must not fall below a setpoint.
func (c *check) floor(v, setpoint float64) verdict {
	switch {
	case v < setpoint:
		return bad
	case v < setpoint+c.rule.Deadband:
		return between
	}
	return good
}

// oxygen is the newest oxygen in what the rule is set in: mg/L or percent. It
// is not ok when a conversion is needed and the temperature is not known.
func (c *check) oxygen(e *Engine, now time.Time) (float64, bool) {
	v := c.probe.last.Value
	isPercent := c.probe.def.Quantity == reading.Saturation
	if isPercent == c.rule.InSaturation {
		return v, true
	}
	return c.convertOxygen(e, now, v, isPercent)
}

func (c *check) convertOxygen(e *Engine, now time.Time, v float64, isPercent bool) (float64, bool) {
	at := c.temperature(now)
	if at == nil {
		return 0, false
	}
	t := measure.TempC(at.last.Value)
	if isPercent {
		o, err := water.FromPercent(measure.Percent(v), t, e.site.PressureHPa)
		return float64(o), err == nil
	}
	s, err := water.PercentSaturation(measure.OxygenMgL(v), t, e.site.PressureHPa)
	return float64(s), err == nil
}

// temperature is the probe whose temperature oxygen goes by: the unit's own,
// the spring's when that is silent, and if need be what one of them said last,
// for a few degC make a few percent of oxygen and blindness kills. nil when none
// was ever heard.
func (c *check) temperature(now time.Time) *probe {
	for _, p := range []*probe{c.other, c.spare} {
		if p != nil && p.fresh(now) {
			return p
		}
	}
	for _, believed := range []bool{true, false} {
		for _, p := range []*probe{c.other, c.spare} {
			if p != nil && p.heard && (p.suspicion() == nil) == believed {
				return p
			}
		}
	}
	return nil
}

// silence judges how long ago the probe last said something usable. Before the
// daemon started nothing could be heard.
func (c *check) silence(e *Engine, now time.Time) verdict {
	if now.Sub(c.heardAt(e)) > c.watch.After {
		return bad
	}
	return good
}

func (c *check) heardAt(e *Engine) time.Time {
	if c.probe.heard && c.probe.lastAt.After(e.started) {
		return c.probe.lastAt
	}
	return e.started
}

// quietSince is when the probe was last heard as far as is known, for words.
func (c *check) quietSince(e *Engine) time.Time {
	switch {
	case c.probe.heard:
		return c.probe.lastAt
	case c.state.Active():
		return c.since // it stood before the start, or nothing was heard since
	}
	return e.started
}

func (c *check) health(e *Engine, now time.Time) verdict {
	switch {
	case c.part == Service && len(e.outUnits()) > 0:
		return bad
	case c.part == Service:
		return good
	case c.part == Flood:
		return e.flood(now, c)
	case !c.told:
		return unknown
	case c.healthy:
		return good
	}
	return bad
}

// missed judges a chore: bad when an hour by which it was due has passed and
// nobody did it for that hour.
func (c *check) missed(e *Engine, now time.Time) verdict {
	if now.Before(c.lastDue) || !now.Before(c.nextDue) {
		c.lastDue, c.nextDue = c.chore.Dues(now, e.site.Location)
	}
	if c.settled.After(c.nextDue) {
		c.settled = c.lastDue // the clock was set back since
	}
	since := e.watchingSince
	if !c.knownChore && e.started.After(since) {
		since = e.started // new in the files: what was due before is nobody's fault
	}
	if !c.lastDue.After(since) || !c.settled.Before(c.lastDue) || !e.toBeDone(c, now) {
		return good
	}
	return bad
}

// doneAgain is how soon after the last time a chore counts as the same one told
// twice.
const doneAgain = 10 * time.Minute

// done takes the chore as done at a time: for the hour that was missed, else
// for the next one.
func (c *check) done(e *Engine, at time.Time) {
	if !at.After(c.lastDone) || (!c.lastDone.IsZero() && at.Sub(c.lastDone) < doneAgain) {
		return
	}
	late := c.missed(e, at) == bad
	c.lastDone = at
	if c.settled = c.nextDue; late {
		c.settled = c.lastDue
	}
}

// words gives the alarm's trouble and detail in the keeper's units. active
// false words the return: the value that is right again.
func (c *check) words(e *Engine, now time.Time, active bool) (trouble, detail string) {
	trouble, detail = c.valueWords(e, now, active)
	if active && c.chatters {
		trouble, detail = c.chatterWords(trouble, detail)
	}
	if active && c.unclean {
		trouble = afterCleaning(trouble)
	}
	if c.off && !active {
		return trouble, "not watched with what the unit holds now, or at this hour"
	}
	if c.probe != nil && !c.probe.heard && c.rule.Kind != alarm.SilentProbe && c.rule.Kind != alarm.ImpossibleValue && !wordsUnknown(c.rule) {
		detail = "no reading since the start" // an alarm that stood before it
	}
	if active {
		detail += c.doubtWords(e, now)
	}
	return trouble, detail
}

func (c *check) valueWords(e *Engine, now time.Time, active bool) (trouble, detail string) {
	unit := measure.Capital(c.watch.Unit)
	switch c.rule.Kind {
	case alarm.LowFlow:
		return unit + ": low flow", c.against(e, c.probe.last.Value, c.watch.Setpoint)
	case alarm.LowOxygen:
		return unit + ": low oxygen", c.oxygenWords(e, now)
	case alarm.TemperatureBand:
		v := c.probe.last.Value
		u := e.site.Show.Temperature
		if c.side > 0 || (c.side == 0 && c.rule.HasHigh && (!c.rule.HasLow || v > float64(c.rule.Low+c.rule.High)/2)) {
			return unit + tooWarm, u.Format(v) + ", limit " + u.Format(float64(c.rule.High))
		}
		return unit + tooCold, u.Format(v) + ", limit " + u.Format(float64(c.rule.Low))
	case alarm.TemperatureDrift:
		m, ok := c.window.median()
		if !active {
			return unit + ": temperature has moved", "now " + e.show(reading.Temperature, c.probe.last.Value) + "; its own median has followed, or it came back"
		}
		if !ok {
			return unit + ": temperature has moved", e.show(reading.Temperature, c.probe.last.Value) + ", its own median is not known"
		}
		return unit + ": temperature has moved", c.apart(e, m, "its own median over "+measure.FormatDuration(c.rule.Window))
	case alarm.FromSpring:
		if c.other == nil || !c.other.heard {
			return unit + ": temperature away from the spring", ""
		}
		return unit + ": temperature away from the spring", c.apart(e, c.other.last.Value, "the spring")
	case alarm.SilentProbe:
		trouble = c.placed(c.probe.def.Quantity.String() + " probe silent")
		if c.probe.def.Quantity == reading.Contact {
			trouble = c.placed("contact " + string(c.probe.def.ID) + " silent")
		}
		if !active {
			return trouble, "heard again: " + e.show(c.probe.def.Quantity, c.probe.last.Value)
		}
		detail = fmt.Sprintf("nothing usable for %s, expected every %s", measure.FormatDuration(now.Sub(c.quietSince(e))), measure.FormatDuration(c.probe.def.Every))
		if a := c.probe.any; c.probe.anyTime.After(c.heardAt(e)) {
			switch {
			case a.Flags.Has(reading.OutOfRange):
				detail += "; it says " + e.show(c.probe.def.Quantity, a.Value) + ", which cannot be"
			case a.Flags.Has(reading.Late) && a.ArrivedAt.Sub(a.At) > c.probe.def.Every:
				detail += "; it sends, but what it sends is " + measure.FormatDuration(a.ArrivedAt.Sub(a.At)) + " old: is its clock right?"
			}
		}
		return trouble, detail
	case alarm.MissedChore:
		trouble = c.rule.Chore + " not done"
		if unit != "" {
			trouble = unit + ": " + trouble
		}
		trouble = measure.Capital(trouble)
		if !active && !e.toBeDone(c, now) {
			return trouble, "nothing lies there now"
		}
		if !active {
			return trouble, "done at " + c.lastDone.In(e.site.Location).Format("15:04")
		}
		c.missed(e, now) // the hour is not known before the first tick
		return trouble, "due by " + c.lastDue.In(e.site.Location).Format("15:04")
	case alarm.Contact:
		return c.placed(c.rule.Means), "contact " + string(c.probe.def.ID) + " is " + e.show(reading.Contact, c.probe.last.Value)
	case alarm.DaemonHealth:
		switch c.part {
		case Service:
			return e.serviceWords(now)
		case Flood:
			return floodWords(active)
		default:
		}
		return "weirkeeper: " + c.rule.Name, c.said
	case alarm.CommonCause:
		return c.commonWords(now)
	case alarm.LotDue:
		return c.noticeWords(e, now, active)
	default: // see detectors
	}
	if c.det != nil {
		return c.det.words(e, now, active)
	}
	return unit, ""
}

// placed words a trouble with its unit first, where it has one.
func (c *check) placed(trouble string) string {
	if c.watch.Unit == "" {
		return measure.Capital(trouble)
	}
	return measure.Capital(c.watch.Unit) + ": " + trouble
}

// What temperature_band says; Rebuild reads the side from it.
const (
	tooWarm = ": water too warm"
	tooCold = ": water too cold"
)

func (e *Engine) show(q reading.Quantity, base float64) string {
	return e.site.Format(q, base)
}

// against words a value against its setpoint.
func (c *check) against(e *Engine, v, setpoint float64) string {
	q := c.probe.def.Quantity
	u := e.site.ShowUnit(q)
	return beside(u, v, setpoint) + ", setpoint " + u.Format(setpoint)
}

// beside words a value so that it does not look like the setpoint next to it.
func beside(u measure.Unit, v, setpoint float64) string {
	s := u.Format(v)
	if v != setpoint && s == u.Format(setpoint) {
		side := "just under "
		if v > setpoint {
			side = "just over "
		}
		return side + s
	}
	return s
}

// apart words a temperature against another one.
func (c *check) apart(e *Engine, from float64, what string) string {
	u := e.site.Show.Temperature
	v := c.probe.last.Value
	side := "above"
	if v < from {
		side = "below"
	}
	return fmt.Sprintf("%s, %s %s %s (%s), limit %s", u.Format(v), u.FormatDelta(math.Abs(v-from)), side, what, u.Format(from), u.FormatDelta(float64(c.rule.Departure)))
}

func (c *check) oxygenWords(e *Engine, now time.Time) string {
	v, isPercent := c.probe.last.Value, c.probe.def.Quantity == reading.Saturation
	setUnit := e.site.Show.Oxygen
	if c.rule.InSaturation {
		setUnit = measure.PercentSat
	}
	s := e.show(c.probe.def.Quantity, v)
	if isPercent == c.rule.InSaturation {
		s = beside(setUnit, v, c.watch.Setpoint)
	}
	if o, ok := c.convertOxygen(e, now, v, isPercent); ok {
		other := measure.PercentSat
		if isPercent {
			other = e.site.Show.Oxygen
		}
		s += " (" + other.Format(o) + ")"
	}
	return s + ", setpoint " + setUnit.Format(c.watch.Setpoint)
}
