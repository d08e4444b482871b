package web_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/rules/act"
	"weirkeeper/rules/site"
)

func (k *keeper) Place(_ context.Context, unit string) (*web.Place, error) {
	now := time.Date(2026, 11, 20, 9, 20, 0, 0, time.UTC)
	p := &web.Place{Unit: unit, Chores: []string{"feeding"}, Now: now, Zone: time.UTC, Site: "Alder Fork"}
	if unit == "trough <2>" {
		start := act.Act{By: "rowan", At: now.Add(-10 * time.Minute), Until: now.Add(20 * time.Minute)}
		p.Cleaning = &act.Cleaning{Start: start}
	}
	return p, nil
}

func (k *keeper) DoneHere(_ context.Context, d site.ChoreDone, id string) (string, error) {
	return k.note([2]any{d, id}, "done\n")
}

var linkSecret = []byte("0123456789abcdef0123456789abcdef")

// scan sends one request for a link; from is the address it comes from.
func scan(t *testing.T, c http.Handler, method, path, from string, form url.Values, change func(*http.Request)) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), method, "http://192.0.2.7:8370"+path, strings.NewReader(form.Encode()))
	r.RemoteAddr = from
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if change != nil {
		change(r)
	}
	w := httptest.NewRecorder()
	c.ServeHTTP(w, r)
	return w
}

func codes(k *keeper, now func() time.Time) http.Handler {
	if now == nil {
		now = func() time.Time { return time.Time{} }
	}
	return web.NewCodes(k, linkSecret, []string{"trough 1", "trough <2>"}, now, slog.New(slog.DiscardHandler)).Mount(http.NotFoundHandler())
}

const phone = "192.168.1.23:40000"

func TestLinkPages(t *testing.T) {
	one, two, all := web.LinkPath(linkSecret, "trough 1"), web.LinkPath(linkSecret, "trough <2>"), web.LinkPath(linkSecret, "")
	if one == two || one == web.LinkPath([]byte("another secret, as long as it is"), "trough 1") || len(one) != len("/c/")+16 {
		t.Errorf("links %s and %s", one, two)
	}
	for _, tt := range []struct {
		name, path, from string
		status           int
		has, hasNot      []string
	}{
		{"a unit", one, phone, 200, []string{"<h1>Trough 1</h1>", `value="start">Start cleaning`, `value="finish">It is cleaned already`, `value="done feeding">feeding done`}, []string{"Being cleaned"}},
		{"one being cleaned", two, phone, 200, []string{"<h1>Trough &lt;2&gt;</h1>", "Being cleaned by rowan since 09:10. Flow alarms call nobody until 09:40.", `value="finish">Finish`}, []string{"Start cleaning"}},
		{"the whole site", all, phone, 200, []string{"<h1>Alder Fork</h1>", "feeding done"}, []string{"cleaning"}},
		{"over IPv6 of the link", one, "[fe80::1]:4", 200, []string{"Trough 1"}, nil},
		{"from this machine", one, "127.0.0.1:4", 200, []string{"Trough 1"}, nil},
		{"from elsewhere", one, "203.0.113.9:40000", 403, []string{"own network only"}, []string{"Trough"}},
		{"from no address", one, "@", 403, []string{"own network only"}, nil},
		{"another token", "/c/abcdefghijklmnop", phone, 404, []string{"print the code anew"}, []string{"Trough"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := scan(t, codes(&keeper{}, nil), "GET", tt.path, tt.from, nil, nil)
			body := w.Body.String()
			if w.Code != tt.status {
				t.Errorf("status %d: %s", w.Code, body)
			}
			for _, s := range tt.has {
				if !strings.Contains(body, s) {
					t.Errorf("%q is not in:\n%s", s, body)
				}
			}
			for _, s := range tt.hasNot {
				if strings.Contains(body, s) {
					t.Errorf("%q is in:\n%s", s, body)
				}
			}
			if w.Header().Get("Referrer-Policy") != "no-referrer" {
				t.Error("the link is passed on to other pages")
			}
		})
	}
}

// idle has no chore of the whole site.
type idle struct{ *keeper }

func (k idle) Place(ctx context.Context, unit string) (*web.Place, error) {
	p, err := k.keeper.Place(ctx, unit)
	p.Chores = nil
	return p, err
}

// A page without a button says why.
func TestLinkWithoutChores(t *testing.T) {
	c := web.NewCodes(idle{&keeper{}}, linkSecret, []string{"trough 1"}, func() time.Time { return time.Time{} }, slog.New(slog.DiscardHandler)).Mount(http.NotFoundHandler())
	for unit, form := range map[string]bool{"": false, "trough 1": true} {
		got := scan(t, c, "GET", web.LinkPath(linkSecret, unit), phone, nil, nil).Body.String()
		if strings.Contains(got, "<form") != form || strings.Contains(got, "No chore of the whole site") == form {
			t.Errorf("%q: the page says\n%s", unit, got)
		}
	}
}

