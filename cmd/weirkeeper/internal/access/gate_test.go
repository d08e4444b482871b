package access

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
)

// cheap is a cost for tests: what is tested is not how long a guess takes.
var cheap = Cost{Passes: 1, MemoryKiB: 64, Lanes: 1}

const goodPassword = "heron over slow gravel"

// site is a gate before a web side that says who came.
type site struct {
	*Gate
	now     time.Time
	handler http.Handler
	log     bytes.Buffer
}

// plainPages shows a page as its name and data.
type plainPages struct{}

var plainPage = template.Must(template.New("").Parse(`{{.Name}} {{printf "%+v" .Data}} proof={{.Proof}};`))

func (plainPages) Show(w http.ResponseWriter, r *http.Request, status int, name string, data any) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_ = plainPage.Execute(w, struct {
		Name, Proof string
		Data        any
	}{name, From(r.Context()).Proof, data})
}

func (plainPages) Back(w http.ResponseWriter, r *http.Request, to, _ string) {
	http.Redirect(w, r, to, http.StatusSeeOther)
}

func newSite(t *testing.T, change func(*Options)) *site {
	t.Helper()
	s := &site{now: ledgertest.Start}
	opt := Options{
		Ledger: ledgertest.MustOpen(t), Pages: plainPages{}, Now: func() time.Time { return s.now }, Log: slog.New(slog.NewTextHandler(&s.log, nil)),
		Secret: []byte("the secret of the tests, long enough"), Anonymous: Look, People: []string{"kim", "rowan"}, Zone: time.UTC, Cost: cheap,
	}
	if change != nil {
		change(&opt)
	}
	s.Gate = New(opt)
	s.handler = s.Guard(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		who := From(r.Context())
		_, _ = io.WriteString(w, "rest "+who.Role.String()+" "+who.Name+" proof="+who.Proof+";")
	}))
	return s
}

// do has the commands do something.
func (s *site) do(t *testing.T, c Change) string {
	t.Helper()
	said, link, err := s.change(t.Context(), c, "command", "")
	if err != nil {
		t.Fatalf("%+v: %v", c, err)
	}
	if link != "" {
		return link
	}
	return said
}

func (s *site) add(t *testing.T, name string, role Role) {
	t.Helper()
	s.do(t, Change{Do: "add", Name: name, Role: role.String(), Password: goodPassword, By: "rowan"})
}

// browser keeps cookies, and the proof of the page it saw last.
type browser struct {
	site    *site
	remote  string
	cookies map[string]string
	proof   string
	header  http.Header // of each request
}

func (s *site) browser() *browser {
	return &browser{site: s, remote: "192.168.7.20:4000", cookies: make(map[string]string), header: make(http.Header)}
}

type answered struct {
	status int
	body   string
	header http.Header
	set    []*http.Cookie
}

var proofText = regexp.MustCompile(`proof=([^;]*);`)

func (b *browser) ask(r *http.Request) answered {
	r.RemoteAddr, r.Host = b.remote, "192.168.7.2:8370"
	if r.Header.Get("Accept") == "" {
		r.Header.Set("Accept", "text/html")
	}
	for k, v := range b.header {
		r.Header[k] = v
	}
	for k, v := range b.cookies {
		r.AddCookie(&http.Cookie{Name: k, Value: v})
	}
	w := httptest.NewRecorder()
	b.site.handler.ServeHTTP(w, r)
	resp := w.Result()
	defer func() { _ = resp.Body.Close() }()
	for _, c := range resp.Cookies() {
		if c.MaxAge < 0 {
			delete(b.cookies, c.Name)
		} else {
			b.cookies[c.Name] = c.Value
		}
	}
	if m := proofText.FindStringSubmatch(w.Body.String()); m != nil {
		b.proof = strings.ReplaceAll(m[1], "&#43;", "+")
	}
	return answered{resp.StatusCode, w.Body.String(), resp.Header, resp.Cookies()}
}

func (b *browser) get(t *testing.T, path string) answered {
	t.Helper()
	return b.ask(httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, nil))
}

