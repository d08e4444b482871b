package page

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"iter"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/ingest/series"
	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

var updateHistory = flag.Bool("update-history", false, "write the drawings of history anew")

// pastNow is when the tests look back.
var pastNow = time.Date(2026, 11, 21, 18, 0, 0, 0, time.UTC)

// pastDay is a day of a hatchery: a swing of temperature, a flow that fails for an
// hour in the night, and a probe that is silent over noon.
func pastDay(tb testing.TB, change func(*site.Site)) (*History, *ledger.Ledger) {
	tb.Helper()
	s := rulestest.Site()
	s.Probes = append(s.Probes, site.Probe{ID: "mains", Quantity: reading.Contact, Topic: "alderfork/mains", High: 1})
	for i := range s.Probes {
		s.Probes[i].Every = 5 * time.Minute
	}
	if change != nil {
		change(s)
	}
	l := ledgertest.MustOpen(tb)
	var b ledger.Batch
	start := pastNow.Add(-24 * time.Hour)
	for m := 0; m < 24*60; m += 5 {
		at := start.Add(time.Duration(m) * time.Minute)
		hour := float64(m) / 60
		put := func(id reading.ProbeID, v float64) { b.Readings = append(b.Readings, rulestest.Reading(id, at, v)) }
		put("spring temperature", math.Round(100*(8+0.4*math.Sin(hour*math.Pi/12)+0.02*float64(m/5%5)))/100)
		if hour < 16 || hour >= 18.5 {
			put("trough 1 temperature", math.Round(100*(8.3+0.5*math.Sin(hour*math.Pi/12)))/100)
		}
		flow := 38 + 0.5*float64(m/5%3)
		if hour >= 9 && hour < 10 {
			flow = 11.2
		}
		put("trough 1 flow", flow)
		contact := reading.Closed
		if hour >= 3 && hour < 4 {
			contact = reading.Open
		}
		put("mains", contact)
	}
	out := rulestest.Reading("spring temperature", start.Add(30*time.Second), -127)
	out.Flags = reading.OutOfRange
	b.Readings = append(b.Readings, out)
	up := alarm.Transition{
		Key: "low_flow/trough/trough 1 flow", Kind: alarm.LowFlow, Occurrence: 1, To: alarm.Unacknowledged, At: start.Add(9*time.Hour + time.Minute), Since: start.Add(9 * time.Hour),
		Priority: alarm.CallOut, Rule: "trough", Unit: "trough 1", Probe: "trough 1 flow", Trouble: "Trough 1: low flow", Detail: "11.2 L/min, setpoint 28 L/min",
	}
	down := up
	down.From, down.To, down.At = alarm.Acknowledged, alarm.Normal, start.Add(10*time.Hour+2*time.Minute)
	other := up
	other.Key, other.Unit, other.Probe, other.Trouble = "low_flow/trough/trough 2 flow", "trough 2", "trough 2 flow", "Trough 2: low flow"
	old := up
	old.Key, old.At, old.Since, old.Trouble = "temperature_band/old/trough 1 temperature", start.Add(-20*24*time.Hour), start.Add(-20*24*time.Hour), "Trough 1: too warm"
	old.Probe, old.Kind = "trough 1 temperature", alarm.TemperatureBand
	b.Transitions = append(b.Transitions, old, up, other, down)
	b.Acts = append(b.Acts,
		act.Act{ID: "1", Kind: act.CleaningStarted, At: start.Add(14 * time.Hour), By: "kim", Unit: "trough 1", Chore: "cleaning", Until: start.Add(15 * time.Hour)},
		act.Act{ID: "2", Kind: act.CleaningFinished, At: start.Add(14*time.Hour + 25*time.Minute), By: "kim", Unit: "trough 1", Chore: "cleaning"},
		act.Act{ID: "3", Kind: act.Paused, At: start.Add(20 * time.Hour), By: "rowan", Until: start.Add(21 * time.Hour), Why: "pipe <b>work</b>"})
	b.ChoresDone = append(b.ChoresDone, site.ChoreDone{Chore: "feeding", Unit: "trough 1", By: "lee", At: start.Add(14 * time.Hour), Via: "command"})
	b.LotEntries = append(b.LotEntries, book.Entry{Seq: 1, ID: "a", Lot: "2026-A", Kind: book.Note, At: start.Add(2 * time.Hour), RecordedAt: start, By: "kim", Unit: "trough 1", Text: "<script>alert(1)</script>"})
	if _, err := l.Commit(tb.Context(), b); err != nil {
		tb.Fatal(err)
	}
	return historyOf(tb, s, l), l
}

