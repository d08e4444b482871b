package series_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/nakabonne/tstorage"
)

// What follows is what tstorage v0.3.6 does and a reader of its README would not
// expect. Package series is built around it. If one of these tests fails after an
// upgrade, tstorage has changed: read the package's comment again.

func openTstorage(t *testing.T, dir string, opts ...tstorage.Option) tstorage.Storage {
	t.Helper()
	st, err := tstorage.NewStorage(append([]tstorage.Option{
		tstorage.WithDataPath(dir), tstorage.WithTimestampPrecision(tstorage.Seconds),
	}, opts...)...)
	ok(t, err)
	return st
}

func insert(t *testing.T, st tstorage.Storage, times ...int64) {
	t.Helper()
	var rows []tstorage.Row
	for _, at := range times {
		rows = append(rows, tstorage.Row{Metric: "flow", DataPoint: tstorage.DataPoint{Timestamp: at, Value: float64(at)}})
	}
	ok(t, st.InsertRows(rows))
}

func count(t *testing.T, st tstorage.Storage) int {
	t.Helper()
	points, err := st.Select("flow", nil, 1, 1<<40)
	if !errors.Is(err, tstorage.ErrNoDataPoints) {
		ok(t, err)
	}
	return len(points)
}

// Its log is emptied once it was read, while what was read is in memory only: a
// second kill loses all that the first one left. A storage that is not closed is
// what a kill leaves: every row is in the log's file, which is not buffered here.
func TestTstorageLosesItsLog(t *testing.T) {
	dir := t.TempDir()
	unbuffered := tstorage.WithWALBufferedSize(0)
	st := openTstorage(t, dir, unbuffered)
	insert(t, st, 100, 200, 300)
	// killed
	st = openTstorage(t, dir, unbuffered)
	if n := count(t, st); n != 3 {
		t.Fatalf("%d rows after one kill, want all 3", n)
	}
	// killed
	st = openTstorage(t, dir, unbuffered)
	if n := count(t, st); n != 0 {
		t.Errorf("%d rows after two kills in a row: it used to lose all 3", n)
	}
}

// Rows older than the two newest partitions are dropped, and the caller is told
// that all is well. So are rows older than the first batch of the only one.
func TestTstorageDropsOldRows(t *testing.T) {
	for name, times := range map[string][]int64{
		"one partition":  {10_000, 9_999},
		"two partitions": {10_000, 10_000 + 3599, 10_000 + 3600, 9_999},
	} {
		t.Run(name, func(t *testing.T) {
			st := openTstorage(t, t.TempDir(), tstorage.WithPartitionDuration(time.Hour), tstorage.WithWALBufferedSize(-1))
			for _, at := range times {
				insert(t, st, at)
			}
			if n := count(t, st); n != len(times)-1 {
				t.Errorf("%d rows of %d: it used to drop the last, an old one, with no error", n, len(times))
			}
			ok(t, st.Close())
		})
	}
}

// Closing what was only read adds a partition to the folder. That is why release
// does not.
func TestTstorageCloseWrites(t *testing.T) {
	dir := t.TempDir()
	st := openTstorage(t, dir, tstorage.WithWALBufferedSize(-1))
	insert(t, st, 100)
	ok(t, st.Close())
	st = openTstorage(t, dir, tstorage.WithWALBufferedSize(-1))
	if n := count(t, st); n != 1 {
		t.Fatalf("%d rows, want 1", n)
	}
	ok(t, st.Close())
	found, err := filepath.Glob(filepath.Join(dir, "p-*"))
	ok(t, err)
	if len(found) != 2 {
		t.Errorf("it holds %q: closing used to add one to the one there was", found)
	}
}

// Closing does not unmap the files. That is why release does.
func TestTstorageStaysMapped(t *testing.T) {
	dir := t.TempDir()
	st := openTstorage(t, dir, tstorage.WithWALBufferedSize(-1))
	insert(t, st, 100)
	ok(t, st.Close())
	if mapped(t, dir) == "" {
		t.Error("nothing is mapped after Close: it used to be, for ever")
	}
}

// A data file of zeros opens without an error, and so does an empty one.
func TestTstorageOpensDamage(t *testing.T) {
	for name, damage := range map[string]func(path string) error{
		"zeroed": func(path string) error {
			b, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			return os.WriteFile(path, make([]byte, len(b)), 0o600)
		},
		"empty": func(path string) error { return os.Truncate(path, 0) },
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			st := openTstorage(t, dir, tstorage.WithWALBufferedSize(-1))
			insert(t, st, 100, 200, 300)
			ok(t, st.Close())
			found, err := filepath.Glob(filepath.Join(dir, "p-*", "data"))
			ok(t, err)
			if len(found) != 1 {
				t.Fatalf("data in %q", found)
			}
			ok(t, damage(found[0]))
			if n := count(t, openTstorage(t, dir, tstorage.WithWALBufferedSize(-1))); n == 3 {
				t.Error("all rows are there: the file was not damaged")
			}
		})
	}
}
