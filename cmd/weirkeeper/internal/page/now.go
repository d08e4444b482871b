package page

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// nowView is what the first page shows: what needs a human, then the water in the
// order it flows, then the work of the day.
type nowView struct {
	AsOf    string
	Failing bool
	// Unwell says what is wrong with the daemon itself, in its words.
	Unwell string
	Pause  *pauseView
	// Urgent are the call-outs whose trouble is there, unanswered first, those
	// that follow from another under it; Unanswered counts those that nobody has
	// answered, Loose the alarms that all wait for an answer.
	Urgent            []troubleView
	Unanswered, Loose int
	// Other are what stands besides: for the morning, over but not answered,
	// hidden.
	Other    []troubleView
	Cleaning []cleaningView
	Aside    []asideView
	Water    []unitView
	Chores   []choreGroup
	ToDo     int // chores of today that are not done
	Coming   []comingView
	// Form is the ID that the forms of this page carry, so that a button pressed
	// twice counts once.
	Form string
}

type pauseView struct{ Until, Since, By, Why string }

type troubleView struct {
	ID             string // of its element
	Key            alarm.Key
	Trouble        string
	Detail         string
	Left           string
	ToDo           string
	CanHappen      string
	Hidden         string
	Since, Lasts   string
	By, AnsweredAt string
	Morning        bool
	Open           bool        // nobody has answered
	Over           bool        // the trouble is no longer there
	Reset          bool        // it waits to be reset
	AtStake        []stockView // what lies there
	Follows        []troubleView
}

type cleaningView struct {
	Unit, Name, By, Since, Until string
	Over                         bool
}

type asideView struct{ What, By, Since, Until, Why string }

type unitView struct {
	ID, Unit, Name, Section string
	// Depth is how many units the water has passed before, at most 3; From is the
	// one before.
	Depth    int
	From     string
	Troubles []troubleView // that stand there, to point at
	Out      bool          // of service
	Readings []readingView
	Lots     []stockView
	Clean    bool // cleaning can be started there
	Cleaning *cleaningView
}

type readingView struct {
	Name    string // of the quantity, and of the probe where there are several
	Value   string // "" when there is none
	Limits  []string
	Quality quality
	Words   string // age, or since when it is silent, or whose value it is
	Why     string // it is suspect, in the engine's words
	Beyond  bool   // its setpoint
}

// quality is what is known of a number.
type quality string

const (
	live     quality = "live"
	silent   quality = "silent"
	suspect  quality = "suspect"
	standIn  quality = "standin"
	unheard  quality = "unheard"
	notFresh quality = "old"
)

type stockView struct {
	Lot, Link, Species, Stage, Number, Units, Estimated string
	Tender, Counting                                    bool
}

type choreGroup struct {
	Name, Due string
	Missed    bool
	Done      bool
	Items     []choreItem
}

type choreItem struct {
	ID, Chore, Unit, Name, At string
	// Clean: it upsets alarms, so it can be started; Going: somebody is at it.
	Clean, Going bool
}

type comingView struct{ Trouble, Detail string }

// makeNow makes what is shown of a state in a language. It has no clock.
func makeNow(s *status.Status, unwell string, l Language, form string) nowView {
	n := nower{s, l, s.Site.Location}
	v := nowView{Unwell: unwell, AsOf: l.day(s.Now.In(n.zone)) + " " + s.Now.In(n.zone).Format("15:04:05"), Failing: s.Failing, Form: form}
	if s.Failing {
		v.Unwell = "" // that is said in full
	}
	if s.Now.Before(s.Pause.Until) {
		v.Pause = &pauseView{n.clock(s.Pause.Until), n.clock(s.Pause.At), s.Pause.By, s.Pause.Why}
	}
	n.alarms(&v)
	for _, c := range s.Cleaning {
		v.Cleaning = append(v.Cleaning, n.cleaning(c.Start.Unit, c.Start.By, c.Start.At, c.Start.Until))
	}
	for _, a := range s.Out {
		v.Aside = append(v.Aside, asideView{measure.Capital(a.Unit), a.By, n.clock(a.At), "", a.Why})
	}
	for _, a := range s.Shelved {
		what := string(a.Alarm)
		if i := slices.IndexFunc(s.Alarms, func(o rules.AlarmView) bool { return o.Key == a.Alarm }); i >= 0 {
			what = s.Alarms[i].Trouble
		}
		v.Aside = append(v.Aside, asideView{what, a.By, n.clock(a.At), n.clock(a.Until), a.Why})
	}
	n.water(&v)
	n.chores(&v)
	for _, a := range s.Coming {
		v.Coming = append(v.Coming, comingView{a.Trouble, a.Detail})
	}
	return v
}