func historyOf(tb testing.TB, s *site.Site, l *ledger.Ledger) *History {
	tb.Helper()
	now := func() time.Time { return pastNow }
	log := slog.New(slog.DiscardHandler)
	st, err := series.Open(tb.Context(), series.Options{Dir: tb.TempDir(), Ledger: l, Verify: series.VerifyDir, Now: now, Log: log})
	if err != nil {
		tb.Fatal(err)
	}
	trough, _ := s.Probe("trough 1 flow")
	spring, _ := s.Probe("spring temperature")
	return NewHistory(HistoryOptions{Site: s, Past: st, Record: l, Now: now, Log: log, Status: func() *status.Status {
		return &status.Status{Probes: []rules.ProbeView{
			{Probe: trough, Setpoints: []rules.Setpoint{{Value: 28, Quantity: reading.Flow, Least: true}, {Value: 500, Quantity: reading.Flow}}},
			{Probe: spring, Setpoints: []rules.Setpoint{{Value: 9, Quantity: reading.Temperature}, {Value: 70, Quantity: reading.Saturation, Least: true}}},
		}}
	}})
}

func get(tb testing.TB, h *History, target string) *httptest.ResponseRecorder {
	tb.Helper()
	w := httptest.NewRecorder()
	h.Mount(Static()).ServeHTTP(w, httptest.NewRequestWithContext(tb.Context(), http.MethodGet, target, nil))
	return w
}

// TestHistoryDrawings: what is printed. Look at testdata/history/*.svg in a
// browser when it changes (they have no colours without history.css).
func TestHistoryDrawings(t *testing.T) {
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	day := "probe=spring+temperature&probe=trough+1+temperature&probe=trough+1+flow"
	for name, tt := range map[string]struct {
		query string
		l     Language
		us    bool
	}{
		"day":      {day, English, false},
		"day-us":   {day, Spanish, true},
		"contact":  {"probe=mains", English, false},
		"minutes":  {"probe=trough+1+temperature&from=2026-11-21T09:30&to=2026-11-21T10:10", English, false},
		"year":     {"probe=spring+temperature&last=365d", English, false},
		"nothing":  {"probe=raceway+1+oxygen", English, false},
		"byhand":   {"probe=by+hand:+trough+1&last=7d", English, false},
		"tomorrow": {"probe=trough+1+flow&from=2026-11-21&to=2026-11-23", English, false},
	} {
		t.Run(name, func(t *testing.T) {
			h, _ := pastDay(t, func(s *site.Site) {
				if tt.us {
					s.Show.Temperature, s.Show.Flow, s.Location = measure.DegF, measure.GPM, zone
				}
			})
			q, err := url.ParseQuery(tt.query)
			if err != nil {
				t.Fatal(err)
			}
			a, problem := h.ask(q, tt.l)
			if problem != "" {
				t.Fatal(problem)
			}
			p, err := h.read(t.Context(), a, 120)
			if err != nil {
				t.Fatal(err)
			}
			var b bytes.Buffer
			if err := templates[tt.l]["history"].ExecuteTemplate(&b, "drawing", p.draw(h.Site, tt.l)); err != nil {
				t.Fatal(err)
			}
			b.WriteString("\n")
			file := filepath.Join("testdata", "history", name+".svg")
			if *updateHistory {
				if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), b.String()); diff != "" {
				t.Errorf("-want +got, -update-history writes it anew:\n%s", diff)
			}
		})
	}
}

