package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestLotNamesClash: a block of the site file that takes the name of a lot which
// was opened by command changes nothing of that one, neither while it is there
// nor when it is gone again.
func TestLotNamesClash(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": seasonSite, "rules.hcl": strings.ReplaceAll(streamRules, "stream", "course")})
	now := time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)
	d := startInProcess(t, dir, now)
	lot := func(args ...string) string {
		t.Helper()
		e, out, errs := testEnv()
		args = append(append([]string{"lot"}, args...), "--at", d.WebAddr())
		if args[1] != "show" {
			args = append(args, "--by", "kim")
		}
		if code := run(t.Context(), args, e); code != exitOK {
			t.Fatalf("%q: exit code %d, %s", args, code, errs)
		}
		return out.String()
	}
	restart := func(more string) {
		t.Helper()
		d.stop()
		if err := os.WriteFile(filepath.Join(dir, "site.hcl"), []byte(seasonSite+more), 0o600); err != nil {
			t.Fatal(err)
		}
		d = startInProcess(t, dir, now)
	}
	lot("open", "2026-E", "--species", "brook trout", "--egg-take", "2026-11-18 09:00", "--eggs", "5000", "--unit", "water 1")
	const block = `
lot "2026-E" {
  species  = "brook trout"
  egg_take = "2026-11-01 09:00"
  eggs     = 100
  unit     = "water 2"
}
`
	for _, more := range []string{"", block, ""} {
		restart(more)
		if s := lot("show", "2026-E"); !strings.Contains(s, "5,000") || strings.Contains(s, "left out") {
			t.Errorf("with %q in the site file:\n%s", more, s)
		}
	}

	// The egg take was two days earlier: the eggs were here since then.
	said := lot("correct", "1", "open", "2026-E", "--species", "brook trout", "--egg-take", "2026-11-16 09:00", "--eggs", "5000", "--unit", "water 1")
	if !strings.Contains(said, "16 Nov 2026 09:00") {
		t.Errorf("corrected: %s", said)
	}
	// The answer to a split tells of both lots.
	said = lot("split", "2026-E", "2026-F", "--number", "1000", "--to", "water 2")
	if !strings.Contains(said, "Lot 2026-E: 4,000 eggs in water 1") || !strings.Contains(said, "Lot 2026-F: 1,000 eggs in water 2") {
		t.Errorf("split: %s", said)
	}
}