type nower struct {
	s    *status.Status
	l    Language
	zone *time.Location
}

func (n nower) clock(t time.Time) string { return n.l.clock(t, n.s.Now, n.zone) }

func (n nower) age(d time.Duration) string { return measure.FormatDuration(max(0, d)) }

// element is an ID for an HTML element that stays the same from one page to the
// next.
func element(kind, of string) string {
	sum := sha256.Sum256([]byte(of))
	return kind + "-" + hex.EncodeToString(sum[:5])
}

func (n nower) alarms(v *nowView) {
	stands := make(map[alarm.Key]bool, len(n.s.Alarms))
	for _, a := range n.s.Alarms {
		stands[a.Key] = true
	}
	open := func(a rules.AlarmView) bool {
		return a.State == alarm.Unacknowledged || a.State == alarm.ReturnedUnacknowledged || a.State == alarm.LatchedUnacknowledged
	}
	for _, a := range n.s.Alarms {
		if a.Cause != "" && stands[a.Cause] {
			continue // under its cause
		}
		t := n.trouble(a)
		t.AtStake = n.stock(a.Unit)
		urgent := a.State.Active() && a.Priority == alarm.CallOut && a.Hidden == ""
		seen := map[alarm.Key]bool{a.Key: true} // whatever the causes say, no circle
		for waits := []alarm.Key{a.Key}; len(waits) > 0; waits = waits[1:] {
			for _, f := range n.s.Alarms {
				if f.Cause == waits[0] && !seen[f.Key] {
					seen[f.Key] = true
					waits = append(waits, f.Key)
					fv := n.trouble(f)
					// The answer to the cause is one to it, but for what came long after.
					fv.Open = fv.Open && a.State != alarm.Unacknowledged
					t.Follows = append(t.Follows, fv)
					urgent = urgent || f.State.Active() && f.Priority == alarm.CallOut && f.Hidden == ""
				}
			}
		}
		if urgent {
			v.Urgent = append(v.Urgent, t)
			if open(a) {
				v.Unanswered++
			}
		} else {
			v.Other = append(v.Other, t)
		}
		if open(a) && a.Hidden == "" {
			v.Loose++
		}
	}
	slices.SortStableFunc(v.Urgent, func(a, b troubleView) int { return n.rank(a) - n.rank(b) })
}

// rank puts what nobody has answered first.
func (n nower) rank(t troubleView) int {
	switch {
	case t.Open && !t.Over:
		return 0
	case !t.Over:
		return 1
	}
	return 2
}

func (n nower) trouble(a rules.AlarmView) troubleView {
	t := troubleView{
		ID: element("a", string(a.Key)), Key: a.Key, Trouble: a.Trouble, Detail: a.Detail, Left: measure.Capital(a.Left),
		ToDo: a.ToDo, CanHappen: a.CanHappen, Hidden: a.Hidden, Since: n.clock(a.Since), Lasts: n.age(n.s.Now.Sub(a.Since)),
		By: a.By, Morning: a.Priority != alarm.CallOut,
		Open: a.State == alarm.Unacknowledged || a.State == alarm.ReturnedUnacknowledged || a.State == alarm.LatchedUnacknowledged,
		Over: !a.State.Active(), Reset: a.State == alarm.LatchedAcknowledged,
	}
	if a.State == alarm.Acknowledged && a.By != "" {
		t.AnsweredAt = n.clock(a.MovedAt)
	}
	return t
}

func (n nower) cleaning(unit, by string, since, until time.Time) cleaningView {
	return cleaningView{unit, measure.Capital(unit), by, n.clock(since), n.clock(until), !n.s.Now.Before(until)}
}

// flow gives the units as the water passes them: each before those that it feeds,
// else in the order of the site file. A unit that feeds itself by some way round
// stands where it is first met.
func flow(s *site.Site) (order []*site.Unit, depth map[string]int) {
	depth = make(map[string]int)
	var visit func(u *site.Unit, d int)
	visit = func(u *site.Unit, d int) {
		if _, met := depth[u.Name]; met {
			return
		}
		depth[u.Name] = d
		order = append(order, u)
		for i := range s.Units {
			if s.Feeder(s.Units[i].Name) == u.Name {
				visit(&s.Units[i], d+1)
			}
		}
	}
	for i := range s.Units {
		if s.Feeder(s.Units[i].Name) == "" {
			visit(&s.Units[i], 0)
		}
	}
	for i := range s.Units {
		visit(&s.Units[i], 0)
	}
	return order, depth
}

