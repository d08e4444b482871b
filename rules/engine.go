package rules

import (
	"fmt"
	"iter"
	"maps"
	"slices"
	"sort"
	"strings"
	"time"

	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/cond"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
	"weirkeeper/rules/tally"
)

// Part is a part of the daemon that reports its own health.
type Part string

// The parts with a built-in alarm.
const (
	Broker  Part = "broker"
	Record  Part = "record"
	Mail    Part = "mail"
	Clock   Part = "clock"
	Disk    Part = "disk"
	History Part = "history"
	Rules   Part = "rules"
	// Texts: text messages cannot be sent: no modem, no SIM, no network, or the
	// command for them fails.
	Texts Part = "texts"
	// Person: somebody cannot be reached by a way that carries messages to others.
	Person Part = "person"
	// Hooks: calls of HTTP hooks fail.
	Hooks Part = "hooks"
	// Quota: the limit of text messages an hour is reached.
	Quota Part = "quota"
	// Horn: a horn or light does not do what it is told, or cannot say so.
	Horn Part = "horn"
	// Outside: the outside watcher cannot be told that we live.
	Outside Part = "outside"
	// Peer: another daemon that we watch says nothing.
	Peer Part = "peer"
	// Drill: a drill was missed, or is overdue.
	Drill Part = "drill"
	// Service and Flood are judged by the engine itself.
	Service Part = "service"
	Flood   Part = "flood"
)

// Engine evaluates a site's readings against its rules.
type Engine struct {
	site   *site.Site
	probes []probe
	byID   map[reading.ProbeID]int
	checks []*check
	health map[Part]*check
	chores map[choreAt][]*check
	acts   act.Board
	waters map[string]*place
	lots
	doubts  map[reading.ProbeID][]doubt
	started time.Time
	// watchingSince is when the site's record began; chores due before it
	// are nobody's fault.
	watchingSince time.Time
	varied        []vary
	// switchAt is when a setpoint next changes by the hour, switched when that
	// was last looked at.
	switchAt, switched time.Time
	quiet              bool                             // rebuilding: change state, say nothing
	raises             [tally.FloodBegins + 1]time.Time // of all alarms, the newest last
	due, ticked        time.Time                        // see Due; the newest tick that was not skipped
	wantedDays         []*check                         // see LookBack
	out                []alarm.Transition
}

type probe struct {
	def     *site.Probe
	heard   bool
	last    reading.Reading // newest current reading
	lastAt  time.Time       // arrival of last
	any     reading.Reading // newest reading of any quality
	anyTime time.Time
	checks  []*check // those that judge this probe
	faults  []*check // those that make it suspect; they come first among checks
	windows []*medianWindow
	recent  []*cond.Window // of the conditions
	takers  []taker
	common  []*common
	main    []*counter
	standIn []*counter
	silent  time.Duration // after this long its value is not used for others
}

type choreAt struct{ chore, unit string }

// New makes an engine with every alarm normal and nothing heard yet.
func New(s *site.Site, prog *lang.Program) *Engine {
	e := &Engine{site: s, byID: make(map[reading.ProbeID]int), health: make(map[Part]*check), doubts: make(map[reading.ProbeID][]doubt), chores: make(map[choreAt][]*check)}
	e.probes = make([]probe, len(s.Probes))
	for i := range s.Probes {
		d := &s.Probes[i]
		e.probes[i] = probe{def: d, silent: lang.SilentAfter(d.Every)}
		e.byID[d.ID] = i
	}
	for i := range prog.Rules {
		r := &prog.Rules[i]
		for j, w := range r.Watches {
			e.addCheck(r, w)
			if len(r.Whiles) > 0 {
				e.varied = append(e.varied, vary{e.checks[len(e.checks)-1], r, j})
			}
		}
	}
	e.connect()
	for _, h := range builtIn {
		r := h.rule
		c := &check{rule: &r, watch: lang.Watch{Unit: string(h.part)}, part: h.part}
		e.checks = append(e.checks, c)
		e.health[h.part] = c
	}
	e.lastYear = make(map[string][]lot.DayMean)
	var entries []book.Entry
	for _, l := range s.Lots {
		entries = append(entries, book.FromSite(l)...)
	}
	e.SetBook(book.New(entries, e.BookOptions()))
	return e
}

