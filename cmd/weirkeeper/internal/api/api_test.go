package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/api/apitest"
	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
	"weirkeeper/rules/thermal"
)

var night = time.Date(2026, 11, 21, 3, 10, 0, 0, time.UTC)

func hatchery() *status.Status {
	s := &site.Site{Name: "Alder Fork", Location: time.UTC}
	least := rules.Setpoint{Value: 28, Quantity: reading.Flow, Least: true, Rule: "flow"}
	l := &book.Lot{ID: "2026-A", Stage: lot.Green, Number: 8000, Holdings: []book.Holding{{Unit: "stack 1", Number: 8000}}}
	l.Species = "brook trout"
	return &status.Status{
		Now: night, Site: s,
		Alarms: []rules.AlarmView{{
			Key: "low_flow/flow/trough-3-flow", Kind: alarm.LowFlow, State: alarm.Acknowledged, Priority: alarm.CallOut, Unit: "trough 3", Probe: "trough-3-flow", Since: night.Add(-9 * time.Minute),
			Trouble: "Trough 3: low flow", Detail: "11.2 L/min, setpoint 28 L/min", Left: "oxygen for 25 to 60 min", Hidden: "being cleaned", Cause: "spring", By: "kim", ToDo: "Look.", CanHappen: "Fry die.",
		}, {Key: "self/x", Kind: alarm.DaemonHealth, State: alarm.LatchedUnacknowledged, Priority: alarm.Morning, Since: night, Trouble: "Rules not read anew"}},
		Probes: []rules.ProbeView{
			{Probe: &site.Probe{ID: "trough-3-flow", At: "trough 3", Quantity: reading.Flow}, Heard: true, Last: reading.Reading{Value: 11.2}, Age: 8 * time.Second, Suspect: "jumps", Setpoints: []rules.Setpoint{least}},
			{Probe: &site.Probe{ID: "spring-temp", At: "spring", Quantity: reading.Temperature}, Silent: true},
			{Probe: &site.Probe{ID: "mains", Quantity: reading.Contact}, Heard: true, Last: reading.Reading{Value: reading.Open}},
			{Probe: &site.Probe{ID: "odd", Quantity: reading.Oxygen}, Heard: true, Last: reading.Reading{Value: math.NaN()}, Setpoints: []rules.Setpoint{{Value: math.Inf(1), Quantity: reading.Saturation}}},
		},
		Lots: []rules.LotView{
			{Lot: l, Units: thermal.Units{DegreeDays: 152.3, PlusMinus: 4.5, StandIn: 2 * time.Hour}},
			{Lot: &book.Lot{ID: "2024-A", Finished: night}},
		},
		Chores: []rules.ChoreView{{Chore: &site.Chore{Name: "cleaning"}, Unit: "trough 3", Due: night.Add(time.Hour), Done: night.Add(-time.Hour)}, {Chore: &site.Chore{Name: "intake"}, Due: night, Missed: true}},
		Pause:  act.Act{By: "rowan", At: night.Add(-time.Hour), Until: night.Add(time.Hour), Why: "the intake is rebuilt"},
	}
}

// record yields what it holds, then err if that is not nil, and notes the range.
type record struct {
	steps    []alarm.Transition
	err      error
	from, to time.Time
}

func (r *record) transitions(_ context.Context, from, to time.Time) iter.Seq2[alarm.Transition, error] {
	r.from, r.to = from, to
	return func(yield func(alarm.Transition, error) bool) {
		for _, t := range r.steps {
			if !t.At.Before(from) && t.At.Before(to) && !yield(t, nil) {
				return
			}
		}
		if r.err != nil {
			yield(alarm.Transition{}, r.err)
		}
	}
}

func ask(t *testing.T, s *status.Status, r *record, now time.Time, path string) *httptest.ResponseRecorder {
	t.Helper()
	a := New(Options{Status: func() *status.Status { return s }, Health: func() string { return "the mail server does not answer" }, Transitions: r.transitions, Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler)})
	w := httptest.NewRecorder()
	a.Mount(http.NotFoundHandler()).ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, nil))
	return w
}

