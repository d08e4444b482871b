package page

import (
	"bytes"
	"compress/gzip"
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
	"weirkeeper/rules/thermal"
)

var update = flag.Bool("update", false, "write the golden files anew")

func unit(text string) measure.Unit {
	u, err := measure.ParseUnit(text)
	if err != nil {
		panic(err)
	}
	return u
}

// night is the state of an invented hatchery at ten past three: the flow through
// trough 3 is low, which lowers its oxygen, stack 1's thermometer is silent.
func night() *status.Status {
	now := time.Date(2026, 11, 21, 3, 10, 0, 0, time.UTC)
	ago := func(d time.Duration) time.Time { return now.Add(-d) }
	s := &site.Site{
		Name: "Alder Fork", Location: time.UTC, Show: site.Show{Temperature: unit("degC"), Flow: unit("L/min"), Oxygen: unit("mg/L")},
		Units: []site.Unit{
			{Name: "raceway 1", Kind: site.Raceway, Section: "raceways"},
			{Name: "spring", Kind: site.Spring},
			{Name: "head box", Kind: site.HeadBox},
			{Name: "stack 1", Kind: site.Stack, Section: "hatch house"},
			{Name: "trough 3", Kind: site.Trough, Section: "trough room"},
			{Name: "trough 5", Kind: site.Trough, Section: "trough room"},
			{Name: "deep trough 1", Kind: site.DeepTrough, Section: "raceways", FedBy: "raceway 1"},
		},
	}
	probe := func(id, at string, q reading.Quantity, standIn string) *site.Probe {
		s.Probes = append(s.Probes, site.Probe{ID: reading.ProbeID(id), At: at, Quantity: q, Every: time.Minute, StandIn: reading.ProbeID(standIn)})
		return &site.Probe{ID: reading.ProbeID(id), At: at, Quantity: q, Every: time.Minute, StandIn: reading.ProbeID(standIn)}
	}
	says := func(p *site.Probe, v float64, age time.Duration, more func(*rules.ProbeView)) rules.ProbeView {
		view := rules.ProbeView{Probe: p, Heard: true, Last: reading.Reading{Probe: p.ID, Value: v}, Age: age}
		if more != nil {
			more(&view)
		}
		return view
	}
	least := func(v float64, q reading.Quantity) func(*rules.ProbeView) {
		return func(p *rules.ProbeView) {
			p.Setpoints = append(p.Setpoints, rules.Setpoint{Value: v, Quantity: q, Least: true})
		}
	}
	both := func(fs ...func(*rules.ProbeView)) func(*rules.ProbeView) {
		return func(p *rules.ProbeView) {
			for _, f := range fs {
				f(p)
			}
		}
	}
	st := &status.Status{Now: now, Site: s, Probes: []rules.ProbeView{
		says(probe("spring-temp", "spring", reading.Temperature, ""), 8.31, 12*time.Second, func(p *rules.ProbeView) {
			p.Setpoints = []rules.Setpoint{{Value: 4, Quantity: reading.Temperature, Least: true}, {Value: 12, Quantity: reading.Temperature}}
		}),
		says(probe("spring-flow", "spring", reading.Flow, ""), 1980, 14*time.Second, least(1500, reading.Flow)),
		says(probe("box-level", "head box", reading.Contact, ""), reading.Closed, 20*time.Second, nil),
		says(probe("stack-1-temp", "stack 1", reading.Temperature, "spring-temp"), 8.1, 47*time.Minute, func(p *rules.ProbeView) { p.Silent = true }),
		says(probe("stack-1-flow", "stack 1", reading.Flow, ""), 15.6, 9*time.Second, least(12, reading.Flow)),
		says(probe("trough-3-flow", "trough 3", reading.Flow, ""), 11.2, 8*time.Second, least(28, reading.Flow)),
		says(probe("trough-3-oxygen", "trough 3", reading.Oxygen, ""), 6.4, 8*time.Second, both(least(7, reading.Oxygen), least(70, reading.Saturation))),
		says(probe("trough-5-flow", "trough 5", reading.Flow, ""), 36.4, 4*time.Minute, both(least(28, reading.Flow), func(p *rules.ProbeView) { p.Suspect = "the same number for 2 h" })),
		{Probe: probe("raceway-1-oxygen", "raceway 1", reading.Oxygen, ""), Silent: true, Setpoints: []rules.Setpoint{{Value: 7, Quantity: reading.Oxygen, Least: true}}},
		says(probe("mains", "", reading.Contact, ""), reading.Closed, 5*time.Second, nil),
	}}
	st.Alarms = []rules.AlarmView{
		{
			Key: "low_flow/flow/trough-3-flow", Kind: alarm.LowFlow, State: alarm.Unacknowledged, Priority: alarm.CallOut, Unit: "trough 3", Since: ago(9 * time.Minute),
			Trouble: "Trough 3: low flow", Detail: "11.2 L/min, setpoint 28 L/min", Left: "oxygen for 25 to 60 min",
			ToDo: "Look at the screen and the valve of the trough, then at the head box.", CanHappen: "The fry run out of oxygen.", MovedAt: ago(7 * time.Minute),
		},
		{
			Key: "low_oxygen/oxygen/trough-3-oxygen", Kind: alarm.LowOxygen, State: alarm.Unacknowledged, Priority: alarm.CallOut, Unit: "trough 3", Since: ago(3 * time.Minute),
			Trouble: "Trough 3: low oxygen", Detail: "6.4 mg/L, setpoint 7 mg/L", Cause: "low_flow/flow/trough-3-flow",
		},
		{
			Key: "silent_probe/silent/stack-1-temp", Kind: alarm.SilentProbe, State: alarm.Unacknowledged, Priority: alarm.Morning, Unit: "stack 1", Since: ago(47 * time.Minute),
			Trouble: "Stack 1: temperature probe silent", Detail: "nothing usable for 47 min, expected every 60 s", ToDo: "Look at its cable and its battery.",
		},
	}
	st.Coming = []rules.AlarmView{{Trouble: "Lot 2026-A: eyed soon", Detail: "24 to 28 Nov"}}
	st.Shelved = []act.Act{{Kind: act.Shelved, Alarm: "low_flow/flow/raceway-1", By: "rowan", At: ago(5 * time.Hour), Until: now.Add(4 * time.Hour), Why: "pump out <b>for repair</b>"}}
	cleaning := site.Chore{Name: "cleaning", Units: []string{"trough 3", "trough 5"}, By: []int{600}, SuppressFor: 30 * time.Minute}
	intake := site.Chore{Name: "intake clearing", By: []int{120, 480}}
	s.Chores = []site.Chore{cleaning, intake}
	at := func(h int) time.Time { return time.Date(2026, 11, 21, h, 0, 0, 0, time.UTC) }
	st.Chores = []rules.ChoreView{
		{Chore: &s.Chores[0], Unit: "trough 3", Due: at(34), Done: at(1)},
		{Chore: &s.Chores[0], Unit: "trough 5", Due: at(10)},
		{Chore: &s.Chores[1], Due: at(2), Missed: true, Done: ago(20 * time.Hour)},
	}
	l := &book.Lot{ID: "2026-A", Stage: lot.Green, Number: 8000, Holdings: []book.Holding{{Unit: "stack 1", Number: 8000}}}
	l.Species = "brook trout"
	fry := &book.Lot{ID: "2025-C", Stage: lot.SwimUp, SwimUpAt: ago(900 * time.Hour), FedAt: ago(800 * time.Hour), Number: 12400, Holdings: []book.Holding{{Unit: "trough 3", Number: 9400}, {Unit: "trough 5", Number: 3000}}}
	fry.Species = "arctic char"
	st.Lots = []rules.LotView{
		{Lot: l, Units: thermal.Units{DegreeDays: 152.3, StandIn: 2 * time.Hour}, Tender: lot.TenderState{Tender: true}},
		{Lot: fry, Sources: []rules.LotProbe{{Unit: "trough 3", Probe: "spring-temp", Spring: true}}},
	}
	return st
}

