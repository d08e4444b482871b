// Package ledgertest opens real ledgers for tests. It is imported by tests
// only. Every ledger it opens is checked for damage when the test ends.
package ledgertest

import (
	"context"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
)

// Start is what the clock of a test ledger says.
var Start = time.Date(2031, time.November, 3, 18, 0, 0, 0, time.UTC)

// MustOpen opens an empty ledger in a folder of the test's own.
func MustOpen(t testing.TB) *ledger.Ledger {
	t.Helper()
	return MustOpenAt(t, filepath.Join(t.TempDir(), "ledger.db"))
}

// MustOpenAt opens the ledger at path, creating it if it is missing. When the
// test ends the file is checked, through a ledger of its own if the test has
// closed this one, and closed.
func MustOpenAt(t testing.TB, path string) *ledger.Ledger {
	t.Helper()
	l := open(t, path)
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Errorf("close the ledger: %v", err)
		}
		again := open(t, path)
		if err := again.Check(context.Background()); err != nil {
			t.Errorf("check the ledger after the test: %v", err)
		}
		if err := again.Close(); err != nil {
			t.Errorf("close the ledger: %v", err)
		}
	})
	return l
}

func open(t testing.TB, path string) *ledger.Ledger {
	t.Helper()
	l, err := ledger.Open(context.Background(), ledger.Options{Path: path, Now: func() time.Time { return Start }, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatalf("open the ledger: %v", err)
	}
	return l
}
