package rules

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
)

// One cause makes one call-out. An alarm of a unit's water follows from the
// alarm nearest upstream that explains it, by Site.Upstream; the alarm's
// transitions carry that one's key as their Cause, and notify tells of the cause
// and lists what follows. Nothing of this keeps an alarm from being judged and
// journalled.

// Times of cause and effect: common practice, no source.
const (
	// together is how far apart the beginnings of troubles with one cause lie at
	// most, by their Since; a cause may begin that much later than what follows
	// from it, and by its probe's interval.
	together = 10 * time.Minute
	// afterCause is how long an alarm may outlast its cause before it is a
	// trouble of its own: the water has to come down.
	afterCause = 5 * time.Minute
	// answerCovers is how long the answer to a cause answers for what follows
	// from it later: whoever went out sees it.
	answerCovers = 30 * time.Minute
	// commonLeast is how many units make a common cause; they are also at least
	// half of those whose probes are heard.
	commonLeast = 3
)

// effect is what an alarm says of the water, as far as it explains others.
type effect uint8

const (
	noEffect effect = iota
	ofFlow
	ofOxygen
	ofTemperature
	ofWater // follows from too little flow, and explains nothing
	effects
)

// effectOf sorts a check. Alarms of probes, chores and the daemon have none, nor
// those that compare with sister units or that took days.
func effectOf(c *check) effect {
	switch c.rule.Kind {
	case alarm.LowFlow:
		return ofFlow
	case alarm.LowOxygen:
		return ofOxygen
	case alarm.TemperatureDrift, alarm.FromSpring, alarm.TemperatureBand:
		return ofTemperature
	case alarm.FastChange:
		switch c.probe.def.Quantity {
		case reading.Flow:
			return ofFlow
		case reading.Oxygen, reading.Saturation:
			return ofOxygen
		case reading.Temperature:
			return ofTemperature
		default:
		}
	case alarm.Condition:
		if d, ok := c.det.(*condition); ok && d.water {
			return ofWater
		}
	case alarm.WaterBalance:
		return ofWater // a shut valve of one unit puts it out: it does not explain that unit
	default:
	}
	return noEffect
}

// explains reports whether trouble of one effect upstream makes trouble of
// another below, and whether so surely that the one that is waited on is taken
// as true for the other. Too little water brings too little oxygen; standing
// water also takes on the warmth around it, but later and for other reasons too.
func (a effect) explains(b effect) (ok, sure bool) {
	switch {
	case a == noEffect || a == ofWater:
		return false, false
	case a == b, a == ofFlow && b == ofOxygen:
		return true, true
	case a == ofFlow && (b == ofTemperature || b == ofWater):
		return true, false
	}
	return false, false
}

// place is a unit and what lies above it.
type place struct {
	up     *place
	unit   string
	checks []*check         // of the unit, those with an effect
	common [effects]*common // alarms for what the units below share
}

// below reports whether w lies downstream of a.
func (w *place) below(a *place) bool {
	for n := w.up; n != nil; n = n.up {
		if n == a {
			return true
		}
	}
	return false
}

// common is the built-in alarm of a unit below which many are in trouble while
// no alarm says why.
type common struct {
	check  *check
	effect effect
	units  []commonUnit
}

type commonUnit struct {
	branch int // which unit fed directly by the common's it lies in
	checks []*check
}

var commonWords = [effects]struct{ name, are, canHappen, toDo string }{
	ofFlow: {
		"low flow", "low on flow", "What feeds them all fails. They run dry one after the other, and stocked ones run short of oxygen within the hour.",
		"Take somebody along. Go to %s and what feeds it first, not to the units: look for a blocked screen, a shut valve or a burst pipe.",
	},
	ofOxygen: {
		"low oxygen", "low on oxygen", "The water comes down with too little oxygen for all of them at once.",
		"Look at the fish, and stop feeding. Then look at what airs the water at %s or above, with dry hands.",
	},
	ofTemperature: {
		"temperature", "off in temperature", "The water comes down too warm or too cold for all of them at once. Eggs take a fast change badly.",
		"Compare with the hand thermometer at %s. After rain or melt, look whether surface water runs into the spring.",
	},
}