func (b *browser) post(t *testing.T, path string, fields ...string) answered {
	t.Helper()
	v := url.Values{"proof": {b.proof}}
	for i := 0; i < len(fields); i += 2 {
		v.Set(fields[i], fields[i+1])
	}
	r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, path, strings.NewReader(v.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return b.ask(r)
}

func (b *browser) signIn(t *testing.T, name, password string) answered {
	t.Helper()
	b.get(t, "/sign-in")
	return b.post(t, "/sign-in", "name", name, "password", password)
}

// signedIn is a browser in which that name is signed in.
func (s *site) signedIn(t *testing.T, name string) *browser {
	t.Helper()
	b := s.browser()
	if a := b.signIn(t, name, goodPassword); a.status != http.StatusSeeOther {
		t.Fatalf("%s cannot sign in: %d %s", name, a.status, a.body)
	}
	b.get(t, "/")
	return b
}

func TestSignIn(t *testing.T) {
	s := newSite(t, nil)
	if a := s.browser().get(t, "/sign-in"); !strings.Contains(a.body, "Nobody:true") {
		t.Errorf("first start does not say that nobody has access: %s", a.body)
	}
	s.add(t, "kim", Work)
	b := s.browser()
	for _, wrong := range [][2]string{{"kim", "heron over slow"}, {"kim", ""}, {"nobody", goodPassword}, {"", ""}} {
		s.now = s.now.Add(2 * time.Hour)
		if a := b.signIn(t, wrong[0], wrong[1]); a.status != http.StatusForbidden || !strings.Contains(a.body, "Wrong:wrong") {
			t.Errorf("%q: %d %s", wrong, a.status, a.body)
		}
	}
	if a := b.post(t, "/sign-in", "name", " Kim ", "password", goodPassword, "next", "/lots?day=1"); a.status != http.StatusSeeOther || a.header.Get("Location") != "/lots?day=1" {
		t.Errorf("%d to %q: %s", a.status, a.header.Get("Location"), a.body)
	}
	if a := b.get(t, "/"); !strings.HasPrefix(a.body, "rest work kim ") {
		t.Errorf("then: %s", a.body)
	}

	// A role counts from the moment it is given.
	s.do(t, Change{Do: "role", Name: "kim", Role: "look", By: "rowan"})
	if a := b.get(t, "/"); !strings.HasPrefix(a.body, "rest look kim ") {
		t.Errorf("with a lesser role: %s", a.body)
	}
	s.do(t, Change{Do: "role", Name: "kim", Role: "manage", By: "rowan"})
	if a := b.get(t, "/"); !strings.HasPrefix(a.body, "rest manage kim ") {
		t.Errorf("with a greater role: %s", a.body)
	}

	if a := b.post(t, "/sign-out"); a.status != http.StatusSeeOther {
		t.Errorf("sign-out: %d %s", a.status, a.body)
	}
	if a := b.get(t, "/"); !strings.HasPrefix(a.body, "rest look  ") {
		t.Errorf("after sign-out: %s", a.body)
	}

	b = s.signedIn(t, "kim")
	s.do(t, Change{Do: "password", Name: "kim", Password: "another heron entirely", By: "rowan"})
	if a := b.get(t, "/"); !strings.HasPrefix(a.body, "rest look  ") {
		t.Errorf("after a new password: %s", a.body)
	}
	var what []string
	log, err := s.opt.Ledger.AccessLog(t.Context(), time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range log {
		what = append(what, d.By+": "+d.What+" ("+d.Name+", "+d.Via+")")
	}
	want := []string{
		"rowan: given access to work (kim, command)", "kim: signed in (kim, page)", "rowan: given the role look (kim, command)",
		"rowan: given the role manage (kim, command)", "kim: signed out (kim, page)", "kim: signed in (kim, page)", "rowan: given a new password (kim, command)",
	}
	if diff := cmp.Diff(want, what); diff != "" {
		t.Errorf("written down (-want +got):\n%s", diff)
	}
	if strings.Contains(s.log.String(), "heron") {
		t.Error("a password is in the log")
	}
}

// TestSessionEnds: without use, in all, and when the account is gone; not sooner.
func TestSessionEnds(t *testing.T) {
	s := newSite(t, nil)
	s.add(t, "kim", Work)
	in := func(b *browser) bool { return strings.Contains(b.get(t, "/").body, "kim") }
	b := s.signedIn(t, "kim")
	s.now = s.now.Add(idleEnd - time.Second)
	if !in(b) {
		t.Error("it ended a second too early")
	}
	s.now = s.now.Add(idleEnd)
	if in(b) {
		t.Error("it goes on without use")
	}
	b = s.signedIn(t, "kim")
	end := s.now.Add(absoluteEnd)
	for s.now.Add(idleEnd / 2).Before(end) {
		s.now = s.now.Add(idleEnd / 2)
		if !in(b) {
			t.Fatal("it ended while it was used")
		}
	}
	if s.now = end; in(b) {
		t.Error("it goes on for ever")
	}
	b = s.signedIn(t, "kim")
	s.do(t, Change{Do: "remove", Name: "kim", By: "rowan"})
	if in(b) {
		t.Error("it goes on after access was taken away")
	}
	if a := s.browser().signIn(t, "kim", goodPassword); a.status != http.StatusForbidden {
		t.Errorf("sign-in without access: %d", a.status)
	}
}

// TestForgedRequests: nothing is done by a form that another page sends, whatever
// the browser says of it (cross-site request forgery).
func TestForgedRequests(t *testing.T) {
	s := newSite(t, nil)
	s.add(t, "kim", Work)
	s.add(t, "rowan", Work)
	b := s.signedIn(t, "kim")
	theirs := s.signedIn(t, "rowan").proof
	tests := []struct {
		name, proof string
		header      map[string]string
		want        int
	}{
		{"our page", b.proof, nil, 200},
		{"our page, by its address", b.proof, map[string]string{"Origin": "http://192.168.7.2:8370", "Sec-Fetch-Site": "same-origin"}, 200},
		{"no proof", "", nil, 403},
		{"another's proof", theirs, nil, 403},
		{"a proof cut short", b.proof[:20], nil, 403},
		{"another page", b.proof, map[string]string{"Origin": "http://elsewhere.example"}, 403},
		{"another port", b.proof, map[string]string{"Origin": "http://192.168.7.2:9000"}, 403},
		{"a page that hides where it is", b.proof, map[string]string{"Origin": "null"}, 403},
		{"another site", b.proof, map[string]string{"Sec-Fetch-Site": "cross-site"}, 403},
		{"a neighbour", b.proof, map[string]string{"Sec-Fetch-Site": "same-site"}, 403},
	}
	for _, tt := range tests {
		b.header = make(http.Header)
		for k, v := range tt.header {
			b.header.Set(k, v)
		}
		if a := b.post(t, "/do/acknowledge", "proof", tt.proof); a.status != tt.want || (tt.want != 200) == strings.HasPrefix(a.body, "rest") {
			t.Errorf("%s: %d %s", tt.name, a.status, a.body)
		}
	}
	b.header = make(http.Header)

	json := func(header string) int {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/do/acknowledge?proof="+b.proof, strings.NewReader(`{"proof":"`+b.proof+`"}`))
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set(ProofHeader, header)
		return b.ask(r).status
	}
	if json("") != 403 || json(b.proof) != 200 {
		t.Error("a script needs the header, and nothing else")
	}
	r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/do/acknowledge", strings.NewReader("proof="+b.proof))
	r.Header.Set("Content-Type", "text/plain")
	if got := b.ask(r).status; got != http.StatusUnsupportedMediaType {
		t.Errorf("a form as plain text: %d", got)
	}

	// Nobody signs another browser in as themselves either.
	victim := s.browser()
	if a := victim.post(t, "/sign-in", "name", "kim", "password", goodPassword); a.status != http.StatusForbidden {
		t.Errorf("sign-in without our page: %d", a.status)
	}
	attacker := s.browser()
	attacker.get(t, "/sign-in")
	victim.get(t, "/sign-in")
	if a := victim.post(t, "/sign-in", "name", "kim", "password", goodPassword, "proof", attacker.proof); a.status != http.StatusForbidden {
		t.Errorf("sign-in with another's proof: %d", a.status)
	}
}

// TestFixation: a token that was in the browser before is not the one after.
func TestFixation(t *testing.T) {
	s := newSite(t, nil)
	s.add(t, "kim", Work)
	s.add(t, "rowan", Manage)
	planted, _ := newToken()
	b := s.browser()
	b.cookies[sessionCookie] = planted
	if a := b.signIn(t, "kim", goodPassword); a.status != http.StatusSeeOther {
		t.Fatalf("sign-in: %d", a.status)
	}
	first := b.cookies[sessionCookie]
	if first == planted {
		t.Error("the token that was planted is signed in")
	}
	other := s.browser()
	other.cookies[sessionCookie] = planted
	if a := other.get(t, "/"); strings.Contains(a.body, "kim") {
		t.Error("the token that was planted reads as kim")
	}
	// Who signs in again has a new token, and the old one is worth nothing.
	if a := b.signIn(t, "rowan", goodPassword); a.status != http.StatusSeeOther || b.cookies[sessionCookie] == first {
		t.Errorf("second sign-in: %d, token the same %v", a.status, b.cookies[sessionCookie] == first)
	}
	other.cookies[sessionCookie] = first
	if a := other.get(t, "/"); strings.Contains(a.body, "kim") {
		t.Error("the token before goes on")
	}
	// The same by a device link.
	link := s.do(t, Change{Do: "invite", Name: "kim", Role: "work", By: "rowan"})
	before := b.cookies[sessionCookie]
	b.get(t, link)
	if a := b.post(t, link); a.status != http.StatusSeeOther || b.cookies[sessionCookie] == before {
		t.Errorf("device link: %d, token the same %v", a.status, b.cookies[sessionCookie] == before)
	}
}

// TestRoles holds each route against each role.
func TestRoles(t *testing.T) {
	path := strings.NewReplacer("{token}", "x").Replace
	for _, anonymous := range []Role{Nobody, Look} {
		s := newSite(t, func(o *Options) { o.Anonymous = anonymous })
		browsers := map[Role]*browser{Nobody: s.browser()}
		browsers[Nobody].get(t, "/sign-in")
		for _, r := range Roles() {
			s.add(t, "kim the "+r.String(), r)
			browsers[r] = s.signedIn(t, "kim the "+r.String())
		}
		all := map[string]need{
			"POST /unknown": {role: commandsOnly}, "PUT /": {role: commandsOnly}, "DELETE /people": {role: commandsOnly}, "PATCH /lots/A": {role: commandsOnly},
			"POST /do/unknown": {role: commandsOnly}, "POST /": {role: commandsOnly}, "POST /healthz": {role: commandsOnly},
			"GET /lots": {role: Look}, "GET /lots/A": {role: Look}, "GET /metrics": {role: Look}, "GET /events": {role: Look}, "GET /history.json": {role: Look},
			"GET /api/now": {role: Look}, "GET /api/alarms": {role: Look}, "GET /openapi.json": {role: Look},
			"POST /do/lots/A": {role: Work}, "HEAD /": {role: Look}, "HEAD /people": {role: Manage}, "GET //people": {role: Manage}, "OPTIONS /": {role: commandsOnly},
			"POST /people/role": {role: Manage},
		}
		for pattern, n := range routes {
			if pattern != "POST /people/" {
				all[pattern] = n
			}
		}
		for pattern, n := range all {
			method, where, _ := strings.Cut(pattern, " ")
			for role, b := range browsers {
				who := role
				if role == Nobody {
					who = anonymous
				}
				if method == http.MethodPost && slices.Contains([]string{"/sign-in", "/sign-out"}, where) {
					continue // would change who asks; TestSignIn has them
				}
				v := url.Values{"proof": {b.proof}}
				r := httptest.NewRequestWithContext(t.Context(), method, path(where), strings.NewReader(v.Encode()))
				r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
				r.Header.Set("Accept", "text/plain")
				cookies, proof := maps.Clone(b.cookies), b.proof
				a := b.ask(r)
				b.cookies, b.proof = cookies, proof
				allowed := n.own || who >= n.role
				refused := a.status == http.StatusForbidden || a.status == http.StatusNotFound && !strings.HasPrefix(where, "/device/")
				if allowed == refused {
					t.Errorf("anonymous %s: %s as %s: %d %s, allowed %v", anonymous, pattern, role, a.status, a.body, allowed)
				}
			}
		}
	}
}

// TestCommands: what programs on this computer may do, nobody else may by the same
// header.
func TestCommands(t *testing.T) {
	s := newSite(t, func(o *Options) { o.Anonymous = Nobody })
	ask := func(method, path, remote string, header map[string]string) int {
		r := httptest.NewRequestWithContext(t.Context(), method, path, strings.NewReader(`{"do":"list","by":"kim"}`))
		r.RemoteAddr, r.Host = remote, "127.0.0.1:8370"
		for k, v := range header {
			if k == "Host" {
				r.Host = v
			}
			r.Header.Set(k, v)
		}
		w := httptest.NewRecorder()
		s.handler.ServeHTTP(w, r)
		return w.Code
	}
	with := func(more ...string) map[string]string {
		h := map[string]string{LocalHeader: "1"}
		for i := 0; i < len(more); i += 2 {
			h[more[i]] = more[i+1]
		}
		return h
	}
	const here, there = "127.0.0.1:5000", "192.168.7.20:5000"
	tests := []struct {
		name, method, path, remote string
		header                     map[string]string
		want                       int
	}{
		{"command", "POST", "/people", here, with(), 200},
		{"by IPv6", "POST", "/acknowledge", "[::1]:5000", with(), 200},
		{"read", "GET", "/lots", here, with(), 200},
		{"no header", "POST", "/people", here, nil, 403},
		{"read without header", "GET", "/lots", here, nil, 403},
		{"from the network", "POST", "/people", there, with(), 403},
		{"read from the network", "GET", "/lots", there, with(), 403},
		{"a browser's", "POST", "/people", here, with("Origin", "http://127.0.0.1:8370"), 403},
		{"a browser's read", "GET", "/lots", here, with("Sec-Fetch-Site", "same-origin"), 403},
		{"through a proxy here", "POST", "/people", here, with("X-Forwarded-For", "203.0.113.9"), 403},
		{"through another proxy here", "GET", "/lots", here, with("Forwarded", "for=203.0.113.9"), 403},
		{"by a stranger's name that leads here", "GET", "/lots", here, with("Host", "elsewhere.example:8370"), 421},
		{"what is done on the page", "POST", "/do/acknowledge", here, with(), 403},
		{"the page of people", "GET", "/people", here, with(), 403},
		{"health", "GET", "/healthz", there, nil, 200},
	}
	for _, tt := range tests {
		if got := ask(tt.method, tt.path, tt.remote, tt.header); got != tt.want {
			t.Errorf("%s: %d, want %d", tt.name, got, tt.want)
		}
	}
}

func TestOurHost(t *testing.T) {
	for host, want := range map[string]bool{
		"192.168.7.2:8370": true, "[fe80::1]:8370": true, "::1": true, "localhost:8370": true, "hatchery": true, "Hatchery.LOCAL.": true, "weir.alderfork.example:80": true,
		"elsewhere.example": false, "alderfork.example": false, "192.168.7.2.elsewhere.example": false, "local.elsewhere.example:8370": false, "notlocal.": true, "1.2.3": false,
	} {
		if got := ourHost(host, []string{"weir.alderfork.example"}); got != want {
			t.Errorf("%q: %v", host, got)
		}
	}
}

// TestHeaders: no header is made by what somebody sends, and all answers are hard.
func TestHeaders(t *testing.T) {
	s := newSite(t, func(o *Options) { o.Anonymous = Nobody })
	s.add(t, "kim", Work)
	b := s.browser()
	for _, next := range []string{"/a\r\nSet-Cookie: x=y", "//elsewhere.example", `/\elsewhere.example`, "https://elsewhere.example/", "javascript:alert(1)", "/%0d%0aX-Injected: 1"} {
		b = s.browser()
		b.get(t, "/sign-in?next="+url.QueryEscape(next))
		a := b.post(t, "/sign-in", "name", "kim", "password", goodPassword, "next", next)
		if to := a.header.Get("Location"); a.status != http.StatusSeeOther || !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\r\n\\") || a.header.Get("X-Injected") != "" {
			t.Errorf("next %q: %d to %q, %v", next, a.status, to, a.header)
		}
		for _, c := range a.set {
			if c.Name == "x" {
				t.Errorf("next %q set a cookie", next)
			}
		}
	}
	b.header.Set("User-Agent", "phone\r\nX-Injected: 1")
	b.signIn(t, "kim", goodPassword)
	for _, path := range []string{"/", "/sign-in", "/people", "/device/x", "/nothing", "/lots/%0d%0aX-Injected:%201"} {
		for _, who := range []*browser{b, s.browser()} {
			a := who.get(t, path)
			for k, want := range map[string]string{
				"Content-Security-Policy": policy, "X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin", "Cache-Control": "no-store", "Cross-Origin-Opener-Policy": "same-origin", "X-Injected": "",
			} {
				if got := a.header.Get(k); got != want {
					t.Errorf("%s: %s is %q, want %q", path, k, got, want)
				}
			}
		}
	}
	if a := s.browser().get(t, "/lots?day=1"); a.header.Get("Location") != "/sign-in?next=%2Flots%3Fday%3D1" {
		t.Errorf("who has not signed in goes to %q", a.header.Get("Location"))
	}
}

// TestOversized: a body that is too long is refused, and is not read to its end.
func TestOversized(t *testing.T) {
	s := newSite(t, nil)
	s.add(t, "kim", Work)
	b := s.signedIn(t, "kim")
	read := 0
	endless := readerFunc(func(p []byte) (int, error) {
		for i := range p {
			p[i] = 'x'
		}
		read += len(p)
		return len(p), nil
	})
	for _, path := range []string{"/sign-in", "/do/acknowledge", "/sign-out"} {
		read = 0
		r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, path, io.MultiReader(strings.NewReader("proof="+b.proof+"&by="), endless))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if a := b.ask(r); a.status != http.StatusRequestEntityTooLarge || read > 4*maxBody {
			t.Errorf("%s: %d after %d bytes", path, a.status, read)
		}
	}
	if a := b.post(t, "/do/acknowledge", "note", strings.Repeat("x", maxBody/2)); a.status != 200 {
		t.Errorf("a long note: %d", a.status)
	}
	long := s.browser()
	if a := long.signIn(t, "kim", strings.Repeat("x", 50_000)); a.status != http.StatusForbidden {
		t.Errorf("a long password: %d", a.status)
	}
}

