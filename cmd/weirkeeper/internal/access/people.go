package access

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"slices"
	"strings"
	"text/tabwriter"
	"time"
	"unicode"
	"unicode/utf8"

	"weirkeeper/ingest/ledger"
)

// NameLetters is the most letters of a name, as elsewhere in the record.
const NameLetters = 40

// OneLine is a text in one line, without what cannot be seen.
func OneLine(s string) string {
	return strings.Join(strings.Fields(strings.Map(func(c rune) rune {
		switch {
		case unicode.IsSpace(c):
			return ' '
		case !unicode.IsPrint(c):
			return -1
		}
		return c
	}, strings.ToValidUTF8(s, ""))), " ")
}

// Refusal says why a change of access was not made.
type Refusal struct{ Reason string }

func (e *Refusal) Error() string { return e.Reason }

// Change is the body of POST /people, JSON: a change of access, or with "list" the
// question who has any.
type Change struct {
	// Do is "add", "password", "invite", "role", "remove", "end" or "list".
	Do       string `json:"do"`
	Name     string `json:"name,omitempty"`
	Role     string `json:"role,omitempty"`
	Password string `json:"password,omitempty"`
	By       string `json:"by"`
}

// change makes a change of access and words it; link is that of an invitation, and
// base where the page is reached, "" when that is not known.
// Errors: *Refusal, *BadPasswordError, errBusy, that it could not be stored.
func (g *Gate) change(ctx context.Context, c Change, via, base string) (said, link string, err error) {
	refuse := func(format string, args ...any) (string, string, error) {
		return "", "", &Refusal{fmt.Sprintf(format, args...)}
	}
	now := g.opt.Now().UTC().Truncate(time.Microsecond)
	name := OneLine(c.Name)
	switch {
	case name == "" || name != strings.TrimSpace(c.Name) || utf8.RuneCountInString(name) > NameLetters:
		return refuse("say whose access: a name of one line and at most %d letters", NameLetters)
	case ReadRole(c.Role) == Nobody && slices.Contains([]string{"add", "role"}, c.Do), c.Role != "" && ReadRole(c.Role) == Nobody:
		return refuse("say which role: look (reads), work (answers, does chores, keeps the lots) or manage (also says who has access)")
	}
	a, found, err := g.opt.Ledger.Account(ctx, name)
	if err != nil {
		return "", "", err
	}
	has := found && !a.Disabled
	if !has && !slices.Contains([]string{"add", "invite"}, c.Do) {
		return refuse("%s has no access; weirkeeper people list names all who have", name)
	}
	if !found {
		a.Name = name
	}
	a.Changed = now
	note := ""
	if !slices.ContainsFunc(g.opt.People, func(p string) bool { return p == a.Name }) {
		note = fmt.Sprintf("\nNote: %q is nobody in the site file; the others will read this name.", a.Name)
	}
	put := func(end bool, what string) error {
		return g.opt.Ledger.PutAccount(ctx, a, end, g.done(what, a.Name, c.By, via))
	}
	switch c.Do {
	case "add":
		if has {
			return refuse("%s has access already: weirkeeper people password, role or invite change it", a.Name)
		}
		if err := checkPassword(a.Name, c.Password); err != nil {
			return "", "", err
		}
		if a.Password, err = g.hash.hash(ctx, c.Password); err != nil {
			return "", "", err
		}
		a.Name, a.Role, a.Disabled = name, c.Role, false
		return fmt.Sprintf("%s has access now, to %s, with this password.%s\n", a.Name, a.Role, note), "", put(true, "given access to "+a.Role)
	case "password":
		if err := checkPassword(a.Name, c.Password); err != nil {
			return "", "", err
		}
		if a.Password, err = g.hash.hash(ctx, c.Password); err != nil {
			return "", "", err
		}
		return fmt.Sprintf("%s has a new password. All sessions of that name have ended.\n", a.Name), "", put(true, "given a new password")
	case "role":
		a.Role = c.Role
		return fmt.Sprintf("%s may %s now.\n", a.Name, a.Role), "", put(false, "given the role "+a.Role)
	case "remove":
		a.Disabled, a.Password = true, ""
		return fmt.Sprintf("%s has no access any more, and all sessions of that name have ended. What %[1]s did stays in the record.\n", a.Name), "", put(true, "access taken away")
	case "end":
		return fmt.Sprintf("All sessions of %s have ended.\n", a.Name), "", g.opt.Ledger.EndSessions(ctx, a.Name, g.done("all sessions ended", a.Name, c.By, via))
	case "invite":
		return g.invite(ctx, a, has, ReadRole(c.Role), c.By, via, base, now, note)
	}
	return refuse("nothing of that name is done here; there are add, password, invite, list, role, remove and end")
}