func (n nower) water(v *nowView) {
	order, depth := flow(n.s.Site)
	byUnit := make(map[string][]*rules.ProbeView)
	for i := range n.s.Probes {
		p := &n.s.Probes[i]
		byUnit[p.Probe.At] = append(byUnit[p.Probe.At], p)
	}
	cleaning := make(map[string]*cleaningView)
	for i := range v.Cleaning {
		cleaning[v.Cleaning[i].Unit] = &v.Cleaning[i]
	}
	out := make(map[string]bool)
	for _, a := range n.s.Out {
		out[a.Unit] = true
	}
	before := ""
	for _, u := range order {
		w := unitView{
			ID: element("u", u.Name), Unit: u.Name, Name: measure.Capital(u.Name), Section: u.Section, Depth: min(depth[u.Name], 3), From: n.s.Site.Feeder(u.Name),
			Out: out[u.Name], Readings: n.readings(byUnit[u.Name]), Clean: u.Kind.HoldsFish(), Cleaning: cleaning[u.Name],
		}
		if w.Section == before {
			w.Section = ""
		}
		before = u.Section
		for _, a := range n.s.Alarms {
			if a.Unit == u.Name && a.State.Active() {
				w.Troubles = append(w.Troubles, n.trouble(a))
			}
		}
		w.Lots = n.stock(u.Name)
		if len(w.Lots) > 0 {
			if r, ok := n.spring(u.Name); ok {
				w.Readings = append(w.Readings, r)
			}
		}
		v.Water = append(v.Water, w)
	}
	if rest := n.readings(byUnit[""]); len(rest) > 0 {
		v.Water = append(v.Water, unitView{ID: "u-site", Name: n.l.Text("now.wholesite"), Readings: rest})
	}
}

func (n nower) readings(probes []*rules.ProbeView) []readingView {
	var out []readingView
	for _, q := range reading.Quantities() {
		var here []*rules.ProbeView
		for _, p := range probes {
			if p.Probe.Quantity == q {
				here = append(here, p)
			}
		}
		for _, p := range here {
			name := n.l.Text("quantity." + q.String())
			switch {
			case q == reading.Contact:
				name = string(p.Probe.ID)
			case len(here) > 1:
				name += " (" + string(p.Probe.ID) + ")"
			}
			out = append(out, n.reading(p, name))
			if stand := n.probe(p.Probe.StandIn); stand != nil && out[len(out)-1].Quality != live && stand.Heard && !stand.Silent && stand.Suspect == "" {
				out = append(out, n.instead(stand, n.l.Text("quantity."+q.String())))
			}
		}
	}
	return out
}

func (n nower) probe(id reading.ProbeID) *rules.ProbeView {
	for i := range n.s.Probes {
		if id != "" && n.s.Probes[i].Probe.ID == id {
			return &n.s.Probes[i]
		}
	}
	return nil
}

// instead is a probe's value where it stands in for another's.
func (n nower) instead(p *rules.ProbeView, name string) readingView {
	whose := p.Probe.At
	if whose == "" {
		whose = string(p.Probe.ID)
	}
	return readingView{Name: name, Value: n.s.Site.Format(p.Probe.Quantity, p.Last.Value), Quality: standIn, Words: n.l.Text("now.standin", whose, n.age(p.Age))}
}

// spring is the temperature of the spring for a unit with lots in it and no
// thermometer of its own.
func (n nower) spring(unit string) (readingView, bool) {
	for _, l := range n.s.Lots {
		for _, src := range l.Sources {
			if p := n.probe(src.Probe); src.Unit == unit && p != nil && p.Probe.At != unit && p.Heard && !p.Silent && p.Suspect == "" {
				if _, own := n.s.Site.ProbeAt(unit, reading.Temperature); !own {
					return n.instead(p, n.l.Text("quantity.temperature")), true
				}
			}
		}
	}
	return readingView{}, false
}

func (n nower) reading(p *rules.ProbeView, name string) readingView {
	q := p.Probe.Quantity
	r := readingView{Name: name}
	for _, m := range p.Setpoints {
		key := "now.most"
		if m.Least {
			key = "now.least"
		}
		if words := n.l.Text(key, n.s.Site.ShowUnit(m.Quantity).Format(m.Value)); !slices.Contains(r.Limits, words) {
			r.Limits = append(r.Limits, words)
		}
		r.Beyond = r.Beyond || m.Quantity == q && (m.Least && p.Last.Value < m.Value || !m.Least && p.Last.Value > m.Value)
	}
	if !p.Heard {
		r.Quality, r.Words, r.Beyond = unheard, n.l.Text("now.unheard"), false
		return r
	}
	r.Value = n.s.Site.Format(q, p.Last.Value)
	if q == reading.Contact {
		r.Value = n.l.Text("contact." + r.Value)
	}
	switch {
	case p.Silent:
		r.Quality, r.Words, r.Beyond = silent, n.l.Text("now.silent", n.clock(n.s.Now.Add(-p.Age)), n.age(p.Age)), false
	case p.Suspect != "":
		r.Quality, r.Words, r.Why, r.Beyond = suspect, n.l.Text("now.suspect"), p.Suspect, false
	case p.Age > 3*p.Probe.Every:
		r.Quality, r.Words = notFresh, n.l.Text("now.old", n.age(p.Age))
	default:
		r.Quality, r.Words = live, n.l.Text("now.live", n.age(p.Age))
	}
	return r
}