// TestHistoryJSON: values in the keeper's unit, silence as a break, what is not
// usable left out, and what happened to the unit and to no other.
func TestHistoryJSON(t *testing.T) {
	h, _ := pastDay(t, func(s *site.Site) { s.Show.Temperature = measure.DegF })
	w := get(t, h, "/history.json?probe=trough+1+temperature&probe=spring+temperature&n=24&from=2026-11-20T18:00:00Z&to=2026-11-21T18:00:00Z")
	if w.Code != http.StatusOK || w.Header().Get("Content-Type") != "application/json" || w.Header().Get("Cache-Control") != "no-store" {
		t.Fatalf("status %d, %v", w.Code, w.Header())
	}
	var got historyJSON
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	trough, spring := got.Series[0], got.Series[1]
	if trough.Unit != "degF" || len(trough.T) != 22 || !cmp.Equal(trough.Breaks, []int{0, 16}) {
		t.Errorf("%s, %d points, breaks %v", trough.Unit, len(trough.T), trough.Breaks)
	}
	if len(spring.T) != 24 || len(spring.Breaks) != 1 || spring.Min[0] != measure.DegF.FromBase(8) {
		t.Errorf("%d points, breaks %v, least %v", len(spring.T), spring.Breaks, spring.Min[0])
	}
	if diff := cmp.Diff([]setpointJSON{{48.2, false, "at most 48.2 degF"}}, spring.Setpoints); diff != "" {
		t.Errorf("setpoints (-want +got):\n%s", diff)
	}
	var marks []string
	for _, m := range got.Marks {
		marks = append(marks, fmt.Sprintf("%s %.0f min: %s", m.Lane, (m.To-m.From)/60, m.Words))
	}
	want := []string{
		"alarm 1440 min: Trough 1: too warm, 11.2 L/min, setpoint 28 L/min",
		"event 0 min: 2026-A: note on trough 1: <script>alert(1)</script>",
		"alarm 61 min: Trough 1: low flow, 11.2 L/min, setpoint 28 L/min",
		"cleaning 25 min: Trough 1: cleaning, kim",
		"cleaning 0 min: Trough 1: feeding, lee",
		"event 0 min: paused, rowan: pipe <b>work</b>",
	}
	if diff := cmp.Diff(want, marks); diff != "" {
		t.Errorf("marks (-want +got):\n%s", diff)
	}

	if w := get(t, h, "/history.json?probe=spring+temperature&from=2026-11-20T18:00:00Z&to=2026-11-21T06:00:00Z"); w.Header().Get("Cache-Control") != "private, max-age=300" {
		t.Errorf("a range that is over is kept %q", w.Header().Get("Cache-Control"))
	}
	for _, bad := range []string{"n=0", "n=2001", "n=x", "probe=nothing", "from=yesterday", "last=0d", "last=9999d", "last=1e9h", "from=2026-11-21T10:00&to=2026-11-21T10:00", "from=1971-01-01", "from=0000-01-01"} {
		if w := get(t, h, "/history.json?"+bad); w.Code != http.StatusBadRequest || w.Body.Len() == 0 {
			t.Errorf("%s: status %d", bad, w.Code)
		}
	}
}

// TestHistoryPage: the figures in words, what people wrote as text, a fault said
// beside what is shown all the same.
func TestHistoryPage(t *testing.T) {
	h, _ := pastDay(t, nil)
	w := get(t, h, "/history?probe=trough+1+temperature&probe=trough+1+flow")
	body := w.Body.String()
	for _, want := range []string{
		`<th scope="row">trough 1 flow</th><td class="number">11.2 L/min</td><td class="number">37.4 L/min</td><td class="number">39.0 L/min</td><td class="number">39.0 L/min</td><td class="number">288</td><td class="number">5 min</td><td>at least 28.0 L/min, at most 500.0 L/min</td>`,
		`<td class="number">258</td><td class="number">2 h 35 min</td><td>none</td>`,
		"&lt;script&gt;", "pipe &lt;b&gt;work", "since 31 Oct 2026, 18:00", "20 Nov 2026, 18:00 to 21 Nov 2026, 18:00", "/history.csv?",
		`<span class="button off" id="history-later"`,
	} {
		if !strings.Contains(body, want) {
			t.Errorf("no %q", want)
		}
	}
	if w.Code != http.StatusOK || strings.Contains(body, "<script>alert") || strings.Contains(body, "<b>work") {
		t.Errorf("status %d, or something that was written runs", w.Code)
	}
	w = get(t, h, "/history?probe=trogh+1+flow&lang=es")
	if body := w.Body.String(); w.Code != http.StatusBadRequest || !strings.Contains(body, "¿quiso decir &#34;trough 1 flow&#34;?") || !strings.Contains(body, "<svg") {
		t.Errorf("status %d: %s", w.Code, body)
	}
}

