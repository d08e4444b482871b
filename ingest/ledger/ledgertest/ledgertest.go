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
func MustOpen(tb testing.TB) *ledger.Ledger {
	tb.Helper()
	return MustOpenAt(tb, filepath.Join(tb.TempDir(), "ledger.db"))
}

// MustOpenAt opens the ledger at path, creating it if it is missing. When the
// test ends the file is checked, through a ledger of its own if the test has
// closed this one, and closed.
func MustOpenAt(tb testing.TB, path string) *ledger.Ledger {
	tb.Helper()
	l := open(tb, path)
	tb.Cleanup(func() {
		if err := l.Close(); err != nil {
			tb.Errorf("close the ledger: %v", err)
		}
		again := open(tb, path)
		if err := again.Check(context.Background()); err != nil {
			tb.Errorf("check the ledger after the test: %v", err)
		}
		if err := again.Close(); err != nil {
			tb.Errorf("close the ledger: %v", err)
		}
	})
	return l
}

func open(tb testing.TB, path string) *ledger.Ledger {
	tb.Helper()
	l, err := ledger.Open(context.Background(), ledger.Options{Path: path, Now: func() time.Time { return Start }, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		tb.Fatalf("open the ledger: %v", err)
	}
	return l
}
