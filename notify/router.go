package notify

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/site"
	"weirkeeper/rules/tally"
	"weirkeeper/rules/watchlist"
)

// Policy is how people are told.
type Policy struct {
	// Gather is the least time between two messages about call-outs. What
	// happens within it is told in one message at its end. It trades mail
	// against delay: the first message never waits for it. 0 gathers nothing.
	Gather time.Duration
	// Repeat is the time after which trouble that nobody has answered is
	// told again.
	Repeat time.Duration
	// Expire is how long a message may wait to be sent. A repeat waits for
	// Repeat at most, because the next one says the same and more.
	Expire time.Duration
	// MorningMinute is the morning hour, minutes after local midnight.
	MorningMinute int
	// Location is where the clock on the wall hangs; nil means UTC.
	Location *time.Location
	// SiteName heads every message.
	SiteName string
	// PageURL is where the page can be read, "" when nowhere.
	PageURL string
	// CommandAddr is where the commands find the daemon, HOST:PORT, when that
	// is not where they look by themselves; "" when it is.
	CommandAddr string
	// Climb is after how long without an answer the next person of the watch
	// list is called too; 0 calls everybody at once.
	Climb time.Duration
	// Spare is after how long a message that could not be handed over goes by
	// the person's next way instead; 0 means 2 min.
	Spare time.Duration
	// Watch is who is on call when; nil means everybody, always, in order.
	Watch *watchlist.List
	// AllWell sends a message each morning, also when nothing waits.
	AllWell bool
	// Link makes the link by which a person answers what has that code, until
	// it expires; nil makes none.
	Link func(person, code string, expires time.Time) string
	// Units is only used to put trouble nearest to the spring first; may be
	// nil.
	Units []site.Unit
}

// Person is somebody who is told.
type Person struct {
	Name string
	// Reach is how, in the order of preference; not empty.
	Reach []callout.Reach
}

// Look is what Due asks of the water as it is now. Each may be nil.
type Look struct {
	// Current gives an active alarm's newest value against its setpoint, in the
	// words of alarm.Transition.Detail, or "" when that is not known.
	Current func(alarm.Key) string
	// Stock words what a unit holds, "12,000 fry", or "" when that is not known.
	Stock func(unit string) string
	// Night gives the least and the most that probes said in a span, in the
	// order of the site file, for the morning message.
	Night func(from, to time.Time) []Extreme
	// Aside gives what nobody is called for at somebody's word, for the morning
	// message.
	Aside func() []Aside
	// Blind says why nothing is known of the water at this moment, "" when all is
	// watched. Nobody is told then that all is well.
	Blind func() string
}

// blind is Look.Blind.
func (l Look) blind() string {
	if l.Blind == nil {
		return ""
	}
	return oneLine(l.Blind())
}

// Aside is something that nobody is called for at somebody's word.
type Aside struct {
	Key   alarm.Key // "" for all of the site
	Words string    // "the site is paused by kim until 09:00: new valve"
}

// Extreme is what one probe said in a night.
type Extreme struct {
	Unit, Probe string
	Quantity    string // "temperature"
	// Min and Max are worded with their unit, in the keeper's; "" when the
	// probe said nothing of use.
	Min, Max     string
	MinAt, MaxAt time.Time
	// Silent is how long in all no usable reading came.
	Silent time.Duration
}

// Router decides which messages the transitions of alarms call for. It is not
// safe for concurrent use.
type Router struct {
	policy   Policy
	people   []*ear // not empty: without anybody it is one that cannot be reached
	make     Source
	upstream map[string]int // by unit; lower is nearer the spring
	troubles map[alarm.Key]*trouble
	codes    map[string]codeUse // of late
	held     []hold             // not told yet
	drill    *drill             // nil when none stands
	drilled  []callout.Message  // about drills, as Restore was given them
	wellOn   time.Time          // the newest local date of a morning message, see date
	flood    bool               // alarms come faster than anybody can take them in
	spells   []spell            // call-outs of late that were over before anybody answered
	seq      int                // of the newest transition
	awake    int                // of the newest by which somebody showed to be awake
	look     Look               // at the water, as Due was told last
}