func (e *Engine) probe(id reading.ProbeID) *probe {
	if i, ok := e.byID[id]; ok {
		return &e.probes[i]
	}
	return nil
}

func (e *Engine) addCheck(r *lang.Rule, w lang.Watch) {
	c := &check{rule: r, watch: w}
	if r.Kind == alarm.MissedChore {
		c.chore, _ = e.site.Chore(r.Chore)
		at := choreAt{r.Chore, w.Unit}
		e.chores[at] = append(e.chores[at], c)
		e.checks = append(e.checks, c)
		return
	}
	if r.Kind == alarm.Condition {
		e.addCondition(c)
		return
	}
	p := e.probe(w.Probe)
	if p == nil {
		panic("rules: rule " + r.Name + " watches the unknown probe " + string(w.Probe))
	}
	c.probe = p
	switch r.Kind {
	case alarm.TemperatureDrift:
		c.window = newMedianWindow(r.Window)
		p.windows = append(p.windows, c.window)
	case alarm.FromSpring:
		if sp, ok := e.site.SpringProbe(reading.Temperature); ok {
			c.other = e.probe(sp.ID)
		}
	case alarm.LowOxygen, alarm.HighOxygen:
		if tp, ok := e.temperatureFor(w.Unit); ok {
			c.other = e.probe(tp.ID)
		}
		if sp, ok := e.site.SpringProbe(reading.Temperature); ok {
			c.spare = e.probe(sp.ID)
		}
	default:
	}
	if make := detectors[r.Kind]; make != nil {
		c.det = make(e, c)
		if t, ok := c.det.(taker); ok {
			p.takers = append(p.takers, t)
		}
	}
	if probeFault(r.Kind) {
		p.checks = slices.Insert(p.checks, len(p.faults), c)
		p.faults = append(p.faults, c)
	} else {
		p.checks = append(p.checks, c)
	}
	e.checks = append(e.checks, c)
}

// temperatureFor finds the temperature probe of a unit, or the spring's.
func (e *Engine) temperatureFor(unit string) (*site.Probe, bool) {
	if p, ok := e.site.ProbeAt(unit, reading.Temperature); ok {
		return p, true
	}
	return e.site.SpringProbe(reading.Temperature)
}

// Memory is how far back the engine looks at readings: what has to be fed to
// Rebuild after a restart. Thermal units look back further: see Sources.
func (e *Engine) Memory() time.Duration {
	m := time.Hour
	for _, c := range e.checks {
		back := c.rule.OnDelay + max(c.rule.OffDelay, tally.ChatterWithin)
		if c.window != nil {
			back += c.window.length // full as long as delays are counted
		}
		if c.det != nil {
			back += c.det.memory()
		}
		m = max(m, back)
	}
	return m
}

// begin sets the time of the first event.
func (e *Engine) begin(now time.Time) {
	if e.started.IsZero() {
		e.started = now
	}
	e.out = e.out[:0]
}

