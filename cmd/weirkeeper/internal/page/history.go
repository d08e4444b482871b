package page

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"iter"
	"log/slog"
	"math"
	"net/http"
	"slices"
	"strconv"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/ingest/series"
	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// Past is the readings; see series.Store.
type Past interface {
	Buckets(ctx context.Context, probe reading.ProbeID, from, to time.Time, n int) ([]series.Bucket, error)
	Readings(ctx context.Context, probe reading.ProbeID, from, to time.Time) iter.Seq2[reading.Reading, error]
}

// Record is what else has happened; see ledger.Ledger.
type Record interface {
	Journal(ctx context.Context, from, to time.Time) ([]alarm.Transition, error)
	Standing(ctx context.Context) ([]alarm.Transition, error)
	Acts(ctx context.Context, since time.Time, always ...act.Kind) ([]act.Act, error)
	Chores(ctx context.Context, from, to time.Time) iter.Seq2[site.ChoreDone, error]
	LotEntries(ctx context.Context) ([]book.Entry, error)
}

// HistoryOptions are what History works with; all are needed.
type HistoryOptions struct {
	Site   *site.Site
	Past   Past
	Record Record
	// Status gives the setpoints that hold now; its result may be nil.
	Status func() *status.Status
	Now    func() time.Time
	Log    *slog.Logger
}

// History is the page of what has been: plots of probes over any range.
type History struct {
	HistoryOptions
	// turns bounds how many ranges are read at once, exports how many are
	// written out.
	turns, exports chan struct{}
}

// NewHistory makes the page.
func NewHistory(o HistoryOptions) *History {
	return &History{o, make(chan struct{}, 2), make(chan struct{}, 2)}
}

// Mount serves GET /history, /history.json and /history.csv, and all else by rest.
func (h *History) Mount(rest http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/", rest)
	mux.HandleFunc("GET /history", h.page)
	mux.HandleFunc("GET /history.json", h.json)
	mux.HandleFunc("GET /history.csv", h.csv)
	return mux
}

const (
	// historyPatience is how long a range may take to read.
	historyPatience = 20 * time.Second
	// bucketsDrawn is how finely the drawing is made, bucketsGiven how finely
	// data is given where it is not asked for, bucketsMost at most.
	bucketsDrawn, bucketsGiven, bucketsMost = 480, 600, 2000
	// marksGiven is how many marks are in the data, the newest.
	marksGiven = 2000
	// marksListed is how many marks are listed in words, the newest.
	marksListed = 100
	// marksBefore is how long before the range an alarm or an act is looked for
	// that may reach into it.
	marksBefore = 7 * 24 * time.Hour
)

// past is a range of some probes, read.
type past struct {
	ranged
	Lines []line
	Marks []mark
}

// line is one probe's readings.
type line struct {
	Probe  *site.Probe
	Unit   measure.Unit // that of the keeper; zero for a contact
	Points []point
	// Setpoints are those in the probe's own quantity that hold now.
	Setpoints []rules.Setpoint
	// Least, Most and Mean of all readings in the base unit, and their Count; 0
	// where there are none.
	Least, Most, Mean float64
	Count             int
	// Silent is the longest time without a usable reading.
	Silent time.Duration
}

// point sums up the readings of a bucket, in the base unit.
type point struct {
	At                   time.Time
	Min, Mean, Max, Last float64
	// Break: the probe was silent before, so no line leads here.
	Break bool
}

// lane is what kind of thing a mark is.
type lane uint8

const (
	alarmLane lane = iota
	cleaningLane
	eventLane
	laneCount
)

func (l lane) String() string { return [...]string{"alarm", "cleaning", "event"}[l] }

// mark is something that happened, at From or until To.
type mark struct {
	Lane     lane
	From, To time.Time // both in the range; equal for a moment
	// Began is when it did, before the range or in it, and Open says that it had
	// not ended by the end of the range.
	Began time.Time
	Open  bool
	Words string
	// Probe is the one that an alarm judges, "" for none.
	Probe reading.ProbeID
}