// connect sorts the checks by unit and makes the alarms of common causes.
func (e *Engine) connect() {
	e.waters = make(map[string]*place, len(e.site.Units))
	for i := range e.site.Units {
		name := e.site.Units[i].Name
		e.waters[name] = &place{unit: name}
	}
	for i := range e.site.Units {
		name := e.site.Units[i].Name
		w, up := e.waters[name], e.waters[e.site.Feeder(name)]
		if up != nil && up != w && !up.below(w) { // a ring is cut: see config
			w.up = up
		}
	}
	for _, c := range e.checks {
		if c.effect = effectOf(c); c.effect != noEffect {
			if c.place = e.waters[c.watch.Unit]; c.place != nil {
				c.place.checks = append(c.place.checks, c)
			}
		}
	}
	for i := range e.site.Units {
		for of := range commonWords {
			if commonWords[of].name != "" {
				e.addCommon(e.waters[e.site.Units[i].Name], effect(of))
			}
		}
	}
}

func (e *Engine) addCommon(at *place, of effect) {
	g := &common{effect: of}
	branches := make(map[*place]int)
	for i := range e.site.Units {
		w := e.waters[e.site.Units[i].Name]
		if !w.below(at) {
			continue
		}
		u := commonUnit{}
		for _, c := range w.checks {
			if c.effect == of && c.rule.Priority > alarm.Note {
				u.checks = append(u.checks, c)
			}
		}
		if len(u.checks) == 0 {
			continue
		}
		branch := w
		for branch.up != at {
			branch = branch.up
		}
		if _, ok := branches[branch]; !ok {
			branches[branch] = len(branches)
		}
		u.branch = branches[branch]
		g.units = append(g.units, u)
	}
	if len(g.units) < commonLeast || len(branches) < 2 {
		return
	}
	words := commonWords[of]
	rule := &lang.Rule{Kind: alarm.CommonCause, Name: words.name, CanHappen: words.canHappen, ToDo: fmt.Sprintf(words.toDo, e.the(at.unit))}
	g.check = &check{rule: rule, watch: lang.Watch{Unit: at.unit}, following: following{effect: of, place: at, common: g}}
	at.common[of] = g
	e.checks = append(e.checks, g.check)
	for _, u := range g.units {
		for _, c := range u.checks {
			if !slices.Contains(c.probe.common, g) {
				c.probe.common = append(c.probe.common, g)
			}
		}
	}
}

// the names a unit in the middle of a sentence.
func (e *Engine) the(unit string) string {
	if u, ok := e.site.Unit(unit); ok && u.Name == string(u.Kind) {
		return "the " + unit
	}
	return unit
}

// following is what a check knows of causes.
type following struct {
	effect   effect    // of the water
	place    *place    // the unit; nil without an effect
	common   *common   // of common_cause
	cause    alarm.Key // what the current occurrence follows from, or ""
	causedBy *check    // that one; nil also when nothing watches it any more
	by       string    // who acknowledged
	endedAt  time.Time // of the newest end of an occurrence
	aside    string    // said with the next transition
}

// pending reports trouble that is waited on: beyond the setpoint, not yet for
// the on-delay.
func (c *check) pending() bool {
	return !c.state.Active() && !c.badSince.IsZero() && c.judged == bad && !c.unsure
}

// began is when the trouble that stands or is waited on was first seen.
func (c *check) began() time.Time {
	if c.state.Active() {
		return c.since
	}
	return c.badSince
}

// causes reports whether c can follow from up as things are: its trouble is
// there, or nearly, and did not begin much later.
func (e *Engine) causes(now time.Time, up, c *check) bool {
	ok, sure := up.effect.explains(c.effect)
	if why, _ := e.hidden(up, now); !ok || why != "" || up.chatters || up.common != nil && up.place == c.place {
		return false
	}
	if !up.state.Active() {
		// Two probes that know nothing of each other agree.
		apart := up.probe != c.probe && (c.other == nil || up.probe != c.other)
		if !sure || !apart || !up.pending() {
			return false
		}
	}
	late := together
	if up.probe != nil {
		late += up.probe.def.Every
	}
	return !c.began().Before(up.began().Add(-late))
}

// sharesPlace reports whether c also follows from other alarms of its own unit:
// what the units below share, and whether they get what it gives.
func (c *check) sharesPlace() bool { return c.common != nil || c.rule.Kind == alarm.WaterBalance }