// TestHistoryCSV: the rows of the command export, from from on and before to.
func TestHistoryCSV(t *testing.T) {
	h, l := pastDay(t, func(s *site.Site) {
		s.Probes = append(s.Probes, site.Probe{ID: "=1+1", Quantity: reading.Flow, At: "trough 1", Every: time.Minute})
	})
	if _, err := l.Commit(t.Context(), ledger.Batch{Readings: []reading.Reading{rulestest.Reading("=1+1", pastNow.Add(-time.Minute), -2)}}); err != nil {
		t.Fatal(err)
	}
	w := get(t, h, "/history.csv?"+url.Values{"probe": {"spring temperature", "=1+1"}, "from": {"2026-11-21T17:55"}, "to": {"2026-11-21T18:00"}}.Encode())
	want := "probe,at,value,unit,flags,device_at,arrived_at,mid\r\n" +
		"spring temperature,2026-11-21T17:55:00.000000Z,8.03,degC,,,2026-11-21T17:55:00.000000Z,0\r\n" +
		"'=1+1,2026-11-21T17:59:00.000000Z,-2,L/min,,,2026-11-21T17:59:00.000000Z,0\r\n"
	if diff := cmp.Diff(want, w.Body.String()); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
	if got := w.Header().Get("Content-Disposition"); got != `attachment; filename="readings-2026-11-21.csv"` {
		t.Error(got)
	}
	h.exports <- struct{}{}
	h.exports <- struct{}{}
	if w := get(t, h, "/history.csv"); w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" {
		t.Errorf("a third export: status %d", w.Code)
	}
}

func TestTimeTicks(t *testing.T) {
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct{ from, to, want string }{
		{"2026-11-20T18:00", "2026-11-21T18:00", "18:00 21:00 21 Nov 03:00 06:00 09:00 12:00 15:00 18:00"},
		// The clocks go forward from 01:00 to 02:00, and back from 02:00 to 01:00.
		{"2026-03-29T00:00", "2026-03-29T06:00", "29 Mar 02:00 03:00 04:00 05:00 06:00"},
		{"2026-10-25T00:00", "2026-10-25T06:00", "25 Oct 01:00 02:00 03:00 04:00 05:00 06:00"},
		{"2026-03-26T12:00", "2026-04-01T12:00", "27 Mar 28 Mar 29 Mar 30 Mar 31 Mar 1 Apr"},
		{"2026-10-01T00:00", "2026-11-15T00:00", "5 Oct 12 Oct 19 Oct 26 Oct 2 Nov 9 Nov"},
		{"2025-12-20T00:00", "2026-06-20T00:00", "Jan 2026 Feb Mar Apr May Jun"},
		{"2025-11-21T00:00", "2026-11-21T00:00", "Jan 2026 Mar May Jul Sep Nov"},
		{"2019-06-01T00:00", "2026-06-01T00:00", "2020 2021 2022 2023 2024 2025 2026"},
		{"2026-11-20T10:03", "2026-11-20T10:09", "10:03 10:04 10:05 10:06 10:07 10:08 10:09"},
	}
	for _, tt := range tests {
		from, err1 := time.ParseInLocation(formStamp, tt.from, zone)
		to, err2 := time.ParseInLocation(formStamp, tt.to, zone)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		var got []string
		for i, k := range timeTicks(from.UTC(), to.UTC(), zone, ticksMost, English) {
			got = append(got, k.Words)
			if i > ticksMost {
				t.Errorf("%s: %d ticks", tt.from, i+1)
			}
		}
		if s := strings.Join(got, " "); s != tt.want {
			t.Errorf("%s to %s:\n%s, want\n%s", tt.from, tt.to, s, tt.want)
		}
	}
}

