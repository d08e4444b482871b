package page

import (
	"cmp"
	"context"
	"net/http"
	"slices"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/cmd/weirkeeper/internal/calls"
	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// DayRecord is what the journal needs of the daemon.
type DayRecord interface {
	// Status is nil until the first tick.
	Status() *status.Status
	// JournalDay is what came about with from <= its time < to.
	JournalDay(ctx context.Context, from, to time.Time) (*JournalDay, error)
	// Water sums up what each probe said with from <= its time < to.
	Water(ctx context.Context, from, to time.Time) ([]Water, error)
}

// JournalDay is what came about on a day, each part in order of time.
type JournalDay struct {
	Transitions []alarm.Transition
	// Standing are alarms that stood when the day began: their last step before.
	Standing []alarm.Transition
	Acts     []act.Act
	Chores   []site.ChoreDone
	Lots     []book.Line
	// Calls words what was said to people and by them; Messages went to people,
	// Missed of them were never handed over.
	Calls            []calls.Line
	Messages, Missed int
}

// Water is what a probe said in a span of time, in base units.
type Water struct {
	Probe          *site.Probe
	Min, Mean, Max float64
	Count          int
	// Without are the hours of the span with no reading in them.
	Without int
}

// Journal serves the journal, the daily record and the morning round.
type Journal struct {
	record DayRecord
	site   *site.Site
	now    func() time.Time
}

// NewJournal makes the journal of a site.
func NewJournal(r DayRecord, at *site.Site, now func() time.Time) *Journal {
	return &Journal{r, at, now}
}

// Mount serves GET /journal, /journal/DAY, /journal/DAY/record and /round; all else
// goes to rest.
func (j *Journal) Mount(rest http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/", rest)
	mux.HandleFunc("GET /journal", func(w http.ResponseWriter, r *http.Request) {
		day := r.URL.Query().Get("day")
		if _, ok := j.date(day); !ok {
			day = j.now().In(j.site.Location).Format(time.DateOnly)
		}
		http.Redirect(w, r, "/journal/"+day, http.StatusSeeOther)
	})
	mux.HandleFunc("GET /journal/{day}", func(w http.ResponseWriter, r *http.Request) { j.day(w, r, "journal", j.hours) })
	mux.HandleFunc("GET /journal/{day}/record", func(w http.ResponseWriter, r *http.Request) { j.day(w, r, "dayrecord", j.daily) })
	mux.HandleFunc("GET /round", j.round)
	return mux
}

// date reads a date of the site's own days.
func (j *Journal) date(s string) (time.Time, bool) {
	t, err := time.ParseInLocation(time.DateOnly, s, j.site.Location)
	return t, err == nil && t.Year() >= 1990 && t.Year() < 2200
}

// dayPage is a day of the journal, or its record.
type dayPage struct {
	From, Now          time.Time
	Before, After, ISO string // dates; After is "" today
	Today              bool
	Hours              []hour
	Calls              []callLine
	Messages, Missed   int
	MayRead            bool // who called whom, by which number
	Water              []waterRow
	Alarms             []alarmRow
	Work               []workRow
	Lots               []hour
	Dead               []deadRow
}

// hour is one thing that came about.
type hour struct {
	At time.Time
	// Shape is a glyph, Key says what it is; Words and More say it.
	Shape, Key, Words string
	By                string
	More              []string
	Gone              bool
}

type callLine struct {
	Clock, Head string
	More        []string
}

func (j *Journal) day(w http.ResponseWriter, r *http.Request, name string, fill func(context.Context, *dayPage, *JournalDay, time.Time) error) {
	from, ok := j.date(r.PathValue("day"))
	if !ok {
		Harden(w.Header())
		http.Error(w, "there is no such day; write it like /journal/2026-11-20", http.StatusNotFound)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	now, to := j.now().In(j.site.Location), from.AddDate(0, 0, 1)
	d := dayPage{
		From: from, Now: now, Before: from.AddDate(0, 0, -1).Format(time.DateOnly), After: to.Format(time.DateOnly), ISO: from.Format(time.DateOnly),
		MayRead: access.From(r.Context()).Role >= access.Work,
	}
	if !to.Before(now) {
		d.After, d.Today = "", true
	}
	rec, err := j.record.JournalDay(ctx, from, to)
	if err == nil {
		d.Messages, d.Missed = rec.Messages, rec.Missed
		err = fill(ctx, &d, rec, to)
	}
	if err != nil {
		notGot(w, err)
		return
	}
	Write(w, r, http.StatusOK, Page{Title: "journal." + name, Name: name, Site: j.site.Name, Styles: []string{"lots.css"}, Data: d})
}

// hours is all of the day in order of time.
func (j *Journal) hours(_ context.Context, d *dayPage, rec *JournalDay, _ time.Time) error {
	loc := j.site.Location
	add := func(h hour) {
		h.At = h.At.In(loc)
		d.Hours = append(d.Hours, h)
	}
	for _, t := range rec.Transitions {
		add(step(t))
	}
	for _, a := range rec.Acts {
		if a.Kind == act.Reset {
			continue // its transition says it
		}
		h := hour{At: a.At, Shape: "–", Key: "act", Words: string(a.Kind), By: a.By}
		for _, what := range []string{a.Unit, string(a.Alarm)} {
			if what != "" {
				h.Words += ", " + what
			}
		}
		if !a.Until.IsZero() {
			h.Words += ", until " + act.Clock(a.Until, a.At, loc)
		}
		if a.Why != "" {
			h.More = []string{a.Why}
		}
		add(h)
	}
	for _, c := range rec.Chores {
		h := hour{At: c.At, Shape: "✓", Key: "chore", Words: c.Chore, By: c.By}
		if c.Unit != "" {
			h.Words += ", " + c.Unit
		}
		add(h)
	}
	for _, l := range rec.Lots {
		add(lotHour(l, loc))
	}
	slices.SortStableFunc(d.Hours, func(a, b hour) int { return a.At.Compare(b.At) })
	if d.MayRead {
		for _, c := range rec.Calls {
			d.Calls = append(d.Calls, callLine{c.At.In(loc).Format("15:04:05"), c.Head, c.More})
		}
	}
	return nil
}

// step words one transition of an alarm.
func step(t alarm.Transition) hour {
	h := hour{At: t.At, By: t.By, Words: t.Trouble}
	if t.Detail != "" {
		h.Words += ": " + t.Detail
	}
	switch {
	case t.Kind == alarm.LotDue && !t.To.Active():
		h.Shape, h.Key = "●", "past"
	case t.Kind == alarm.LotDue && t.By == "":
		h.Shape, h.Key = "○", "coming"
	case t.Raised():
		h.Shape, h.Key = "▲", "raised"
	case t.Returned():
		h.Shape, h.Key = "●", "over"
	case t.By != "" && (t.From == alarm.LatchedAcknowledged || t.From == alarm.LatchedUnacknowledged) && t.To == alarm.Normal:
		h.Shape, h.Key = "–", "reset"
	case t.By != "":
		h.Shape, h.Key = "◆", "answered"
	case t.To == alarm.Normal:
		h.Shape, h.Key = "●", "over"
	default:
		h.Shape, h.Key = "△", "still"
	}
	for _, s := range []string{t.Left, t.Hidden} {
		if s != "" && h.Key != "over" {
			h.More = append(h.More, s)
		}
	}
	return h
}

func lotHour(l book.Line, loc *time.Location) hour {
	h := hour{At: l.At.In(loc), Shape: "○", Key: "lot", Words: l.Lot + ": " + l.Words(), By: l.By, Gone: l.CorrectedBy != 0 || l.Problem != ""}
	if !l.RecordedAt.IsZero() && daysBetween(l.At, l.RecordedAt, loc) != 0 {
		h.More = []string{"written down " + l.RecordedAt.In(loc).Format("2 Jan 2006 15:04")}
	}
	return h
}

// waterRow is what a probe said over a day, in the keeper's units.
type waterRow struct {
	Unit, Quantity, Least, Mean, Most, Show string
	Without                                 int
	Silent                                  bool
}

func (j *Journal) water(all []Water) []waterRow {
	var out []waterRow
	for _, x := range all {
		q := x.Probe.Quantity
		if q == reading.Contact {
			continue
		}
		row := waterRow{Unit: x.Probe.At, Quantity: q.String(), Show: j.site.ShowUnit(q).String(), Without: x.Without, Silent: x.Count == 0}
		if x.Count > 0 {
			row.Least, row.Mean, row.Most = j.bare(q, x.Min), j.bare(q, x.Mean), j.bare(q, x.Max)
		}
		out = append(out, row)
	}
	return out
}

// bare is a value in the keeper's unit, without it.
func (j *Journal) bare(q reading.Quantity, v float64) string {
	return strings.TrimSpace(strings.TrimSuffix(j.site.Format(q, v), j.site.ShowUnit(q).String()))
}

// alarmRow is one trouble of a day; times are zero where they lie on another day,
// or nowhere.
type alarmRow struct {
	Trouble, Detail, By    string
	Since, Answered, Ended time.Time
	Hidden                 string
}

// alarmRows are the troubles of a day, those that stood when it began first.
func alarmRows(rec *JournalDay, loc *time.Location) []alarmRow {
	type occurrence struct {
		key alarm.Key
		n   uint64
	}
	index := make(map[occurrence]int)
	var out []alarmRow
	for _, t := range slices.Concat(rec.Standing, rec.Transitions) {
		if t.Kind == alarm.LotDue {
			continue // nothing is wrong
		}
		o := occurrence{t.Key, t.Occurrence}
		i, ok := index[o]
		if !ok {
			i = len(out)
			index[o] = i
			out = append(out, alarmRow{Trouble: t.Trouble, Detail: t.Detail, Since: t.Since.In(loc), Hidden: t.Hidden})
		}
		r := &out[i]
		switch {
		case t.Returned() || t.To == alarm.Normal && r.Ended.IsZero():
			r.Ended = t.At.In(loc)
		case t.By != "" && r.Answered.IsZero():
			r.Answered, r.By = t.At.In(loc), t.By
		}
	}
	return out
}

// workRow is a chore or a cleaning that was done.
type workRow struct {
	At             time.Time
	What, Unit, By string
}

// deadRow is how many of a lot died on a day.
type deadRow struct{ Lot, Number string }

// daily is the record of a day, to print.
func (j *Journal) daily(ctx context.Context, d *dayPage, rec *JournalDay, to time.Time) error {
	loc := j.site.Location
	if d.Now.Before(to) {
		to = d.Now
	}
	if to.After(d.From) {
		all, err := j.record.Water(ctx, d.From, to)
		if err != nil {
			return err
		}
		d.Water = j.water(all)
	}
	d.Alarms = alarmRows(rec, loc)
	for _, c := range rec.Chores {
		d.Work = append(d.Work, workRow{c.At.In(loc), c.Chore, c.Unit, c.By})
	}
	for _, a := range rec.Acts {
		switch a.Kind {
		case act.CleaningStarted, act.CleaningFinished, act.OutOfService, act.InService, act.Paused, act.Resumed, act.DrillStarted, act.DrillAnswered:
			d.Work = append(d.Work, workRow{a.At.In(loc), strings.TrimSuffix(string(a.Kind)+": "+a.Why, ": "), a.Unit, a.By})
		case act.Shelved, act.Unshelved, act.Reset, act.MarkedFalse:
		}
	}
	slices.SortStableFunc(d.Work, func(a, b workRow) int { return a.At.Compare(b.At) })
	dead := make(map[string]int)
	for _, l := range rec.Lots {
		d.Lots = append(d.Lots, lotHour(l, loc))
		if l.CorrectedBy == 0 && l.Problem == "" && (l.Kind == book.Picked || l.Kind == book.Shocked || l.Kind == book.Lost) {
			dead[l.Lot] += l.Number
		}
	}
	for id, n := range dead {
		d.Dead = append(d.Dead, deadRow{id, measure.Group(n)})
	}
	slices.SortFunc(d.Dead, func(a, b deadRow) int { return cmp.Compare(a.Lot, b.Lot) })
	return nil
}

// roundPage is what to look at on the morning round.
type roundPage struct {
	Now, Night time.Time
	ISO        string
	Units      []roundUnit
	Alarms     []alarmRow
	Jobs       []string // chores of the whole site due today
}

// roundUnit is a unit to look at, in the order in which the water flows.
type roundUnit struct {
	Name   string
	Place  bool // lots can lie there
	Holds  []string
	Probes []roundProbe
	Jobs   []string
}

type roundProbe struct {
	Quantity, Now, Least, Most, Show string
	Silent                           bool
	Suspect                          string
}

// nightBegins is the hour at which the night of the morning round begins.
const nightBegins = 18

func (j *Journal) round(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	s := j.record.Status()
	if s == nil {
		Harden(w.Header())
		http.Error(w, "starting, nothing judged yet: load the page again", http.StatusServiceUnavailable)
		return
	}
	now := j.now().In(j.site.Location)
	y, m, day := now.Date()
	p := roundPage{Now: now, Night: time.Date(y, m, day-1, nightBegins, 0, 0, 0, j.site.Location), ISO: now.Format(time.DateOnly)}
	night, err := j.record.Water(ctx, p.Night, now)
	var rec *JournalDay
	if err == nil {
		rec, err = j.record.JournalDay(ctx, p.Night, now)
	}
	if err != nil {
		notGot(w, err)
		return
	}
	p.Alarms = alarmRows(rec, j.site.Location)
	p.Units, p.Jobs = j.roundUnits(s, night, now)
	Write(w, r, http.StatusOK, Page{Title: "journal.round", Name: "round", Site: j.site.Name, Styles: []string{"lots.css"}, Data: p})
}

func (j *Journal) roundUnits(s *status.Status, night []Water, now time.Time) (units []roundUnit, jobs []string) {
	due := func(unit string, empty bool) (out []string) {
		for i := range j.site.Chores {
			c := &j.site.Chores[i]
			if !c.DoneAt(unit) || !c.On(now) || empty && !c.EvenEmpty {
				continue
			}
			for _, by := range c.By {
				y, m, d := now.Date()
				out = append(out, c.Name+" "+time.Date(y, m, d, by/60, by%60, 0, 0, now.Location()).Format("15:04"))
			}
		}
		return out
	}
	for _, u := range j.site.Units {
		x := roundUnit{Name: u.Name, Place: u.Kind != site.Spring && u.Kind != site.HeadBox}
		for _, v := range s.Lots {
			for _, h := range v.Lot.Holdings {
				if h.Unit == u.Name {
					x.Holds = append(x.Holds, v.Lot.ID+", "+measure.Group(h.Number)+" "+v.Lot.Species+", "+string(v.Lot.Stage))
				}
			}
		}
		x.Jobs = due(u.Name, len(x.Holds) == 0)
		for _, v := range s.Probes {
			q := v.Probe.Quantity
			if v.Probe.At != u.Name || q == reading.Contact {
				continue
			}
			row := roundProbe{Quantity: q.String(), Show: j.site.ShowUnit(q).String(), Silent: v.Silent || !v.Heard, Suspect: v.Suspect}
			if v.Heard {
				row.Now = j.bare(q, v.Last.Value)
			}
			for _, n := range night {
				if n.Probe.ID == v.Probe.ID && n.Count > 0 {
					row.Least, row.Most = j.bare(q, n.Min), j.bare(q, n.Max)
				}
			}
			x.Probes = append(x.Probes, row)
		}
		if len(x.Holds)+len(x.Probes)+len(x.Jobs) > 0 {
			units = append(units, x)
		}
	}
	return units, due("", false)
}