// source finds what an alarm follows from: the nearest alarm upstream that asks
// for at least as much, else the nearest; at one unit the most urgent. nil when
// there is none.
func (e *Engine) source(now time.Time, c *check) *check {
	var nearest *check
	look := func(best, up *check) *check {
		if !e.causes(now, up, c) || best != nil && best.priority() >= up.priority() {
			return best
		}
		return up
	}
	w := c.place
	if w != nil && !c.sharesPlace() {
		w = w.up
	}
	for ; w != nil; w = w.up {
		var best *check
		for _, up := range w.checks {
			best = look(best, up)
		}
		for _, g := range w.common {
			if g != nil {
				best = look(best, g.check)
			}
		}
		if best != nil && best.priority() >= c.priority() {
			return best
		}
		if nearest == nil {
			nearest = best
		}
	}
	return nearest
}

// raise starts an occurrence. What it follows from goes before it, raised now if
// it was waited on, and with what began before its cause was known it changes
// places. What is hidden or was left behind by cleaning proves nothing and
// follows from nothing.
func (e *Engine) raise(now time.Time, c *check) {
	c.cause, c.causedBy = "", nil
	c.occurrence++
	c.since = c.badSince
	if c.rule.Kind == alarm.SilentProbe {
		c.since = c.heardAt(e)
	}
	if b, ok := c.det.(beginner); ok && b.began().Before(c.since) {
		c.since = b.began()
	}
	c.unclean = e.outlastsCleaning(c, now)
	e.raised(now, c)
	var up *check
	if why, _ := e.hidden(c, now); why == "" && !c.unclean {
		up = e.source(now, c)
		if up == nil || up.priority() < c.priority() {
			if g := e.commonOf(now, c); g != nil {
				up = g
			}
		}
	}
	if up != nil && !up.state.Active() {
		e.raise(now, up)
	}
	if up != nil {
		c.cause, c.causedBy = up.key(), up
	}
	e.move(now, c, alarm.Unacknowledged, "")
	if c.part != Flood {
		e.judge(now, e.health[Flood], e.flood(now, e.health[Flood]), true)
	}
	e.takeOver(now, c)
	e.answered(now, c)
}

// answersFor reports whether the answer to an alarm is one to what follows from it:
// not to what asks for more, for whoever answered news for the morning need not
// have got up.
func (up *check) answersFor(c *check) bool { return c.priority() <= up.priority() }

// answered gives an alarm the answer to its cause, while that is new.
func (e *Engine) answered(now time.Time, c *check) {
	if up := c.causedBy; c.state == alarm.Unacknowledged && up != nil && up.state == alarm.Acknowledged && !up.chatters && up.answersFor(c) && now.Sub(up.movedAt) <= answerCovers {
		e.move(now, c, alarm.Acknowledged, up.by)
	}
}

// takeOver makes the unanswered alarms below follow from one that was just
// raised and explains them.
func (e *Engine) takeOver(now time.Time, up *check) {
	if up.effect == noEffect {
		return
	}
	for _, c := range e.checks {
		if c.state != alarm.Unacknowledged || c.causedBy != nil || c == up || c.place == nil || c.unclean {
			continue
		}
		if (c.place.below(up.place) || c.sharesPlace() && c.place == up.place) && e.causes(now, up, c) {
			c.cause, c.causedBy = up.key(), up
			e.move(now, c, alarm.Unacknowledged, "")
		}
	}
}

// outlive lets an alarm stand by itself once its cause has been over for a
// while, or is watched no more. Until then, and if something else upstream
// explains it, it goes on following.
func (e *Engine) outlive(now time.Time, c *check) {
	up := c.causedBy
	if c.cause == "" || !c.state.Active() || up != nil && up.state.Active() && up.hid == "" && !up.chatters || c.calm(now) {
		return
	}
	c.aside = " though its cause is watched no more"
	if up != nil {
		if next := e.source(now, c); next != nil && next.state.Active() {
			same := next == up // what hid it is over, and it waits for its probe
			c.cause, c.causedBy, c.aside = next.key(), next, ""
			if !same && c.state == alarm.Unacknowledged {
				e.move(now, c, alarm.Unacknowledged, "")
			}
			return
		}
		c.aside = " though " + e.the(up.watch.Unit) + " is right again"
		if up.common != nil {
			c.aside = " though most others are right again"
		}
		switch {
		case up.state.Active(): // hidden, or it chatters
			c.aside = " though nobody is called for " + e.the(up.watch.Unit)
			if up.hid == "" {
				c.aside = " though the alarm of " + e.the(up.watch.Unit) + " comes and goes"
			}
			if c.state == alarm.Acknowledged {
				c.aside = ""
				return
			}
		case now.Sub(up.endedAt) < afterCause:
			c.aside = ""
			return
		}
	}
	c.cause, c.causedBy = "", nil
	e.move(now, c, alarm.Unacknowledged, "")
	c.aside = ""
}

