package series_test

import (
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"weirkeeper/ingest/series"
	"weirkeeper/rules/reading"
)

// findFile is the first file of that name in a period's folder.
func findFile(t *testing.T, dir, name string) string {
	t.Helper()
	var found string
	ok(t, filepath.WalkDir(dir, func(path string, _ fs.DirEntry, err error) error {
		if filepath.Base(path) == name && found == "" {
			found = path
		}
		return err
	}))
	if found == "" {
		t.Fatalf("no %s in %s", name, dir)
	}
	return found
}

// change rewrites a file in place: no new size unless fn gives one.
func change(fn func(b []byte) []byte) func(path string) error {
	return func(path string) error {
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		return os.WriteFile(path, fn(b), 0o600)
	}
}

// Whatever is wrong with a period, the store opens, says which one it is, keeps
// its folder and serves the others.
func TestDamaged(t *testing.T) {
	const name = "2031-11-04"
	truncated := change(func(b []byte) []byte { return b[:len(b)/2] })
	zeroed := change(func(b []byte) []byte { return make([]byte, len(b)) })
	flipped := change(func(b []byte) []byte { b[len(b)/2] ^= 0x10; return b })
	empty := change(func([]byte) []byte { return nil })
	longer := change(func(b []byte) []byte { return append(b, 0) })
	tests := []struct {
		name, file string
		damage     func(path string) error
	}{
		{"data truncated", "data", truncated},
		{"data empty", "data", empty},
		{"data zeroed", "data", zeroed},
		{"data bit flipped", "data", flipped},
		{"data longer", "data", longer},
		{"data missing", "data", os.Remove},
		{"meta truncated", "meta.json", truncated},
		{"meta empty", "meta.json", empty},
		{"meta zeroed", "meta.json", zeroed},
		{"meta bit flipped", "meta.json", flipped},
		{"meta missing", "meta.json", os.Remove},
		{"manifest truncated", "period.json", truncated},
		{"manifest empty", "period.json", empty},
		{"manifest zeroed", "period.json", zeroed},
		{"manifest bit flipped", "period.json", flipped},
		{"manifest missing", "period.json", os.Remove},
		{"manifest of nothing", "period.json", change(func([]byte) []byte { return []byte(`{"sum":0,"period":{}}`) })},
		{"manifest garbage", "period.json", change(func([]byte) []byte { return []byte("garbage") })},
		{"part missing", "0000", os.RemoveAll},
		{"part empty", "0000", func(path string) error { return errors.Join(os.RemoveAll(path), os.Mkdir(path, 0o700)) }},
		{"partition too many", "0000", func(path string) error { return os.CopyFS(path+"/p-1-2", os.DirFS(findFileDir(path))) }},
		{"folder empty", name, func(path string) error { return errors.Join(os.RemoveAll(path), os.Mkdir(path, 0o700)) }},
		{"folder of another period", name, func(path string) error {
			return errors.Join(os.RemoveAll(path), os.CopyFS(path, os.DirFS(filepath.Join(filepath.Dir(path), "2031-11-03"))))
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := newFixture(t)
			for day := range 3 {
				f.commit(t, every("spring", day, 10*time.Minute)...)
			}
			f.maintain(t, at(4, 0))
			path := f.opt.Dir
			if tt.file != name {
				path = filepath.Join(path, name)
			}
			ok(t, tt.damage(findFile(t, path, tt.file)))

			var told []string
			f.opt.OnDamaged = func(period string, cause error) { told = append(told, period+": "+cause.Error()) }
			f.reopen(t)
			// What needs no look into the files is told at the start.
			if inside := strings.Contains(tt.name, "zeroed") || strings.Contains(tt.name, "bit flipped") || tt.name == "partition too many"; len(told) == 0 && (!inside || tt.file == "period.json") {
				t.Error("not found at the start")
			}
			want := slices.Concat(every("spring", 0, 10*time.Minute), every("spring", 2, 10*time.Minute))
			for range 2 {
				equal(t, "readings", f.all(t, "spring"), want)
			}
			if len(told) != 1 || !strings.HasPrefix(told[0], name+": series: period "+name+" is in ") {
				t.Fatalf("told %q", told)
			}
			t.Log(told[0])
			equal(t, "periods", names(f.Periods()), []string{"2031-11-03", "2031-11-05", name + " damaged"})
			aside := filepath.Join(f.opt.Dir, name+".damaged-20311103T180000Z")
			equal(t, "aside", f.Periods()[2].Damaged, aside)
			_, err := os.Stat(aside)
			ok(t, err)

			// What comes late for it is sealed in its place; after a restart
			// it is still known what is wrong.
			late := row("spring", at(1, time.Hour), 99)
			f.commit(t, late)
			equal(t, "report", f.maintain(t, at(4, 0)), series.Report{Sealed: []string{name}, Dropped: 1})
			f.reopen(t)
			equal(t, "in the end", f.all(t, "spring"), slices.Insert(want, 144, late))
			equal(t, "periods", names(f.Periods()), []string{"2031-11-03", name, "2031-11-05", name + " damaged"})
			equal(t, "told", len(told), 1)

			// And if that is damaged, too, neither copy is overwritten.
			ok(t, os.Remove(filepath.Join(f.opt.Dir, name, "period.json")))
			f.reopen(t)
			equal(t, "aside", f.Periods()[3].Damaged, aside+"-2")
			_, err = os.Stat(aside)
			ok(t, err)
		})
	}
}