// Reading takes one reading. now is when it arrived. A reading that says
// nothing of the water now (late, out of order, out of range) counts for
// thermal units only, or for a note in the journal, or for nothing. The result
// is valid until the next call of any method that takes an event.
func (e *Engine) Reading(now time.Time, r *reading.Reading) []alarm.Transition {
	e.begin(now)
	e.switchRules(now)
	p := e.probe(r.Probe)
	if p == nil {
		e.addHand(r)
		return e.out
	}
	p.any, p.anyTime = *r, now
	if !r.Usable() {
		e.outOfRange(now, p, r)
		return e.out
	}
	if p.def.Quantity == reading.Temperature && e.counted(r) {
		for _, c := range p.main {
			e.addMain(c, r)
		}
		for _, c := range p.standIn {
			e.addStandIn(c, r)
		}
	}
	if r.Flags.Has(reading.Late | reading.DeviceTimed) {
		for _, c := range p.checks {
			e.past(now, c, r)
		}
	}
	if !r.Current() {
		return e.out
	}
	silent := now.Sub(p.lastAt)
	p.heard, p.last, p.lastAt = true, *r, now
	for _, w := range p.windows {
		w.forget(r.At.Add(-w.length))
	}
	for _, w := range p.recent {
		w.Add(r.At, r.Value)
	}
	for _, c := range p.checks {
		if c.rule.Kind == alarm.SilentProbe && silent > c.watch.After {
			c.goodSince = time.Time{} // ticks said so, unless it is the past that is read
		}
		e.judge(now, c, c.verdict(e, now), true)
	}
	for _, g := range p.common {
		e.judgeCommon(now, g)
	}
	for _, w := range p.windows {
		if p.suspicion() == nil {
			w.add(r.At, r.Value)
		}
	}
	for _, t := range p.takers {
		t.took(r)
	}
	return e.out
}

// past notes trouble that late readings tell of: it is written in the journal
// and nobody is called, for the water is not so now.
func (e *Engine) past(now time.Time, c *check, r *reading.Reading) {
	v, trouble, detail := c.pastVerdict(e, r.Value)
	if v == good || r.At.Before(c.pastSince) {
		c.pastSince, c.pastNoted = time.Time{}, false
	}
	if v != bad {
		return
	}
	if c.pastSince.IsZero() {
		c.pastSince = r.At
	}
	if c.pastNoted || r.At.Sub(c.pastSince) < c.rule.OnDelay {
		return
	}
	c.pastNoted = true
	if e.quiet {
		return
	}
	e.out = append(e.out, alarm.Transition{
		Key: "past/" + c.key(), Kind: c.rule.Kind, From: alarm.Normal, To: alarm.Normal, At: now, Since: c.pastSince,
		Priority: alarm.Note, Rule: c.rule.Name, RuleAt: c.rule.At, Unit: c.unitName(), Probe: c.watch.Probe,
		Trouble: trouble + ", in the past",
		Detail:  detail + ", from " + c.pastSince.In(e.site.Location).Format("2 Jan 15:04") + "; the readings came late",
	})
}

// Tick lets time pass: silence, missed chores and on-delays are judged. Before
// Due it costs nothing.
func (e *Engine) Tick(now time.Time) []alarm.Transition {
	e.begin(now)
	if e.asleep(now) {
		return e.out
	}
	e.switchRules(now)
	if len(e.varied) > 0 {
		e.wake(e.switchAt)
	}
	e.lookAhead(now)
	for _, c := range e.checks {
		e.reAlarm(now, c)
		e.surface(now, c)
		e.outlive(now, c)
		e.worsened(now, c)
		switch {
		case c.off && c.state.Active(): // its probe may have been taken away
			e.judge(now, c, good, true)
		case c.common != nil:
			e.judgeCommon(now, c.common)
		case c.rule.Kind == alarm.SilentProbe:
			if v := c.silence(e, now); v == bad || !c.state.Active() {
				e.judge(now, c, v, true) // only a reading ends a silence
			}
		case c.rule.Kind == alarm.MissedChore:
			e.judge(now, c, c.missed(e, now), true)
		case c.part != "":
			e.judge(now, c, c.health(e, now), true)
		case c.notice != nil:
			e.judge(now, c, c.due(e, now), true)
		case c.overdue(e, now), !c.badSince.IsZero() && !c.state.Active() && !c.unsure && c.judged == bad:
			e.judge(now, c, bad, false)
		}
		c.wakeNext(e, now)
	}
	return e.out
}

// ChoreDone takes a chore somebody has done. Chores that no rule watches are
// of no concern here.
func (e *Engine) ChoreDone(now time.Time, d site.ChoreDone) []alarm.Transition {
	e.begin(now)
	e.choreDone(now, d)
	return e.out
}

