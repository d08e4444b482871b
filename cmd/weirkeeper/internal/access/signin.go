package access

import (
	"context"
	"errors"
	"math"
	"net/http"
	"strings"
	"time"

	"weirkeeper/ingest/ledger"
)

// signInPage is what the page "signin" shows.
type signInPage struct {
	// Name is what was typed.
	Name string
	Next string
	// Wrong is "" at first, "wrong" for a name and password that do not fit,
	// "wait" for too many of them, "busy", or "failed".
	Wrong string
	// Seconds is how long to wait.
	Seconds int
	// Nobody: no account is there yet.
	Nobody bool
}

func (g *Gate) showSignIn(w http.ResponseWriter, r *http.Request) {
	accounts, err := g.opt.Ledger.Accounts(r.Context())
	nobody := err == nil
	for _, a := range accounts {
		nobody = nobody && a.Disabled
	}
	g.opt.Pages.Show(w, g.visitor(w, r), http.StatusOK, "signin", signInPage{Next: OwnPath(r.URL.Query().Get("next")), Nobody: nobody})
}

func (g *Gate) signIn(w http.ResponseWriter, r *http.Request) {
	name, password := strings.TrimSpace(r.PostForm.Get("name")), r.PostForm.Get("password")
	p := signInPage{Name: name, Next: OwnPath(r.PostForm.Get("next"))}
	again := func(status int, why string, wait time.Duration) {
		p.Wrong, p.Seconds = why, int(math.Ceil(wait.Seconds()))
		g.opt.Pages.Show(w, r, status, "signin", p)
	}
	ip, _ := Address(r)
	from, whose := addressKey(ip), strings.ToLower(name)
	wait := g.addresses.begin(from)
	if wait == 0 {
		wait = g.names.begin(whose)
	}
	if wait > 0 {
		w.Header().Set("Retry-After", retryAfter(wait))
		again(http.StatusTooManyRequests, "wait", wait)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	a, found, err := g.opt.Ledger.Account(ctx, name)
	if err != nil {
		g.opt.Log.Error("accounts cannot be read", "err", err)
		again(http.StatusServiceUnavailable, "failed", 0)
		return
	}
	if !found || a.Disabled {
		a = ledger.Account{}
	}
	if len(password) > passwordMaxBytes {
		password = "" // which fits nothing, and takes as long
	}
	fits, err := g.hash.fits(ctx, a.Password, password)
	switch {
	case errors.Is(err, errBusy), errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		again(http.StatusServiceUnavailable, "busy", 0)
		return
	case err != nil:
		g.opt.Log.Error("password not checked", "name", a.Name, "err", err)
		again(http.StatusServiceUnavailable, "failed", 0)
		return
	case !fits:
		g.opt.Log.Warn("sign-in refused", "remote", r.RemoteAddr)
		again(http.StatusForbidden, "wrong", 0)
		return
	}
	token, s, instead := g.begin(r, a.Name, Manage.String()) // the account's role counts
	if err := g.opt.Ledger.AddSession(ctx, s, instead, g.done("signed in", a.Name, a.Name, Via)); err != nil {
		g.opt.Log.Error("session not stored", "err", err)
		again(http.StatusServiceUnavailable, "failed", 0)
		return
	}
	g.addresses.good(from)
	g.names.good(whose)
	g.setSession(w, token)
	http.Redirect(w, r, p.Next, http.StatusSeeOther)
}

func (g *Gate) signOut(w http.ResponseWriter, r *http.Request) {
	s := g.of(r)
	http.SetCookie(w, &http.Cookie{Name: g.cookie, Path: "/", MaxAge: -1, HttpOnly: true, Secure: g.opt.TLS, SameSite: http.SameSiteLaxMode})
	if s != nil {
		if err := g.opt.Ledger.EndSession(r.Context(), s.Hash, g.done("signed out", s.who.Name, s.who.Name, Via)); err != nil {
			g.opt.Log.Error("session not ended", "err", err)
			http.Error(w, "the session could not be ended in the record: "+err.Error(), http.StatusServiceUnavailable)
			return
		}
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// done is a change of access of now.
func (g *Gate) done(what, name, by, via string) ledger.AccessDone {
	return ledger.AccessDone{At: g.opt.Now(), What: what, Name: name, By: by, Via: via}
}
