package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/reading"
)

// seal makes a folder that looks like a sealed period, each file with its text.
func seal(t *testing.T, dir, name, text string) {
	t.Helper()
	for _, file := range []string{"period.json", "0000/data", "0001/data"} {
		path := filepath.Join(dir, "weirkeeper-data", daemon.SeriesFolder, name, file)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text+file), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// tree is the text of each file below a folder.
func tree(t *testing.T, dir string) map[string]string {
	t.Helper()
	files := make(map[string]string)
	if err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := os.ReadFile(path)
		rel, _ := filepath.Rel(dir, path)
		files[rel] = string(text)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return files
}

// checkSums has sha256sum read the manifest, as the README tells keepers.
func checkSums(t *testing.T, dir string) error {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), need(t, "sha256sum"), "--check", "--strict", "--quiet", manifest)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		return fmt.Errorf("%w: %s", err, out)
	}
	return nil
}

// TestBackupAndRestore backs up while readings are committed and periods are
// swapped, wipes the data folder, copies the backup back and compares.
func TestBackupAndRestore(t *testing.T) {
	dir := recordFolder(t)
	l := openRecord(t, dir)
	b := recordBatch()
	mustCommit(t, l, b)
	if err := l.PutLots(t.Context(), recordLots); err != nil {
		t.Fatal(err)
	}
	if _, err := web.Secret(filepath.Join(dir, "weirkeeper-data")); err != nil {
		t.Fatal(err)
	}
	seal(t, dir, "2026-09", "nine ")
	seal(t, dir, "2026-10", "old ")
	seal(t, dir, "2026-08.damaged-20261101T000000Z", "eight ")
	seal(t, dir, "2026-11.building-1", "not yet ")

	var others sync.WaitGroup
	stop := make(chan struct{})
	began := make(chan struct{})
	others.Go(func() { // the daemon's commits
		for i := 0; ; i++ {
			var rs []reading.Reading
			for _, p := range []reading.ProbeID{"one", "two"} {
				rs = append(rs, reading.Reading{Probe: p, At: recordAt(time.Duration(i) * time.Second), ArrivedAt: recordAt(0), Value: float64(i)})
			}
			if _, err := l.Commit(context.Background(), ledger.Batch{Readings: rs}); err != nil {
				t.Errorf("commit: %v", err)
			}
			if i == 3 {
				close(began)
			}
			select {
			case <-stop:
				return
			default:
			}
		}
	})
	<-began
	dest := filepath.Join(dir, "copy")
	out := mustRecord(t, dir, "backup", dest)
	close(stop)
	others.Wait()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out, "11 files") {
		t.Errorf("it said %s", out)
	}
	if err := checkSums(t, dest); err != nil {
		t.Error(err)
	}
	series := tree(t, filepath.Join(dir, "weirkeeper-data", daemon.SeriesFolder))
	for name := range series {
		if strings.HasPrefix(name, "2026-11") {
			delete(series, name)
		}
	}

	if err := os.RemoveAll(filepath.Join(dir, "weirkeeper-data")); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(filepath.Join(dir, "weirkeeper-data"), os.DirFS(dest)); err != nil {
		t.Fatal(err)
	}
	l = openRecord(t, dir)
	if err := l.Check(t.Context()); err != nil {
		t.Error(err)
	}
	counts, err := l.CountReadings(t.Context())
	if err != nil || counts["one"] != counts["two"] || counts["one"] < 4 {
		t.Errorf("restored %v, %v", counts, err)
	}
	for _, r := range b.Readings {
		found := false
		for got, err := range l.Readings(t.Context(), r.Probe, r.At, r.At.Add(1000)) {
			found = found || err == nil && cmp.Equal(got, r)
		}
		if !found {
			t.Errorf("%+v is gone", r)
		}
	}
	if lots, err := l.Lots(t.Context()); err != nil || !cmp.Equal(lots, recordLots) {
		t.Errorf("restored lots %+v, %v", lots, err)
	}
	if diff := cmp.Diff(recordEntries, lotEntries(t, l)); diff != "" {
		t.Errorf("entries of lots (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(b.Transitions[1:], standingAlarms(t, l)); diff != "" {
		t.Errorf("standing alarms (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(series, tree(t, filepath.Join(dir, "weirkeeper-data", daemon.SeriesFolder))); diff != "" {
		t.Errorf("sealed periods (-want +got):\n%s", diff)
	}

	// Damage does not go unseen.
	if err := os.WriteFile(filepath.Join(dest, daemon.SeriesFolder, "2026-09", "period.json"), []byte("Nine period.json"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := checkSums(t, dest); err == nil {
		t.Error("the manifest does not tell of a changed file")
	}
}

// TestBackupOfSwappedPeriods swaps a period for a rebuilt one while periods are
// copied: the copy has one whole version under its name.
func TestBackupOfSwappedPeriods(t *testing.T) {
	dir := recordFolder(t)
	openRecord(t, dir)
	seal(t, dir, "2026-09", "nine ")
	seal(t, dir, "2026-10", "version 0 ")
	data := filepath.Join(dir, "weirkeeper-data")
	swaps := 0
	// Before each of the first files the period is swapped.
	swap := func() {
		if swaps++; swaps > 7 {
			return
		}
		at := func(name string) string { return filepath.Join(data, daemon.SeriesFolder, name) }
		seal(t, dir, "2026-10.building-1", fmt.Sprintf("version %d ", swaps))
		for _, err := range []error{os.Rename(at("2026-10"), at("2026-10.replaced")), os.Rename(at("2026-10.building-1"), at("2026-10")), os.RemoveAll(at("2026-10.replaced"))} {
			if err != nil {
				t.Error(err)
			}
		}
	}
	dest := filepath.Join(dir, "copy")
	b := backup{hook: swap, data: data, part: dest + ".part"}
	if err := b.make(t.Context(), "# test\n", dest); err != nil {
		t.Fatal(err)
	}
	if swaps < 8 {
		t.Fatalf("swapped only %d times", swaps)
	}
	got := tree(t, filepath.Join(dest, daemon.SeriesFolder))
	if diff := cmp.Diff(tree(t, filepath.Join(data, daemon.SeriesFolder)), got); diff != "" {
		t.Errorf("copied (-want +got):\n%s", diff)
	}
	if got["2026-10/period.json"] != "version 7 period.json" {
		t.Errorf("copied %v", got)
	}
	if err := checkSums(t, dest); err != nil {
		t.Error(err)
	}
	if sums, err := os.ReadFile(filepath.Join(dest, manifest)); err != nil || strings.Count(string(sums), "2026-10/period.json") != 1 {
		t.Errorf("the manifest says:\n%s%v", sums, err)
	}

	// One that never stops is given up, and nothing is left.
	swaps = -1000
	dest = filepath.Join(dir, "copy 2")
	b = backup{hook: swap, data: data, part: dest + ".part"}
	if err := b.make(t.Context(), "# test\n", dest); err == nil || !strings.Contains(err.Error(), "kept changing") {
		t.Errorf("error %v", err)
	}
	if left, err := filepath.Glob(dest + "*"); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v %v", left, err)
	}
}

func TestBackupRefusals(t *testing.T) {
	dir := recordFolder(t)
	dest := filepath.Join(dir, "copy")
	refused := func(name string, code int, says string, args ...string) {
		t.Helper()
		got, _, errs := tryRecord(t, dir, append([]string{"backup"}, args...)...)
		if got != code || !strings.Contains(errs, says) {
			t.Errorf("%s: exit code %d: %s", name, got, errs)
		}
	}
	refused("no folder", exitUsage, "takes the new folder")
	refused("nothing to copy", exitFault, "a weirkeeper that has run", dest)
	l := openRecord(t, dir)
	refused("no place", exitFault, "no such file or directory", filepath.Join(dir, "nowhere", "copy"))
	if err := os.Mkdir(dest+".part", 0o700); err != nil {
		t.Fatal(err)
	}
	refused("cut short", exitFault, "remove it", dest)
	if err := os.Rename(dest+".part", dest); err != nil {
		t.Fatal(err)
	}
	refused("there already", exitFault, "name a new folder", dest)
	if left, err := filepath.Glob(filepath.Join(dir, "*.part")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v %v", left, err)
	}

	// A damaged ledger is not copied as if it were good.
	var rs []reading.Reading
	for i := range 5000 {
		rs = append(rs, reading.Reading{Probe: "one", At: recordAt(time.Duration(i) * time.Second), ArrivedAt: recordAt(0), Value: 1})
	}
	mustCommit(t, l, ledger.Batch{Readings: rs})
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(ledgerPath(dir), os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	fi, err := f.Stat()
	if err == nil {
		_, err = f.WriteAt(make([]byte, 4096), fi.Size()/2/4096*4096)
	}
	if err := errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
	refused("damaged", exitFault, "the ledger is damaged", dest+"2")
	if left, err := filepath.Glob(dest + "2*"); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v %v", left, err)
	}
}

// The names in a backup are those the daemon looks for.
func TestBackupIsADataFolder(t *testing.T) {
	dir := recordFolder(t)
	l := openRecord(t, dir)
	mustCommit(t, l, recordBatch())
	dest := filepath.Join(dir, "copy")
	mustRecord(t, dir, "backup", dest)
	if diff := cmp.Diff([]string{manifest, daemon.LedgerFile}, names(t, dest)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func names(t *testing.T, dir string) (all []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		all = append(all, e.Name())
	}
	return all
}