func (e *Engine) choreDone(now time.Time, d site.ChoreDone) {
	for _, c := range e.chores[choreAt{d.Chore, d.Unit}] {
		c.done(e, d.At)
		e.judge(now, c, c.missed(e, now), true)
	}
}

// Act takes what somebody has done about alarms. An act that was taken before, by
// its ID, changes nothing. Finished cleaning counts as its chore done.
func (e *Engine) Act(now time.Time, a act.Act) []alarm.Transition {
	e.begin(now)
	if !e.acts.Take(a) {
		return nil
	}
	if a.Kind == act.CleaningFinished && a.Chore != "" {
		e.choreDone(now, site.ChoreDone{Chore: a.Chore, Unit: a.Unit, By: a.By, At: a.At})
	}
	for _, c := range e.checks {
		e.surface(now, c)
	}
	service := e.health[Service]
	e.judge(now, service, service.health(e, now), true)
	e.wake(time.Time{})
	return e.out
}

// Acts is the fold of the acts taken so far; it must not be changed.
func (e *Engine) Acts() *act.Board { return &e.acts }

// Health takes what a part of the daemon says of itself. Until it says
// something, its alarm stays as it stood before the restart. Parts without a
// built-in alarm are ignored.
func (e *Engine) Health(now time.Time, part Part, ok bool, detail string) []alarm.Transition {
	e.begin(now)
	if c := e.health[part]; c != nil && !part.own() {
		c.told, c.healthy, c.said = true, ok, detail
		e.judge(now, c, c.health(e, now), true)
	}
	return e.out
}

// Acknowledge takes a human's answer to one alarm. It silences; only the water
// clears an alarm, and if it goes on for an hour it calls again.
// Errors: *UnknownAlarmError when no such alarm waits.
func (e *Engine) Acknowledge(now time.Time, key alarm.Key, by string) ([]alarm.Transition, error) {
	e.begin(now)
	found := false
	for _, c := range e.checks {
		if c.key() != key {
			continue
		}
		switch c.state {
		case alarm.Unacknowledged:
			found = true
			e.move(now, c, alarm.Acknowledged, by)
			e.answer(now, c, by)
		case alarm.ReturnedUnacknowledged:
			found = true
			e.move(now, c, alarm.Normal, by)
			e.answer(now, c, by)
		case alarm.LatchedUnacknowledged:
			found = true
			e.move(now, c, alarm.LatchedAcknowledged, by)
			e.answer(now, c, by)
		case alarm.Acknowledged, alarm.LatchedAcknowledged:
			found = true
		case alarm.Normal: // answered a moment ago together with its cause
			found = found || c.by != "" && c.movedAt.Equal(now)
		}
	}
	if !found {
		return nil, &UnknownAlarmError{Key: key}
	}
	return e.out, nil
}

// Reset lets go an alarm that is latched and was answered.
// Errors: *UnknownAlarmError when there is none; *NotLatchedError when it cannot
// be reset as it is.
func (e *Engine) Reset(now time.Time, key alarm.Key, by string) ([]alarm.Transition, error) {
	e.begin(now)
	for _, c := range e.checks {
		if c.key() != key || c.state == alarm.Normal {
			continue
		}
		if c.state != alarm.LatchedAcknowledged {
			return nil, &NotLatchedError{Key: key, State: c.state}
		}
		e.move(now, c, alarm.Normal, by)
		return e.out, nil
	}
	return nil, &UnknownAlarmError{Key: key}
}

// NotLatchedError is returned for a reset that has nothing to let go.
type NotLatchedError struct {
	Key   alarm.Key
	State alarm.State
}

func (e *NotLatchedError) Error() string {
	switch {
	case e.State.Active():
		return fmt.Sprintf("alarm %q cannot be reset: its trouble is still there", string(e.Key))
	case e.State == alarm.LatchedUnacknowledged:
		return fmt.Sprintf("alarm %q cannot be reset before somebody has answered it: weirkeeper ack %q first", string(e.Key), string(e.Key))
	}
	return fmt.Sprintf("alarm %q is not latched: answering it is enough", string(e.Key))
}

