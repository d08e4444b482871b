package ledger_test

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/reading"
)

// The test binary started with these in its environment is the child that
// commits until it is killed: into that file, from that batch on.
const (
	childPath = "LEDGER_TEST_PATH"
	childFrom = "LEDGER_TEST_FROM"
)

func TestMain(m *testing.M) {
	if path := os.Getenv(childPath); path != "" {
		fmt.Fprintln(os.Stderr, commitForEver(path, os.Getenv(childFrom)))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

func commitForEver(path, from string) error {
	n, err := strconv.Atoi(from)
	if err != nil {
		return err
	}
	l, err := ledger.Open(context.Background(), options(path))
	if err != nil {
		return err
	}
	for ; ; n++ {
		if _, err := l.Commit(context.Background(), crashBatch(n)); err != nil {
			return err
		}
		if _, err := fmt.Println(n); err != nil { // unbuffered: printed means acknowledged
			return err
		}
	}
}

// crashBatch is what batch n holds: 1 to 40 readings, a transition, a message, an
// entry of a lot.
func crashBatch(n int) ledger.Batch {
	b := ledger.Batch{
		Transitions: []alarm.Transition{transition(alarm.Key(fmt.Sprintf("alarm %d", n%5)), uint64(n), alarm.Normal, alarm.Unacknowledged, time.Duration(n)*time.Second)},
		Messages:    []callout.Message{message(fmt.Sprintf("m%06d", n), time.Duration(n)*time.Second)},
		LotEntries:  []book.Entry{fullEntry(int64(n))},
	}
	for i := range 1 + n*7%40 {
		b.Readings = append(b.Readings, one(reading.ProbeID(fmt.Sprintf("p%d", n%3*40+i)), time.Duration(n)*time.Second, float64(n)))
	}
	return b
}

// A killed process loses nothing it has acknowledged and leaves no half batch.
// That a power cut loses nothing either rests on SQLite and the disk's sync; this
// test cannot show it.
func TestKilledWhileCommitting(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	path := filepath.Join(t.TempDir(), "ledger.db")
	acknowledged := 0
	for round := range 20 {
		acknowledged = killOnce(t, rng, path, acknowledged)
		checkAcknowledged(t, path, acknowledged)
		if t.Failed() {
			t.Fatalf("in round %d, after %d batches", round, acknowledged)
		}
	}
	t.Logf("%d batches acknowledged", acknowledged)
}

// killOnce runs the child until it has acknowledged some more batches and then a
// few milliseconds, kills it, and returns the last batch it acknowledged.
func killOnce(t *testing.T, rng *rand.Rand, path string, acknowledged int) int {
	t.Helper()
	exe, err := os.Executable()
	ok(t, err)
	child := exec.CommandContext(t.Context(), exe)
	child.Env = append(os.Environ(), childPath+"="+path, childFrom+"="+strconv.Itoa(acknowledged+1))
	child.Stderr = os.Stderr
	out, err := child.StdoutPipe()
	ok(t, err)
	ok(t, child.Start())
	enough := acknowledged + 1 + rng.IntN(60)
	delay := time.Duration(rng.IntN(8000)) * time.Microsecond
	var kill *time.Timer
	for lines := bufio.NewScanner(out); lines.Scan(); {
		n, err := strconv.Atoi(lines.Text())
		if err != nil || n != acknowledged+1 {
			t.Fatalf("the child printed %q after %d", lines.Text(), acknowledged)
		}
		acknowledged = n
		if n == enough {
			kill = time.AfterFunc(delay, func() { _ = child.Process.Kill() })
		}
	}
	if err := child.Wait(); err == nil || kill == nil {
		t.Fatalf("the child ended by itself: %v", err)
	}
	return acknowledged
}

func checkAcknowledged(t *testing.T, path string, acknowledged int) {
	t.Helper()
	l, err := ledger.Open(t.Context(), options(path))
	ok(t, err)
	ok(t, l.Check(t.Context()))
	messages := records(t, l, 0)
	// The batch under way may be there, whole.
	n := len(messages)
	if n != acknowledged && n != acknowledged+1 {
		t.Fatalf("%d batches kept, want %d or one more", n, acknowledged)
	}
	var want ledger.Batch
	for i := range n {
		b := crashBatch(i + 1)
		want.Readings = append(want.Readings, b.Readings...)
		want.Transitions = append(want.Transitions, b.Transitions...)
		want.Messages = append(want.Messages, b.Messages...)
		want.LotEntries = append(want.LotEntries, b.LotEntries...)
	}
	for i, m := range messages {
		equal(t, "message", m.Message, want.Messages[i])
	}
	equal(t, "readings", collect(t, l.ReadingsByArrival(t.Context(), time.Time{})), want.Readings)
	journal, err := l.Journal(t.Context(), at(0), at(1000*time.Hour))
	ok(t, err)
	equal(t, "journal", journal, want.Transitions)
	equal(t, "lot entries", lotEntries(t, l), want.LotEntries)
	standing, err := l.Standing(t.Context())
	ok(t, err)
	equal(t, "standing", standing, want.Transitions[max(0, n-5):])
	ok(t, l.Close())
}