// read gathers what was asked for; n is the number of buckets.
func (h *History) read(ctx context.Context, a ranged, n int) (*past, error) {
	ctx, cancel := context.WithTimeout(ctx, historyPatience)
	defer cancel()
	select {
	case h.turns <- struct{}{}:
		defer func() { <-h.turns }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	p := &past{ranged: a}
	set := make(map[reading.ProbeID][]rules.Setpoint)
	if s := h.Status(); s != nil {
		for _, v := range s.Probes {
			set[v.Probe.ID] = v.Setpoints
		}
	}
	for _, probe := range a.Probes {
		buckets, err := h.Past.Buckets(ctx, probe.ID, a.From, a.To, n)
		if err != nil {
			return nil, err
		}
		l := newLine(probe, h.Site.ShowUnit(probe.Quantity), buckets, a)
		for _, s := range set[probe.ID] {
			if s.Quantity == probe.Quantity {
				l.Setpoints = append(l.Setpoints, s)
			}
		}
		p.Lines = append(p.Lines, l)
	}
	var err error
	p.Marks, err = h.marks(ctx, a)
	return p, err
}

// newLine makes a line of buckets of equal length.
func newLine(probe *site.Probe, unit measure.Unit, buckets []series.Bucket, a ranged) line {
	l := line{Probe: probe, Unit: unit}
	length := a.To.Sub(a.From) / time.Duration(len(buckets))
	// A reading missed, and the next one late; or so short that it cannot be
	// seen.
	gap := max(3*probe.Every+time.Second, length)
	last := a.From
	for _, b := range buckets {
		if b.Count == 0 {
			continue
		}
		p := point{At: b.From.Add(length / 2), Min: b.Min, Mean: b.Mean, Max: b.Max, Last: b.Last, Break: b.Longest > gap || l.Count == 0}
		if b.Count == 1 {
			p.At = b.LastAt
		}
		l.Points = append(l.Points, p)
		if l.Count == 0 {
			l.Least, l.Most = b.Min, b.Max
		}
		l.Count += b.Count
		l.Least, l.Most = min(l.Least, b.Min), max(l.Most, b.Max)
		l.Mean += (b.Mean - l.Mean) * float64(b.Count) / float64(l.Count)
		l.Silent = max(l.Silent, b.Longest)
		last = b.LastAt
	}
	end := a.To
	if a.Now.Before(end) {
		end = a.Now
	}
	l.Silent = max(l.Silent, end.Sub(last))
	return l
}

// marks are what happened to the probes asked for and to the units they stand
// in, in order of time.
func (h *History) marks(ctx context.Context, a ranged) ([]mark, error) {
	var all []mark
	units := map[string]bool{"": true} // the whole site
	probes := make(map[reading.ProbeID]bool)
	for _, p := range a.Probes {
		units[p.At], probes[p.ID] = true, true
	}
	var of reading.ProbeID // what an alarm judges
	put := func(l lane, from, to time.Time, open bool, words string) {
		if !from.Before(a.To) || to.Before(a.From) && !open {
			return
		}
		m := mark{Lane: l, From: from, To: to, Began: from, Open: open, Words: words, Probe: of}
		if m.From.Before(a.From) {
			m.From = a.From
		}
		if m.Open = open || to.After(a.To); m.Open {
			m.To = a.To
			if a.Now.Before(m.To) {
				m.To = a.Now
			}
		}
		if m.To.Before(m.From) {
			m.To = m.From
		}
		all = append(all, m)
	}

	journal, err := h.Record.Journal(ctx, a.From.Add(-marksBefore), a.To)
	if err != nil {
		return nil, err
	}
	standing, err := h.Record.Standing(ctx)
	if err != nil {
		return nil, err
	}
	raised := make(map[alarm.Key]alarm.Transition)
	for _, t := range standing {
		if t.To.Active() && t.At.Before(a.From.Add(-marksBefore)) {
			raised[t.Key] = t
		}
	}
	words := func(t alarm.Transition) string {
		if t.Detail == "" {
			return t.Trouble
		}
		return t.Trouble + ", " + t.Detail
	}
	for _, t := range journal {
		if !probes[t.Probe] && (t.Unit == "" || !units[t.Unit]) {
			continue
		}
		switch up, is := raised[t.Key]; {
		case t.Raised():
			raised[t.Key] = t
		case t.Returned() && is:
			of = t.Probe
			put(alarmLane, up.At, t.At, false, words(up))
			delete(raised, t.Key)
		}
	}
	for _, t := range raised {
		if probes[t.Probe] || t.Unit != "" && units[t.Unit] {
			of = t.Probe
			put(alarmLane, t.At, t.At, true, words(t))
		}
	}
	of = ""

	if err := h.actMarks(ctx, a, units, put); err != nil {
		return nil, err
	}
	entries, err := h.Record.LotEntries(ctx)
	if err != nil {
		return nil, err
	}
	gone := make(map[int64]bool)
	for _, e := range entries {
		gone[e.Corrects] = true
	}
	for _, e := range entries {
		if !gone[e.Seq] && e.Kind != book.Struck && (e.Unit != "" && units[e.Unit] || e.To != "" && units[e.To]) {
			put(eventLane, e.At, e.At, false, e.Lot+": "+e.Words())
		}
	}
	slices.SortStableFunc(all, func(a, b mark) int {
		return cmp.Or(a.Began.Compare(b.Began), cmp.Compare(a.Lane, b.Lane), cmp.Compare(a.Words, b.Words))
	})
	return all, nil
}

// actMarks are the acts and chores among the marks.
func (h *History) actMarks(ctx context.Context, a ranged, units map[string]bool, put func(lane, time.Time, time.Time, bool, string)) error {
	acts, err := h.Record.Acts(ctx, a.From.Add(-marksBefore))
	if err != nil {
		return err
	}
	by := func(what, unit, who string) string {
		if unit != "" {
			what = measure.Capital(unit) + ": " + what
		}
		if who != "" {
			what += ", " + who
		}
		return what
	}
	cleaned := make(map[string]act.Act) // under way, by unit
	finish := func(unit string, at time.Time, open bool) {
		if s, ok := cleaned[unit]; ok {
			put(cleaningLane, s.At, at, open, by("cleaning", unit, s.By))
			delete(cleaned, unit)
		}
	}
	for _, x := range acts {
		if !units[x.Unit] {
			continue
		}
		switch x.Kind {
		case act.CleaningStarted:
			finish(x.Unit, x.At, false)
			cleaned[x.Unit] = x
		case act.CleaningFinished:
			finish(x.Unit, x.At, false)
		case act.Paused, act.Resumed, act.OutOfService, act.InService:
			words := by(string(x.Kind), x.Unit, x.By)
			if x.Why != "" {
				words += ": " + x.Why
			}
			put(eventLane, x.At, x.At, false, words)
		case act.Shelved, act.Unshelved, act.Reset, act.MarkedFalse, act.DrillStarted, act.DrillAnswered: // no event of the water's
		}
	}
	for unit, s := range cleaned {
		if open := s.Until.After(a.Now); open {
			finish(unit, s.At, true)
		} else {
			finish(unit, s.Until, false)
		}
	}
	for c, err := range h.Record.Chores(ctx, a.From, a.To) {
		if err != nil {
			return err
		}
		if c.Unit != "" && units[c.Unit] {
			put(cleaningLane, c.At, c.At, false, by(c.Chore, c.Unit, c.By))
		}
	}
	return nil
}

// historyJSON is the answer of GET /history.json. Times are seconds since 1970,
// UTC; values are in the unit named beside them, a contact's are 0 open and 1
// closed.
type historyJSON struct {
	From   float64      `json:"from"`
	To     float64      `json:"to"`
	Now    float64      `json:"now"`
	Zone   string       `json:"zone"` // of the site, an IANA name
	Series []seriesJSON `json:"series"`
	Marks  []markJSON   `json:"marks"` // by when they began
	// MarksLeftOut is how many earlier ones are not among them.
	MarksLeftOut int `json:"marks_left_out,omitempty"`
}

// seriesJSON is one probe: the least, greatest, mean and last of each bucket that
// has readings.
type seriesJSON struct {
	Probe     string         `json:"probe"`
	At        string         `json:"at,omitempty"` // the unit it stands in
	Quantity  string         `json:"quantity"`
	Unit      string         `json:"unit,omitempty"`
	Setpoints []setpointJSON `json:"setpoints"`
	T         []float64      `json:"t"`
	Min       []float64      `json:"min"`
	Max       []float64      `json:"max"`
	Mean      []float64      `json:"mean"`
	Last      []float64      `json:"last"`
	// Breaks are the places in T before which the probe was silent.
	Breaks []int `json:"breaks"`
}

type setpointJSON struct {
	Value float64 `json:"value"`
	Least bool    `json:"least"` // the lowest that is right, else the highest
	Words string  `json:"words"`
}

type markJSON struct {
	Lane  string  `json:"lane"` // alarm, cleaning, event
	From  float64 `json:"from"`
	To    float64 `json:"to"`
	Words string  `json:"words"`
	Probe string  `json:"probe,omitempty"` // the one that an alarm judges
}

func unixSeconds(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }

// shown is a base-unit value as the keeper reads it, rounded to what no probe
// resolves.
func (l *line) shown(base float64) float64 {
	if l.Unit.IsZero() {
		return base
	}
	return math.Round(l.Unit.FromBase(base)*1e4) / 1e4
}

func (l *line) format(s *site.Site, base float64) string { return s.Format(l.Probe.Quantity, base) }

func (p *past) json(s *site.Site, lang Language) historyJSON {
	out := historyJSON{From: unixSeconds(p.From), To: unixSeconds(p.To), Now: unixSeconds(p.Now), Zone: s.Location.String(), Series: []seriesJSON{}, Marks: []markJSON{}}
	for i := range p.Lines {
		l := &p.Lines[i]
		j := seriesJSON{
			Probe: string(l.Probe.ID), At: l.Probe.At, Quantity: l.Probe.Quantity.String(), Unit: l.Unit.String(),
			Setpoints: []setpointJSON{}, T: []float64{}, Min: []float64{}, Max: []float64{}, Mean: []float64{}, Last: []float64{}, Breaks: []int{},
		}
		for _, sp := range l.Setpoints {
			j.Setpoints = append(j.Setpoints, setpointJSON{l.shown(sp.Value), sp.Least, setpointWords(lang, l.Unit.Format(sp.Value), sp.Least)})
		}
		for k, b := range l.Points {
			j.T = append(j.T, unixSeconds(b.At))
			j.Min, j.Max = append(j.Min, l.shown(b.Min)), append(j.Max, l.shown(b.Max))
			j.Mean, j.Last = append(j.Mean, l.shown(b.Mean)), append(j.Last, l.shown(b.Last))
			if b.Break {
				j.Breaks = append(j.Breaks, k)
			}
		}
		out.Series = append(out.Series, j)
	}
	out.MarksLeftOut = max(0, len(p.Marks)-marksGiven)
	for _, m := range p.Marks[out.MarksLeftOut:] {
		out.Marks = append(out.Marks, markJSON{m.Lane.String(), unixSeconds(m.From), unixSeconds(m.To), m.Words, string(m.Probe)})
	}
	return out
}

func (h *History) json(w http.ResponseWriter, r *http.Request) {
	n := bucketsGiven
	if text := r.URL.Query().Get("n"); text != "" {
		var err error
		if n, err = strconv.Atoi(text); err != nil || n < 1 || n > bucketsMost {
			http.Error(w, "n is how many buckets to divide the range into: write 1 to "+strconv.Itoa(bucketsMost), http.StatusBadRequest)
			return
		}
	}
	l := languageOf(w, r)
	a, problem := h.ask(r.URL.Query(), l)
	if problem != "" {
		http.Error(w, problem, http.StatusBadRequest)
		return
	}
	p, err := h.read(r.Context(), a, n)
	if err != nil {
		h.fail(w, err)
		return
	}
	body, err := json.Marshal(p.json(h.Site, l))
	if err != nil {
		h.fail(w, err)
		return
	}
	Harden(w.Header())
	w.Header().Set("Content-Type", "application/json")
	if a.settled() {
		w.Header().Set("Cache-Control", "private, max-age=300")
	}
	send(w, r, http.StatusOK, body)
}

// fail answers that the record could not be read.
func (h *History) fail(w http.ResponseWriter, err error) {
	switch {
	case errors.Is(err, context.Canceled):
		return // nobody waits for it any more
	case errors.Is(err, context.DeadlineExceeded):
		http.Error(w, "reading this range took too long: ask for fewer probes or a shorter range", http.StatusServiceUnavailable)
	default:
		h.Log.Error("history cannot be read", "err", err)
		http.Error(w, "the record cannot be read; the log says why", http.StatusInternalServerError)
	}
}