// trouble is one alarm that people have been or must be told of.
type trouble struct {
	raised alarm.Transition // its latest raise
	latest alarm.Transition // At and Detail are those of its end once it is over
	// firstRaise and raises are the chatter since it was last told of.
	firstRaise time.Time
	raises     int
	// told: somebody knows of it, or knows that somebody answers.
	told      bool
	toldAt    time.Time
	firstTold time.Time         // since it was last new; zero with told: long ago
	times     int               // messages that told of it, since it was last new
	heard     map[string]*heard // by person
	answer    bool              // acknowledged, and the others do not know yet
	answered  alarm.Transition  // the newest answer
	reopened  bool              // it was still there too long after that answer
	current   string            // its value as Due was told, "" when not known
	hidden    bool              // nobody is to be called for it for now
	follow    []*trouble        // what Due lists under it
	// later is the raise, hidden, of trouble whose end is still to be told.
	later *alarm.Transition
}

func (t *trouble) active() bool { return t.latest.To.Active() }

// gone: it ended because nothing watches it, which says nothing of the water.
func (t *trouble) gone() bool { return !t.active() && t.latest.Detail == alarm.NoLongerWatched }

// reopens reports whether tr takes an answer back: the trouble stood too long
// after it.
func reopens(tr alarm.Transition) bool {
	return tr.From == alarm.Acknowledged && tr.To == alarm.Unacknowledged
}

// surfaces reports whether tr ends what hid a trouble that is still there, or
// leaves it without the cause that was told of instead. A cause that is found
// later is no news.
func (t *trouble) surfaces(tr alarm.Transition) bool {
	return tr.From == alarm.Unacknowledged && tr.To == alarm.Unacknowledged && tr.Hidden == "" &&
		(tr.Cause == "" || t == nil || t.hidden)
}

// NewRouter makes a Router.
func NewRouter(p Policy, people []Person, make Source) *Router {
	if p.Location == nil {
		p.Location = time.UTC
	}
	r := &Router{policy: p, make: make, upstream: map[string]int{}, troubles: map[alarm.Key]*trouble{}, codes: map[string]codeUse{}}
	for _, who := range people {
		r.people = append(r.people, &ear{Person: who})
	}
	if len(people) == 0 {
		r.people = []*ear{{}}
	}
	for _, u := range p.Units {
		r.upstream[u.Name] = slices.Index(site.Kinds(), u.Kind)
	}
	return r
}

// Observe takes in a transition. Every transition the engine makes is given to
// it, in order; Due then says what follows. Nobody is told of what is hidden;
// when it is no longer hidden it is told as new. Of what was told before, the end
// is told also while it is hidden.
func (r *Router) Observe(tr alarm.Transition) {
	if tr.Kind == alarm.DaemonHealth && tr.Rule == tally.FloodRule {
		r.flood = tr.To.Active()
		return
	}
	t := r.troubles[tr.Key]
	r.climbSteps(t, tr)
	if t != nil {
		t.later = nil
	}
	begins := tr.Raised() || reopens(tr) || t.surfaces(tr)
	switch {
	case begins && tr.Priority <= alarm.Note:
		delete(r.troubles, tr.Key)
		return
	case tr.Raised() && tr.Hidden != "" && t != nil && !t.hidden:
		t.later = &tr // the end of what people know of is still to be told
		return
	case tr.Raised():
		if t == nil || t.told {
			was := t
			t = &trouble{firstRaise: tr.At}
			if was != nil {
				t.heard = was.heard // who waits to hear of its end
				t.anew()
			}
			r.troubles[tr.Key] = t
		}
		t.raised = tr
		t.raises++
	case t.surfaces(tr):
		if t == nil {
			t = &trouble{}
			r.troubles[tr.Key] = t
		}
		t.raised, t.firstRaise, t.raises, t.reopened = tr, tr.At, 1, false
		t.anew()
	case begins:
		if t == nil {
			t = &trouble{raised: tr}
			r.troubles[tr.Key] = t
		}
		t.raised.Priority, t.raised.Trouble = tr.Priority, tr.Trouble // the rule may ask for more by now
		t.firstRaise, t.raises, t.reopened = tr.At, 0, true
		t.anew()
	case t == nil:
		return // nobody was or must be told of it
	case tr.To == alarm.Acknowledged:
		t.answer, t.answered, t.reopened = tr.Hidden == "", tr, false
		// The others hear of a call-out with its answer, at once.
		t.told = t.told || t.answer && t.raised.Priority == alarm.CallOut
		if t.told {
			r.answeredBy(t, tr.By)
		}
	case tr.Returned():
		t.told = t.told || t.reopened // its start was told, so its end is no news
	case !tr.From.Active():
		t.latest.To = tr.To // it is over already
		return
	}
	if t.hidden && tr.Returned() && !t.told {
		delete(r.troubles, tr.Key) // nobody knows of it
		return
	}
	t.latest, t.hidden = tr, tr.Hidden != "" && tr.To.Active()
}