// invite makes a device link. Who has no access yet gets an account without a
// password.
func (g *Gate) invite(ctx context.Context, a ledger.Account, has bool, role Role, by, via, base string, now time.Time, note string) (said, link string, err error) {
	switch {
	case role == Nobody && !has:
		return "", "", &Refusal{"say which role the device is to have: look, work or manage"}
	case role == Nobody:
		role = ReadRole(a.Role)
	case has && role > ReadRole(a.Role):
		return "", "", &Refusal{fmt.Sprintf("%s may only %s: weirkeeper people role changes that", a.Name, a.Role)}
	}
	if !has {
		a.Role, a.Disabled, a.Password = role.String(), false, ""
		if err := g.opt.Ledger.PutAccount(ctx, a, true, g.done("given access to "+a.Role+", by a device link only", a.Name, by, via)); err != nil {
			return "", "", err
		}
	}
	token, hash := newLink()
	i := ledger.Invitation{Hash: hash, Name: a.Name, Role: role.String(), Created: now, Expires: now.Add(invitationEnd)}
	if err := g.opt.Ledger.AddInvitation(ctx, i, g.done("device link made, to "+i.Role, a.Name, by, via)); err != nil {
		return "", "", err
	}
	link = strings.TrimSuffix(base, "/") + "/device/" + token
	said = fmt.Sprintf("Open this on %s's device, in the hatchery's network, within an hour. It works once, and the device may then %s:\n%s%s\n", a.Name, i.Role, link, note)
	if base == "" {
		said += "Put the address of this computer in the hatchery's network before it, such as http://192.0.2.7:8370; web { url = ... } in the site file does that.\n"
	}
	return said, link, nil
}

// listed is who has access, as text.
func (g *Gate) listed(ctx context.Context) (string, error) {
	accounts, err := g.opt.Ledger.Accounts(ctx)
	if err != nil {
		return "", err
	}
	sessions, err := g.opt.Ledger.Sessions(ctx, g.opt.Now())
	if err != nil {
		return "", err
	}
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	none := true
	for _, a := range accounts {
		if a.Disabled {
			continue
		}
		none = false
		by := "password"
		if a.Password == "" {
			by = "device link only"
		}
		n := 0
		for _, s := range sessions {
			if strings.EqualFold(s.Name, a.Name) && g.opt.Now().Sub(s.Used) < idleEnd {
				n++
			}
		}
		fmt.Fprintf(w, "%s\t%s\t%s\tsigned in on %d\n", a.Name, a.Role, by, n)
	}
	_ = w.Flush() // to memory
	if none {
		return "Nobody has access by the page yet: weirkeeper people add NAME --role manage\n", nil
	}
	return b.String(), nil
}