// answerHolds is how long an answer silences trouble that goes on, 0 for good.
func (c *check) answerHolds() time.Duration {
	if c.rule.ReAlarm == 0 && c.priority() == alarm.CallOut {
		return lang.DefaultReAlarm // it became one
	}
	return c.rule.ReAlarm
}

// AnswerHolds is for how long an answer to an alarm silences trouble that goes
// on; 0 for good, or when there is no such alarm.
func (e *Engine) AnswerHolds(key alarm.Key) time.Duration {
	for _, c := range e.checks {
		if c.key() == key {
			return c.answerHolds()
		}
	}
	return 0
}

// reAlarm takes back an answer that is too old.
func (e *Engine) reAlarm(now time.Time, c *check) {
	if hold := c.answerHolds(); c.state == alarm.Acknowledged && hold > 0 && now.Sub(c.movedAt) >= hold && !c.calm(now) {
		e.move(now, c, alarm.Unacknowledged, "")
		e.answered(now, c)
	}
}

// Detail is the newest value of an alarm against its setpoint, in words; ""
// when there is no such alarm or its probe has fallen silent.
func (e *Engine) Detail(now time.Time, key alarm.Key) string {
	for _, c := range e.checks {
		if c.key() == key {
			if c.probe != nil && !c.probe.heardLately(now) && c.rule.Kind != alarm.SilentProbe && !wordsUnknown(c.rule) {
				return ""
			}
			_, detail := c.words(e, now, c.state.Active())
			return detail
		}
	}
	return ""
}

// UnknownAlarmError is returned for an answer to an alarm that does not wait.
type UnknownAlarmError struct{ Key alarm.Key }

func (e *UnknownAlarmError) Error() string {
	return fmt.Sprintf("no alarm %q waits for an answer; see the list of alarms", string(e.Key))
}

// judge moves an alarm on by one verdict. seen says that something new was
// seen; a mere tick passes false.
func (e *Engine) judge(now time.Time, c *check, v verdict, seen bool) {
	v = c.doubted(v)
	c.unsure = v == unknown
	if v != unknown {
		c.judged = v
	}
	if c.chatters || e.quiet {
		c.looked(e, now, v)
	}
	switch v {
	case unknown:
		return
	case bad:
		c.goodSince = time.Time{}
		if c.badSince.IsZero() {
			c.badSince = now
		}
		if c.state.Active() {
			return
		}
		lasted, wait := now.Sub(c.badSince), c.rule.OnDelay
		if !seen {
			// The next reading had no chance before the start.
			lasted, wait = min(lasted, now.Sub(e.started)), wait+c.probe.def.Every
			if c.holds() {
				wait = c.rule.OnDelay // it stays so until it says otherwise
			}
		}
		if lasted >= wait {
			e.raise(now, c)
		} else {
			e.wakeRaise(c)
		}
	case between:
		// Not right yet: an alarm stands, and a delay under way goes on.
		c.goodSince = time.Time{}
	case good:
		if c.goodSince.IsZero() {
			c.goodSince = now
		}
		if !c.state.Active() {
			c.badSince = time.Time{}
			return
		}
		if now.Sub(c.goodSince) >= c.offDelay() {
			c.badSince = time.Time{}
			to := alarm.ReturnedUnacknowledged
			switch answered := c.state == alarm.Acknowledged; {
			case c.hid != "" && (!c.rule.Latch || !strings.HasPrefix(c.hid, shelvedBy)), c.part.own():
				to = alarm.Normal // nobody was called
			case c.rule.Latch && answered:
				to = alarm.LatchedAcknowledged
			case c.rule.Latch:
				to = alarm.LatchedUnacknowledged
			case answered || c.priority() == alarm.Note:
				to = alarm.Normal
			}
			e.move(now, c, to, "")
		} else {
			e.wake(c.goodSince.Add(c.offDelay()))
		}
	}
}

