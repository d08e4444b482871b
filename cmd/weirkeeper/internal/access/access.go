// Package access owns who may do what on the page: people with a password or a
// device of theirs, sessions, roles, and the proof that a form came from our own
// page. It knows nothing of water.
//
// The Gate stands before all the rest of the web side. What each request needs is
// in one table, routes.go; what is not in it and would change something is refused.
//
// A program on the hatchery computer itself, told by Local, may give the commands
// without signing in: whoever may start programs there may also stop the daemon.
// That is a loopback address, a header that a foreign web page cannot send unasked,
// and nothing that a browser or a proxy adds.
package access

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
)

// Role is what somebody may do; each may do what those before it may.
type Role uint8

// The roles.
const (
	// Nobody may see nothing.
	Nobody Role = iota
	// Look may read.
	Look
	// Work may answer, do chores and keep the record of the lots.
	Work
	// Manage may also change who has access, and pause the site.
	Manage
)

// Roles lists those that somebody can have.
func Roles() []Role { return []Role{Look, Work, Manage} }

// String is the word for it, as in the record and on the command line.
func (r Role) String() string {
	switch r {
	case Look:
		return "look"
	case Work:
		return "work"
	case Manage:
		return "manage"
	default:
		return "nobody"
	}
}

// ReadRole is the role of a word, Nobody where it is none.
func ReadRole(word string) Role {
	for _, r := range Roles() {
		if r.String() == word {
			return r
		}
	}
	return Nobody
}

// Who is the one who asks.
type Who struct {
	// Name stands in the record beside all that is done; "" for somebody who has
	// not signed in.
	Name string
	Role Role
	// Proof goes into each form as the field "proof", and into the header
	// Weirkeeper-Proof of a script's request: without it nothing is done.
	Proof string
}

// Via is how what is done on the page came, in the record.
const Via = "page"

// ProofHeader holds Who.Proof in a script's request.
const ProofHeader = "Weirkeeper-Proof"

type key struct{}

// With puts who asks into a context.
func With(ctx context.Context, w Who) context.Context { return context.WithValue(ctx, key{}, w) }

// From gives who asks; the zero Who where nobody was put in.
func From(ctx context.Context) Who {
	w, _ := ctx.Value(key{}).(Who)
	return w
}

// LocalHeader must be on every command, with the value "1".
const LocalHeader = "Weirkeeper-Local"

// Local reports whether a request comes from a program of ours on this computer.
func Local(r *http.Request) bool {
	ip, _ := Address(r)
	if !ip.IsLoopback() || r.Header.Get(LocalHeader) != "1" {
		return false
	}
	for _, h := range []string{"Origin", "Sec-Fetch-Site", "Forwarded", "X-Forwarded-For", "X-Real-Ip"} {
		if r.Header.Get(h) != "" {
			return false
		}
	}
	return true
}

// Address is where a request comes from, and whether that is the local network.
func Address(r *http.Request) (ip netip.Addr, local bool) {
	p, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}, false
	}
	ip = p.Addr().Unmap()
	return ip, ip.IsPrivate() || ip.IsLoopback() || ip.IsLinkLocalUnicast()
}

// policy lets a page fetch from here alone, and run nothing that stands in it.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"

// Harden sets the headers of an answer that a browser shows. The referrer goes to
// our own pages: without it browsers would not say where a form comes from.
func Harden(h http.Header) {
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
}

// OwnPath is to where it is a path of this page, with its query; else "/".
func OwnPath(to string) string {
	u, err := url.Parse(to)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.Contains(to, "\\") {
		return "/"
	}
	return u.String()
}

// ourHost reports whether a browser that asks for that host can mean us: an
// address, a name that only a local network has, or one of those told. Any other
// may be a name of a stranger's that was made to lead here, so that the stranger's
// page could read ours.
func ourHost(host string, ours []string) bool {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
	if _, err := netip.ParseAddr(host); err == nil || !strings.Contains(host, ".") {
		return true
	}
	for _, suffix := range []string{".local", ".lan", ".internal", ".home.arpa", ".localhost"} {
		if strings.HasSuffix(host, suffix) {
			return true
		}
	}
	for _, o := range ours {
		if strings.EqualFold(o, host) {
			return true
		}
	}
	return false
}

// sameOrigin reports whether a form was sent by a page of ours, as far as the
// browser says.
func sameOrigin(r *http.Request) bool {
	if s := r.Header.Get("Sec-Fetch-Site"); s != "" && s != "same-origin" {
		return false
	}
	o := r.Header.Get("Origin")
	if o == "" {
		return true
	}
	u, err := url.Parse(o)
	return err == nil && u.Host != "" && strings.EqualFold(u.Host, r.Host)
}
