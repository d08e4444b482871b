package page

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/cmd/weirkeeper/internal/lotform"
	"weirkeeper/rules"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

var updateLots = flag.Bool("update-lots", false, "rewrite the golden files of the lots")

// shop is a record of lots as the daemon keeps it, without the daemon.
type shop struct {
	*rules.Engine
	site    *site.Site
	entries []book.Entry
	now     time.Time
}

// newShop has a lot of green eggs 30 days old in a stack whose water was measured,
// and one of the year before that is gone.
func newShop(t *testing.T) *shop {
	t.Helper()
	s := rulestest.Site()
	s.Lots[0].Path[0].From = rulestest.Start.AddDate(0, 0, -29)
	k := &shop{Engine: rules.New(s, &lang.Program{}), site: s, now: rulestest.Start}
	k.entries = book.FromSite(s.Lots[0])
	before := rulestest.Start.AddDate(-1, 0, 0)
	for _, e := range []book.Entry{
		{Lot: "2025-B", Kind: book.Opened, At: before, Unit: "trough 1", Open: &book.Opening{
			Species: "arctic char", EggTake: before.AddDate(0, -3, 0), Start: lot.SwimUp, Count: book.Count{Method: book.Direct, Number: 900},
		}},
		{Lot: "2025-B", Kind: book.Shipped, At: before.AddDate(0, 2, 0), Place: "mill pond"},
	} {
		k.mustEnter(t, e)
	}
	for at := k.site.Lots[0].Path[0].From; !at.After(k.now); at = at.Add(10 * time.Minute) {
		r := rulestest.Reading("stack 1 temperature", at, 8)
		k.Reading(at, &r)
	}
	return k
}

func (k *shop) mustEnter(t *testing.T, e book.Entry) {
	t.Helper()
	if _, err := k.enter(e); err != nil {
		t.Fatalf("%s: %v", e.Words(), err)
	}
}

func (k *shop) enter(e book.Entry) (string, error) {
	for _, o := range k.entries {
		if o.ID == e.ID && e.ID != "" {
			return fmt.Sprintf("Already in the record as entry %d.", o.Seq), nil
		}
	}
	n := int64(1)
	for _, o := range k.entries {
		n = max(n, o.Seq+1)
	}
	if e.By == "" {
		e.By = "lee"
	}
	e.Seq, e.RecordedAt = n, k.now
	if e.ID == "" {
		e.ID = fmt.Sprintf("made %d", n)
	}
	if _, err := book.New(k.entries, k.BookOptions()).Check(e, k.now); err != nil {
		return "", err
	}
	k.entries = append(k.entries, e)
	k.SetBook(book.New(k.entries, k.BookOptions()))
	return fmt.Sprintf("Entry %d: %s.", e.Seq, e.Words()), nil
}

func (k *shop) LotViews(context.Context) ([]rules.LotView, time.Time, error) {
	return k.Lots(k.now), k.now, nil
}

func (k *shop) LotView(_ context.Context, id string) (*rules.LotSheet, time.Time, error) {
	s, _ := k.Sheet(id, k.now)
	return s, k.now, nil
}

func (k *shop) EnterWritten(_ context.Context, c lotform.Command) (string, error) {
	e := c.Entry
	read := func(s string, otherwise time.Time) (time.Time, error) {
		if s == "" {
			return otherwise, nil
		}
		return time.ParseInLocation("2006-01-02T15:04", s, k.site.Location)
	}
	var err error
	if e.Open != nil {
		if e.Open.EggTake, err = read(c.EggTake, k.now); err != nil {
			return "", err
		}
	}
	if e.At, err = read(c.When, k.now); err != nil {
		return "", err
	}
	return k.enter(e)
}

// signedIn has somebody ask.
func signedIn(name string, role access.Role, h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.ServeHTTP(w, r.WithContext(access.With(r.Context(), access.Who{Name: name, Role: role, Proof: "a-proof"})))
	})
}