func (n nower) stock(unit string) []stockView {
	var out []stockView
	for i := range n.s.Lots {
		l := &n.s.Lots[i]
		if !l.Lot.Finished.IsZero() {
			continue
		}
		for j := range l.Lot.Holdings {
			if h := &l.Lot.Holdings[j]; h.Unit == unit {
				out = append(out, n.holding(l, h))
			}
		}
	}
	return out
}

func (n nower) holding(l *rules.LotView, h *book.Holding) stockView {
	v := stockView{
		Lot: l.Lot.ID, Link: lotPath(l.Lot.ID), Species: l.Lot.Species, Number: measure.Group(h.Number),
		Tender: l.Tender.Tender, Counting: l.Counting,
	}
	stage := string(l.Lot.Stage)
	if l.Lot.Stage == lot.SwimUp && !l.Lot.FedAt.IsZero() {
		stage = "feeding"
	}
	v.Stage = n.l.Text("stage." + stage)
	if l.Lot.SwimUpAt.IsZero() {
		v.Units = n.l.Text("now.units", fmt.Sprintf("%.1f", float64(l.Units.DegreeDays)), fmt.Sprintf("%.1f", l.Units.DegreeDays.TUF()))
		if e := l.Units.Estimated(); e.Hours() >= 0.05 {
			v.Estimated = n.l.Text("now.estimated", fmt.Sprintf("%.1f", e.Hours()))
		}
	}
	return v
}

// lotPath is the path of a lot's page. Dots are escaped too: a lot may be called
// "..".
func lotPath(id string) string {
	return "/lots/" + strings.ReplaceAll(url.PathEscape(id), ".", "%2E")
}

func (n nower) chores(v *nowView) {
	today := n.l.day(n.s.Now.In(n.zone))
	going := make(map[string]string)
	for _, c := range n.s.Cleaning {
		going[c.Start.Unit] = c.Start.Chore
	}
	type ordered struct {
		choreGroup
		due time.Time
	}
	var groups []ordered
	put := func(c rules.ChoreView, done bool, at string) {
		g := ordered{choreGroup{Name: measure.Capital(c.Chore.Name), Due: n.clock(c.Due), Missed: c.Missed && !done, Done: done}, c.Due}
		if done {
			g.Due, g.due = "", time.Time{}
		}
		i := slices.IndexFunc(groups, func(o ordered) bool {
			return o.Name == g.Name && o.Due == g.Due && o.Missed == g.Missed && o.Done == g.Done
		})
		if i < 0 {
			groups, i = append(groups, g), len(groups)
		}
		name := measure.Capital(c.Unit)
		if c.Unit == "" {
			name = n.l.Text("now.wholesite")
		}
		cleaning, ok := n.s.Site.Cleaning(c.Unit)
		groups[i].Items = append(groups[i].Items, choreItem{
			ID: element("c", c.Chore.Name+"\x00"+c.Unit), Chore: c.Chore.Name, Unit: c.Unit, Name: name, At: at,
			Clean: c.Unit != "" && ok && cleaning == c.Chore, Going: c.Unit != "" && going[c.Unit] == c.Chore.Name,
		})
	}
	for _, c := range n.s.Chores {
		if c.Missed || n.l.day(c.Due.In(n.zone)) == today {
			put(c, false, "")
			v.ToDo++
		}
		if !c.Done.IsZero() && n.l.day(c.Done.In(n.zone)) == today {
			put(c, true, c.Done.In(n.zone).Format("15:04"))
		}
	}
	slices.SortStableFunc(groups, func(a, b ordered) int {
		return cmp.Or(order(a.Done)-order(b.Done), order(b.Missed)-order(a.Missed), a.due.Compare(b.due))
	})
	for _, g := range groups {
		v.Chores = append(v.Chores, g.choreGroup)
	}
}

func order(b bool) int {
	if b {
		return 1
	}
	return 0
}
