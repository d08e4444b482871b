package access

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"time"

	"weirkeeper/ingest/ledger"
)

// Pages writes pages for a browser.
type Pages interface {
	// Show writes the page of that name.
	Show(w http.ResponseWriter, r *http.Request, status int, name string, data any)
	// Back answers a form: the browser goes to a path of ours and shows what was said.
	Back(w http.ResponseWriter, r *http.Request, to, said string)
}

// Options are what a Gate works with; all are needed but where it is said.
type Options struct {
	Ledger *ledger.Ledger
	Pages  Pages
	Now    func() time.Time
	Log    *slog.Logger
	// Secret is of this daemon alone; proofs of those who have not signed in are
	// made with it.
	Secret []byte
	// Anonymous is what somebody may do who has not signed in: Nobody or Look.
	Anonymous Role
	// TLS: the page is only reached by TLS.
	TLS bool
	// URL is where people reach the page, "" when that is not known.
	URL string
	// Hosts are names of this computer, besides URL's, that a browser may ask for;
	// may be nil.
	Hosts []string
	// People are the names in the site file; may be nil.
	People []string
	// Zone is the one that times are shown in.
	Zone *time.Location
	// Cost is of the hash of a password; the zero Cost is Recommended.
	Cost Cost
}

// Gate stands before the rest of the web side.
type Gate struct {
	opt       Options
	hash      *hasher
	addresses *waits
	names     *waits
	links     *waits
	cookie    string // name of the session's
}

// How long a session lasts: without use, and in all. They trade a lost telephone,
// whose session manage can end, against a keeper who types a password with wet
// hands at 3 a.m.
const (
	idleEnd     = 45 * 24 * time.Hour
	absoluteEnd = 180 * 24 * time.Hour
	touchEvery  = 10 * time.Minute
)

const (
	sessionCookie = "weirkeeper-session"
	visitCookie   = "weirkeeper-visit"
	proofField    = "proof"
	// maxBody bounds the body of a form or command, bytes; what is behind the gate
	// may ask for less.
	maxBody = 64 << 10
	// patience is how long a request waits for the record.
	patience = 10 * time.Second
)

// New makes a Gate.
func New(opt Options) *Gate {
	if opt.Cost == (Cost{}) {
		opt.Cost = Recommended
	}
	if u, err := url.Parse(opt.URL); err == nil && u.Hostname() != "" {
		opt.Hosts = append([]string{u.Hostname()}, opt.Hosts...)
	}
	g := &Gate{
		opt: opt, hash: newHasher(opt.Cost), cookie: sessionCookie,
		addresses: newWaits(opt.Now, freeFailures, addressWait), names: newWaits(opt.Now, freeFailures, nameWait), links: newWaits(opt.Now, tokenFailures, addressWait),
	}
	if opt.TLS {
		g.cookie = "__Host-" + sessionCookie // browsers take that only with Secure, Path=/ and no Domain
	}
	return g
}

// session is the one a request belongs to.
type session struct {
	ledger.Session
	who Who
}

type sessionKey struct{}

// of gives the session of a request that came through the gate, nil without one.
func (g *Gate) of(r *http.Request) *session {
	s, _ := r.Context().Value(sessionKey{}).(*session)
	return s
}

// newToken makes a secret of 256 bits, and what is stored of it.
func newToken() (token string, hash ledger.TokenHash) {
	var b [32]byte
	_, _ = rand.Read(b[:]) // never fails
	token = base64.RawURLEncoding.EncodeToString(b[:])
	return token, hashToken(token)
}

func hashToken(token string) ledger.TokenHash { return sha256.Sum256([]byte(token)) }

func mac(secret []byte, parts ...string) string {
	m := hmac.New(sha256.New, secret)
	m.Write([]byte(strings.Join(parts, "\x00")))
	return base64.RawURLEncoding.EncodeToString(m.Sum(nil))
}