type readerFunc func([]byte) (int, error)

func (f readerFunc) Read(p []byte) (int, error) { return f(p) }

// TestBruteForce: who guesses waits, longer each time; the waits end; and nobody
// keeps another out by it.
func TestBruteForce(t *testing.T) {
	s := newSite(t, nil)
	s.add(t, "kim", Work)
	s.add(t, "rowan", Work)
	wait := func(a answered) time.Duration {
		if a.status != http.StatusTooManyRequests {
			return 0
		}
		d, err := time.ParseDuration(a.header.Get("Retry-After") + "s")
		if err != nil {
			t.Fatalf("Retry-After: %v", err)
		}
		return d
	}
	guesser := s.browser()
	tries, began := 0, s.now
	var waits []time.Duration
	for s.now.Sub(began) < 24*time.Hour {
		a := guesser.signIn(t, "kim", "guess after guess")
		if d := wait(a); d > 0 {
			waits = append(waits, d)
			// Not a second sooner.
			s.now = s.now.Add(d - time.Second)
			if a := guesser.signIn(t, "kim", goodPassword); a.status != http.StatusTooManyRequests {
				t.Fatalf("the wait was not kept: %d", a.status)
			}
			s.now = s.now.Add(time.Second)
			continue
		}
		tries++
	}
	if tries > 24*4+20 || tries < 24*4 {
		t.Errorf("%d guesses in a day from one address", tries)
	}
	if !slices.IsSorted(waits) || waits[0] != firstWait || waits[len(waits)-1] != addressWait {
		t.Errorf("waits %v", waits)
	}

	// Many addresses for one name.
	tries, began = 0, s.now
	for i := 0; s.now.Sub(began) < time.Hour; i++ {
		b := s.browser()
		b.remote = fmt.Sprintf("10.1.%d.%d:1", i/250%250, i%250)
		if d := wait(b.signIn(t, "kim", "guess after guess")); d > 0 {
			s.now = s.now.Add(min(d, nameWait))
		} else {
			tries++
		}
	}
	if tries > 60+20 {
		t.Errorf("%d guesses of one name in an hour from many addresses", tries)
	}
	// kim is not locked out for good: after the wait of a name at the longest.
	s.now = s.now.Add(nameWait)
	kim := s.browser()
	kim.remote = "192.168.7.33:1"
	if a := kim.signIn(t, "kim", goodPassword); a.status != http.StatusSeeOther {
		t.Errorf("kim cannot sign in after a minute: %d", a.status)
	}
	// And a device link works while the guesses go on.
	for range 10 {
		guesser.signIn(t, "kim", "guess after guess")
	}
	link := s.do(t, Change{Do: "invite", Name: "kim", By: "rowan"})
	phone := s.browser()
	phone.get(t, link)
	if a := phone.post(t, link); a.status != http.StatusSeeOther {
		t.Errorf("kim's device link while somebody guesses: %d", a.status)
	}
	if n := len(s.names.places); n != 1024 {
		t.Errorf("%d places", n)
	}
}