// Untold gives the call-out alarms that stand unanswered and wait to be told of:
// raised within Gather of the last message, or there again after an answer.
// Nobody who answers "all" can have meant them.
func (r *Router) Untold() map[alarm.Key]bool {
	keys := map[alarm.Key]bool{}
	for k, t := range r.troubles {
		if t.raised.Priority == alarm.CallOut && !r.root(time.Time{}, t).told && t.latest.To != alarm.Normal {
			keys[k] = true
		}
	}
	return keys
}

// Restore rebuilds the state after a restart, before the first Observe. journal
// is a stretch of the alarm journal, in the order it was committed; it may be
// nil. standing is the newest transition of every alarm whose state is not
// normal, also when the journal has it. messages are all that were written since
// the earliest Since among them, and for as long as Remembers, sent or not, of all
// people, in any order. RestoreDrills follows.
//
// An alarm that nobody was told of is told at the next Due; one that was told of
// goes on repeating from its last message. With the journal since the last "back
// to normal", also a "back to normal" that was still held back is not lost, and
// who answered last is known. No alarm is there that is not among standing.
//
// Messages carry no order but their time. Where the clock was set back in
// between, one may fit several steps of its alarm; see stepsBefore.
func (r *Router) Restore(journal, standing []alarm.Transition, messages []callout.Message) {
	msgs := slices.Clone(messages)
	slices.SortStableFunc(msgs, func(a, b callout.Message) int { return a.CreatedAt.Compare(b.CreatedAt) })
	telling := map[alarm.Key][]callout.Message{}
	for _, m := range msgs {
		for _, k := range m.Alarms {
			telling[k] = append(telling[k], m)
		}
	}
	newest, steps := map[alarm.Key]step{}, map[alarm.Key][]step{}
	for _, tr := range standing {
		newest[tr.Key] = step{Transition: tr}
	}
	for i, tr := range journal {
		if n, ok := newest[tr.Key]; ok && tr.Occurrence == n.Occurrence && tr.From == n.From && tr.To == n.To && tr.At.Equal(n.At) {
			n.seq = i
			newest[tr.Key] = n
			continue
		}
		steps[tr.Key] = append(steps[tr.Key], step{tr, i})
	}
	for k, tr := range newest {
		steps[k] = append(steps[k], tr)
	}
	for k, trs := range steps {
		r.restore(k, trs, telling[k])
		t := r.troubles[k]
		switch {
		case t == nil:
		case t.later != nil && !newest[k].To.Active():
			t.later = nil
		case t.active() && !newest[k].To.Active():
			delete(r.troubles, k) // it cannot be answered
		default:
			t.answer = false // an acknowledgement is stored together with the messages about it
		}
	}
	r.seq = len(journal)
	slices.SortFunc(r.spells, func(a, b spell) int { return cmp.Compare(a.seq, b.seq) })
	for _, p := range r.people {
		p.lastSent, p.lastTold = time.Time{}, time.Time{}
		for _, m := range msgs {
			if m.Person != p.Name {
				continue
			}
			p.sent(m.Reason, m.CreatedAt)
			if m.Code != "" {
				r.useCode(p, m.Code, m.CreatedAt)
			}
		}
	}
	for _, m := range msgs {
		switch m.Reason {
		case callout.Drill:
			r.drilled = append(r.drilled, m)
		case callout.AllWell, callout.MorningRound:
			if on := r.date(m.CreatedAt); on.After(r.wellOn) {
				r.wellOn = on
			}
		case callout.First, callout.Repeat, callout.Returned, callout.Answered, callout.Reply, callout.Heartbeat:
		}
	}
}