func TestLinkButtons(t *testing.T) {
	const id = "0123456789"
	form := func(do, by string) url.Values { return url.Values{"do": {do}, "by": {by}, "id": {id}} }
	started := web.ActCommand{Act: act.Act{ID: "link/" + id, Kind: act.CleaningStarted, By: "kim", Via: "link", Unit: "trough 1"}}
	finished := started
	finished.Act.Kind = act.CleaningFinished
	for _, tt := range []struct {
		name   string
		form   url.Values
		err    error
		change func(*http.Request)
		status int
		says   string
		asked  any
	}{
		{"start", form("start", "kim"), nil, nil, 200, "done", started},
		{"finish", form("finish", " kim\n"), nil, nil, 200, "done", finished},
		{"a chore", form("done feeding", "kim"), nil, nil, 200, "done", [2]any{site.ChoreDone{Chore: "feeding", Unit: "trough 1", By: "kim", Via: "link"}, "link/" + id}},
		{"refused", form("start", "kim"), &act.Refusal{Reason: "it is <being> cleaned"}, nil, 409, "Not done. it is &lt;being&gt; cleaned", started},
		{"not stored", form("start", "kim"), errors.New("disk full"), nil, 503, "Not done. It could not be recorded: disk full", started},
		{"no name", form("start", " "), nil, nil, 400, "Write your name first", nil},
		{"nothing", form("sleep", "kim"), nil, nil, 409, "nothing of that name", nil},
		{"no page", url.Values{"do": {"start"}, "by": {"kim"}}, nil, nil, 409, "too old", nil},
		{"from our own page", form("start", "kim"), nil, func(r *http.Request) { r.Header.Set("Origin", "http://192.0.2.7:8370") }, 200, "done", started},
		{"from another page", form("start", "kim"), nil, func(r *http.Request) { r.Header.Set("Origin", "http://elsewhere.example") }, 403, "from another page", nil},
		{"too long", form("start", strings.Repeat("k", 9000)), nil, nil, 400, "cannot be read", nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			k := &keeper{err: tt.err}
			w := scan(t, codes(k, nil), "POST", web.LinkPath(linkSecret, "trough 1"), phone, tt.form, tt.change)
			if w.Code != tt.status || !strings.Contains(w.Body.String(), tt.says) {
				t.Errorf("status %d, %s", w.Code, w.Body)
			}
			var want []any
			if tt.asked != nil {
				want = []any{tt.asked}
			}
			if d := gocmp.Diff(want, k.asked); d != "" {
				t.Errorf("asked (-want +got):\n%s", d)
			}
		})
	}
}

// The name is remembered by the telephone, whatever it is.
func TestLinkRemembersTheName(t *testing.T) {
	path := web.LinkPath(linkSecret, "trough 1")
	for name, want := range map[string]string{"kim": "kim", `k"<i>; m`: `k&#34;&lt;i&gt;; m`, strings.Repeat("ü", 60): strings.Repeat("ü", 40)} {
		w := scan(t, codes(&keeper{}, nil), "POST", path, phone, url.Values{"do": {"start"}, "by": {name}, "id": {"0123456789"}}, nil)
		cookies := w.Result().Cookies()
		if len(cookies) != 1 || !cookies[0].HttpOnly {
			t.Fatalf("%s: cookies %v", name, cookies)
		}
		w = scan(t, codes(&keeper{}, nil), "GET", path, phone, nil, func(r *http.Request) { r.AddCookie(cookies[0]) })
		if !strings.Contains(w.Body.String(), `name="by" value="`+want+`"`) {
			t.Errorf("%s: the page is\n%s", name, w.Body)
		}
	}
}

func TestLinkRate(t *testing.T) {
	now := time.Date(2026, 11, 20, 9, 20, 0, 0, time.UTC)
	c := codes(&keeper{}, func() time.Time { return now })
	path := web.LinkPath(linkSecret, "trough 1")
	status := func(from string) int { return scan(t, c, "GET", path, from, nil, nil).Code }
	for i := range 30 {
		if got := status(phone); got != 200 {
			t.Fatalf("request %d: status %d", i, got)
		}
	}
	if got := status(phone); got != 429 {
		t.Errorf("one too many: status %d", got)
	}
	if got := status("192.168.1.24:1"); got != 200 {
		t.Errorf("another telephone: status %d", got)
	}
	for i := range 2000 { // does not fill the memory
		status(fmt.Sprintf("10.0.%d.%d:1", i/250, i%250))
	}
	now = now.Add(time.Minute)
	if got := status(phone); got != 200 {
		t.Errorf("a minute later: status %d", got)
	}
}

func TestSecret(t *testing.T) {
	dir := t.TempDir()
	if _, err := web.ReadSecret(dir); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("read before it is made: %v", err)
	}
	a, err := web.Secret(dir)
	if err != nil {
		t.Fatal(err)
	}
	b, err := web.Secret(dir)
	if err != nil || string(a) != string(b) || len(a) != 32 {
		t.Errorf("made %x, then read %x, %v", a, b, err)
	}
	path := filepath.Join(dir, web.SecretFile)
	fi, err := os.Stat(path)
	if err != nil || fi.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", fi, err)
	}
	if files, err := os.ReadDir(dir); err != nil || len(files) != 1 {
		t.Errorf("left %v, %v", files, err)
	}
	if err := os.WriteFile(path, []byte("torn"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := web.Secret(dir); err == nil || !strings.Contains(err.Error(), "damaged") {
		t.Errorf("a damaged one: %v", err)
	}
}