// lotsHandler is the pages of a shop, with kim asking.
func lotsHandler(k *shop, role access.Role) http.Handler {
	return signedIn("kim", role, NewLots(k, k.site).Mount(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasPrefix(r.URL.Path, "/static/") {
			Static().ServeHTTP(w, r)
			return
		}
		w.WriteHeader(http.StatusTeapot) // what is not ours
	})))
}

func ask(t *testing.T, h http.Handler, path string) (int, string) {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, nil)
	r.Header.Set("Accept", "text/html")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Code, w.Body.String()
}

func post(t *testing.T, h http.Handler, path string, form url.Values) (int, string, string) {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Accept", "text/html")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Code, w.Body.String(), w.Header().Get("Location")
}

var tags = regexp.MustCompile(`<[^>]*>`)

// words is the text of a page without its tags.
func plainText(body string) string {
	if _, main, ok := strings.Cut(body, `<main id="main" tabindex="-1">`); ok {
		body, _, _ = strings.Cut(main, "</main>")
	}
	return strings.Join(strings.Fields(tags.ReplaceAllString(body, " ")), " ")
}

// golden compares a page's main part with a file.
func golden(t *testing.T, name, body string) {
	t.Helper()
	_, main, _ := strings.Cut(body, `<main id="main" tabindex="-1">`)
	main, _, _ = strings.Cut(main, "</main>")
	main = regexp.MustCompile(`name="id" value="[^"]*"`).ReplaceAllString(main, `name="id" value="ID"`)
	path := filepath.Join("testdata", name)
	if *updateLots {
		if err := os.WriteFile(path, []byte(main), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(want, []byte(main)) {
		t.Errorf("%s differs (run with -update-lots and read the diff):\n%s", name, cmp.Diff(strings.Split(string(want), "\n"), strings.Split(main, "\n")))
	}
}

func TestLotPages(t *testing.T) {
	k := newShop(t)
	h := lotsHandler(k, access.Work)
	for name, path := range map[string]string{
		"lots.html": "/lots", "lots-es.html": "/lots?lang=es", "lot.html": "/lots/2026%2DA", "lot-picked.html": "/lots/2026-A/entry?kind=picked", "lot-open-es.html": "/open-lot?lang=es",
	} {
		code, body := ask(t, h, path)
		if code != http.StatusOK {
			t.Errorf("%s: status %d, %s", path, code, body)
			continue
		}
		golden(t, name, body)
	}
}

// TestLotWords: in either language every page of the lots has all of its words.
func TestLotWords(t *testing.T) {
	k := newShop(t)
	h := lotsHandler(k, access.Work)
	links := []string{"/lots", "/lots/2026-A", "/lots/2025-B", "/open-lot", "/lots/none"}
	for _, kind := range book.Kinds() {
		if kind != book.Opened && kind != book.Struck {
			links = append(links, entryLink("2026-A", kind, 0))
		}
	}
	links = append(links, entryLink("2025-B", book.Struck, 2), entryLink("2025-B", book.Opened, 1))
	for _, path := range links {
		for _, l := range Languages() {
			sep := "?"
			if strings.Contains(path, "?") {
				sep = "&"
			}
			code, body := ask(t, h, path+sep+"lang="+string(l))
			if code >= 500 || code == http.StatusBadRequest || code == http.StatusTeapot {
				t.Errorf("%s: status %d, %s", path, code, body)
			}
			if m := regexp.MustCompile(`lots\.[a-z-]+\b[^s]`).FindString(plainText(body)); m != "" {
				t.Errorf("%s in %s shows the key %s", path, l.Name(), m)
			}
			if strings.Contains(body, "%!") {
				t.Errorf("%s in %s has words that do not fit what is put in", path, l.Name())
			}
		}
	}
}

// TestLotsForOthers: who does not ask for a page, or for a format, gets what there
// was before.
func TestLotsForOthers(t *testing.T) {
	h := lotsHandler(newShop(t), access.Work)
	for _, tt := range []struct{ method, path, accept string }{
		{http.MethodGet, "/lots", "*/*"},
		{http.MethodGet, "/lots", ""},
		{http.MethodGet, "/lots/2026-A", "text/plain"},
		{http.MethodGet, "/lots/2026-A?format=html", "text/html"},
		{http.MethodPost, "/lots/entries", "text/html"},
		{http.MethodGet, "/", "text/html"},
	} {
		r := httptest.NewRequestWithContext(t.Context(), tt.method, tt.path, nil)
		r.Header.Set("Accept", tt.accept)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != http.StatusTeapot {
			t.Errorf("%s %s, accepts %q: status %d", tt.method, tt.path, tt.accept, w.Code)
		}
	}
}

func TestLotForm(t *testing.T) {
	const path = "/do/lots/2026-A"
	at := rulestest.Start.AddDate(0, 0, -1).Format("2006-01-02T15:04")
	tests := []struct {
		name string
		role access.Role
		path string
		form url.Values
		code int
		// says is in the page, or the last entry's words where it was written.
		says string
	}{
		{"written", access.Work, path, url.Values{"kind": {"picked"}, "dead": {"1,040"}, "when": {at}}, http.StatusSeeOther, "1,040 dead picked out of stack 1"},
		{"moved", access.Work, path, url.Values{"kind": {"moved"}, "to": {"trough 1"}, "number": {""}}, http.StatusSeeOther, "24,000 moved from stack 1 to trough 1"},
		{"weighed", access.Work, path, url.Values{"kind": {"weighed"}, "fish": {"50"}, "weight": {"31 g"}}, http.StatusSeeOther, "50 weighed 31 g, 0.62 g each, from stack 1"},
		{"counted by volume", access.Work, path, url.Values{"kind": {"counted"}, "sample": {"412"}, "sample-volume": {"50 mL"}, "total-volume": {"1240 mL"}}, http.StatusSeeOther, "counted: 1,240 mL / 50 mL x 412 = 10,218 by volume, in stack 1"},
		{"opened", access.Work, "/do/lots/", url.Values{"lot": {"2026-C"}, "species": {"brook trout"}, "eggs": {"900"}, "unit": {"stack 2"}, "egg-take": {at}}, http.StatusSeeOther, "opened: brook trout, green, 900 direct, in stack 2"},
		{"refused by the book", access.Work, path, url.Values{"kind": {"picked"}, "dead": {"30000"}, "unit": {"stack 1"}}, http.StatusConflict, "Not written. "},
		{"refused, the future", access.Work, path, url.Values{"kind": {"eyed"}, "when": {"2027-01-01T00:00"}}, http.StatusConflict, "lies in the future"},
		{"not a number", access.Work, path, url.Values{"kind": {"picked"}, "dead": {"many"}}, http.StatusUnprocessableEntity, "is not a whole number from 0 to 999,999,999; write it like 12400 or 12,400"},
		{"without a unit", access.Work, path, url.Values{"kind": {"weighed"}, "fish": {"50"}, "weight": {"31"}}, http.StatusUnprocessableEntity, "has no unit; write it like"},
		{"left empty", access.Work, path, url.Values{"kind": {"picked"}}, http.StatusUnprocessableEntity, "this cannot be left empty"},
		{"no way to count", access.Work, path, url.Values{"kind": {"counted"}, "number": {"3"}, "sample": {"3"}}, http.StatusUnprocessableEntity, "say in one way how many there are"},
		{"only looks", access.Look, path, url.Values{"kind": {"eyed"}}, http.StatusForbidden, "sign in"},
		{"nobody", access.Nobody, "/do/lots/", url.Values{}, http.StatusForbidden, "sign in"},
		{"no such kind", access.Work, path, url.Values{"kind": {"eaten"}}, http.StatusBadRequest, "no such kind"},
		{"opened twice", access.Work, path, url.Values{"kind": {"opened"}}, http.StatusBadRequest, "no such kind"},
		{"nothing to strike", access.Work, path, url.Values{"kind": {"struck"}, "why": {"slip"}}, http.StatusBadRequest, "which entry"},
		{"another lot's entry", access.Work, path, url.Values{"kind": {"struck"}, "corrects": {"1"}, "why": {"slip"}}, http.StatusBadRequest, "no entry with this number"},
		{"the site file's entry", access.Work, path, url.Values{"kind": {"struck"}, "corrects": {"-1"}, "why": {"slip"}}, http.StatusBadRequest, "no entry with this number"},
		{"no such lot", access.Work, "/do/lots/2026-X", url.Values{"kind": {"eyed"}}, http.StatusNotFound, "There is no lot of this name"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			k := newShop(t)
			n := len(k.entries)
			tt.form.Set("id", "form-1")
			code, body, to := post(t, lotsHandler(k, tt.role), tt.path, tt.form)
			if code != tt.code {
				t.Fatalf("status %d, want %d: %s", code, tt.code, plainText(body))
			}
			if code != http.StatusSeeOther {
				if len(k.entries) != n || !strings.Contains(plainText(body), tt.says) {
					t.Errorf("does not say %q, or %d entries were written: %s", tt.says, len(k.entries)-n, plainText(body))
				}
				return
			}
			last := k.entries[len(k.entries)-1]
			l, _ := k.Book().Entry(last.Seq)
			if len(k.entries) != n+1 || l.Words() != tt.says || last.By != "kim" || last.ID != "form-1" || !strings.HasPrefix(to, "/lots/") {
				t.Errorf("%d entries more, the last %q by %q, id %q, then to %s", len(k.entries)-n, l.Words(), last.By, last.ID, to)
			}
		})
	}
}

// TestRefusedKeepsWhatWasTyped: beside the refusal all fields are as they were
// left, and the form is still the same one.
func TestRefusedKeepsWhatWasTyped(t *testing.T) {
	h := lotsHandler(newShop(t), access.Work)
	form := url.Values{"id": {"form-1"}, "kind": {"lost"}, "number": {"30,000"}, "why": {"screen <out> & \"gone\""}, "unit": {"stack 1"}, "when": {"2026-11-20T07:00"}}
	code, body, _ := post(t, h, "/do/lots/2026-A", form)
	if code != http.StatusConflict {
		t.Fatalf("status %d", code)
	}
	for _, want := range []string{
		`name="id" value="form-1"`, `name="number" value="30,000"`, `screen &lt;out&gt; &amp; &#34;gone&#34;</textarea>`, `<option value="stack 1" selected lang="en">`,
		`name="when" value="2026-11-20T07:00" type="datetime-local"`, `role="alert"`, `name="proof" value="a-proof"`,
	} {
		if !strings.Contains(body, want) {
			t.Errorf("has no %s", want)
		}
	}
}

// TestSentTwice: a form that is sent twice is written once.
func TestSentTwice(t *testing.T) {
	k := newShop(t)
	h, n := lotsHandler(k, access.Work), len(k.entries)
	form := url.Values{"id": {"form-1"}, "kind": {"picked"}, "dead": {"7"}}
	for range 2 {
		if code, body, _ := post(t, h, "/do/lots/2026-A", form); code != http.StatusSeeOther {
			t.Fatalf("status %d, %s", code, plainText(body))
		}
	}
	if got := len(k.entries) - n; got != 1 {
		t.Errorf("written %d times", got)
	}
}

// TestCorrect: the form to correct an entry says what the entry says, and sent
// back as it is gives that entry again.
func TestCorrect(t *testing.T) {
	take := rulestest.Start.AddDate(0, 0, -20)
	base := book.Entry{Lot: "2026-D", At: take.Add(26*time.Hour + 7*time.Second)}
	entry := func(kind book.Kind, change func(*book.Entry)) book.Entry {
		e := base
		e.Kind = kind
		if change != nil {
			change(&e)
		}
		return e
	}
	open := book.Entry{Lot: "2026-D", Kind: book.Opened, At: take, Unit: "stack 2", Trays: "1-3", Open: &book.Opening{
		Species: "brook trout", Strain: "Alder", Source: "Fern Brook", EggTake: take.AddDate(0, 0, -3), Start: lot.Eyed, StartUnits: 230.5, BaseC: -0.5,
		Count: book.Count{Method: book.ByWeight, SampleNumber: 100, SampleAmount: 8.2, TotalAmount: 3100},
	}}
	tests := []book.Entry{
		open,
		entry(book.Moved, func(e *book.Entry) { e.Unit, e.To, e.Number = "stack 2", "trough 1", 500 }),
		entry(book.Split, func(e *book.Entry) { e.Unit, e.To, e.Other, e.Number = "stack 2", "trough 2", "2026-E", 400 }),
		entry(book.Merged, func(e *book.Entry) { e.Other = "2026-A" }),
		entry(book.Shocked, func(e *book.Entry) { e.Unit, e.Number = "stack 2", 12 }),
		entry(book.Hatched, func(e *book.Entry) { e.Part = book.Half }),
		entry(book.Weighed, func(e *book.Entry) {
			e.Unit, e.Sample = "stack 2", &book.Sample{Number: 50, WeightG: measure.MassG(3.25), LengthMM: 22.5}
		}),
		entry(book.Counted, func(e *book.Entry) {
			e.Unit, e.Count = "stack 2", &book.Count{Method: book.ByVolume, SampleNumber: 412, SampleAmount: 50, TotalAmount: 1240}
		}),
		entry(book.Shipped, func(e *book.Entry) { e.Unit, e.Number, e.Place = "stack 2", 30, "mill pond" }),
		entry(book.Lost, func(e *book.Entry) { e.Unit, e.Number, e.Text = "stack 2", 30, "heron" }),
		entry(book.Note, func(e *book.Entry) { e.Text = "salt bath" }),
		entry(book.SwimUp, nil),
	}
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range tests {
		v := lotform.Values(want, zone)
		c, err := lotform.Read(want.Kind, func(name string) string { return v[name] })
		if err != nil {
			t.Errorf("%s: %v", want.Words(), err)
			continue
		}
		got := c.Entry
		got.Lot = want.Lot
		parse := func(s string) time.Time {
			at, err := time.ParseInLocation("2006-01-02T15:04:05", (s + ":00")[:19], zone)
			if err != nil {
				t.Fatal(err)
			}
			return at.UTC()
		}
		if got.At = parse(c.When); got.Open != nil {
			got.Open.EggTake = parse(c.EggTake)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", want.Words(), diff)
		}
	}
	// The second 01:30 of the night in which the clocks go back is not the first.
	// 06:30 and 07:30 UTC: tz database, America/Chicago, 1 November 2026.
	first := time.Date(2026, 11, 1, 6, 30, 0, 0, time.UTC)
	a, b := lotform.Local(first, zone), lotform.Local(first.Add(time.Hour), zone)
	if a == b || !slices.Contains([]string{a, b}, "2026-11-01T01:30") {
		t.Errorf("the two hours are written %s and %s", a, b)
	}
}

func TestCorrectAndStrike(t *testing.T) {
	k := newShop(t)
	h := lotsHandler(k, access.Work)
	must := func(form url.Values) {
		t.Helper()
		form.Set("id", fmt.Sprint("form-", len(k.entries)))
		if code, body, _ := post(t, h, "/do/lots/2026-A", form); code != http.StatusSeeOther {
			t.Fatalf("status %d, %s", code, plainText(body))
		}
	}
	must(url.Values{"kind": {"picked"}, "dead": {"420"}})
	seq := fmt.Sprint(k.entries[len(k.entries)-1].Seq)
	if _, body := ask(t, h, "/lots/2026-A/entry?kind=picked&corrects="+seq); !strings.Contains(body, `name="dead" value="420"`) || !strings.Contains(body, "420 dead picked out of stack 1") {
		t.Errorf("the form does not say what the entry says:\n%s", body)
	}
	must(url.Values{"kind": {"picked"}, "dead": {"42"}, "corrects": {seq}})
	if l, _ := k.Book().Lot("2026-A"); l.Dead != 42 {
		t.Errorf("%d dead, want 42", l.Dead)
	}
	seq = fmt.Sprint(k.entries[len(k.entries)-1].Seq)
	must(url.Values{"kind": {"struck"}, "why": {"that was another lot"}, "corrects": {seq}})
	_, body := ask(t, h, "/lots/2026-A")
	if text := plainText(body); !strings.Contains(text, "struck: that was another lot") || !strings.Contains(text, "(taken back by") {
		t.Errorf("the page does not say what was taken back: %s", text)
	}
	if strings.Contains(body, "corrects="+seq) {
		t.Error("what was taken back can be corrected once more")
	}
}

// TestLotScript: whatever people write, nothing of it becomes part of a page.
func TestLotScript(t *testing.T) {
	const bad = `"><script>alert(1)</script><svg onload=alert(2)>'`
	k := newShop(t)
	h := lotsHandler(k, access.Work)
	k.mustEnter(t, book.Entry{Lot: "2026-Z", Kind: book.Opened, At: k.now.AddDate(0, 0, -2), Unit: "stack 2", Trays: bad, By: bad, Open: &book.Opening{
		Species: bad[:40], Strain: bad, Source: bad, EggTake: k.now.AddDate(0, 0, -2), Start: lot.Green, Count: book.Count{Method: book.Direct, Number: 90},
	}})
	k.mustEnter(t, book.Entry{Lot: "2026-Z", Kind: book.Note, At: k.now, Text: bad, By: bad})
	k.mustEnter(t, book.Entry{Lot: "2026-Z", Kind: book.Shipped, At: k.now, Place: bad, Number: 3, By: bad})
	bodies := map[string]string{}
	for _, path := range []string{"/lots", "/lots/2026-Z", "/lots/" + url.PathEscape(bad), "/lots/2026-Z/entry?kind=shipped&corrects=5", "/lots/2026-Z/entry?kind=opened&corrects=3", "/lots/2026-Z/entry?kind=struck&corrects=4"} {
		_, bodies[path] = ask(t, h, path)
	}
	for _, kind := range book.Kinds() {
		form := url.Values{"kind": {string(kind)}, "id": {bad}, "corrects": {"3"}}
		for _, f := range append(lotform.Fields(kind), lotform.Field{Name: "when"}) {
			form.Set(f.Name, bad)
		}
		_, bodies["form "+string(kind)], _ = post(t, h, "/do/lots/2026-Z", form)
	}
	for path, body := range bodies {
		if !strings.Contains(body, "&lt;script&gt;") && !strings.Contains(body, "&lt;svg") && !strings.Contains(body, "seconds") {
			t.Errorf("%s shows nothing of what was written, so it proves nothing:\n%s", path, plainText(body))
		}
		if strings.Contains(body, "<script>") || strings.Contains(body, "<svg onload") || strings.Contains(body, "alert(1)</script>") {
			t.Errorf("%s lets script through", path)
		}
	}
}

// TestBoardSteps: what is done and what is to come of a lot, through its life.
func TestBoardSteps(t *testing.T) {
	at := rulestest.Site()
	on := func(day int) time.Time { return time.Date(2026, 10, day, 12, 0, 0, 0, time.UTC) }
	f := func(s lot.Stage, from, to int) lot.Forecast {
		return lot.Forecast{Stage: s, Earliest: on(from), Latest: on(to), Need: lot.Need{Low: 400, High: 500}}
	}
	stack, trough := []book.Holding{{Unit: "stack 1"}}, []book.Holding{{Unit: "trough 1"}}
	tests := []struct {
		name string
		v    rules.LotView
		want string
	}{
		{
			"green",
			rules.LotView{Lot: &book.Lot{Opening: book.Opening{EggTake: on(1)}, Stage: lot.Green, Holdings: stack}, Forecast: []lot.Forecast{f(lot.Eyed, 20, 25), f(lot.Hatch, 40, 50), {Stage: lot.SwimUp, Why: "not known"}}},
			"step-eggtake done 1 Oct 2026; step-eyed to come 20 to 25 Oct 2026; step-half to come 9 to 19 Nov 2026; step-swimup unknown not known",
		},
		{
			"hatching",
			rules.LotView{Lot: &book.Lot{Opening: book.Opening{EggTake: on(1)}, Stage: lot.Hatch, EyedAt: on(20), HatchFirst: on(41), Holdings: stack}, Forecast: []lot.Forecast{f(lot.Hatch, 42, 43), f(lot.SwimUp, 70, 80)}},
			"step-eggtake done 1 Oct 2026; step-eyed done 20 Oct 2026; step-first begun 10 Nov 2026; step-half to come 11 to 12 Nov 2026; step-swimup to come 9 to 19 Dec 2026; step-move to come 9 to 19 Dec 2026",
		},
		{
			"due",
			rules.LotView{Lot: &book.Lot{Opening: book.Opening{EggTake: on(1)}, Stage: lot.Eyed, EyedAt: on(20), Holdings: trough}, Forecast: []lot.Forecast{{Stage: lot.Hatch, Overdue: true}}},
			"step-eggtake done 1 Oct 2026; step-eyed done 20 Oct 2026; step-half due 1 Jan 0001",
		},
		{
			"moved and fed",
			rules.LotView{Lot: &book.Lot{
				Opening: book.Opening{EggTake: on(1)}, Stage: lot.SwimUp, EyedAt: on(20), HatchFirst: on(41), HatchHalf: on(42), HatchLast: on(44), SwimUpAt: on(70), FedAt: on(72), Holdings: trough,
				Strands: []book.Strand{{Path: []book.Stay{{Unit: "stack 1", From: on(1)}, {Unit: "trough 1", From: on(60)}}}, {Path: []book.Stay{{Unit: "stack 1", From: on(1)}, {Unit: "trough 1", From: on(60)}}}},
			}},
			"step-eggtake done 1 Oct 2026; step-eyed done 20 Oct 2026; step-hatch done 13 Nov 2026; step-swimup done 9 Dec 2026; step-moved done 29 Nov 2026 trough 1; step-fed done 11 Dec 2026",
		},
		{
			"came eyed",
			rules.LotView{Lot: &book.Lot{Opening: book.Opening{EggTake: on(1), Start: lot.Eyed}, Stage: lot.Eyed, Holdings: trough}, Forecast: []lot.Forecast{f(lot.Hatch, 40, 40)}},
			"step-eggtake done 1 Oct 2026; step-half to come 9 Nov 2026",
		},
	}
	for _, tt := range tests {
		var got []string
		for _, s := range steps(tt.v, at) {
			words := s.Key + " " + s.State
			if s.State != "unknown" {
				words += " " + English.Days(s.From, s.To)
			}
			got = append(got, strings.TrimSpace(words+" "+s.Note))
		}
		if g := strings.Join(got, "; "); g != tt.want {
			t.Errorf("%s:\n got %s\nwant %s", tt.name, g, tt.want)
		}
	}
}

func TestDays(t *testing.T) {
	a, b := time.Date(2026, 12, 30, 0, 0, 0, 0, time.UTC), time.Date(2027, 1, 4, 0, 0, 0, 0, time.UTC)
	tests := []struct {
		l        Language
		from, to time.Time
		want     string
	}{
		{English, a, b, "30 Dec to 4 Jan 2027"},
		{Spanish, a, b, "30 dic a 4 ene 2027"},
		{Spanish, a, a, "30 dic 2026"},
		{Spanish, b, b.AddDate(0, 0, 5), "4 a 9 ene 2027"},
	}
	for _, tt := range tests {
		if got := tt.l.Days(tt.from, tt.to); got != tt.want {
			t.Errorf("%s: %q, want %q", tt.l.Name(), got, tt.want)
		}
	}
}