// step is a transition and how many the journal has before it.
type step struct {
	alarm.Transition
	seq int
}

// restore goes through one alarm's transitions and the messages that tell of it.
func (r *Router) restore(k alarm.Key, trs []step, msgs []callout.Message) {
	after := make([][]callout.Message, len(trs)+1) // by the number of transitions before them
	for _, m := range msgs {
		n := r.stepsBefore(m, trs)
		after[n] = append(after[n], m)
	}
	for i, tr := range trs {
		// What is latched and was over before was told of as over.
		over := !tr.From.Active() && !tr.To.Active()
		if i == 0 && !tr.Raised() && !over && tr.To != alarm.Normal && tr.Priority > alarm.Note {
			t := &trouble{raised: tr.Transition, firstRaise: tr.Since, raises: 1, latest: tr.Transition}
			t.latest.To = alarm.Unacknowledged
			r.troubles[k] = t
			for _, m := range after[0] { // told before the first transition that is given
				if !m.CreatedAt.Before(tr.Since) {
					r.mark(m.Reason, m.Person, []alarm.Key{k}, m.Code, m.CreatedAt)
				}
				t.toldAt = m.CreatedAt
			}
			t.told = t.told || tr.To == alarm.Acknowledged
		}
		r.seq = tr.seq
		r.Observe(tr.Transition)
		r.forget(k)
		for _, m := range after[i+1] {
			r.mark(m.Reason, m.Person, []alarm.Key{k}, m.Code, m.CreatedAt)
		}
	}
}

// stepsBefore gives how many of an alarm's transitions were made before a
// message about it. The clock may have been set back between two of them; then
// the message may fit after several. News comes within Gather of its cause, at
// the next tick, so that fit is taken; else the earliest: rather is an alarm
// told of once more.
func (r *Router) stepsBefore(m callout.Message, trs []step) int {
	first, nearest := -1, 0
	best := r.policy.Gather + time.Minute
	for n := 0; n <= len(trs); n++ {
		if n > 0 && m.CreatedAt.Before(trs[n-1].At) {
			continue
		}
		if n < len(trs) && !m.CreatedAt.Before(trs[n].At) && (n == 0 || !trs[n].At.Before(trs[n-1].At)) {
			continue
		}
		if first < 0 {
			first = n
		}
		if n > 0 && m.Reason != callout.Repeat {
			if age := m.CreatedAt.Sub(trs[n-1].At); age < best {
				best, nearest = age, n
			}
		}
	}
	if nearest > 0 {
		return nearest
	}
	return max(0, first)
}

// Shift follows a step of the clock on the wall, forward by a positive time:
// what the router counts from moves along, so that nothing is told sooner or
// later for it. Only the morning hour goes by the wall: what waited for it is
// told at the next one there is.
func (r *Router) Shift(by time.Duration) {
	move := func(ts ...*time.Time) {
		for _, t := range ts {
			if !t.IsZero() {
				*t = t.Add(by)
			}
		}
	}
	for _, p := range r.people {
		move(&p.lastSent, &p.lastTold)
	}
	for i := range r.spells {
		move(&r.spells[i].from, &r.spells[i].to)
	}
	for code, use := range r.codes {
		move(&use.at)
		r.codes[code] = use
	}
	if d := r.drill; d != nil {
		move(&d.started.At, &d.started.Until, &d.firstTold)
		for _, h := range d.heard {
			h.shift(move)
		}
	}
	for _, t := range r.troubles {
		for _, h := range t.heard {
			h.shift(move)
		}
		move(&t.toldAt, &t.firstTold, &t.raised.At, &t.raised.Since, &t.latest.At, &t.latest.Since, &t.answered.At)
		if t.raised.Priority != alarm.Morning {
			move(&t.firstRaise)
		}
	}
}