// findFileDir is the partition's folder in a part's.
func findFileDir(part string) string {
	found, err := filepath.Glob(filepath.Join(part, "p-*"))
	if err != nil || len(found) == 0 {
		return part
	}
	return found[0]
}

// A folder of a later format is left where it is, and so is what is not ours.
func TestLeftAlone(t *testing.T) {
	f := newFixture(t)
	f.commit(t, every("spring", 0, time.Hour)...)
	f.maintain(t, at(1, time.Hour))
	path := filepath.Join(f.opt.Dir, "2031-11-03")
	ok(t, series.Rewrite(path, func(format *int) { *format = 99 }))
	ok(t, os.Mkdir(filepath.Join(f.opt.Dir, "lost+found"), 0o700))
	var told error
	f.opt.OnDamaged = func(_ string, cause error) { told = cause }
	f.reopen(t)
	if told == nil || !strings.Contains(told.Error(), "format 99") {
		t.Errorf("told %v", told)
	}
	equal(t, "readings", len(f.all(t, "spring")), 0)
	f.commit(t, row("spring", at(0, 0), 3))
	if _, err := f.Maintain(t.Context(), at(2, 0)); err == nil || !strings.Contains(err.Error(), "in the way") {
		t.Errorf("sealed over it: %v", err)
	}
	equal(t, "the late one", f.all(t, "spring"), []reading.Reading{row("spring", at(0, 0), 3)})
	ok(t, series.Rewrite(path, func(format *int) { *format = 1 }))
	f.reopen(t)
	equal(t, "readings", len(f.all(t, "spring")), 25)
}

// A rebuilt period that is damaged before the old one is gone gives way to it.
func TestReplacedComesBack(t *testing.T) {
	f := newFixture(t)
	rows := every("spring", 0, time.Hour)
	f.commit(t, rows...)
	f.maintain(t, at(1, time.Hour))
	path := filepath.Join(f.opt.Dir, "2031-11-03")
	ok(t, os.CopyFS(path+".replaced", os.DirFS(path)))
	ok(t, os.Remove(filepath.Join(path, "period.json")))
	f.reopen(t)
	equal(t, "readings", f.all(t, "spring"), rows)
	equal(t, "periods", names(f.Periods()), []string{"2031-11-03", "2031-11-03 damaged"})
}

var update = flag.Bool("update", false, "write the sealed period of the current format, if there is none")

// A period sealed by each format so far is read by today's code. Each holds odd,
// which must not change.
func TestOldFormats(t *testing.T) {
	old := filepath.Join("..", "..", "testdata", "series")
	current := filepath.Join(old, fmt.Sprintf("v%d", series.FormatVersion))
	if _, err := os.Stat(current); errors.Is(err, fs.ErrNotExist) {
		if !*update {
			t.Fatalf("no period of the current format; run this test with -update and keep %s", current)
		}
		ok(t, series.WritePeriod(current, series.Day, day0, []reading.ProbeID{"spring"}, func(probe reading.ProbeID) iter.Seq[reading.Reading] {
			return slices.Values(odd(probe))
		}))
	}
	entries, err := os.ReadDir(old)
	ok(t, err)
	for _, e := range entries {
		t.Run(e.Name(), func(t *testing.T) {
			f := newFixture(t)
			ok(t, os.RemoveAll(f.opt.Dir))
			ok(t, os.CopyFS(f.opt.Dir, os.DirFS(filepath.Join(old, e.Name()))))
			f.reopen(t)
			equal(t, "readings", f.all(t, "spring"), sealedForm(odd("spring")))
		})
	}
}