func TestNow(t *testing.T) {
	d := apitest.Read(t, Document())
	w := ask(t, hatchery(), &record{}, night.Add(4*time.Second), "/api/now")
	if w.Code != http.StatusOK {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	d.Answer(t, "get", "/api/now", w.Code, w.Header().Get("Content-Type"), w.Body.Bytes())
	var got any
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	// Each place in the answer, and what is there.
	for place, want := range map[string]any{
		"site": "Alder Fork", "now": "2026-11-21T03:10:04Z", "as_of": "2026-11-21T03:10:00Z", "health": "the mail server does not answer", "pause.by": "rowan",
		"alarms.0.state": "acknowledged", "alarms.0.priority": "call-out", "alarms.0.left": "oxygen for 25 to 60 min", "alarms.0.since": "2026-11-21T03:01:00Z", "alarms.1.unit": nil,
		"probes.0.value": 11.2, "probes.0.unit": "L/min", "probes.0.age_s": 12.0, "probes.0.setpoints.0.value": 28.0, "probes.0.suspect": "jumps",
		"probes.1.value": nil, "probes.1.age_s": nil, "probes.1.silent": true, "probes.1.unit": "degC",
		"probes.2.value": 0.0, "probes.2.unit": nil, "probes.3.value": nil, "probes.3.setpoints.0.value": nil, "probes.3.setpoints.0.unit": "% saturation",
		"lots.0.degree_days": 152.3, "lots.0.degree_days_plus_minus": 4.5, "lots.0.estimated_s": 7200.0, "lots.0.units.0.unit": "stack 1", "lots.1": nil,
		"chores.0.done": "2026-11-21T02:10:00Z", "chores.1.missed": true, "chores.1.done": nil,
	} {
		if diff := cmp.Diff(want, at(got, strings.Split(place, "."))); diff != "" {
			t.Errorf("%s (-want +got):\n%s", place, diff)
		}
	}
	if w := ask(t, hatchery(), &record{}, night.Add(time.Hour), "/api/now"); strings.Contains(w.Body.String(), `"pause"`) {
		t.Error("a pause that is over is said")
	}
	if w := ask(t, nil, &record{}, night, "/api/now"); w.Code != http.StatusServiceUnavailable {
		t.Errorf("before the first tick: status %d", w.Code)
	}
}

// at is what is at a place, nil for nothing.
func at(v any, place []string) any {
	if len(place) == 0 {
		return v
	}
	switch v := v.(type) {
	case map[string]any:
		return at(v[place[0]], place[1:])
	case []any:
		var i int
		if _, err := fmt.Sscan(place[0], &i); err == nil && i < len(v) {
			return at(v[i], place[1:])
		}
	}
	return nil
}

// An empty answer holds empty lists, not null.
func TestNothing(t *testing.T) {
	d := apitest.Read(t, Document())
	for path, r := range map[string]*record{"/api/now": {}, "/api/alarms": {}} {
		w := ask(t, &status.Status{Now: night, Site: &site.Site{Location: time.UTC}}, r, night, path)
		d.Answer(t, "get", path, w.Code, w.Header().Get("Content-Type"), w.Body.Bytes())
	}
}

func TestAlarms(t *testing.T) {
	d := apitest.Read(t, Document())
	const from, to = "2026-11-01T00:00:00Z", "2026-11-02T00:00:00+01:00"
	for _, tt := range []struct {
		from, to string
		err      error
		status   int
		asked    [2]string
	}{
		{"", "", nil, 200, [2]string{"2026-11-20T03:10:00Z", "2026-11-21T03:10:00Z"}},
		{from, to, nil, 200, [2]string{from, "2026-11-01T23:00:00Z"}},
		{from, "", nil, 200, [2]string{from, "2026-11-21T03:10:00Z"}},
		{"", to, nil, 200, [2]string{"2026-10-31T23:00:00Z", "2026-11-01T23:00:00Z"}},
		{"2026-01-01T00:00:00Z", "2027-01-02T00:00:00Z", nil, 200, [2]string{"2026-01-01T00:00:00Z", "2027-01-02T00:00:00Z"}},
		{"2026-01-01T00:00:00Z", "2027-01-02T00:00:01Z", nil, 400, [2]string{}},
		{"yesterday", "", nil, 400, [2]string{}},
		{"", "2026-11-21", nil, 400, [2]string{}},
		{to, from, nil, 400, [2]string{}},
		{from, from, nil, 400, [2]string{}},
		{"", "", errors.New("disk /secret/path"), 500, [2]string{"2026-11-20T03:10:00Z", "2026-11-21T03:10:00Z"}},
		{"", "", context.DeadlineExceeded, 503, [2]string{"2026-11-20T03:10:00Z", "2026-11-21T03:10:00Z"}},
	} {
		r := &record{err: tt.err}
		w := ask(t, nil, r, night, "/api/alarms?"+url.Values{"from": {tt.from}, "to": {tt.to}}.Encode())
		d.Answer(t, "get", "/api/alarms", w.Code, w.Header().Get("Content-Type"), w.Body.Bytes())
		asked := [2]string{}
		if !r.from.IsZero() {
			asked = [2]string{r.from.Format(time.RFC3339), r.to.Format(time.RFC3339)}
		}
		if w.Code != tt.status || asked != tt.asked {
			t.Errorf("%q to %q, %v: status %d, asked %v; want %d, %v", tt.from, tt.to, tt.err, w.Code, asked, tt.status, tt.asked)
		}
		if strings.Contains(w.Body.String(), "secret") {
			t.Errorf("the answer says too much: %s", w.Body)
		}
	}
}

// A long range comes in parts, whose steps are all of them, each once.
func TestParts(t *testing.T) {
	d := apitest.Read(t, Document())
	r := &record{}
	var want, got []uint64
	for i := range stepsMost*2 + 100 {
		// Some hundred steps at one moment, across the end of a part.
		sec := i
		if i > stepsMost-50 && i < stepsMost+50 {
			sec = stepsMost - 50
		}
		n := uint64(i + 1)
		want = append(want, n)
		r.steps = append(r.steps, alarm.Transition{
			Key: "a", Kind: alarm.LowFlow, Occurrence: n, From: alarm.Normal, To: alarm.Unacknowledged, At: night.Add(time.Duration(sec-24*3600) * time.Second), Since: night, Priority: alarm.CallOut,
			Rule: "flow", RuleAt: "rules.hcl:1", Unit: "trough 3", Probe: "p", Trouble: "Trough 3: low flow", Detail: "11.2 L/min", CanHappen: "x", ToDo: "y", By: "kim", Via: "page", Hidden: "shelved", Cause: "b", Left: "oxygen for 25 to 60 min",
		})
	}
	parts := 0
	for path := "/api/alarms"; path != ""; parts++ {
		w := ask(t, nil, r, night, path)
		d.Answer(t, "get", "/api/alarms", w.Code, w.Header().Get("Content-Type"), w.Body.Bytes())
		var a alarmsJSON
		if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil {
			t.Fatal(err)
		}
		for _, x := range a.Transitions {
			got = append(got, x.Occurrence)
		}
		path = ""
		if a.Next != nil {
			path = "/api/alarms?" + url.Values{"from": {a.Next.Format(time.RFC3339Nano)}, "to": {a.To.Format(time.RFC3339Nano)}}.Encode()
		}
	}
	if diff := cmp.Diff(want, got); diff != "" || parts != 3 {
		t.Errorf("%d parts (-want +got):\n%s", parts, diff)
	}
}

// TestDocument: it is served as it is, describes all that is served here and
// nothing else of /api, and its words are those of the code.
func TestDocument(t *testing.T) {
	d := apitest.Read(t, Document())
	w := ask(t, nil, &record{}, night, "/openapi.json")
	d.Answer(t, "get", "/openapi.json", w.Code, w.Header().Get("Content-Type"), w.Body.Bytes())
	if !bytes.Equal(w.Body.Bytes(), Document()) {
		t.Error("it is not served as it is")
	}
	var served, described []string
	for pattern := range New(Options{}).routes() {
		served = append(served, pattern)
	}
	for _, o := range d.Operations() {
		if strings.HasPrefix(o.Path, "/api") || o.Path == "/openapi.json" {
			described = append(described, strings.ToUpper(o.Method)+" "+o.Path)
		}
	}
	slices.Sort(served)
	slices.Sort(described)
	if diff := cmp.Diff(served, described); diff != "" {
		t.Errorf("(-served +described):\n%s", diff)
	}
	var kinds, stages, states []string
	for _, k := range act.Kinds() {
		kinds = append(kinds, string(k))
	}
	for _, s := range lot.Stages() {
		stages = append(stages, string(s))
	}
	for s := alarm.Normal; s <= alarm.LatchedAcknowledged; s++ {
		states = append(states, s.String())
	}
	var priorities, quantities []string
	for _, p := range alarm.Priorities() {
		priorities = append(priorities, p.String())
	}
	for _, q := range reading.Quantities() {
		quantities = append(quantities, q.String())
	}
	for place, want := range map[string][]string{
		"Act.properties.kind": kinds, "Lot.properties.stage": stages, "State": states, "Priority": priorities, "Probe.properties.quantity": quantities,
	} {
		got := d.Words(t, place)
		slices.Sort(got)
		slices.Sort(want)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-code +document):\n%s", place, diff)
		}
	}
}
