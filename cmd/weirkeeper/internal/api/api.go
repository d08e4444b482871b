// Package api owns what programs read of the daemon in JSON: GET /api/now and
// /api/alarms, and GET /openapi.json, an OpenAPI 3.1 document that describes these
// and the rest that programs may ask for. It judges nothing and changes nothing;
// who may read is for package access to say.
//
// Numbers are in base units, with the unit beside them or in their name, whatever
// units the keeper reads; times are RFC 3339, UTC. Words are those of the text page.
package api

import (
	"context"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"math"
	"net/http"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
)

//go:embed openapi.json
var document []byte

// Document is the OpenAPI document, which nobody may write to.
func Document() []byte { return document }

// Bounds of GET /api/alarms (common practice, no source): how long a range may be
// and how long is usual, about how many steps are given at once, and how long a
// request waits for the record.
const (
	rangeMost  = 366 * 24 * time.Hour
	rangeUsual = 24 * time.Hour
	stepsMost  = 2000
	patience   = 10 * time.Second
)

// Options are what an API asks; all are needed.
type Options struct {
	// Status is nil until the first tick.
	Status func() *status.Status
	// Health is "" while all is well with the daemon, else what is wrong.
	Health func() string
	// Transitions are those with from <= At < to, by time.
	Transitions func(ctx context.Context, from, to time.Time) iter.Seq2[alarm.Transition, error]
	Now         func() time.Time
	Log         *slog.Logger
}

// API serves it.
type API struct{ opt Options }

// New makes an API.
func New(o Options) *API { return &API{o} }

// routes are all that an API serves.
func (a *API) routes() map[string]http.HandlerFunc {
	return map[string]http.HandlerFunc{
		"GET /api/now":      a.now,
		"GET /api/alarms":   a.alarms,
		"GET /openapi.json": func(w http.ResponseWriter, _ *http.Request) { send(w, document) },
	}
}

// Mount serves it beside the rest of the web side.
func (a *API) Mount(rest http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/", rest)
	for pattern, f := range a.routes() {
		mux.HandleFunc(pattern, f)
	}
	return mux
}

func send(w http.ResponseWriter, body []byte) {
	access.Harden(w.Header())
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(body) // the asker is gone: nothing to do
}

func (a *API) answer(w http.ResponseWriter, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		a.opt.Log.Error("answer cannot be written as JSON", "err", err)
		http.Error(w, "the answer cannot be made; the log says why", http.StatusInternalServerError)
		return
	}
	send(w, append(body, '\n'))
}

// nowJSON is the answer of GET /api/now.
type nowJSON struct {
	Site   string      `json:"site"`
	Zone   string      `json:"zone"`             // IANA name
	Now    time.Time   `json:"now"`              // when it was asked
	AsOf   time.Time   `json:"as_of"`            // when the water was judged
	Health string      `json:"health,omitempty"` // what is wrong with the daemon
	Pause  *pauseJSON  `json:"pause,omitempty"`
	Alarms []alarmJSON `json:"alarms"`
	Probes []probeJSON `json:"probes"`
	Lots   []lotJSON   `json:"lots"`
	Chores []choreJSON `json:"chores"`
}

type pauseJSON struct {
	By    string    `json:"by"`
	Since time.Time `json:"since"`
	Until time.Time `json:"until"`
	Why   string    `json:"why,omitempty"`
}

// alarmJSON is an alarm that is not normal.
type alarmJSON struct {
	Key       alarm.Key       `json:"key"`
	Kind      alarm.Kind      `json:"kind"`
	State     alarm.State     `json:"state"`
	Priority  alarm.Priority  `json:"priority"`
	Unit      string          `json:"unit,omitempty"`
	Probe     reading.ProbeID `json:"probe,omitempty"`
	Since     time.Time       `json:"since"`
	Trouble   string          `json:"trouble"`
	Detail    string          `json:"detail,omitempty"`
	Left      string          `json:"left,omitempty"`
	Hidden    string          `json:"hidden,omitempty"`
	Cause     alarm.Key       `json:"cause,omitempty"`
	By        string          `json:"by,omitempty"`
	ToDo      string          `json:"to_do,omitempty"`
	CanHappen string          `json:"can_happen,omitempty"`
}

// probeJSON has no value and age where it was not heard.
type probeJSON struct {
	ID        reading.ProbeID `json:"id"`
	At        string          `json:"at,omitempty"`
	Quantity  string          `json:"quantity"`
	Unit      string          `json:"unit,omitempty"`
	Value     *float64        `json:"value,omitempty"`
	AgeS      *float64        `json:"age_s,omitempty"`
	Silent    bool            `json:"silent"`
	Suspect   string          `json:"suspect,omitempty"`
	Setpoints []setpointJSON  `json:"setpoints"`
}

type setpointJSON struct {
	Value    *float64 `json:"value"`
	Quantity string   `json:"quantity"`
	Unit     string   `json:"unit,omitempty"`
	Least    bool     `json:"least"`
	Rule     string   `json:"rule"`
}

type lotJSON struct {
	ID                  string        `json:"id"`
	Species             string        `json:"species"`
	Stage               string        `json:"stage"`
	Number              int           `json:"number"`
	Units               []holdingJSON `json:"units"`
	DegreeDays          *float64      `json:"degree_days"`
	DegreeDaysPlusMinus *float64      `json:"degree_days_plus_minus"`
	EstimatedS          *float64      `json:"estimated_s"`
	Counting            bool          `json:"counting"`
}

type holdingJSON struct {
	Unit   string `json:"unit"`
	Number int    `json:"number"`
}

type choreJSON struct {
	Chore  string     `json:"chore"`
	Unit   string     `json:"unit,omitempty"`
	Due    time.Time  `json:"due"`
	Missed bool       `json:"missed"`
	Done   *time.Time `json:"done,omitempty"`
}