// find finds the session of a request, nil where it has none that holds.
func (g *Gate) find(ctx context.Context, r *http.Request) (*session, error) {
	c, err := r.Cookie(g.cookie)
	if err != nil || len(c.Value) != base64.RawURLEncoding.EncodedLen(32) {
		return nil, nil //nolint:nilerr,nilnil // no cookie of ours is no session
	}
	s, found, err := g.opt.Ledger.Session(ctx, hashToken(c.Value))
	now := g.opt.Now()
	if err != nil || !found || !now.Before(s.Expires) || now.Sub(s.Used) >= idleEnd {
		return nil, err
	}
	a, found, err := g.opt.Ledger.Account(ctx, s.Name)
	if err != nil || !found || a.Disabled {
		return nil, err
	}
	if since := now.Sub(s.Used); since >= touchEvery || since < 0 {
		// On a full disk who is signed in stays so.
		if err := g.opt.Ledger.TouchSession(ctx, s.Hash, now); err != nil {
			g.opt.Log.Warn("use of a session not written down", "err", err)
		}
	}
	return &session{s, Who{Name: a.Name, Role: min(ReadRole(a.Role), ReadRole(s.Role)), Proof: mac([]byte(c.Value), "proof")}}, nil
}

// visitProof is the proof of somebody who has not signed in, by a cookie that
// holds nothing.
func (g *Gate) visitProof(visit string) string { return mac(g.opt.Secret, "visit", visit) }

// visitor gives whoever has not signed in a proof for the form that is shown.
func (g *Gate) visitor(w http.ResponseWriter, r *http.Request) *http.Request {
	who := From(r.Context())
	if who.Proof != "" {
		return r
	}
	visit, _ := newToken()
	http.SetCookie(w, &http.Cookie{Name: visitCookie, Value: visit, Path: "/", HttpOnly: true, Secure: g.opt.TLS, SameSite: http.SameSiteStrictMode})
	who.Proof = g.visitProof(visit)
	return r.WithContext(With(r.Context(), who))
}

// WantsPage reports whether the asker is a browser that wants a page, not the text
// that commands and scripts read.
func WantsPage(r *http.Request) bool { return strings.Contains(r.Header.Get("Accept"), "text/html") }

// Guard lets through to the rest of the web side what may go there, with who asks
// in its context, and serves the pages of people and access itself.
func (g *Gate) Guard(rest http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/", rest)
	mux.HandleFunc("GET /sign-in", g.showSignIn)
	mux.HandleFunc("POST /sign-in", g.signIn)
	mux.HandleFunc("POST /sign-out", g.signOut)
	mux.HandleFunc("GET /device/{token}", g.showDevice)
	mux.HandleFunc("POST /device/{token}", g.device)
	mux.HandleFunc("GET /people", g.showPeople)
	mux.HandleFunc("POST /people/{do}", g.people)
	mux.HandleFunc("POST /people", g.command)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		Harden(w.Header())
		n, known := needOf(r)
		if n.own {
			mux.ServeHTTP(w, r)
			return
		}
		if !ourHost(r.Host, g.opt.Hosts) {
			g.refuse(w, r, http.StatusMisdirectedRequest, "host")
			return
		}
		reads := r.Method == http.MethodGet || r.Method == http.MethodHead
		if !known && !reads {
			http.Error(w, "nothing of that name is done here", http.StatusNotFound)
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxBody)
		if n.command && Local(r) {
			mux.ServeHTTP(w, r.WithContext(With(r.Context(), Who{Role: Look})))
			return
		}
		who := Who{Role: g.opt.Anonymous}
		ctx, cancel := context.WithTimeout(r.Context(), patience)
		s, err := g.find(ctx, r)
		cancel()
		switch {
		case err != nil && n.role > g.opt.Anonymous:
			g.opt.Log.Error("sessions cannot be read", "err", err)
			http.Error(w, "the record cannot be read at this moment: go by weirkeeper on the hatchery computer", http.StatusServiceUnavailable)
			return
		case s != nil:
			who = s.who
		default:
			if c, err := r.Cookie(visitCookie); err == nil && c.Value != "" {
				who.Proof = g.visitProof(c.Value)
			}
		}
		r = r.WithContext(context.WithValue(With(r.Context(), who), sessionKey{}, s))
		if who.Role < n.role {
			g.deny(w, r, n, reads)
			return
		}
		if !reads && !g.proven(w, r, who) {
			return
		}
		mux.ServeHTTP(w, r)
	})
}