func TestHistorySteps(t *testing.T) {
	at := func(hours int) time.Time { return pastNow.Add(time.Duration(hours) * time.Hour) }
	tests := []struct {
		step             string
		from, to         int
		wantFrom, wantTo int
		leadsNowhere     bool
	}{
		{"earlier", -24, 0, -36, -12, false},
		{"later", -48, -24, -36, -12, false},
		{"later", -30, -6, -24, 0, false},
		{"later", -24, 0, 0, 0, true},
		{"closer", -24, 0, -18, -6, false},
		{"wider", -24, 0, -48, 0, false},
		{"wider", -36, -12, -48, 0, false},
		{"later", -12, 12, 0, 0, true},
	}
	for _, tt := range tests {
		a := ranged{From: at(tt.from), To: at(tt.to), Now: pastNow}
		from, to, ok := a.step(tt.step)
		if ok == tt.leadsNowhere || ok && (!from.Equal(at(tt.wantFrom)) || !to.Equal(at(tt.wantTo))) {
			t.Errorf("%s of %d to %d h: %s to %s, %v", tt.step, tt.from, tt.to, from.Sub(pastNow), to.Sub(pastNow), ok)
		}
	}
	for _, a := range []ranged{{From: at(-1), To: at(-1).Add(rangeLeast), Now: pastNow}} {
		if _, _, ok := a.step("closer"); ok {
			t.Error("closer than a minute")
		}
	}
}

// crowded is a record with more alarms than are given.
type crowded struct {
	Record
	alarms int
}

func (c crowded) Journal(context.Context, time.Time, time.Time) (all []alarm.Transition, _ error) {
	for i := range c.alarms {
		t := alarm.Transition{Key: "a", To: alarm.Unacknowledged, At: pastNow.Add(time.Duration(i-c.alarms) * time.Second), Probe: "trough 1 flow", Trouble: strconv.Itoa(i)}
		back := t
		back.From, back.To = alarm.Unacknowledged, alarm.Normal
		all = append(all, t, back)
	}
	return all, nil
}

// TestHistoryManyMarks: the newest are given and listed, and how many are not.
func TestHistoryManyMarks(t *testing.T) {
	h, _ := pastDay(t, nil)
	h.Record = crowded{h.Record, marksGiven + 7}
	a, _ := h.ask(url.Values{"probe": {"trough 1 flow"}, "last": {"1h"}}, English)
	p, err := h.read(t.Context(), a, 10)
	if err != nil {
		t.Fatal(err)
	}
	const old = 1 // raised weeks ago
	got := p.json(h.Site, English)
	if got.MarksLeftOut != 7+old || len(got.Marks) != marksGiven || got.Marks[0].Words != "7" {
		t.Errorf("%d marks from %q on, %d left out", len(got.Marks), got.Marks[0].Words, got.MarksLeftOut)
	}
	v := newHistoryView(p, h.Site, English, "")
	if len(v.Marks) != marksListed || v.MarksLeftOut != marksGiven+7+old-marksListed || v.Marks[0].Words != strconv.Itoa(marksGiven+6) {
		t.Errorf("%d listed, first %q, %d left out", len(v.Marks), v.Marks[0].Words, v.MarksLeftOut)
	}
}

// failing is a past that cannot be read after its first reading.
type failing struct{ err error }

func (f failing) Buckets(context.Context, reading.ProbeID, time.Time, time.Time, int) ([]series.Bucket, error) {
	return nil, f.err
}

func (f failing) Readings(context.Context, reading.ProbeID, time.Time, time.Time) iter.Seq2[reading.Reading, error] {
	return func(yield func(reading.Reading, error) bool) {
		_ = yield(rulestest.Reading("spring temperature", pastNow, 8), nil) && yield(reading.Reading{}, f.err)
	}
}

// TestHistoryUnreadable: it is said without telling of the disk, and a file that
// is not whole does not look like one.
func TestHistoryUnreadable(t *testing.T) {
	h, _ := pastDay(t, nil)
	for _, tt := range []struct {
		err  error
		want int
		says string
	}{
		{errors.New("/var/lib/secret: input/output error"), http.StatusInternalServerError, "the log says why"},
		{context.DeadlineExceeded, http.StatusServiceUnavailable, "shorter range"},
	} {
		h.Past = failing{tt.err}
		for _, path := range []string{"/history", "/history.json"} {
			if w := get(t, h, path); w.Code != tt.want || !strings.Contains(w.Body.String(), tt.says) || strings.Contains(w.Body.String(), "secret") {
				t.Errorf("%s, %v: status %d: %s", path, tt.err, w.Code, w.Body)
			}
		}
		func() {
			defer func() {
				if got := recover(); got != http.ErrAbortHandler { //nolint:errorlint // it is that very value
					t.Errorf("a file broken off: %v", got)
				}
			}()
			get(t, h, "/history.csv")
		}()
	}
}
