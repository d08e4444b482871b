package ledger_test

import (
	"errors"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
)

func accounts(tb testing.TB, l *ledger.Ledger) []ledger.Account {
	tb.Helper()
	all, err := l.Accounts(tb.Context())
	ok(tb, err)
	return all
}

func accessLog(tb testing.TB, l *ledger.Ledger) []ledger.AccessDone {
	tb.Helper()
	all, err := l.AccessLog(tb.Context(), time.Time{})
	ok(tb, err)
	return all
}

func hash(b byte) ledger.TokenHash { return ledger.TokenHash{b} }

func sessionHashes(tb testing.TB, l *ledger.Ledger, now time.Time) (all []byte) {
	tb.Helper()
	sessions, err := l.Sessions(tb.Context(), now)
	ok(tb, err)
	for _, s := range sessions {
		all = append(all, s.Hash[0])
	}
	return all
}

func TestAccess(t *testing.T) {
	l := ledgertest.MustOpen(t)
	ctx := t.Context()
	done := func(what string) ledger.AccessDone {
		return ledger.AccessDone{At: at(0), What: what, Name: "kim", By: "rowan", Via: "command"}
	}
	session := func(b byte, ends time.Duration) ledger.Session {
		return ledger.Session{Hash: hash(b), Name: "kim", Role: "work", Created: at(0), Used: at(0), Expires: at(ends)}
	}
	kim := ledger.Account{Name: "kim", Role: "manage", Password: "x", Changed: at(0)}

	if err := l.AddSession(ctx, session(1, time.Hour), hash(0), done("signed in")); err == nil {
		t.Error("a session of nobody was added")
	}
	equal(t, "log of what failed", accessLog(t, l), nil)
	ok(t, l.PutAccount(ctx, kim, false, done("given access")))
	got, found, err := l.Account(ctx, "Kim")
	ok(t, err)
	if !found {
		t.Fatal("Kim is not kim")
	}
	equal(t, "account", got, kim)

	ok(t, l.AddSession(ctx, session(1, time.Hour), hash(0), done("signed in")))
	ok(t, l.AddSession(ctx, session(2, 2*time.Hour), hash(0), done("signed in")))
	ok(t, l.AddSession(ctx, session(3, 3*time.Hour), hash(2), done("signed in")))
	equal(t, "the second in the place of the first", sessionHashes(t, l, at(0)), []byte{1, 3})
	equal(t, "later", sessionHashes(t, l, at(time.Hour)), []byte{3})
	ok(t, l.TouchSession(ctx, hash(3), at(time.Minute)))
	s, _, err := l.Session(ctx, hash(3))
	ok(t, err)
	equal(t, "used", s.Used, at(time.Minute))

	for b := byte(10); b < 14; b++ {
		ok(t, l.AddInvitation(ctx, ledger.Invitation{Hash: hash(b), Name: "kim", Role: "work", Created: at(0), Expires: at(time.Hour)}, done("invited")))
	}
	redeem := func(invitation, into byte, after time.Duration, change func(*ledger.Session)) error {
		s := session(into, 5*time.Hour)
		s.Created = at(after)
		if change != nil {
			change(&s)
		}
		return l.Redeem(ctx, hash(invitation), s, hash(0), done("came in"))
	}
	ok(t, redeem(10, 20, 0, nil))
	logged := len(accessLog(t, l))
	for name, err := range map[string]error{
		"again":              redeem(10, 21, 0, nil),
		"unknown":            redeem(99, 21, 0, nil),
		"with another role":  redeem(11, 21, 0, func(s *ledger.Session) { s.Role = "manage" }),
		"in its last moment": redeem(11, 21, time.Hour, nil),
	} {
		if !errors.Is(err, ledger.ErrInvitation) {
			t.Errorf("%s: error %v", name, err)
		}
	}
	equal(t, "log of what was refused", len(accessLog(t, l)), logged)
	ok(t, redeem(11, 22, time.Hour-time.Microsecond, nil))

	kim.Disabled = true
	ok(t, l.PutAccount(ctx, kim, true, done("removed")))
	equal(t, "sessions of the disabled", sessionHashes(t, l, at(0)), nil)
	if err := redeem(12, 23, 0, nil); !errors.Is(err, ledger.ErrInvitation) {
		t.Errorf("invitation of the disabled: error %v", err)
	}
	kim.Disabled = false
	ok(t, l.PutAccount(ctx, kim, false, done("given access")))
	if err := redeem(13, 23, 0, nil); !errors.Is(err, ledger.ErrInvitation) {
		t.Errorf("invitation from before: error %v", err)
	}
	ok(t, l.AddSession(ctx, session(30, time.Hour), hash(0), done("signed in")))
	ok(t, l.EndSession(ctx, hash(30), done("signed out")))
	ok(t, l.AddSession(ctx, session(31, time.Hour), hash(0), done("signed in")))
	ok(t, l.EndSessions(ctx, "KIM", done("sessions ended")))
	equal(t, "ended", sessionHashes(t, l, at(0)), nil)
	if err := l.Exec(ctx, `DELETE FROM access_log`); err == nil {
		t.Error("the log of access was cleared")
	}
}