// Due gives the messages to store now. It is called after each batch of
// transitions and on every tick.
func (r *Router) Due(now time.Time, look Look) []callout.Message {
	r.look = look
	current := look.Current
	for _, p := range r.people {
		p.lastSent = notAfter(now, p.lastSent, r.policy.Gather)
		p.lastTold = notAfter(now, p.lastTold, r.policy.Repeat)
	}
	for k, t := range r.troubles {
		r.forget(k)
		for _, h := range t.heard {
			if h.first.After(now) {
				h.first = now
			}
		}
		t.firstTold = notAfter(now, t.firstTold, r.policy.Climb)
		t.toldAt = notAfter(now, t.toldAt, 24*time.Hour)
		if t.firstRaise.After(now) {
			t.firstRaise = now
		}
		t.current = ""
		if current != nil && t.active() {
			t.current = oneLine(current(k))
		}
	}
	r.endDrill(now)
	r.forgetSpells(now)
	c := r.calling(now)
	return slices.Concat(r.dueAnswers(now, c), r.dueHeld(now), r.dueCallOut(now, c), r.dueDrill(now), r.dueMorning(now, look))
}

// dueAnswers tells the others that somebody is coming. It does not wait for
// Gather: two people on the same dark road help nobody.
func (r *Router) dueAnswers(now time.Time, c call) []callout.Message {
	var names []string
	by := map[string][]*trouble{}
	list := r.sorted(alarm.CallOut)
	r.gather(now, list)
	for _, t := range list {
		if c := r.cause(now, t); c != nil && c.latest.To == alarm.Acknowledged {
			t.answer = false // told with its cause
		}
		if t.answer && t.latest.To == alarm.Acknowledged {
			name := t.latest.By
			if by[name] == nil {
				names = append(names, name)
			}
			by[name] = append(by[name], t)
		}
		t.answer = false
	}
	var out []callout.Message
	for _, name := range names {
		for _, p := range r.people {
			if strings.EqualFold(p.Name, name) {
				continue
			}
			l := letter{why: callout.Answered, to: p, ways: 1, spare: true}
			for _, t := range by[name] {
				if c.in[p] || t.knows(p).ever || r.root(now, t).knows(p).ever {
					l.list = append(l.list, t)
				}
			}
			if len(l.list) > 0 {
				l.words = r.answeredText(now, r.hearer(now, p, ""), name, l.list)
				out = append(out, r.write(now, &l)...)
			}
		}
	}
	for _, m := range out {
		r.mark(m.Reason, m.Person, m.Alarms, m.Code, now)
	}
	return out
}

// notAfter mends a time that d is counted from and that lies ahead, since the
// clock was set back after it: it counts as now, so that d is no longer than it
// is; and if it lies more than d ahead, which restarts must not add to, as long
// ago.
func notAfter(now, at time.Time, d time.Duration) time.Time {
	switch ahead := at.Sub(now); {
	case ahead > d:
		return time.Time{}
	case ahead > 0:
		return now
	}
	return at
}

