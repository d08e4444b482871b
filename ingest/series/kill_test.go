package series_test

import (
	"context"
	"fmt"
	"iter"
	"os"
	"testing"

	"weirkeeper/ingest/series"
	"weirkeeper/rules/reading"
)

const verifyPeriod = "verify-period"

// The test binary is the child as well: verify-period as its first argument
// makes it verify.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == verifyPeriod {
		os.Exit(series.VerifyMain(context.Background(), os.Args[2:], os.Stdin, os.Stderr))
	}
	os.Exit(m.Run())
}

// child verifies in another process.
func child(t testing.TB) func(context.Context, string, iter.Seq2[reading.Reading, error]) error {
	t.Helper()
	exe, err := os.Executable()
	ok(t, err)
	return series.Child(exe, verifyPeriod)
}

var _ = fmt.Sprint