// paused is night with the site paused and one of each of the rarer things.
func paused() *status.Status {
	s := night()
	s.Failing = true
	s.Pause = act.Act{Kind: act.Paused, By: "rowan", At: s.Now.Add(-10 * time.Minute), Until: s.Now.Add(20 * time.Minute), Why: "the intake is rebuilt"}
	s.Alarms[0].Hidden = "the site is paused by rowan until 03:30"
	s.Alarms[1].Hidden = s.Alarms[0].Hidden
	s.Alarms = append(s.Alarms, rules.AlarmView{Key: "high_flow/x/y", State: alarm.LatchedAcknowledged, Priority: alarm.CallOut, Trouble: "Raceway 1: high flow", By: "kim"},
		rules.AlarmView{Key: "high_flow/x/z", State: alarm.ReturnedUnacknowledged, Priority: alarm.CallOut, Trouble: "Raceway 2: high flow"})
	s.Cleaning = []act.Cleaning{{Start: act.Act{ID: "1", Unit: "trough 5", Chore: "cleaning", By: "kim", At: s.Now.Add(-time.Hour), Until: s.Now.Add(-30 * time.Minute)}}}
	s.Out = []act.Act{{Unit: "deep trough 1", By: "kim", At: s.Now.Add(-70 * time.Hour)}}
	return s
}

