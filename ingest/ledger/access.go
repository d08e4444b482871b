package ledger

import (
	"context"
	"database/sql"
	"errors"
	"time"
)

// Account is somebody who may use the page.
type Account struct {
	// Name is told from others without regard to capitals.
	Name string
	// Role is a word of package access.
	Role string
	// Password is the hash of one, "" for none.
	Password string
	// Disabled accounts stay, for their names are in the record.
	Disabled bool
	Changed  time.Time // UTC
}

// TokenHash is the SHA-256 of a secret that only a browser or a link holds.
type TokenHash [32]byte

// Session is a browser that is signed in.
type Session struct {
	Hash TokenHash
	Name string
	// Role is the most it may do; its account's counts where that is less.
	Role                   string
	Device                 string // what the browser says of itself
	Created, Used, Expires time.Time
}

// Invitation lets one device come in once.
type Invitation struct {
	Hash             TokenHash
	Name, Role       string
	Created, Expires time.Time
	Used             time.Time // zero: not yet
}

// AccessDone is what was done about somebody's access.
type AccessDone struct {
	At   time.Time // UTC
	What string
	Name string // whose access
	By   string // who did it
	Via  string
}

// ErrInvitation: it is not there, was used, has run out, or its account is
// disabled. Returned by Redeem, which then does nothing.
var ErrInvitation = errors.New("no invitation that can be used")

func (l *Ledger) logAccess(ctx context.Context, d AccessDone) error {
	_, err := l.write.ExecContext(ctx, `INSERT INTO access_log (at, what, name, by, via) VALUES (?, ?, ?, ?, ?)`,
		micros(d.At), d.What, d.Name, d.By, d.Via)
	return err
}

// changeAccess runs a change and writes down who made it, both or neither.
func (l *Ledger) changeAccess(ctx context.Context, what string, d AccessDone, fn func(ctx context.Context) error) error {
	return l.update(ctx, what, func(ctx context.Context) error {
		if err := fn(ctx); err != nil {
			return err
		}
		return l.logAccess(ctx, d)
	})
}

// exec runs a statement of a change on the writing connection.
func (l *Ledger) exec(ctx context.Context, q string, args ...any) (changed int64, err error) {
	r, err := l.write.ExecContext(ctx, q, args...)
	if err != nil {
		return 0, err
	}
	return r.RowsAffected()
}

// PutAccount adds or changes an account. With end its sessions end and its
// invitations are void.
// Errors: ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) PutAccount(ctx context.Context, a Account, end bool, d AccessDone) error {
	return l.changeAccess(ctx, "put an account", d, func(ctx context.Context) error {
		if _, err := l.exec(ctx, `INSERT INTO accounts (name, role, password, disabled, changed_at) VALUES (?, ?, ?, ?, ?)
			ON CONFLICT (name) DO UPDATE SET role = excluded.role, password = excluded.password, disabled = excluded.disabled, changed_at = excluded.changed_at`,
			a.Name, a.Role, a.Password, a.Disabled, micros(a.Changed)); err != nil || !end {
			return err
		}
		return l.endAll(ctx, a.Name)
	})
}

func (l *Ledger) endAll(ctx context.Context, name string) error {
	_, err := l.exec(ctx, `DELETE FROM sessions WHERE name = ?`, name)
	if err == nil {
		_, err = l.exec(ctx, `DELETE FROM invitations WHERE name = ? AND used_at IS NULL`, name)
	}
	return err
}

const selectAccount = `SELECT a.name, a.role, a.password, a.disabled, a.changed_at FROM accounts a`

func scanAccount(rows *sql.Rows) (a Account, err error) {
	var changed sql.NullInt64
	err = rows.Scan(&a.Name, &a.Role, &a.Password, &a.Disabled, &changed)
	a.Changed = fromMicros(changed)
	return a, err
}

// Accounts returns all accounts, by name.
func (l *Ledger) Accounts(ctx context.Context) ([]Account, error) {
	return query(ctx, l, "read accounts", scanAccount, selectAccount+` ORDER BY a.name`)
}

// Account returns the account of that name.
func (l *Ledger) Account(ctx context.Context, name string) (a Account, found bool, err error) {
	return first(query(ctx, l, "read an account", scanAccount, selectAccount+` WHERE a.name = ?`, name))
}

func first[T any](all []T, err error) (v T, found bool, _ error) {
	if len(all) == 0 {
		return v, false, err
	}
	return all[0], true, err
}

// AddSession adds a session and ends the one it takes the place of, if any.
// Sessions and invitations that have run out are removed.
// Errors: ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) AddSession(ctx context.Context, s Session, instead TokenHash, d AccessDone) error {
	return l.changeAccess(ctx, "add a session", d, func(ctx context.Context) error {
		return l.addSession(ctx, s, instead)
	})
}

func (l *Ledger) addSession(ctx context.Context, s Session, instead TokenHash) error {
	now := micros(s.Created)
	for _, q := range []string{`DELETE FROM sessions WHERE expires_at <= ?`, `DELETE FROM invitations WHERE expires_at <= ?`} {
		if _, err := l.exec(ctx, q, now); err != nil {
			return err
		}
	}
	if _, err := l.exec(ctx, `DELETE FROM sessions WHERE hash = ?`, instead[:]); err != nil {
		return err
	}
	_, err := l.exec(ctx, `INSERT INTO sessions (hash, name, role, device, created_at, used_at, expires_at) VALUES (?, ?, ?, ?, ?, ?, ?)`,
		s.Hash[:], s.Name, s.Role, s.Device, now, micros(s.Used), micros(s.Expires))
	return err
}