// number is nil for what JSON cannot hold.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func (a *API) now(w http.ResponseWriter, _ *http.Request) {
	s := a.opt.Status()
	if s == nil {
		http.Error(w, "starting, nothing judged yet", http.StatusServiceUnavailable)
		return
	}
	a.answer(w, makeNow(s, a.opt.Health(), a.opt.Now()))
}

func makeNow(s *status.Status, health string, now time.Time) nowJSON {
	out := nowJSON{
		Site: s.Site.Name, Zone: s.Site.Location.String(), Now: now.UTC(), AsOf: s.Now.UTC(), Health: health,
		Alarms: []alarmJSON{}, Probes: []probeJSON{}, Lots: []lotJSON{}, Chores: []choreJSON{},
	}
	if now.Before(s.Pause.Until) {
		out.Pause = &pauseJSON{s.Pause.By, s.Pause.At.UTC(), s.Pause.Until.UTC(), s.Pause.Why}
	}
	for _, v := range s.Alarms {
		out.Alarms = append(out.Alarms, alarmJSON{
			Key: v.Key, Kind: v.Kind, State: v.State, Priority: v.Priority, Unit: v.Unit, Probe: v.Probe, Since: v.Since.UTC(), Trouble: v.Trouble,
			Detail: v.Detail, Left: v.Left, Hidden: v.Hidden, Cause: v.Cause, By: v.By, ToDo: v.ToDo, CanHappen: v.CanHappen,
		})
	}
	for _, v := range s.Probes {
		q := v.Probe.Quantity
		p := probeJSON{ID: v.Probe.ID, At: v.Probe.At, Quantity: q.String(), Unit: q.Dimension().Base().String(), Silent: v.Silent, Suspect: v.Suspect, Setpoints: []setpointJSON{}}
		if v.Heard {
			// An old state's numbers grow old with it.
			p.Value, p.AgeS = number(v.Last.Value), number(max(0, v.Age+now.Sub(s.Now)).Seconds())
		}
		for _, sp := range v.Setpoints {
			p.Setpoints = append(p.Setpoints, setpointJSON{number(sp.Value), sp.Quantity.String(), sp.Quantity.Dimension().Base().String(), sp.Least, sp.Rule})
		}
		out.Probes = append(out.Probes, p)
	}
	for _, v := range s.Lots {
		if !v.Lot.Finished.IsZero() {
			continue
		}
		l := lotJSON{
			ID: v.Lot.ID, Species: v.Lot.Species, Stage: string(v.Lot.Stage), Number: v.Lot.Number, Units: []holdingJSON{},
			DegreeDays: number(float64(v.Units.DegreeDays)), DegreeDaysPlusMinus: number(float64(v.Units.PlusMinus)), EstimatedS: number(v.Units.Estimated().Seconds()), Counting: v.Counting,
		}
		for _, h := range v.Lot.Holdings {
			l.Units = append(l.Units, holdingJSON{h.Unit, h.Number})
		}
		out.Lots = append(out.Lots, l)
	}
	for _, v := range s.Chores {
		c := choreJSON{Chore: v.Chore.Name, Unit: v.Unit, Due: v.Due.UTC(), Missed: v.Missed}
		if !v.Done.IsZero() {
			done := v.Done.UTC()
			c.Done = &done
		}
		out.Chores = append(out.Chores, c)
	}
	return out
}

// alarmsJSON is the answer of GET /api/alarms. Next is where to ask on from, where
// there is more.
type alarmsJSON struct {
	From        time.Time          `json:"from"`
	To          time.Time          `json:"to"`
	Transitions []alarm.Transition `json:"transitions"`
	Next        *time.Time         `json:"next,omitempty"`
}

func (a *API) alarms(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	from, to, problem := parseRange(q.Get("from"), q.Get("to"), a.opt.Now().UTC())
	if problem != "" {
		http.Error(w, problem, http.StatusBadRequest)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	out := alarmsJSON{From: from, To: to, Transitions: []alarm.Transition{}}
	for t, err := range a.opt.Transitions(ctx, from, to) {
		switch {
		case errors.Is(err, context.Canceled):
			return // nobody waits for it any more
		case errors.Is(err, context.DeadlineExceeded):
			http.Error(w, "reading this range took too long: ask for a shorter one", http.StatusServiceUnavailable)
			return
		case err != nil:
			a.opt.Log.Error("alarms cannot be read", "err", err)
			http.Error(w, "the record cannot be read; the log says why", http.StatusInternalServerError)
			return
		}
		// What came at one moment stays together, so that Next leaves nothing out.
		if n := len(out.Transitions); n >= stepsMost && t.At.After(out.Transitions[n-1].At) {
			out.Next = &t.At
			break
		}
		out.Transitions = append(out.Transitions, t)
	}
	a.answer(w, out)
}

// parseRange reads what is asked for; problem says what is wrong with it.
func parseRange(fromText, toText string, now time.Time) (from, to time.Time, problem string) {
	read := func(name, text string, otherwise time.Time) time.Time {
		if text == "" {
			return otherwise
		}
		t, err := time.Parse(time.RFC3339Nano, text)
		if err != nil && problem == "" {
			problem = fmt.Sprintf("%s=%.40q is no time: write one as 2026-11-20T08:30:00Z", name, text)
		}
		return t.UTC()
	}
	to = read("to", toText, now)
	from = read("from", fromText, to.Add(-rangeUsual))
	switch {
	case problem != "":
	case !from.Before(to):
		problem = "from must be before to, which is now where it is not said"
	case to.Sub(from) > rangeMost:
		problem = "at most 366 days are given at once: ask for a shorter range"
	}
	return from, to, problem
}