// pageText is what a page says, tag by tag.
func pageText(html string) string {
	html = regexp.MustCompile(`(?s)<head>.*?</head>`).ReplaceAllString(html, "")
	html = regexp.MustCompile(`<(li|p|h\d|summary|button|article|form|section|td|tr)\b`).ReplaceAllString(html, "\n<$1")
	html = regexp.MustCompile(`(?s)<[^>]*>`).ReplaceAllString(html, " ")
	var lines []string
	for line := range strings.Lines(html) {
		if line = strings.Join(strings.Fields(line), " "); line != "" {
			lines = append(lines, line)
		}
	}
	return strings.Join(lines, "\n") + "\n"
}

func show(t *testing.T, s *status.Status, who access.Who, change func(*http.Request)) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/", nil)
	r.Header.Set("Accept", "text/html")
	if change != nil {
		change(r)
	}
	w := httptest.NewRecorder()
	h := &hatchery{s: s}
	as(who, NewNow(h, NewLive(h.Status, nil)).Mount(http.NotFoundHandler())).ServeHTTP(w, r)
	return w
}

func TestNowSays(t *testing.T) {
	quiet := night()
	quiet.Alarms, quiet.Chores, quiet.Coming, quiet.Shelved = nil, nil, nil, nil
	kim, rowan := access.Who{Name: "kim", Role: access.Work, Proof: "PROOF"}, access.Who{Name: "rowan", Role: access.Manage}
	for _, tt := range []struct {
		name string
		s    *status.Status
		who  access.Who
		lang string
	}{
		{"nobody", night(), access.Who{}, "en"},
		{"kim", night(), kim, "en"},
		{"kim-spanish", night(), kim, "es"},
		{"paused", paused(), rowan, "en"},
		{"quiet", quiet, access.Who{Name: "lee", Role: access.Look}, "en"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := show(t, tt.s, tt.who, func(r *http.Request) {
				r.Header.Set("Accept-Language", tt.lang)
				r.Header.Set(PartHeader, "main")
			})
			golden := filepath.Join("testdata", "now-"+tt.name+".txt")
			got := pageText(w.Body.String())
			if *update {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), got); diff != "" {
				t.Errorf("the page says something else (-want +got):\n%s", diff)
			}
			if strings.Contains(w.Body.String(), "<b>for repair") {
				t.Error("what people wrote is not escaped")
			}
			if forms := strings.Count(w.Body.String(), "<form"); (forms > 0) != (tt.who.Role >= access.Work) {
				t.Errorf("%d forms for %s", forms, tt.who.Name)
			}
		})
	}
}

// TestFlow: the order in which the water flows, whatever the site file's.
func TestFlow(t *testing.T) {
	names := func(units ...site.Unit) string {
		order, depth := flow(&site.Site{Units: units})
		var out []string
		for _, u := range order {
			out = append(out, fmt.Sprintf("%s %d", u.Name, depth[u.Name]))
		}
		return strings.Join(out, ", ")
	}
	for _, tt := range []struct {
		units []site.Unit
		want  string
	}{
		{[]site.Unit{{Name: "trough", Kind: site.Trough}, {Name: "box", Kind: site.HeadBox}, {Name: "spring", Kind: site.Spring}}, "spring 0, box 1, trough 2"},
		{[]site.Unit{{Name: "a", FedBy: "b"}, {Name: "b", FedBy: "a"}, {Name: "s", Kind: site.Spring}}, "s 0, a 0, b 1"},
		{[]site.Unit{{Name: "east", Kind: site.Spring}, {Name: "t2", FedBy: "west"}, {Name: "west", Kind: site.Spring}, {Name: "t1", FedBy: "east"}}, "east 0, t1 1, west 0, t2 1"},
		{[]site.Unit{{Name: "lost", Kind: site.Trough, FedBy: "elsewhere"}}, "lost 0"},
	} {
		if got := names(tt.units...); got != tt.want {
			t.Errorf("got %s, want %s", got, tt.want)
		}
	}
}