// command serves POST /people, from this computer only.
func (g *Gate) command(w http.ResponseWriter, r *http.Request) {
	var c Change
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, 4096))
	d.DisallowUnknownFields()
	if err := d.Decode(&c); err != nil {
		http.Error(w, "the command cannot be read: "+err.Error(), http.StatusBadRequest)
		return
	}
	if c.By = OneLine(c.By); c.By == "" {
		http.Error(w, "say who you are: --by NAME", http.StatusBadRequest)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	var said string
	var err error
	if c.Do == "list" {
		said, err = g.listed(ctx)
	} else {
		said, _, err = g.change(ctx, c, "command", g.opt.URL)
	}
	if err != nil {
		http.Error(w, err.Error(), statusOf(err))
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = w.Write([]byte(said)) // the asker is gone: nothing to do
}

func statusOf(err error) int {
	var refusal *Refusal
	var bad *BadPasswordError
	if errors.As(err, &refusal) || errors.As(err, &bad) {
		return http.StatusConflict
	}
	return http.StatusServiceUnavailable
}

// peoplePage is what the page "people" shows.
type peoplePage struct {
	People []personRow
	Roles  []Role
	// Said is what came of a form, Link the device link that it made.
	Said, Link string
	Wrong      bool
}

type personRow struct {
	Name, Role string
	Password   bool
	Sessions   []sessionRow
}

type sessionRow struct {
	ID, Role, Device string
	Created, Used    string // in the site's zone
	This             bool   // the one that asks
}

// sessionID names a session on the page without giving away what is stored.
func (g *Gate) sessionID(h ledger.TokenHash) string {
	return mac(g.opt.Secret, "session", hex.EncodeToString(h[:]))[:22]
}

func (g *Gate) clock(t time.Time) string { return t.In(g.opt.Zone).Format("2006-01-02 15:04") }

func (g *Gate) showPeople(w http.ResponseWriter, r *http.Request) {
	g.writePeople(w, r, http.StatusOK, peoplePage{})
}

func (g *Gate) writePeople(w http.ResponseWriter, r *http.Request, status int, p peoplePage) {
	accounts, err := g.opt.Ledger.Accounts(r.Context())
	var sessions []ledger.Session
	if err == nil {
		sessions, err = g.opt.Ledger.Sessions(r.Context(), g.opt.Now())
	}
	if err != nil {
		http.Error(w, err.Error(), http.StatusServiceUnavailable)
		return
	}
	p.Roles = Roles()
	for _, a := range accounts {
		if a.Disabled {
			continue
		}
		row := personRow{Name: a.Name, Role: a.Role, Password: a.Password != ""}
		for _, s := range sessions {
			if strings.EqualFold(s.Name, a.Name) && g.opt.Now().Sub(s.Used) < idleEnd {
				row.Sessions = append(row.Sessions, sessionRow{
					ID: g.sessionID(s.Hash), Role: min(ReadRole(s.Role), ReadRole(a.Role)).String(), Device: s.Device,
					Created: g.clock(s.Created), Used: g.clock(s.Used), This: g.of(r) != nil && g.of(r).Hash == s.Hash,
				})
			}
		}
		p.People = append(p.People, row)
	}
	g.opt.Pages.Show(w, r, status, "people", p)
}

// people serves the forms of the page of people.
func (g *Gate) people(w http.ResponseWriter, r *http.Request) {
	who := From(r.Context())
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	f := r.PostForm
	c := Change{Do: r.PathValue("do"), Name: f.Get("name"), Role: f.Get("role"), Password: f.Get("password"), By: who.Name}
	if c.Do == "session" {
		g.endSession(ctx, w, r, f.Get("session"), who.Name)
		return
	}
	base := g.opt.URL
	if host, _, _ := net.SplitHostPort(r.Host); base == "" && !net.ParseIP(host).IsLoopback() && host != "localhost" {
		base = map[bool]string{false: "http://", true: "https://"}[g.opt.TLS] + r.Host // one of ours, or it would not have come here
	}
	said, link, err := g.change(ctx, c, Via, base)
	if err != nil {
		g.writePeople(w, r, statusOf(err), peoplePage{Said: err.Error(), Wrong: true})
		return
	}
	if link != "" { // shown once, and in no cookie
		g.writePeople(w, r, http.StatusOK, peoplePage{Said: said, Link: link})
		return
	}
	g.opt.Pages.Back(w, r, "/people", said)
}

func (g *Gate) endSession(ctx context.Context, w http.ResponseWriter, r *http.Request, id, by string) {
	sessions, err := g.opt.Ledger.Sessions(ctx, g.opt.Now())
	for _, s := range sessions {
		if err == nil && g.sessionID(s.Hash) == id {
			if err = g.opt.Ledger.EndSession(ctx, s.Hash, g.done("a session ended", s.Name, by, Via)); err == nil {
				g.opt.Pages.Back(w, r, "/people", "The session of "+s.Name+" has ended.")
				return
			}
		}
	}
	if err == nil {
		err = &Refusal{"that session has ended already"}
	}
	g.writePeople(w, r, statusOf(err), peoplePage{Said: err.Error(), Wrong: true})
}