func (e *Engine) move(now time.Time, c *check, to alarm.State, by string) {
	e.wake(now)
	from := c.state
	c.state, c.movedAt, c.by = to, now, by
	hidden, priority := c.hid, c.priority()
	if c.hid = ""; to.Active() {
		hidden, _ = e.hidden(c, now)
		c.hid = hidden
	} else {
		c.unclean, c.chatters = false, false
	}
	if from.Active() && !to.Active() {
		c.endedAt = now
	}
	if c.unclean {
		c.cause, c.causedBy = "", nil // whoever cleaned it is the cause
	}
	if e.quiet {
		return
	}
	trouble, detail := c.words(e, now, to.Active())
	left := ""
	if to.Active() && !c.calm(now) {
		left = e.left(c, now)
	}
	if c.aside != "" {
		trouble = stillThough(trouble, c.aside)
	}
	e.out = append(e.out, alarm.Transition{
		Key: c.key(), Kind: c.rule.Kind, Occurrence: c.occurrence, From: from, To: to,
		At: now, Since: c.since, Priority: priority, Rule: c.rule.Name, RuleAt: c.rule.At,
		Unit: c.unitName(), Probe: c.watch.Probe, Trouble: trouble, Detail: detail,
		CanHappen: c.rule.CanHappen, ToDo: c.rule.ToDo, By: by, Hidden: hidden, Left: left, Cause: c.cause,
	})
	e.doubting(&e.out[len(e.out)-1])
}

// Shift follows a step of the clock on the wall: what the engine remembers
// moves along, so that every silence and delay goes on as long as it would have.
// Readings keep the times they were stored with, and what was counted of them is
// to be counted again from the record.
func (e *Engine) Shift(by time.Duration) {
	move := func(ts ...*time.Time) {
		for _, t := range ts {
			if !t.IsZero() {
				*t = t.Add(by)
			}
		}
	}
	move(&e.started)
	for i := range e.raises {
		move(&e.raises[i])
	}
	e.acts.Shift(by)
	e.CountAgain()
	e.wake(time.Time{})
	for i := range e.probes {
		p := &e.probes[i]
		move(&p.lastAt, &p.anyTime)
		if p.last.Flags.Has(reading.DeviceTimed) {
			continue // its samples stand at their own time
		}
		for _, w := range p.windows {
			w.shift(by)
		}
		for _, w := range p.recent {
			w.Shift(by)
		}
	}
	for _, c := range e.checks {
		move(&c.since, &c.badSince, &c.goodSince, &c.movedAt, &c.lastDone, &c.endedAt, &c.spell, &c.lastGood)
		for i := range c.raises {
			move(&c.raises[i])
		}
		if c.det != nil {
			c.det.shift(by)
		}
	}
}

// clamp brings back what lies in the future, where the clock was set back since
// it was written: a delay must not wait for the clock to catch up.
func (e *Engine) clamp(now time.Time) {
	back := func(ts ...*time.Time) {
		for _, t := range ts {
			if t.After(now) {
				*t = now
			}
		}
	}
	e.acts.Clamp(now)
	for i := range e.probes {
		back(&e.probes[i].lastAt, &e.probes[i].anyTime)
	}
	for i := range e.raises {
		back(&e.raises[i])
	}
	for _, c := range e.checks {
		back(&c.since, &c.badSince, &c.goodSince, &c.movedAt, &c.lastDone, &c.endedAt, &c.spell, &c.lastGood)
		for i := range c.raises {
			back(&c.raises[i])
		}
	}
}

// Past is what the record knows when the daemon starts.
type Past struct {
	// Readings of the last Memory(), in the order they were committed.
	Readings iter.Seq2[reading.Reading, error]
	// ChoresDone of the last days.
	ChoresDone []site.ChoreDone
	// Acts of the last days, and those by which a unit is in or out of service
	// whenever they were, in the order of the record.
	Acts []act.Act
	// Faults are the journal of the alarms of ProbeFaults kinds from
	// CountedSince on, oldest first.
	Faults []alarm.Transition
	// Recent is the journal of the last Recent, oldest first.
	Recent []alarm.Transition
	// Standing is the newest transition of every alarm that is not normal.
	Standing []alarm.Transition
	// Occurrences is how often each alarm has been raised so far.
	Occurrences map[alarm.Key]uint64
	// WatchingSince is when the record began.
	WatchingSince time.Time
}

