package web

import (
	"cmp"
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"embed"
	"encoding/base32"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/rules/act"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
)

// A printed code at a unit carries a link, /c/TOKEN. Whoever has the code in front
// of him stands in the hatch house: the token is all that is asked, besides a name
// for the record. It is taken from the local network only.

// SecretFile is the name of the file in the data folder that the tokens are made
// with. A new one makes every printed code void.
const SecretFile = "links.secret"

// Secret reads the secret of a data folder, which exists, and makes it first where
// there is none. Errors: of writing; as ReadSecret.
func Secret(dir string) ([]byte, error) {
	secret, err := ReadSecret(dir)
	if !errors.Is(err, fs.ErrNotExist) {
		return secret, err
	}
	fresh := make([]byte, sha256.Size)
	_, _ = rand.Read(fresh) // never fails
	if err := writeSecret(dir, hex.EncodeToString(fresh)+"\n"); err != nil {
		return nil, fmt.Errorf("make the secret of the links: %w", err)
	}
	return ReadSecret(dir)
}

// ReadSecret reads the secret of a data folder. Errors: of reading, fs.ErrNotExist
// among them; a file that is no secret.
func ReadSecret(dir string) ([]byte, error) {
	path := filepath.Join(dir, SecretFile)
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the secret of the links: %w", err)
	}
	secret, err := hex.DecodeString(strings.TrimSpace(string(text)))
	if err != nil || len(secret) < 16 {
		return nil, fmt.Errorf("the secret of the links in %q is damaged: put it back from a backup, or remove it and print the codes anew", path)
	}
	return secret, nil
}

// writeSecret brings it to the disk under another name first, so that the file is
// whole or not there.
func writeSecret(dir, text string) error {
	f, err := os.CreateTemp(dir, SecretFile+".*") // for the owner alone
	if err != nil {
		return err
	}
	_, err = f.WriteString(text)
	if err = errors.Join(err, f.Sync(), f.Close()); err == nil {
		err = os.Link(f.Name(), filepath.Join(dir, SecretFile)) // not over one that came meanwhile
		if errors.Is(err, fs.ErrExist) {
			err = nil
		}
	}
	err = errors.Join(err, os.Remove(f.Name()))
	d, derr := os.Open(dir)
	if derr == nil {
		derr = errors.Join(d.Sync(), d.Close())
	}
	return errors.Join(err, derr)
}

// Token is the token of a unit's link; unit "" is the whole site. It has 80 bits
// that nobody guesses over a network.
func Token(secret []byte, unit string) string {
	m := hmac.New(sha256.New, secret)
	m.Write([]byte("unit\x00" + unit))
	return strings.ToLower(base32.StdEncoding.EncodeToString(m.Sum(nil)[:10]))
}

// LinkPath is the path of a unit's link.
func LinkPath(secret []byte, unit string) string { return "/c/" + Token(secret, unit) }

// Place is what the page of a printed code shows of its unit.
type Place struct {
	Unit     string        // "" for the whole site
	Cleaning *act.Cleaning // that is open, else nil
	Chores   []string      // done there, but for the cleaning
	Now      time.Time
	Zone     *time.Location
	Site     string
}

// CodeKeeper is what the links need of the daemon.
type CodeKeeper interface {
	ActKeeper
	// Place tells of a unit of the site file, or with "" of the whole site.
	Place(ctx context.Context, unit string) (*Place, error)
	// DoneHere records a chore as done now, come by a link.
	DoneHere(ctx context.Context, d site.ChoreDone, id string) (string, error)
}

// ActKeeper takes acts.
type ActKeeper interface {
	Act(ctx context.Context, c ActCommand) (string, error)
}

//go:embed code.tmpl
var codeFiles embed.FS

var codePage = template.Must(template.ParseFS(codeFiles, "code.tmpl"))

// Codes serves GET and POST /c/{token}. The units are those of the site file; now
// is for the rate of requests.
type Codes struct {
	keeper CodeKeeper
	units  map[string]string // by token
	log    *slog.Logger
	rate   rate
}

// NewCodes makes the pages of the links of units, with "" for the whole site.
func NewCodes(k CodeKeeper, secret []byte, units []string, now func() time.Time, log *slog.Logger) *Codes {
	c := &Codes{keeper: k, units: make(map[string]string), log: log, rate: rate{now: now}}
	for _, u := range append([]string{""}, units...) {
		c.units[Token(secret, u)] = u
	}
	return c
}

// What one address may ask in a minute (common practice, no source), and where a
// name is kept.
const (
	perMinute  = 30
	nameCookie = "weirkeeper-name"
)

// formPolicy lets a page send its form to where it came from and do nothing else.
const formPolicy = "default-src 'none'; style-src 'unsafe-inline'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"

// Mount serves the links beside the rest of the web side.
func (c *Codes) Mount(rest http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/", rest)
	mux.Handle("GET /c/{token}", c)
	mux.Handle("POST /c/{token}", c)
	return mux
}

