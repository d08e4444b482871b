package ledger_test

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/rules/reading"
)

// smallDisk mounts a file system of 4 MB. It needs root.
func smallDisk(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=4m"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("a small disk cannot be mounted, and in CI it must be: %v", err)
		}
		t.Skipf("a small disk cannot be mounted (it needs root): %v", err)
	}
	t.Cleanup(func() { ok(t, syscall.Unmount(dir, syscall.MNT_DETACH)) })
	return dir
}

// fill leaves no room on a disk; what it returns makes room again.
func fill(t *testing.T, disk string) (free func()) {
	t.Helper()
	f, err := os.CreateTemp(disk, "hog")
	ok(t, err)
	for err == nil {
		_, err = f.Write(make([]byte, 4096))
	}
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatal(err)
	}
	ok(t, f.Close())
	return func() { ok(t, os.Remove(f.Name())) }
}

// A ledger that was closed opens on a disk that has filled up since, again and
// again, and after a reader was the last to close it. It can be read, and goes on
// by itself when there is room.
func TestOpenOnAFullDisk(t *testing.T) {
	path := filepath.Join(smallDisk(t), "data", "ledger.db")
	rs := []reading.Reading{one("p", 0, 1), one("p", time.Second, 2)}
	l := ledgertest.MustOpenAt(t, path)
	commit(t, l, ledger.Batch{Readings: rs})
	ok(t, l.Close())
	fi, err := os.Stat(path + "-wal")
	ok(t, err)
	equal(t, "bytes of the log of a closed ledger", fi.Size(), 0)

	free := fill(t, filepath.Dir(path))
	for range 3 {
		r, err := ledger.OpenReader(t.Context(), path)
		ok(t, err)
		equal(t, "read by a reader", collect(t, r.Readings(t.Context(), "p", at(0), at(time.Hour))), rs)
		ok(t, r.Close())
		l = ledgertest.MustOpenAt(t, path)
		equal(t, "read", collect(t, l.ReadingsByArrival(t.Context(), at(0))), rs)
		if _, err := l.Commit(t.Context(), ledger.Batch{Readings: []reading.Reading{one("p", time.Minute, 3)}}); !errors.Is(err, ledger.ErrFull) {
			t.Fatalf("commit on a full disk: error %v, want %v", err, ledger.ErrFull)
		}
		ok(t, l.Close())
	}
	l = ledgertest.MustOpenAt(t, path)
	free()
	rs = append(rs, one("p", time.Minute, 3))
	equal(t, "committed", commit(t, l, ledger.Batch{Readings: rs}), ledger.Committed{Stored: 1, Duplicates: 2})
	equal(t, "in the end", collect(t, l.ReadingsByArrival(t.Context(), at(0))), rs)
	ok(t, l.Check(t.Context()))
}

// Where it cannot be opened for want of room, that is said.
func TestOpenSaysThatTheDiskIsFull(t *testing.T) {
	open := func(t *testing.T, path string) error {
		t.Helper()
		l, err := ledger.Open(t.Context(), options(path))
		if err == nil {
			return l.Close()
		}
		return err
	}
	t.Run("no ledger yet", func(t *testing.T) {
		disk := smallDisk(t)
		free := fill(t, disk)
		path := filepath.Join(disk, "data", "ledger.db")
		if err := open(t, path); !errors.Is(err, ledger.ErrFull) {
			t.Errorf("error %v, want %v", err, ledger.ErrFull)
		}
		free()
		ok(t, open(t, path))
	})
	t.Run("index removed", func(t *testing.T) {
		disk := smallDisk(t)
		path := filepath.Join(disk, "ledger.db")
		ok(t, open(t, path))
		ok(t, os.Remove(path+"-shm"))
		free := fill(t, disk)
		if err := open(t, path); !errors.Is(err, ledger.ErrFull) {
			t.Errorf("error %v, want %v", err, ledger.ErrFull)
		}
		free()
		ok(t, open(t, path))
	})
}

// Whoever closes a ledger last, after a kill too, leaves no commits in the log
// beside it: there they would be taken for those of a copy put in its place.
func TestClosedLogIsEmpty(t *testing.T) {
	openers := map[string]func(path string) (*ledger.Ledger, error){
		"the daemon": func(path string) (*ledger.Ledger, error) { return ledger.Open(t.Context(), options(path)) },
		"a reader":   func(path string) (*ledger.Ledger, error) { return ledger.OpenReader(t.Context(), path) },
	}
	for name, open := range openers {
		t.Run(name, func(t *testing.T) {
			dir, killed := t.TempDir(), filepath.Join(t.TempDir(), "killed")
			l := ledgertest.MustOpenAt(t, filepath.Join(dir, "ledger.db"))
			commit(t, l, ledger.Batch{Readings: []reading.Reading{one("p", 0, 1)}})
			ok(t, os.CopyFS(killed, os.DirFS(dir)))
			path := filepath.Join(killed, "ledger.db")
			fi, err := os.Stat(path + "-wal")
			ok(t, err)
			if fi.Size() == 0 {
				t.Fatal("the log of a killed ledger is empty")
			}
			l, err = open(path)
			ok(t, err)
			equal(t, "read", len(collect(t, l.ReadingsByArrival(t.Context(), at(0)))), 1)
			ok(t, l.Close())
			fi, err = os.Stat(path + "-wal")
			ok(t, err)
			equal(t, "bytes of the log", fi.Size(), 0)
			l = ledgertest.MustOpenAt(t, path)
			equal(t, "read again", len(collect(t, l.ReadingsByArrival(t.Context(), at(0)))), 1)
		})
	}
}
