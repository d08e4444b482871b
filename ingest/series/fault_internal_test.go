package series

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"weirkeeper/rules/reading"
)

// A file cut short between the check and the reading faults in a mapped page.
// Without a guard that would end the process, and this test with it.
func TestFault(t *testing.T) {
	from := time.Date(2031, time.November, 3, 0, 0, 0, 0, time.UTC)
	dir := t.TempDir()
	w, err := newPart(dir, "0000", "spring", from)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 5000 {
		if err := w.add(reading.Reading{Probe: "spring", At: from.Add(time.Duration(i) * time.Second), Value: float64(i)}); err != nil {
			t.Fatal(err)
		}
	}
	p, err := w.close()
	if err != nil {
		t.Fatal(err)
	}
	st, err := openPart(dir, p)
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(p.Files, func(f file) bool { return filepath.Base(f.Path) == "data" })
	if err := os.Truncate(filepath.Join(dir, p.Name, p.Files[i].Path), 0); err != nil {
		t.Fatal(err)
	}
	if _, err := readRows(st, from, p); !errors.Is(err, errDamaged) {
		t.Errorf("got %v, want that it is damaged", err)
	}
}

// When the disk is full tstorage closes without an error, and with no readings on
// the disk; it says so to its logger only.
func TestFullDisk(t *testing.T) {
	if _, err := os.Stat("/dev/full"); err != nil {
		t.Skip("no device here that is always full: ", err)
	}
	from := time.Date(2031, time.November, 3, 0, 0, 0, 0, time.UTC)
	dir := t.TempDir()
	w, err := newPart(dir, "0000", "spring", from)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.add(reading.Reading{Probe: "spring", At: from.Add(time.Second), Value: 8}); err != nil {
		t.Fatal(err)
	}
	partition := filepath.Join(dir, "0000", "p-1-1001") // where its data will go
	if err := errors.Join(os.Mkdir(partition, 0o700), os.Symlink("/dev/full", filepath.Join(partition, "data"))); err != nil {
		t.Fatal(err)
	}
	if _, err := w.close(); err == nil || !strings.Contains(err.Error(), "no space left") {
		t.Errorf("got %v, want that there is no space", err)
	}
}

// A pipe that is cut is not the end of what should be there.
func TestCutPipe(t *testing.T) {
	var pipe bytes.Buffer
	rows := []reading.Reading{{Probe: "spring", Value: 1}, {Probe: "spring", Value: 2}, {Probe: "trough 1"}}
	if err := send(&pipe, withoutError(slices.Values(rows))); err != nil {
		t.Fatal(err)
	}
	for cut := range pipe.Len() {
		var last error
		for _, err := range receive(bytes.NewReader(pipe.Bytes()[:cut])) {
			last = err
		}
		if !errors.Is(last, io.EOF) && !errors.Is(last, io.ErrUnexpectedEOF) {
			t.Fatalf("cut after %d of %d bytes: %v", cut, pipe.Len(), last)
		}
	}
	n := 0
	for r, err := range receive(&pipe) {
		if err != nil || r != rows[n] {
			t.Fatalf("got %v, %v", r, err)
		}
		n++
	}
	if n != len(rows) {
		t.Errorf("%d readings, want %d", n, len(rows))
	}
}