// TestWeight: the first load of a large site, on the wire.
func TestWeight(t *testing.T) {
	const probes, lots, most = 100, 60, 100_000
	s := night()
	s.Site.Units, s.Site.Probes, s.Probes, s.Lots, s.Chores = []site.Unit{{Name: "spring", Kind: site.Spring}}, nil, nil, nil, nil
	for i := range lots {
		name := fmt.Sprintf("trough %d", i+1)
		s.Site.Units = append(s.Site.Units, site.Unit{Name: name, Kind: site.Trough, Section: fmt.Sprintf("room %d", i/10)})
		l := &book.Lot{ID: fmt.Sprintf("2026-%03d", i*7919%1000), Stage: lot.Eyed, Number: 1000 + i*97, Holdings: []book.Holding{{Unit: name, Number: 1000 + i*97}}}
		l.Species = "brook trout"
		s.Lots = append(s.Lots, rules.LotView{Lot: l, Units: thermal.Units{DegreeDays: measure.DegreeDays(i) * 7.31, StandIn: time.Duration(i) * time.Hour}})
		s.Chores = append(s.Chores, rules.ChoreView{Chore: &s.Site.Chores[0], Unit: name, Due: s.Now.Add(time.Hour)})
	}
	for i := range probes {
		q := []reading.Quantity{reading.Flow, reading.Temperature}[i%2]
		p := &site.Probe{ID: reading.ProbeID(fmt.Sprintf("probe-%d", i)), At: fmt.Sprintf("trough %d", i*lots/probes+1), Quantity: q, Every: time.Minute}
		s.Probes = append(s.Probes, rules.ProbeView{Probe: p, Heard: true, Last: reading.Reading{Value: 3 + float64(i*7919%1000)/37}, Age: time.Duration(i) * time.Second, Setpoints: []rules.Setpoint{{Value: float64(i), Quantity: q, Least: true}}})
	}
	w := show(t, s, access.Who{Name: "kim", Role: access.Work, Proof: strings.Repeat("0123456789abcdef", 4)}, func(r *http.Request) { r.Header.Set("Accept-Encoding", "gzip") })
	total := w.Body.Len()
	z, err := gzip.NewReader(bytes.NewReader(w.Body.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	html, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("page %d B, %d compressed", len(html), total)
	for _, m := range regexp.MustCompile(`(?:src|href)="([^"]+)"`).FindAllStringSubmatch(string(html), -1) {
		if strings.Contains(m[1], "//") {
			t.Errorf("it asks another host: %s", m[1])
		}
		if strings.HasPrefix(m[1], "/static/") {
			r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, m[1], nil)
			r.Header.Set("Accept-Encoding", "gzip")
			f := httptest.NewRecorder()
			Static().ServeHTTP(f, r)
			t.Logf("%s %d B", m[1], f.Body.Len())
			total += f.Body.Len()
		}
	}
	if n := strings.Count(string(html), `class="q-`); n != probes {
		t.Errorf("%d numbers on the page, want %d", n, probes)
	}
	if total >= most {
		t.Errorf("%d bytes, want fewer than %d", total, most)
	}
}

// TestDo: what a button asks of the daemon, and what is refused.
func TestDo(t *testing.T) {
	kim, rowan := access.Who{Name: "kim", Role: access.Work}, access.Who{Name: "rowan", Role: access.Manage}
	const id = "id=0123456789"
	for _, tt := range []struct {
		what, form string
		who        access.Who
		status     int
		asked      string
	}{
		{"acknowledge", "alarm=a/b/c", kim, 303, "acknowledge a/b/c by kim"},
		{"acknowledge", "alarm=a&by=rowan", kim, 303, "acknowledge a by kim"},
		{"reset", "alarm=a", kim, 303, "reset a by kim"},
		{"done", "chore=feeding&unit=trough+1&" + id, kim, 303, "done feeding trough 1 by kim via page"},
		{"done", "chore=feeding&unit=trough+1", kim, 303, ""},
		{"clean", "what=start&unit=trough+1&" + id, kim, 303, "cleaning started trough 1 by kim via page"},
		{"clean", "what=finish&unit=trough+1&" + id, kim, 303, "cleaning finished trough 1 by kim via page"},
		{"clean", "what=burn&unit=trough+1&" + id, kim, 404, ""},
		{"resume", id, kim, 303, ""},
		{"resume", id, rowan, 303, "resumed  by rowan via page"},
		{"else", id, kim, 404, ""},
		{"acknowledge", "alarm=a", access.Who{}, 403, ""},
		{"acknowledge", "alarm=a", access.Who{Name: "lee", Role: access.Look}, 403, ""},
		{"acknowledge", "alarm=a", access.Who{Role: access.Work}, 403, ""},
		{"acknowledge", "alarm=%zz", kim, 400, ""},
		{"acknowledge", "alarm=" + strings.Repeat("a", 5000), kim, 413, ""},
	} {
		h := &hatchery{s: night()}
		r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/do/"+tt.what, strings.NewReader(tt.form))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		as(tt.who, NewNow(h, NewLive(h.Status, nil)).Mount(http.NotFoundHandler())).ServeHTTP(w, r)
		if got := strings.Join(h.asked, "; "); w.Code != tt.status || got != tt.asked {
			t.Errorf("%s %.40q by %q: status %d, asked %q; want %d, %q", tt.what, tt.form, tt.who.Name, w.Code, got, tt.status, tt.asked)
		}
	}
}

// TestWhoGetsWhat: a browser gets the page, everybody else the text.
func TestWhoGetsWhat(t *testing.T) {
	for accept, want := range map[string]string{"": "text", "*/*": "text", "text/html,application/xhtml+xml": "<!doctype html>"} {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/", nil)
		r.Header.Set("Accept", accept)
		w := httptest.NewRecorder()
		h := &hatchery{s: night()}
		NewNow(h, NewLive(h.Status, nil)).Mount(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("text")) })).ServeHTTP(w, r)
		if got := w.Body.String(); !strings.HasPrefix(got, want) {
			t.Errorf("accepts %q: gets %.20q, want %q", accept, got, want)
		}
	}
	w := show(t, nil, access.Who{}, nil)
	if w.Code != http.StatusServiceUnavailable || !strings.Contains(w.Body.String(), "Starting") {
		t.Errorf("before the first tick: %d %s", w.Code, w.Body)
	}
	h := &hatchery{s: night(), unwell: "the keeper has not ticked lately"}
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/", nil)
	r.Header.Set("Accept", "text/html")
	w = httptest.NewRecorder()
	NewNow(h, NewLive(h.Status, nil)).Mount(http.NotFoundHandler()).ServeHTTP(w, r)
	if !strings.Contains(pageText(w.Body.String()), "Do not rely on this page now: look at the water yourself\nweirkeeper: the keeper has not ticked lately\n") {
		t.Errorf("a daemon that is not well says\n%s", pageText(w.Body.String()))
	}
	part := show(t, night(), access.Who{}, func(r *http.Request) { r.Header.Set(PartHeader, "main") }).Body.String()
	if strings.Contains(part, "<html") || !strings.Contains(part, "Trough 3: low flow") {
		t.Errorf("the main part is %.80q", part)
	}
	// IDs are the same from one page to the next and each is there once, or the
	// focus would be lost.
	ids := regexp.MustCompile(` id="([^"]+)"`).FindAllString(part, -1)
	again := regexp.MustCompile(` id="([^"]+)"`).FindAllString(show(t, night(), access.Who{}, func(r *http.Request) { r.Header.Set(PartHeader, "main") }).Body.String(), -1)
	if diff := cmp.Diff(ids, again); diff != "" {
		t.Errorf("the IDs change:\n%s", diff)
	}
	slices.Sort(ids)
	if n := len(slices.Compact(slices.Clone(ids))); n != len(ids) {
		t.Errorf("%d IDs, %d of them different", len(ids), n)
	}
}
