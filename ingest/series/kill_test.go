package series_test

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"iter"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/ingest/series"
	"weirkeeper/rules/reading"
)

var killRounds = flag.Int("rounds", 200, "how often the kill test kills")

// The first argument that makes the test binary a child: one that verifies, or
// one that commits and seals until it is killed.
const (
	verifyPeriod = "verify-period"
	sealForEver  = "seal-for-ever"
)

func TestMain(m *testing.M) {
	if len(os.Args) > 1 {
		switch os.Args[1] {
		case verifyPeriod:
			os.Exit(series.VerifyMain(context.Background(), os.Args[2:], os.Stdin, os.Stderr))
		case sealForEver:
			fmt.Fprintln(os.Stderr, sealUntilKilled(os.Args[2], os.Args[3], os.Args[4]))
			os.Exit(1)
		}
	}
	// A child built with the race detector would sleep for a second at its end.
	if err := os.Setenv("GORACE", "atexit_sleep_ms=0"); err != nil {
		panic(err)
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

const (
	killKeep = 6               // days
	killNow  = 2 * time.Hour   // after the end of the day just committed
	killStep = 3 * time.Hour   // between readings
	killLate = 4 * time.Minute // between late ones
)

var killProbes = []reading.ProbeID{"spring", "trough 1"}

// killBatch is what the publisher sends on a day: the day, something late for
// one of the three days before, and something that has been sent already.
func killBatch(day int) []reading.Reading {
	rows := slices.Concat(every("spring", day, killStep), every("trough 1", day, killStep))
	for back := 1; back <= min(day, 3); back++ {
		if day%3+1 != back {
			continue
		}
		for i := range 5 {
			r := row("spring", at(day-back, time.Duration(day)*time.Hour%(24*time.Hour)+time.Duration(i)*killLate+time.Microsecond), float64(day))
			r.Flags, r.ArrivedAt = reading.Late, at(day, 0)
			rows = append(rows, r)
		}
		rows = append(rows, every("trough 1", day-back, killStep)[2])
	}
	return rows
}

func killOptions(dir string, l *ledger.Ledger) series.Options {
	opt := options(filepath.Join(dir, "series"), l)
	opt.Keep = killKeep * 24 * time.Hour
	return opt
}

// sealUntilKilled goes on from a day, printing each when it is committed, and
// kills itself at a point, unless that is empty.
func sealUntilKilled(dir, from, point string) error {
	ctx := context.Background()
	day, err := strconv.Atoi(from)
	if err != nil {
		return err
	}
	l, err := ledger.Open(ctx, ledger.Options{Path: filepath.Join(dir, "ledger.db"), Now: func() time.Time { return ledgertest.Start }, Log: options("", nil).Log})
	if err != nil {
		return err
	}
	exe, err := os.Executable()
	if err != nil {
		return err
	}
	opt := killOptions(dir, l)
	opt.Verify = series.Child(exe, verifyPeriod)
	opt.Hook = func(at string) {
		if at == point {
			_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
			select {} // it comes at once, but not on this very instruction
		}
	}
	s, err := series.Open(ctx, opt)
	if err != nil {
		return err
	}
	for range 20 {
		if _, err := l.Commit(ctx, ledger.Batch{Readings: killBatch(day)}); err != nil {
			return err
		}
		if _, err := fmt.Println(day); err != nil { // unbuffered: printed means acknowledged
			return err
		}
		if _, err := s.Maintain(ctx, at(day+1, killNow)); err != nil {
			return err
		}
		day++
	}
	return fmt.Errorf("never came to %q", point)
}

// Killed at every point and at random, nothing that was acknowledged is lost or
// there twice. That a power cut does no more rests on fsync, which this test
// cannot show.
func TestKilled(t *testing.T) {
	rounds := *killRounds
	if testing.Short() {
		rounds = min(rounds, 2*len(series.Points))
	}
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	var dir string
	days := 0 // acknowledged
	for round := range rounds {
		if round%25 == 0 { // a new life, lest the history grow long
			dir, days = t.TempDir(), 0
		}
		point := "" // at random
		if round%2 == 0 {
			point = series.Points[round/2%len(series.Points)]
		}
		days = killOnce(t, rng, dir, days, point)
		checkKilled(t, dir, days)
		if t.Failed() {
			t.Fatalf("in round %d, killed at %q after %d days", round, point, days)
		}
	}
}

// killOnce runs the child until it kills itself, or is killed some time after it
// has acknowledged a day, and returns how many days it has acknowledged.
func killOnce(t *testing.T, rng *rand.Rand, dir string, days int, point string) int {
	t.Helper()
	exe, err := os.Executable()
	ok(t, err)
	cmd := exec.CommandContext(t.Context(), exe, sealForEver, dir, strconv.Itoa(days), point)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	ok(t, err)
	ok(t, cmd.Start())
	enough := days + 1 + rng.IntN(2)
	delay := time.Duration(rng.IntN(100_000)) * time.Microsecond
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if lines.Text() != strconv.Itoa(days) {
			t.Fatalf("the child printed %q after %d days", lines.Text(), days)
		}
		days++
		if point == "" && days == enough {
			time.AfterFunc(delay, func() { _ = cmd.Process.Kill() })
		}
	}
	var exit *exec.ExitError
	if err := cmd.Wait(); !errors.As(err, &exit) || exit.ExitCode() != -1 {
		t.Fatalf("the child ended by itself: %v", err)
	}
	return days
}

func checkKilled(t *testing.T, dir string, days int) {
	t.Helper()
	l, err := ledger.Open(t.Context(), ledger.Options{Path: filepath.Join(dir, "ledger.db"), Now: func() time.Time { return ledgertest.Start }, Log: options("", nil).Log})
	ok(t, err)
	opt := killOptions(dir, l)
	opt.OnDamaged = func(period string, cause error) { t.Errorf("period %s: %v", period, cause) }
	s, err := series.Open(t.Context(), opt)
	ok(t, err)
	type kept struct {
		At    time.Time
		Value float64
		Flags reading.Flags
	}
	// What went before may or may not have been retired already.
	from := at(days+1-killKeep, 0)
	list := func(probe reading.ProbeID, days int) []kept {
		seen := make(map[kept]bool)
		var all []kept
		for day := range days {
			for _, r := range killBatch(day) {
				if k := (kept{r.At, r.Value, r.Flags}); r.Probe == probe && !r.At.Before(from) && !seen[k] {
					seen[k] = true
					all = append(all, k)
				}
			}
		}
		slices.SortFunc(all, func(a, b kept) int { return a.At.Compare(b.At) })
		return all
	}
	// The day that was being committed may be there, whole.
	for _, probe := range killProbes {
		var got []kept
		for _, r := range collect(t, s.Readings(t.Context(), probe, from, at(days+10, 0))) {
			got = append(got, kept{r.At, r.Value, r.Flags})
		}
		if want := list(probe, days+1); !slices.Equal(got, want) {
			equal(t, string(probe), got, list(probe, days))
		}
	}
	ok(t, l.Check(t.Context()))
	ok(t, l.Close())
	left, err := filepath.Glob(filepath.Join(opt.Dir, "*.*"))
	ok(t, err)
	for _, folder := range left {
		// A verifier that outlives its parent for a moment may be about to open
		// a part that is being cleared away, and tstorage makes the folder
		// anew, with nothing in it. The next start clears that.
		ok(t, filepath.WalkDir(folder, func(path string, e fs.DirEntry, err error) error {
			if err == nil && !e.IsDir() {
				t.Errorf("not cleared away: %q", path)
			}
			return err
		}))
		t.Logf("made anew by a verifier: %q", folder)
	}
}