// stillThough words trouble that has lost its cause: "Trough 3: still low flow
// though the spring is right again".
func stillThough(trouble, aside string) string {
	if unit, what, ok := strings.Cut(trouble, ": "); ok {
		trouble = unit + ": still " + what
	}
	return trouble + aside
}

// answer makes the answer to a cause one to what follows from it.
func (e *Engine) answer(now time.Time, up *check, by string) {
	for _, c := range e.checks {
		if c.causedBy != up || !up.answersFor(c) {
			continue
		}
		switch c.state {
		case alarm.Unacknowledged:
			e.move(now, c, alarm.Acknowledged, by)
		case alarm.ReturnedUnacknowledged:
			e.move(now, c, alarm.Normal, by)
		case alarm.LatchedUnacknowledged:
			e.move(now, c, alarm.LatchedAcknowledged, by)
		case alarm.Normal, alarm.Acknowledged, alarm.LatchedAcknowledged:
			continue
		}
		e.answer(now, c, by)
	}
}

// commonOf finds the nearest unit upstream whose units are in trouble together
// with c, which is about to be raised; nil when there is none.
func (e *Engine) commonOf(now time.Time, c *check) *check {
	if c.place == nil || c.common != nil || c.rule.Priority <= alarm.Note {
		return nil
	}
	for w := c.place.up; w != nil; w = w.up {
		g := w.common[c.effect]
		if g == nil || g.check.state.Active() {
			continue
		}
		if why, _ := e.hidden(g.check, now); why != "" {
			continue // it would call nobody
		}
		low, heard, first := 0, 0, c.badSince
		branch, spread := -1, false
		priority := c.rule.Priority
		for _, u := range g.units {
			if u.heard(now) {
				heard++
			}
			in := false
			for _, m := range u.checks {
				at := m.began()
				why, _ := e.hidden(m, now)
				switch {
				case m == c:
				case why != "":
					continue
				case m.calm(now), !m.state.Active() && !m.pending(), at.Sub(c.badSince).Abs() > together:
					continue
				case m.state.Active():
					priority = max(priority, m.rule.Priority)
				}
				in = true
				if at.Before(first) {
					first = at
				}
			}
			if in {
				low++
				spread = spread || branch >= 0 && branch != u.branch
				branch = u.branch
			}
		}
		if low < commonLeast || 2*low < heard || !spread {
			continue
		}
		g.check.badSince, g.check.rule.Priority = first, priority
		return g.check
	}
	return nil
}

func (u *commonUnit) heard(now time.Time) bool {
	for _, c := range u.checks {
		if c.probe.fresh(now) && !c.off {
			return true
		}
	}
	return false
}

// count is how many of the units are in trouble, of those that are heard.
func (g *common) count(now time.Time) (low, heard int) {
	for i := range g.units {
		in := false
		for _, c := range g.units[i].checks {
			in = in || c.state.Active() && c.hid == "" && !c.calm(now) || c.pending()
		}
		if in {
			low++
		}
		if in || g.units[i].heard(now) {
			heard++
		}
	}
	return low, heard
}

// judgeCommon ends the alarm of a common cause when fewer than half of its units
// are in trouble. It is raised by raise.
func (e *Engine) judgeCommon(now time.Time, g *common) {
	if !g.check.state.Active() {
		return
	}
	v := bad
	if low, heard := g.count(now); 2*low < heard || low == 0 {
		v = good
	}
	e.judge(now, g.check, v, true)
}

func (c *check) commonWords(now time.Time) (trouble, detail string) {
	low, heard := c.common.count(now)
	return measure.Capital(c.watch.Unit) + ": units below it are " + commonWords[c.common.effect].are, fmt.Sprintf("%d of %d units", low, heard)
}

// follow restores what the standing alarms follow from.
func (e *Engine) follow(standing []alarm.Transition) {
	byKey := make(map[alarm.Key]*check, len(e.checks))
	for _, c := range e.checks {
		byKey[c.key()] = c
		c.cause, c.causedBy, c.by = "", nil, ""
	}
	for _, t := range standing {
		if c := byKey[t.Key]; c != nil {
			c.cause, c.causedBy, c.by = t.Cause, byKey[t.Cause], t.By
			if c.common != nil {
				c.rule.Priority = t.Priority
			}
			if t.To == alarm.ReturnedUnacknowledged || t.To == alarm.LatchedUnacknowledged {
				c.endedAt = t.At
			}
		}
	}
}