// mark notes what a message has told a person. Due and Restore share it, so that
// a restart gives the same state as none.
func (r *Router) mark(why callout.Reason, person string, keys []alarm.Key, code string, at time.Time) {
	for _, k := range keys {
		t := r.troubles[k]
		if t == nil {
			continue
		}
		h := t.to(person)
		switch why {
		case callout.First, callout.Repeat, callout.MorningRound:
			if !t.told {
				t.firstTold = at
			}
			if !t.toldAt.Equal(at) {
				t.times++
			}
			t.told, t.toldAt, t.raises = true, at, 0
			h.note(why == callout.Repeat, at, code)
			h.ever = t.active() // else it came and went, and was told as that
		case callout.Answered:
			t.answer = false
			h.told, h.ever = true, true
		case callout.Returned:
			if !t.active() {
				t.told, h.told, h.ever = true, true, false
			}
		case callout.AllWell, callout.Drill, callout.Reply, callout.Heartbeat:
		}
		r.forget(k)
	}
	for _, p := range r.people {
		if p.Name == person {
			p.sent(why, at)
		}
	}
	if why == callout.AllWell || why == callout.MorningRound {
		r.wellOn = r.date(at)
	}
}

// forget drops a trouble whose end has been told to all who know of it; of one
// for the morning nobody is told of that.
func (r *Router) forget(k alarm.Key) {
	t := r.troubles[k]
	if t == nil || t.active() || !t.told {
		return
	}
	for _, p := range r.people {
		if t.raised.Priority == alarm.CallOut && t.knows(p).ever {
			return
		}
	}
	delete(r.troubles, k)
	if tr := t.later; tr != nil {
		r.troubles[k] = &trouble{raised: *tr, latest: *tr, firstRaise: tr.At, raises: 1, hidden: true}
	}
}

// sent notes when a person was told something that Gather or Repeat count from.
func (p *ear) sent(why callout.Reason, at time.Time) {
	switch why {
	case callout.First, callout.Repeat:
		p.lastSent, p.lastTold = at, at
	case callout.Returned:
		p.lastSent = at
	case callout.Answered, callout.MorningRound, callout.AllWell, callout.Drill, callout.Reply, callout.Heartbeat:
	}
}

// byKey lists all troubles by their key.
func (r *Router) byKey() []*trouble {
	list := slices.Collect(maps.Values(r.troubles))
	slices.SortFunc(list, func(a, b *trouble) int { return cmp.Compare(a.raised.Key, b.raised.Key) })
	return list
}

// sorted lists the troubles of a priority, worst first: what is there before
// what is over, what kills fish soonest, nearest to the spring (its failing is
// the cause of the others), longest.
func (r *Router) sorted(p alarm.Priority) []*trouble {
	return r.ranked(p, func(t *trouble) bool { return !t.hidden })
}

// ranked is sorted of what is wanted, hidden or not.
func (r *Router) ranked(p alarm.Priority, want func(*trouble) bool) []*trouble {
	var list []*trouble
	for _, t := range r.troubles {
		if t.raised.Priority == p && want(t) {
			list = append(list, t)
		}
	}
	slices.SortFunc(list, func(a, b *trouble) int {
		return cmp.Or(
			boolOrder(a.active(), b.active()),
			cmp.Compare(urgency(a.raised.Kind), urgency(b.raised.Kind)),
			cmp.Compare(r.place(a.raised.Unit), r.place(b.raised.Unit)),
			a.raised.Since.Compare(b.raised.Since),
			cmp.Compare(a.raised.Key, b.raised.Key),
		)
	})
	return list
}

func boolOrder(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

func (r *Router) place(unit string) int {
	if n, ok := r.upstream[unit]; ok {
		return n
	}
	return len(site.Kinds())
}

// urgency orders kinds by how soon fish may die of them (common practice, no
// source): without water or oxygen in minutes, of warmth in hours.
func urgency(k alarm.Kind) int {
	switch k {
	case alarm.LowFlow, alarm.LowOxygen, alarm.WaterBalance, alarm.Contact, alarm.Condition, alarm.CommonCause:
		return 0
	case alarm.TemperatureBand, alarm.TemperatureDrift, alarm.FromSpring, alarm.HighFlow, alarm.HighOxygen, alarm.FastChange, alarm.SlowDrift, alarm.FromSister:
		return 1
	case alarm.DaemonHealth, alarm.SilentProbe, alarm.StuckProbe, alarm.JumpingProbe, alarm.ImpossibleValue, alarm.ProbeInAir:
		return 2
	case alarm.MissedChore, alarm.LotDue:
		return 3
	}
	return 2
}