// deny answers whoever may not.
func (g *Gate) deny(w http.ResponseWriter, r *http.Request, n need, reads bool) {
	signedIn := g.of(r) != nil
	switch {
	case n.role == commandsOnly:
		g.opt.Log.Warn("command refused", "path", r.URL.Path, "remote", r.RemoteAddr)
		http.Error(w, "commands are taken from the hatchery computer itself only: use weirkeeper ack, weirkeeper done or weirkeeper lot there", http.StatusForbidden)
	case reads && !signedIn && WantsPage(r):
		http.Redirect(w, r, "/sign-in?"+url.Values{"next": {OwnPath(r.URL.RequestURI())}}.Encode(), http.StatusSeeOther)
	case signedIn:
		g.refuse(w, r, http.StatusForbidden, "role")
	default:
		g.refuse(w, r, http.StatusForbidden, "signin")
	}
}

// refusal is what the page "refused" shows; Why is "role", "signin", "form", "long"
// or "host".
type refusal struct {
	Why string
}

var refusals = map[string]string{
	"role":   "this is not yours to do: ask somebody who manages access here",
	"signin": "sign in first",
	"form":   "this did not come from our own page, or the page was too old: nothing was done. Open the page again",
	"long":   "that is too long: nothing was done",
	"kind":   "that is no form of ours: nothing was done",
	"host":   "this is not a name of the hatchery computer: open the page by its address, or write that name under web { url = ... } in the site file",
}

func (g *Gate) refuse(w http.ResponseWriter, r *http.Request, status int, why string) {
	if WantsPage(r) {
		g.opt.Pages.Show(w, r, status, "refused", refusal{why})
		return
	}
	http.Error(w, refusals[why], status)
}

// proven holds a request that would do something against who sent it: our own
// page, opened by the same browser in the same session. It answers where that is
// not so.
func (g *Gate) proven(w http.ResponseWriter, r *http.Request, who Who) bool {
	if !sameOrigin(r) {
		g.opt.Log.Warn("a form from another page was refused", "path", path(r), "remote", r.RemoteAddr)
		g.refuse(w, r, http.StatusForbidden, "form")
		return false
	}
	proof := r.Header.Get(ProofHeader)
	switch kind, _, _ := strings.Cut(r.Header.Get("Content-Type"), ";"); strings.ToLower(strings.TrimSpace(kind)) {
	case "application/x-www-form-urlencoded":
		var long *http.MaxBytesError
		switch err := r.ParseForm(); {
		case errors.As(err, &long):
			g.refuse(w, r, http.StatusRequestEntityTooLarge, "long")
			return false
		case err != nil:
			g.refuse(w, r, http.StatusBadRequest, "kind")
			return false
		}
		if proof == "" {
			proof = r.PostForm.Get(proofField)
		}
	case "application/json", "":
	default: // a form with files, say
		g.refuse(w, r, http.StatusUnsupportedMediaType, "kind")
		return false
	}
	if who.Proof == "" || !hmac.Equal([]byte(proof), []byte(who.Proof)) {
		g.refuse(w, r, http.StatusForbidden, "form")
		return false
	}
	return true
}

// path is a request's path for the log, without the secret of a link.
func path(r *http.Request) string {
	if strings.HasPrefix(r.URL.Path, "/device/") {
		return "/device/"
	}
	return r.URL.Path
}

// setSession puts a session's token into the browser.
func (g *Gate) setSession(w http.ResponseWriter, token string) {
	http.SetCookie(w, &http.Cookie{
		Name: g.cookie, Value: token, Path: "/", MaxAge: int(absoluteEnd.Seconds()), HttpOnly: true, Secure: g.opt.TLS, SameSite: http.SameSiteLaxMode,
	})
	http.SetCookie(w, &http.Cookie{Name: visitCookie, Path: "/", MaxAge: -1, HttpOnly: true, Secure: g.opt.TLS, SameSite: http.SameSiteStrictMode})
}

// begin makes a session with a token of its own, whatever the browser sent, and
// says which one it takes the place of.
func (g *Gate) begin(r *http.Request, name, role string) (token string, s ledger.Session, instead ledger.TokenHash) {
	now := g.opt.Now().UTC().Truncate(time.Microsecond)
	token, hash := newToken()
	if old := g.of(r); old != nil {
		instead = old.Hash
	}
	return token, ledger.Session{Hash: hash, Name: name, Role: role, Device: deviceWords(r.UserAgent()), Created: now, Used: now, Expires: now.Add(absoluteEnd)}, instead
}

// deviceWords is what a browser says of itself, as far as it fits.
func deviceWords(agent string) string {
	agent = OneLine(agent)
	if c := []rune(agent); len(c) > 160 {
		agent = string(c[:160]) + "…"
	}
	return agent
}