// Rebuild sets a new engine to where the last one stopped: what the probes said
// lately, and every alarm in the state the journal holds. An alarm that stood
// still stands. One that the last engine did not live to write is raised at the
// probe's next reading, or by a tick once the on-delay and one interval have
// passed since the start. A silence that was not yet an alarm is counted anew
// from the start, and a drift of a probe that was silent just before may end one
// off-delay early. The only transitions it makes end alarms whose rule or probe
// is no longer in the files.
// Errors: those of reading the past; the engine is then as far as it got.
func (e *Engine) Rebuild(now time.Time, past Past) ([]alarm.Transition, error) {
	var gone []alarm.Transition
	e.quiet = true
	defer func() { e.quiet = false }()
	e.watchingSince = past.WatchingSince
	e.started = now // a chore that is new in the files counts from here
	for _, c := range e.checks {
		c.knownChore = past.Occurrences[c.key()] > 0
	}
	for _, d := range slices.SortedFunc(slices.Values(past.ChoresDone), func(a, b site.ChoreDone) int { return a.At.Compare(b.At) }) {
		for _, c := range e.chores[choreAt{d.Chore, d.Unit}] {
			c.knownChore = true
			c.done(e, d.At)
		}
	}
	acts := past.Acts
	take := func() {
		e.acts.Take(acts[0])
		acts = acts[1:]
	}
	e.started = time.Time{}
	var err error
	first := true
	if past.Readings != nil {
		for r, rerr := range past.Readings {
			if rerr != nil {
				err = rerr
				break
			}
			if first {
				e.standFaults(past, r.ArrivedAt)
				first = false
			}
			for len(acts) > 0 && !acts[0].At.After(r.ArrivedAt) {
				take() // what it was judged by then
			}
			e.Reading(r.ArrivedAt, &r)
		}
	}
	for len(acts) > 0 {
		take()
	}
	e.rememberDoubts(past)
	e.recall(past.Recent)
	standing := make(map[alarm.Key]alarm.Transition, len(past.Standing))
	for _, t := range past.Standing {
		standing[t.Key] = t
	}
	e.follow(past.Standing)
	for _, c := range e.checks {
		c.state = alarm.Normal
		raised := false
		if t, ok := standing[c.key()]; ok {
			c.state, c.since, c.movedAt = t.To, t.Since, t.At
			c.hid, c.unclean = t.Hidden, t.To.Active() && strings.Contains(t.Trouble, standpipeUp)
			c.chatters = t.To.Active() && strings.Contains(t.Trouble, chattering)
			if t.To.Active() && t.Priority > 0 && t.Priority < c.rule.Priority {
				// It asks for more than when it was raised: raise it anew.
				t.From, t.To, t.At, t.By = t.To, alarm.Normal, now, ""
				t.Detail = alarm.NoLongerWatched + " as " + t.Priority.String()
				gone = append(gone, t)
				c.state, c.endedAt, raised = alarm.Normal, now, true
			}
			switch {
			case c.side != 0: // seen lately
			case strings.Contains(t.Trouble, tooCold[2:]):
				c.side = -1
			case strings.Contains(t.Trouble, tooWarm[2:]):
				c.side = +1
			}
		}
		switch {
		case c.state.Active(), raised:
			c.badSince = c.since
		case c.judged != bad && c.judged != between, c.common != nil: // which is not waited on
			c.badSince = time.Time{}
		case c.judged == bad:
			c.badSince = c.spell // however long the readings alone would have had it stand
		}
		delete(standing, c.key())
		c.occurrence = past.Occurrences[c.key()]
		if c.part != "" {
			// A part of this daemon is well until it says otherwise.
			c.badSince = time.Time{}
		}
	}
	e.started = now
	e.wake(time.Time{})
	e.clamp(now)
	e.wantDays()
	for _, c := range e.counters {
		c.live = past.Readings == nil // else it had but the newest
	}
	maps.Copy(e.told, past.Occurrences)
	e.recounted()
	for _, t := range past.Standing {
		if _, left := standing[t.Key]; !left {
			continue
		}
		t.From, t.To, t.At = t.To, alarm.Normal, now
		t.Detail, t.By = alarm.NoLongerWatched, ""
		gone = append(gone, t)
	}
	return gone, err
}

