package series

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
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
