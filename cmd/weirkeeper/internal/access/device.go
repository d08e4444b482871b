package access

import (
	"context"
	"crypto/rand"
	"encoding/base32"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"weirkeeper/ingest/ledger"
)

// A device link, /device/TOKEN, is made on the hatchery computer or by manage, and
// signs in the one device that opens it first and says yes, from the local network
// and within the hour. Opening it does nothing: messages' previews open links
// unasked.

// invitationEnd is how long a device link holds.
const invitationEnd = time.Hour

var linkText = base32.StdEncoding.WithPadding(base32.NoPadding)

// newLink makes the secret of a device link, 160 bits, and what is stored of it.
func newLink() (token string, hash ledger.TokenHash) {
	var b [20]byte
	_, _ = rand.Read(b[:]) // never fails
	token = strings.ToLower(linkText.EncodeToString(b[:]))
	return token, hashLink(token)
}

// hashLink keeps links and sessions apart.
func hashLink(token string) ledger.TokenHash { return hashToken("device\x00" + token) }

// devicePage is what the page "device" shows.
type devicePage struct {
	// Name and Role are what the device would be signed in as; "" where Wrong says
	// why not: "outside", "over", "wait", "failed".
	Name, Role string
	Wrong      string
}

func retryAfter(d time.Duration) string {
	return strconv.Itoa(int(max(1, (d+time.Second-1)/time.Second)))
}

// invitation finds the invitation that a request holds; where it holds none it
// answers.
func (g *Gate) invitation(w http.ResponseWriter, r *http.Request) (ledger.Invitation, bool) {
	none := func(status int, why string) (ledger.Invitation, bool) {
		g.opt.Pages.Show(w, r, status, "device", devicePage{Wrong: why})
		return ledger.Invitation{}, false
	}
	ip, local := Address(r)
	if !local {
		return none(http.StatusForbidden, "outside")
	}
	from := addressKey(ip)
	if wait := g.links.begin(from); wait > 0 {
		w.Header().Set("Retry-After", retryAfter(wait))
		return none(http.StatusTooManyRequests, "wait")
	}
	i, found, err := g.opt.Ledger.Invitation(r.Context(), hashLink(r.PathValue("token")))
	switch {
	case err != nil:
		g.opt.Log.Error("invitation not read", "err", err)
		return none(http.StatusServiceUnavailable, "failed")
	case !found:
		return none(http.StatusNotFound, "over")
	}
	g.links.good(from)
	if !i.Used.IsZero() || !g.opt.Now().Before(i.Expires) {
		return none(http.StatusGone, "over")
	}
	return i, true
}

func (g *Gate) showDevice(w http.ResponseWriter, r *http.Request) {
	if i, ok := g.invitation(w, r); ok {
		g.opt.Pages.Show(w, g.visitor(w, r), http.StatusOK, "device", devicePage{Name: i.Name, Role: i.Role})
	}
}

func (g *Gate) device(w http.ResponseWriter, r *http.Request) {
	i, ok := g.invitation(w, r)
	if !ok {
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	token, s, instead := g.begin(r, i.Name, i.Role)
	switch err := g.opt.Ledger.Redeem(ctx, i.Hash, s, instead, g.done("came in by a device link, to "+i.Role, i.Name, i.Name, "device link")); {
	case errors.Is(err, ledger.ErrInvitation):
		g.opt.Pages.Show(w, r, http.StatusGone, "device", devicePage{Wrong: "over"})
	case err != nil:
		g.opt.Log.Error("invitation not redeemed", "err", err)
		g.opt.Pages.Show(w, r, http.StatusServiceUnavailable, "device", devicePage{Wrong: "failed"})
	default:
		g.setSession(w, token)
		http.Redirect(w, r, "/", http.StatusSeeOther)
	}
}