// Standing is every alarm that is not normal, worst first.
func (e *Engine) Standing(now time.Time) []AlarmView {
	var out []AlarmView
	for _, c := range e.checks {
		if c.state == alarm.Normal {
			continue
		}
		trouble, detail := c.words(e, now, c.state.Active())
		left := ""
		if c.state.Active() && !c.calm(now) {
			left = e.left(c, now)
		}
		hidden := c.hid
		if hidden != "" {
			if why, _ := e.hidden(c, now); why != "" {
				hidden = why // what hides it may have changed
			}
		}
		out = append(out, AlarmView{
			Left: left, Key: c.key(), Kind: c.rule.Kind, State: c.state, Priority: c.priority(), Unit: c.unitName(), Since: c.since, Trouble: trouble, Detail: detail, Hidden: hidden, Cause: c.cause,
			Probe: c.watch.Probe, CanHappen: c.rule.CanHappen, ToDo: c.rule.ToDo, By: c.answerer(), MovedAt: c.movedAt,
		})
	}
	sort.SliceStable(out, func(i, j int) bool {
		if a, b := out[i].State.Active(), out[j].State.Active(); a != b {
			return a
		}
		return out[i].Priority > out[j].Priority
	})
	return out
}

// AlarmView is an alarm as it stands.
type AlarmView struct {
	Key      alarm.Key
	Kind     alarm.Kind
	State    alarm.State
	Priority alarm.Priority
	Unit     string
	Since    time.Time
	Trouble  string
	Detail   string
	// Left words the time until oxygen runs short, as in alarm.Transition.
	Left string
	// Hidden says why nobody is called, as in alarm.Transition.
	Hidden string
	// Cause is the alarm it follows from, "" for none.
	Cause alarm.Key
	Probe reading.ProbeID // "" for what is not judged by one
	// CanHappen and ToDo are the rule's own words.
	CanHappen, ToDo string
	// By is who answered, "" when nobody has; MovedAt is when it came to State.
	By      string
	MovedAt time.Time
}

// ProbeView is what a probe said last.
type ProbeView struct {
	Probe *site.Probe
	// Heard is false when it has not said anything usable yet.
	Heard bool
	// Last is its newest usable, current reading.
	Last reading.Reading
	// Age is the time since Last arrived.
	Age time.Duration
	// Silent: too long ago to be used.
	Silent bool
	// Suspect says what is wrong with the probe itself, so that nothing goes
	// by it; "" for nothing.
	Suspect string
	// Setpoints are those that hold now.
	Setpoints []Setpoint
}

// Probes is what every probe said last, in the order of the site.
func (e *Engine) Probes(now time.Time) []ProbeView {
	out := make([]ProbeView, len(e.probes))
	for i := range e.probes {
		p := &e.probes[i]
		out[i] = ProbeView{Probe: p.def, Heard: p.heard, Last: p.last, Setpoints: p.setpoints()}
		if p.heard {
			out[i].Age = now.Sub(p.lastAt)
		}
		out[i].Silent = !p.heardLately(now)
		if f := p.suspicion(); f != nil {
			out[i].Suspect = f.why(e, now)
		}
	}
	return out
}

// heardLately reports whether the probe has said something usable lately.
func (p *probe) heardLately(now time.Time) bool { return p.heard && now.Sub(p.lastAt) <= p.silent }

// fresh reports whether others may go by the probe's last value: it was heard
// lately and is not suspect.
func (p *probe) fresh(now time.Time) bool { return p.heardLately(now) && p.suspicion() == nil }
