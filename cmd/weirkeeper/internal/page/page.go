// Package page owns the pages that a person sees in a browser: their layout,
// words in each language, styles and scripts, all embedded. It asks for what it
// shows by small interfaces and judges nothing itself.
//
// State is words and shape first, never colour alone. Every number says how old it
// is and whether it was measured. No request leaves the host.
//
// A page is NAME.tmpl, which defines "main", and its words, added to the catalogue
// by add; layout.tmpl holds what is around it. "main" is given an around: what
// the page shows is .Data, who asks is .Who; each form holds {{template "proof" $}}.
// What people wrote, or the engine worded in English, stands in an element with
// lang="en". What lies under static is served under a name with its hash.
package page

import (
	"bytes"
	"compress/gzip"
	"embed"
	"encoding/base64"
	"html/template"
	"net/http"
	"strings"
	"time"
	"unicode/utf8"

	"weirkeeper/cmd/weirkeeper/internal/access"
)

// Page is one page to be written.
type Page struct {
	// Title is a key of the catalogue.
	Title string
	// Name is that of its template, "now".
	Name string
	// Site is the name of the hatchery, "" where it is nobody's business yet.
	Site string
	// Data is what that template shows.
	Data any
	// Live: the script follows /events and brings the main part up to date.
	Live bool
	// Scripts and Styles are further files under static that the page needs, such
	// as "vendor/uPlot.js".
	Scripts, Styles []string
}

// PartHeader, with the value "main", asks for the main part of a page alone.
const PartHeader = "Weirkeeper-Part"

// Harden sets the headers of an answer that a browser shows.
func Harden(h http.Header) { access.Harden(h) }

// around is what layout.tmpl shows.
type around struct {
	Page
	Who       access.Who
	Nav       []navLink
	Said      string
	Language  Language
	Languages []languageLink
}

// Works and Manages report what who asks may do.
func (a around) Works() bool { return a.Who.Name != "" && a.Who.Role >= access.Work }

// Manages reports whether who asks may change who has access, and pause the site.
func (a around) Manages() bool { return a.Who.Name != "" && a.Who.Role >= access.Manage }

// one is one thing on a page, with all that is around it.
type one struct{ Top, It any }

func withOne(top, it any) one { return one{top, it} }

type navLink struct {
	Path, Key string
	Here      bool
}

type languageLink struct {
	Language Language
	Link     string
}

// nav lists the pages that the layout leads to, of those there are.
var nav = []struct{ path, name string }{
	{"/", "now"}, {"/lots", "lots"}, {"/history", "history"}, {"/journal", "journal"}, {"/rules", "rules"}, {"/people", "people"},
}

//go:embed *.tmpl
var templateFiles embed.FS

// templates are the pages by language and name, each with the layout.
var templates = parse()

func parse() map[Language]map[string]*template.Template {
	files, err := templateFiles.ReadDir(".")
	if err != nil {
		panic(err)
	}
	all := make(map[Language]map[string]*template.Template)
	for _, l := range Languages() {
		all[l] = make(map[string]*template.Template)
		funcs := template.FuncMap{
			"t": l.Text, "asset": asset, "lang": func() Language { return l }, "with1": withOne,
			"day": l.Day, "days": l.Days, "daytime": l.DayTime, "weekday": l.Weekday,
		}
		for _, f := range files {
			name := strings.TrimSuffix(f.Name(), ".tmpl")
			if name == "layout" || strings.HasPrefix(name, "_") {
				continue
			}
			all[l][name] = template.Must(template.New("layout.tmpl").Funcs(funcs).ParseFS(templateFiles, "layout.tmpl", "_*.tmpl", f.Name()))
		}
	}
	return all
}