func (c *Codes) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Referrer-Policy", "no-referrer") // the link itself is the key
	ip, ok := access.Address(r)
	if !ok {
		http.Error(w, "this works from the hatchery's own network only", http.StatusForbidden)
		return
	}
	if !c.rate.allow(ip) {
		h.Set("Retry-After", "60")
		http.Error(w, "too many requests; wait a minute", http.StatusTooManyRequests)
		return
	}
	unit, ok := c.units[r.PathValue("token")]
	if !ok {
		http.Error(w, "this link is not known here: print the code anew (weirkeeper links)", http.StatusNotFound)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	if r.Method != http.MethodPost {
		c.show(ctx, w, r, unit, "", false, http.StatusOK)
		return
	}
	if !sameOrigin(r) {
		http.Error(w, "this came from another page; scan the code again", http.StatusForbidden)
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	if err := r.ParseForm(); err != nil {
		http.Error(w, "the form cannot be read; scan the code again", http.StatusBadRequest)
		return
	}
	by := cleanName(r.PostForm.Get("by"))
	if by == "" {
		c.show(ctx, w, r, unit, "Write your name first, for the record.", true, http.StatusBadRequest)
		return
	}
	http.SetCookie(w, &http.Cookie{
		Name: nameCookie, Value: url.QueryEscape(by), Path: "/c/", MaxAge: 366 * 24 * 3600, HttpOnly: true, SameSite: http.SameSiteStrictMode,
	})
	r.AddCookie(&http.Cookie{Name: nameCookie, Value: url.QueryEscape(by)})
	said, err := c.do(ctx, unit, by, r.PostForm)
	status := http.StatusOK
	var unfit *act.Refusal
	switch {
	case errors.As(err, &unfit):
		said, status = err.Error(), http.StatusConflict
	case err != nil:
		said, status = "It could not be recorded: "+err.Error(), http.StatusServiceUnavailable
	}
	if err != nil {
		c.log.Warn("link not carried out", "unit", unit, "err", err)
	}
	c.show(ctx, w, r, unit, said, err != nil, status)
}

// do carries out a button of the page. The id was made with the page, so that a
// button pressed twice counts once.
func (c *Codes) do(ctx context.Context, unit, by string, form url.Values) (string, error) {
	id := "link/" + form.Get("id")
	if len(id) < 10 || len(id) > 60 {
		return "", &act.Refusal{Reason: "the page is too old; scan the code again"}
	}
	what := form.Get("do")
	a := act.Act{ID: id, By: by, Via: "link", Unit: unit}
	switch what {
	case "start":
		a.Kind = act.CleaningStarted
	case "finish":
		a.Kind = act.CleaningFinished
	default:
		chore, ok := strings.CutPrefix(what, "done ")
		if !ok {
			return "", &act.Refusal{Reason: "nothing of that name is done here; scan the code again"}
		}
		return c.keeper.DoneHere(ctx, site.ChoreDone{Chore: chore, Unit: unit, By: by, Via: a.Via}, id)
	}
	return c.keeper.Act(ctx, ActCommand{Act: a})
}

// show writes the page. said is what was done or is wrong.
func (c *Codes) show(ctx context.Context, w http.ResponseWriter, r *http.Request, unit, said string, wrong bool, status int) {
	p, err := c.keeper.Place(ctx, unit)
	if err != nil {
		fail(w, err, http.StatusServiceUnavailable)
		return
	}
	name := ""
	for _, k := range slices.Backward(r.Cookies()) {
		if k.Name == nameCookie && name == "" {
			if v, err := url.QueryUnescape(k.Value); err == nil {
				name = cleanName(v)
			}
		}
	}
	v := struct {
		*Place
		Title, Going, Said, Name, ID string
		Wrong                        bool
	}{Place: p, Title: measure.Capital(unit), Said: strings.TrimSpace(said), Name: name, ID: rand.Text(), Wrong: wrong}
	if unit == "" {
		v.Title = p.Site
	}
	if cl := p.Cleaning; cl != nil {
		v.Going = fmt.Sprintf("Being cleaned by %s since %s.", cl.Start.By, act.Clock(cl.Start.At, p.Now, p.Zone))
		if cl.Going(p.Now) {
			v.Going += fmt.Sprintf(" Flow alarms call nobody until %s.", act.Clock(cl.Start.Until, p.Now, p.Zone))
		} else {
			v.Going += " Its time is over: flow alarms call out."
		}
	}
	var b strings.Builder
	if err := codePage.Execute(&b, v); err != nil {
		c.log.Error("page of a link", "err", err)
		http.Error(w, "the page cannot be shown", http.StatusInternalServerError)
		return
	}
	head(w, "text/html; charset=utf-8")
	w.Header().Set("Content-Security-Policy", formPolicy)
	w.WriteHeader(status)
	_, _ = w.Write([]byte(b.String())) // the asker is gone: nothing to do
}

// cleanName makes a name of what was typed: one line, of bounded length.
func cleanName(s string) string {
	s = access.OneLine(s)
	if c := []rune(s); len(c) > access.NameLetters {
		s = strings.TrimSpace(string(c[:access.NameLetters]))
	}
	return s
}

// rate bounds how often each address asks. It forgets all when it has seen too
// many.
type rate struct {
	now  func() time.Time
	most int // in a minute; 0 is perMinute
	mu   sync.Mutex
	seen map[netip.Addr]asked
}

type asked struct {
	since time.Time
	n     int
}

// rateAddresses is how many addresses are remembered.
const rateAddresses = 1024

func (r *rate) allow(ip netip.Addr) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.seen == nil || len(r.seen) >= rateAddresses {
		r.seen = make(map[netip.Addr]asked)
	}
	a, now := r.seen[ip], r.now()
	if now.Sub(a.since).Abs() >= time.Minute {
		a = asked{since: now}
	}
	a.n++
	r.seen[ip] = a
	return a.n <= cmp.Or(r.most, perMinute)
}