func TestDeviceLink(t *testing.T) {
	s := newSite(t, nil)
	s.add(t, "rowan", Manage)
	invite := func() string { return s.do(t, Change{Do: "invite", Name: "kim", Role: "work", By: "rowan"}) }
	link := invite()
	if !regexp.MustCompile(`^/device/[a-z2-7]{32}$`).MatchString(link) {
		t.Fatalf("link %q", link)
	}

	// Opening it does nothing, however often.
	phone := s.browser()
	for range 30 {
		if a := phone.get(t, link); a.status != 200 || !strings.Contains(a.body, "Name:kim Role:work") || phone.cookies[sessionCookie] != "" {
			t.Fatalf("opened: %d %s", a.status, a.body)
		}
	}
	// It does nothing from elsewhere, nor by a form of another page.
	outside := s.browser()
	outside.remote = "203.0.113.9:1"
	if a := outside.get(t, link); a.status != 403 || strings.Contains(a.body, "kim") {
		t.Errorf("from outside: %d %s", a.status, a.body)
	}
	outside.proof = phone.proof
	if a := outside.post(t, link); a.status != 403 {
		t.Errorf("form from outside: %d", a.status)
	}
	if a := s.browser().post(t, link); a.status != 403 {
		t.Errorf("without our page: %d", a.status)
	}
	if a := phone.post(t, link); a.status != http.StatusSeeOther {
		t.Fatalf("used: %d %s", a.status, a.body)
	}
	if a := phone.get(t, "/"); !strings.HasPrefix(a.body, "rest work kim ") {
		t.Errorf("then: %s", a.body)
	}

	// Used again, by the same device or another.
	again := s.browser()
	again.get(t, "/sign-in")
	for name, b := range map[string]*browser{"the same device": phone, "another": again} {
		if a := b.get(t, link); a.status != http.StatusGone {
			t.Errorf("opened again by %s: %d", name, a.status)
		}
		if a := b.post(t, link); a.status != http.StatusGone {
			t.Errorf("used again by %s: %d", name, a.status)
		}
	}
	if again.cookies[sessionCookie] != "" {
		t.Error("used twice, it signed a second device in")
	}

	// Run out: not a moment sooner.
	late := invite()
	again.get(t, late)
	s.now = s.now.Add(invitationEnd - time.Second)
	if a := again.get(t, late); a.status != 200 {
		t.Errorf("a second before its end: %d", a.status)
	}
	s.now = s.now.Add(time.Second)
	if a := again.post(t, late); a.status != http.StatusGone {
		t.Errorf("after its end: %d", a.status)
	}

	// Void with the access, and with the sessions.
	for _, do := range []string{"end", "remove"} {
		void := invite()
		again.get(t, void)
		s.do(t, Change{Do: do, Name: "kim", By: "rowan"})
		if a := again.post(t, void); a.status != http.StatusNotFound {
			t.Errorf("after %s: %d", do, a.status)
		}
	}

	// It never gives more than the person has.
	s.add(t, "lee", Look)
	if _, _, err := s.change(t.Context(), Change{Do: "invite", Name: "lee", Role: "manage", By: "rowan"}, "command", ""); err == nil {
		t.Error("lee, who may look, was invited to manage")
	}
	lesser := s.do(t, Change{Do: "invite", Name: "rowan", Role: "look", By: "rowan"})
	wall := s.browser()
	wall.get(t, lesser)
	wall.post(t, lesser)
	if a := wall.get(t, "/"); !strings.HasPrefix(a.body, "rest look rowan ") {
		t.Errorf("rowan's screen on the wall: %s", a.body)
	}

	// Guesses come to an end, and those of one address do not hold up another.
	guesser := s.browser()
	guesser.remote = "192.168.7.66:1"
	n := 0
	for ; n < 1000 && guesser.get(t, "/device/"+strings.Repeat("a", 32)).status == http.StatusNotFound; n++ {
	}
	if n > tokenFailures {
		t.Errorf("%d guesses of links without a wait", n)
	}
	if a := again.get(t, invite()); a.status != 200 {
		t.Errorf("kim's link while somebody guesses: %d", a.status)
	}
	if strings.Contains(s.log.String(), strings.TrimPrefix(link, "/device/")) {
		t.Error("a link's secret is in the log")
	}
}