const selectSession = `SELECT s.hash, s.name, s.role, s.device, s.created_at, s.used_at, s.expires_at FROM sessions s`

func scanHash(h *TokenHash, b []byte) error {
	if copy(h[:], b) != len(h) {
		return errors.New("a hash is too short")
	}
	return nil
}

func scanSession(rows *sql.Rows) (s Session, err error) {
	var hash []byte
	var created, used, expires sql.NullInt64
	if err := rows.Scan(&hash, &s.Name, &s.Role, &s.Device, &created, &used, &expires); err != nil {
		return s, err
	}
	s.Created, s.Used, s.Expires = fromMicros(created), fromMicros(used), fromMicros(expires)
	return s, scanHash(&s.Hash, hash)
}

// Session returns the session of a token, whether or not it has run out.
func (l *Ledger) Session(ctx context.Context, hash TokenHash) (s Session, found bool, err error) {
	return first(query(ctx, l, "read a session", scanSession, selectSession+` WHERE s.hash = ?`, hash[:]))
}

// Sessions returns all sessions that have not run out, by name and age.
func (l *Ledger) Sessions(ctx context.Context, now time.Time) ([]Session, error) {
	return query(ctx, l, "read sessions", scanSession, selectSession+` WHERE s.expires_at > ? ORDER BY s.name, s.created_at, s.hash`, micros(now))
}

// TouchSession writes down that a session was used.
// Errors: ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) TouchSession(ctx context.Context, hash TokenHash, used time.Time) error {
	return l.update(ctx, "touch a session", func(ctx context.Context) error {
		_, err := l.exec(ctx, `UPDATE sessions SET used_at = ? WHERE hash = ?`, micros(used), hash[:])
		return err
	})
}

// EndSession ends one session.
// Errors: ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) EndSession(ctx context.Context, hash TokenHash, d AccessDone) error {
	return l.changeAccess(ctx, "end a session", d, func(ctx context.Context) error {
		_, err := l.exec(ctx, `DELETE FROM sessions WHERE hash = ?`, hash[:])
		return err
	})
}

// EndSessions ends all sessions of a name and voids its invitations.
// Errors: ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) EndSessions(ctx context.Context, name string, d AccessDone) error {
	return l.changeAccess(ctx, "end sessions", d, func(ctx context.Context) error { return l.endAll(ctx, name) })
}

// AddInvitation adds an invitation to an account that is there.
// Errors: ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) AddInvitation(ctx context.Context, i Invitation, d AccessDone) error {
	return l.changeAccess(ctx, "add an invitation", d, func(ctx context.Context) error {
		_, err := l.exec(ctx, `INSERT INTO invitations (hash, name, role, created_at, expires_at) VALUES (?, ?, ?, ?, ?)`,
			i.Hash[:], i.Name, i.Role, micros(i.Created), micros(i.Expires))
		return err
	})
}

// Invitation returns the invitation of a token, whether or not it can be used.
func (l *Ledger) Invitation(ctx context.Context, hash TokenHash) (i Invitation, found bool, err error) {
	return first(query(ctx, l, "read an invitation", func(rows *sql.Rows) (i Invitation, err error) {
		var created, expires, used sql.NullInt64
		err = rows.Scan(&i.Name, &i.Role, &created, &expires, &used)
		i.Hash, i.Created, i.Expires, i.Used = hash, fromMicros(created), fromMicros(expires), fromMicros(used)
		return i, err
	}, `SELECT name, role, created_at, expires_at, used_at FROM invitations WHERE hash = ?`, hash[:]))
}

// Redeem uses an invitation up and adds the session it is for, whose name and
// role are the invitation's; both or neither.
// Errors: ErrInvitation, ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) Redeem(ctx context.Context, invitation TokenHash, s Session, instead TokenHash, d AccessDone) error {
	return l.changeAccess(ctx, "redeem an invitation", d, func(ctx context.Context) error {
		n, err := l.exec(ctx, `UPDATE invitations SET used_at = ?1 WHERE hash = ?2 AND name = ?3 AND role = ?4 AND used_at IS NULL AND expires_at > ?1
			AND name IN (SELECT name FROM accounts WHERE NOT disabled)`, micros(s.Created), invitation[:], s.Name, s.Role)
		switch {
		case err != nil:
			return err
		case n == 0:
			return ErrInvitation
		}
		return l.addSession(ctx, s, instead)
	})
}

// AccessLog returns what was done about access since then, in that order.
func (l *Ledger) AccessLog(ctx context.Context, since time.Time) ([]AccessDone, error) {
	return query(ctx, l, "read what was done about access", func(rows *sql.Rows) (d AccessDone, err error) {
		var at sql.NullInt64
		err = rows.Scan(&at, &d.What, &d.Name, &d.By, &d.Via)
		d.At = fromMicros(at)
		return d, err
	}, `SELECT at, what, name, by, via FROM access_log WHERE at >= ? ORDER BY seq`, since.UnixMicro())
}