// Write writes a page in the asker's language: whole, or its main part where
// PartHeader asks for that.
func Write(w http.ResponseWriter, r *http.Request, status int, p Page) {
	l := languageOf(w, r)
	t, ok := templates[l][p.Name]
	if !ok {
		http.Error(w, "there is no page "+p.Name, http.StatusInternalServerError)
		return
	}
	part, a := "layout.tmpl", around{Page: p, Who: access.From(r.Context()), Language: l}
	if r.Header.Get(PartHeader) == "main" {
		part = "main"
	} else {
		a.Said = takeSaid(w, r)
		for _, n := range nav {
			if templates[l][n.name] != nil && (n.name != "people" || a.Who.Role >= access.Manage) {
				a.Nav = append(a.Nav, navLink{n.path, "nav." + n.name, n.path == r.URL.Path || n.path != "/" && strings.HasPrefix(r.URL.Path, n.path+"/")})
			}
		}
		for _, other := range Languages() {
			q := r.URL.Query()
			q.Set("lang", string(other))
			a.Languages = append(a.Languages, languageLink{other, "?" + q.Encode()})
		}
	}
	var b bytes.Buffer
	if err := t.ExecuteTemplate(&b, part, a); err != nil {
		http.Error(w, "the page cannot be made: "+err.Error(), http.StatusInternalServerError)
		return
	}
	Harden(w.Header())
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Language", string(l))
	send(w, r, status, b.Bytes())
}

// worthwhile is the least body, bytes, that is compressed.
const worthwhile = 1 << 10

// send writes a body, compressed where the asker takes that.
func send(w http.ResponseWriter, r *http.Request, status int, body []byte) {
	w.Header().Add("Vary", "Accept, Accept-Encoding, Accept-Language, Cookie")
	if len(body) < worthwhile || !strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		w.WriteHeader(status)
		_, _ = w.Write(body) // the asker is gone: nothing to do
		return
	}
	w.Header().Set("Content-Encoding", "gzip")
	w.WriteHeader(status)
	z := gzip.NewWriter(w)
	_, _ = z.Write(body)
	_ = z.Close()
}

// Wants reports whether the asker is a browser that wants a page, not the text
// that commands and scripts read.
func Wants(r *http.Request) bool {
	return access.WantsPage(r)
}

const (
	saidCookie = "weirkeeper-said"
	// saidMax bounds what is said, bytes: cookies hold 4 kB (RFC 6265 section 6.1).
	saidMax = 2400
)

// Back answers a form: the browser goes to a path of ours, which may have a query,
// where it shows what was said, once.
func Back(w http.ResponseWriter, r *http.Request, to, said string) {
	if len(said) > saidMax {
		cut := saidMax
		for !utf8.RuneStart(said[cut]) {
			cut--
		}
		said = said[:cut] + "…"
	}
	http.SetCookie(w, &http.Cookie{
		Name: saidCookie, Value: base64.RawURLEncoding.EncodeToString([]byte(strings.TrimSpace(said))), Path: "/", MaxAge: 60,
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil,
	})
	Harden(w.Header())
	http.Redirect(w, r, ours(to), http.StatusSeeOther)
}

// ours is to where it is a path of this page, with its query; else "/".
func ours(to string) string { return access.OwnPath(to) }

// takeSaid gives what Back left, and forgets it.
func takeSaid(w http.ResponseWriter, r *http.Request) string {
	c, err := r.Cookie(saidCookie)
	if err != nil {
		return ""
	}
	http.SetCookie(w, &http.Cookie{Name: saidCookie, Path: "/", MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil})
	said, err := base64.RawURLEncoding.DecodeString(c.Value)
	if err != nil || len(said) > saidMax+len("…") || !utf8.Valid(said) {
		return ""
	}
	return string(said)
}

const (
	languageCookie = "weirkeeper-language"
	languageStays  = 400 * 24 * time.Hour // as long as browsers keep a cookie (RFC 6265bis)
)

// languageOf is the language that the asker has chosen by ?lang=, which is then
// remembered; else by an earlier choice; else by the browser's settings.
func languageOf(w http.ResponseWriter, r *http.Request) Language {
	if l, ok := readLanguage(r.URL.Query().Get("lang")); ok {
		http.SetCookie(w, &http.Cookie{
			Name: languageCookie, Value: string(l), Path: "/", MaxAge: int(languageStays.Seconds()),
			HttpOnly: true, SameSite: http.SameSiteLaxMode, Secure: r.TLS != nil,
		})
		return l
	}
	if c, err := r.Cookie(languageCookie); err == nil {
		if l, ok := readLanguage(c.Value); ok {
			return l
		}
	}
	return accepted(r.Header.Get("Accept-Language"))
}