func TestCookieFlags(t *testing.T) {
	for _, secure := range []bool{false, true} {
		s := newSite(t, func(o *Options) { o.TLS = secure })
		s.add(t, "kim", Work)
		b := s.browser()
		seen := b.get(t, "/sign-in").set
		seen = append(seen, b.post(t, "/sign-in", "name", "kim", "password", goodPassword).set...)
		b.get(t, "/")
		seen = append(seen, b.post(t, "/sign-out").set...)
		want := map[bool]string{false: "weirkeeper-session", true: "__Host-weirkeeper-session"}[secure]
		sessions := 0
		for _, c := range seen {
			if c.Name == want {
				sessions++
				if c.SameSite != http.SameSiteLaxMode {
					t.Errorf("%v: same site %v", c, c.SameSite)
				}
			}
			if !c.HttpOnly || c.Secure != secure || c.Path != "/" || c.Domain != "" || c.SameSite == http.SameSiteDefaultMode || c.SameSite == http.SameSiteNoneMode {
				t.Errorf("TLS %v: %v", secure, c)
			}
		}
		if sessions != 2 { // given and taken away
			t.Errorf("TLS %v: session cookie set %d times: %v", secure, sessions, seen)
		}
	}
}

// TestPeople: manage ends sessions, invites and changes roles on the page.
func TestPeople(t *testing.T) {
	s := newSite(t, nil)
	s.add(t, "rowan", Manage)
	s.add(t, "kim", Work)
	kim, rowan := s.signedIn(t, "kim"), s.signedIn(t, "rowan")
	page := rowan.get(t, "/people")
	ids := regexp.MustCompile(`ID:(\S+)`).FindAllStringSubmatch(page.body, -1)
	if len(ids) != 2 {
		t.Fatalf("sessions on the page: %s", page.body)
	}
	sessions, err := s.opt.Ledger.Sessions(t.Context(), s.now)
	if err != nil {
		t.Fatal(err)
	}
	if a := rowan.post(t, "/people/session", "session", s.sessionID(sessions[0].Hash)); a.status != http.StatusSeeOther {
		t.Errorf("end of a session: %d %s", a.status, a.body)
	}
	if a := kim.get(t, "/"); strings.Contains(a.body, "kim") {
		t.Error("kim's session goes on")
	}
	rowan.get(t, "/people")
	if a := rowan.post(t, "/people/session", "session", s.sessionID(sessions[0].Hash)); a.status != http.StatusConflict {
		t.Errorf("end of what has ended: %d", a.status)
	}
	rowan.get(t, "/people")
	if a := rowan.post(t, "/people/invite", "name", "lee", "role", "work"); a.status != 200 || !strings.Contains(a.body, "Link:http://192.168.7.2:8370/device/") {
		t.Errorf("invitation: %d %s", a.status, a.body)
	}
	rowan.get(t, "/people")
	if a := rowan.post(t, "/people/unknown", "name", "lee"); a.status != http.StatusConflict {
		t.Errorf("unknown: %d", a.status)
	}
	log, err := s.opt.Ledger.AccessLog(t.Context(), time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := log[len(log)-1], (ledger.AccessDone{At: s.now, What: "device link made, to work", Name: "lee", By: "rowan", Via: Via}); got != want {
		t.Errorf("written down last: %+v", got)
	}
}

func TestChangesRefused(t *testing.T) {
	s := newSite(t, nil)
	s.add(t, "kim", Work)
	tests := []Change{
		{Do: "add", Name: "kim", Role: "work", Password: goodPassword},
		{Do: "add", Name: "KIM", Role: "work", Password: goodPassword},
		{Do: "add", Name: "", Role: "work", Password: goodPassword},
		{Do: "add", Name: "lee\nrowan", Role: "work", Password: goodPassword},
		{Do: "add", Name: "lee\x1b[2J", Role: "work", Password: goodPassword},
		{Do: "add", Name: strings.Repeat("l", 41), Role: "work", Password: goodPassword},
		{Do: "add", Name: "lee", Role: "nobody", Password: goodPassword},
		{Do: "add", Name: "lee", Role: "", Password: goodPassword},
		{Do: "add", Name: "lee", Role: "work", Password: "short"},
		{Do: "add", Name: "lee", Role: "work", Password: "aaaaaaaaaaaaaaaa"},
		{Do: "add", Name: "lee-lee-lee", Role: "work", Password: "Lee-Lee-Lee1"},
		{Do: "add", Name: "lee", Role: "work", Password: strings.Repeat("long ", 60)},
		{Do: "password", Name: "lee", Password: goodPassword},
		{Do: "invite", Name: "lee"},
		{Do: "role", Name: "kim", Role: "king"},
		{Do: "remove", Name: "lee"},
		{Do: "", Name: "kim"},
	}
	for _, c := range tests {
		if said, _, err := s.change(t.Context(), c, "command", ""); err == nil || statusOf(err) != http.StatusConflict {
			t.Errorf("%+v: said %q, error %v", c, said, err)
		}
	}
	all, err := s.opt.Ledger.Accounts(t.Context())
	if err != nil || len(all) != 1 {
		t.Errorf("accounts %+v, %v", all, err)
	}
	body, err := json.Marshal(Change{Do: "list", By: "kim"})
	if err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/people", bytes.NewReader(body))
	w := httptest.NewRecorder()
	s.command(w, r)
	if got := w.Body.String(); got != "kim  work  password  signed in on 0\n" {
		t.Errorf("list: %q", got)
	}
}
