package main

import (
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/reading"
)

// imported are the readings of a probe after an import, as "time value flags".
func imported(t *testing.T, dir string, probe reading.ProbeID) []string {
	t.Helper()
	l := openRecord(t, dir)
	var all []string
	for r, err := range l.Readings(t.Context(), probe, time.Time{}, recordStart.AddDate(9, 0, 0)) {
		if err != nil {
			t.Fatal(err)
		}
		if !r.DeviceAt.Equal(r.At) || !r.ArrivedAt.Equal(r.At) {
			t.Errorf("the reading of %v is timed %v by its device and came at %v", r.At, r.DeviceAt, r.ArrivedAt)
		}
		all = append(all, fmt.Sprintf("%s %v %v", formatTime(r.At), r.Value, r.Flags))
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return all
}

func TestImportOfALogger(t *testing.T) {
	tests := []struct {
		name  string
		table string
		args  []string // besides those for "t", "v", degC
		want  []string // without the flags that all have
		says  []string
	}{
		{
			"plain", "t,v\n2025-03-01T12:00:00Z,8.25\n2025-03-01T12:10:00.5+01:00,8.5\n", nil,
			[]string{"2025-03-01T11:10:00.500000Z 8.5", "2025-03-01T12:00:00.000000Z 8.25"},
			[]string{"2 new readings"},
		},
		{
			"title lines, other columns, line breaks of two characters", "\ufeffLogger 7\r\nserial: \"12\"3\r\n\r\n#, t ,v,\"note, free\"\r\n1,2025-03-01 12:00,8,\"a, b\"\r\n\r\n2,2025-03-01 12:10,,\r\n3,2025-03-01 12:20, 9 ,\r\n",
			[]string{"--time-format", "2006-01-02 15:04", "--zone", "UTC"},
			[]string{"2025-03-01T12:00:00.000000Z 8", "2025-03-01T12:20:00.000000Z 9"},
			[]string{"2 new readings", "0 bad lines, 2 lines without a value"},
		},
		{"degrees Fahrenheit", "t,v\n2025-03-01T12:00:00Z,50\n", []string{"--unit", "degF"}, []string{"2025-03-01T12:00:00.000000Z 10"}, nil},
		{"out of range", "t,v\n2025-03-01T12:00:00Z,-127\n", nil, []string{"2025-03-01T12:00:00.000000Z -127 +out-of-range"}, nil},
		{"seconds", "t,v\n1740830400.25,8\n", []string{"--time-format", "unix"}, []string{"2025-03-01T12:00:00.250000Z 8"}, nil},
		{"milliseconds", "t,v\n1740830400250,8\n", []string{"--time-format", "unix-ms"}, []string{"2025-03-01T12:00:00.250000Z 8"}, nil},
		{"the site's zone", "t,v\n07/01/2025 12:00:00 AM,8\n", []string{"--time-format", "01/02/2006 3:04:05 PM"}, []string{"2025-07-01T06:00:00.000000Z 8"}, nil},
		{
			"a clock not set for summer", "t,v\n2025-03-09 02:30,8\n2025-07-01 00:00,9\n",
			[]string{"--time-format", "2006-01-02 15:04", "--zone", "-07:00"},
			[]string{"2025-03-09T09:30:00.000000Z 8", "2025-07-01T07:00:00.000000Z 9"},
			nil,
		},
		{
			"an hour that was skipped", "t,v\n2025-03-09 02:30,8\n2025-03-09 03:30,9\n",
			[]string{"--time-format", "2006-01-02 15:04"},
			[]string{"2025-03-09T09:30:00.000000Z 9"},
			[]string{"line 2 left out", "was skipped by the clocks of America/Denver", "1 bad lines"},
		},
		{
			"bad lines", "t,v\nsoon,8\n2025-03-01T12:00:00Z,x\n2025-03-01T12:01:00Z\n2025-03-01T12:02:00Z,1,2\n2025-03-01T12:03:00Z,NaN\n\"2025-03-01T12:04:00Z,5\n2025-03-01T12:05:00Z,8\n2028-03-01T12:05:00Z,8\n2025-03-01T12:06:00Z,1e999\n2025-03-01T12:07:00Z,8", nil,
			[]string{"2025-03-01T12:05:00.000000Z 8"},
			[]string{
				"line 2 left out: \"soon\" is no time like", "line 3 left out: \"x\" is no value", "line 4 left out: 1 fields where the head line has 2",
				"line 5 left out: 3 fields", "line 6 left out: \"NaN\" is no value", "line 7 left out: extraneous or missing", "line 9 left out: 2028-03-01T12:05:00.000000Z has not come yet",
				"line 10 left out", "line 11 left out: the file ends within this line", "1 new readings", "9 bad lines",
			},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := writeFiles(t, map[string]string{"site.hcl": recordSite, "old.csv": tt.table})
			args := append([]string{"import", "--probe", "spring temperature", "--time-column", "t", "--value-column", "v", "--unit", "degC"}, tt.args...)
			code, out, errs := tryRecord(t, dir, append(args, filepath.Join(dir, "old.csv"))...)
			if code != exitOK {
				t.Fatalf("exit code %d: %s%s", code, out, errs)
			}
			for _, says := range tt.says {
				if !strings.Contains(out+errs, says) {
					t.Errorf("%q is not in what it said:\n%s%s", says, errs, out)
				}
			}
			var want []string
			for _, w := range tt.want {
				w, more, _ := strings.Cut(w, " +")
				w += " device-timed,late"
				if more != "" {
					w += "," + more
				}
				want = append(want, w)
			}
			if diff := cmp.Diff(want, imported(t, dir, "spring temperature")); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// Imported twice, and with a part that is new: what is there stays as it is.
func TestImportAgain(t *testing.T) {
	var table strings.Builder
	table.WriteString("t,v\n")
	for i := range 4500 { // more than two commits
		fmt.Fprintf(&table, "%d,%d\n", 1740830400+600*i, i%20)
	}
	dir := writeFiles(t, map[string]string{"site.hcl": recordSite, "half.csv": table.String()[:20_000+strings.IndexByte(table.String()[20_000:], '\n')+1], "all.csv": table.String()})
	for _, step := range []struct{ file, says string }{
		{"half.csv", " (0 were there already)"}, {"all.csv", "Imported: "}, {"all.csv", "Imported: 0 new readings (4500 were there already)"},
	} {
		out := mustRecord(t, dir, "import", "--probe", "spring flow", "--time-column", "t", "--time-format", "unix", "--value-column", "v", "--unit", "L/s", filepath.Join(dir, step.file))
		if !strings.Contains(out, step.says) {
			t.Errorf("%s: %s", step.file, out)
		}
	}
	if got := imported(t, dir, "spring flow"); len(got) != 4500 || !strings.HasPrefix(got[4499], "2025-04-01T17:50:00.000000Z 1140 ") {
		t.Errorf("%d readings, the last is %s", len(got), got[len(got)-1])
	}
}

// Exports made before there were the columns hidden, cause and left of alarms, and
// via of chores.
func TestImportOfFirstColumns(t *testing.T) {
	head := strings.Join(columns[kindAlarms][:olderColumns[kindAlarms][0]], ",")
	dir := writeFiles(t, map[string]string{"site.hcl": recordSite, "alarms.csv": head + "\r\n" +
		"2026-11-01T07:31:00.123456Z,low_flow/spring,3,normal,unacknowledged,2026-11-01T07:30:00.123456Z,call-out,low_flow,all,rules.hcl:14,spring,spring flow,Spring: low flow,11 L/min,Fry suffocate.,Look.,\r\n", "chores.csv": "at,chore,unit,by\r\n2026-11-01T07:30:00.123456Z,cleaning,spring,kim\r\n"})
	mustRecord(t, dir, "import", "--format", "weirkeeper", filepath.Join(dir, "alarms.csv"))
	mustRecord(t, dir, "import", "--format", "weirkeeper", filepath.Join(dir, "chores.csv"))
	l := openRecord(t, dir)
	got := standingAlarms(t, l)
	if len(got) != 1 || got[0].ToDo != "Look." || got[0].Hidden+string(got[0].Cause)+got[0].Left != "" {
		t.Errorf("imported %+v", got)
	}
	if chores, err := l.ChoresDone(t.Context(), time.Time{}); err != nil || len(chores) != 1 || chores[0].By != "kim" || chores[0].Via != "" {
		t.Errorf("imported %+v, %v", chores, err)
	}
}

func TestImportRefusals(t *testing.T) {
	good := []string{"--probe", "spring temperature", "--time-column", "t", "--value-column", "v", "--unit", "degC"}
	with := func(more ...string) []string { return append(append([]string{}, good...), more...) }
	const table = "t,v\n2025-03-01T12:00:00Z,8\nx,1\nx,2\nx,3\n"
	own := strings.ReplaceAll(heads, "\n", "\r\n")
	const row = "spring flow,2026-11-01T07:32:00.123456Z,60,L/min,,,2026-11-01T07:32:00.123456Z,0\r\n"
	tests := []struct {
		name, table string
		args        []string
		code        int
		says        string
	}{
		{"no probe", table, good[2:], exitUsage, "--probe is missing"},
		{"no unit", table, good[:6], exitUsage, "--unit is missing"},
		{"unknown probe", table, with("--probe", "spring temprature"), exitUsage, `did you mean "spring temperature"?`},
		{"unknown unit", table, with("--unit", "degX"), exitUsage, "no unit"},
		{"unit of another thing", table, with("--unit", "gpm"), exitUsage, "gpm is a unit of flow, and \"spring temperature\" measures temperature"},
		{"unknown zone", table, with("--zone", "Moon/Tranquility"), exitUsage, "no time zone"},
		{"unknown format", table, with("--format", "xml"), exitUsage, "columns and weirkeeper"},
		{"no such column", table, with("--value-column", "temp"), exitFault, `the first has ["t" "v"]`},
		{"too many bad lines", table, with("--bad-lines", "2"), exitFault, "line 5: \"x\" is no time"},
		{"empty", "", good, exitFault, "none of its first"},
		{"a line without end", "t,v\n" + strings.Repeat("8", 70_000), good, exitFault, "longer than 65536 bytes"},
		{"not ours", table, []string{"--format", "weirkeeper"}, exitFault, "not that of a weirkeeper export"},
		{"ours, cut off", own + row + row[:60], []string{"--format", "weirkeeper"}, exitFault, "cut off"},
		{"ours, empty", "", []string{"--format", "weirkeeper"}, exitFault, "cut off"},
		{"ours, bad", own + row + strings.Replace(row, "L/min", "gpm", 1), []string{"--format", "weirkeeper", "--bad-lines", "0"}, exitFault, `line 3: "gpm" is no unit of this probe in an export; it is L/min`},
		{"ours, a flag too many", own + strings.Replace(row, "L/min,", "L/min,wet", 1), []string{"--format", "weirkeeper", "--bad-lines", "0"}, exitFault, `line 2: "wet" is no flag`},
		{"ours, a field too few", own + "spring flow,8\r\n", []string{"--format", "weirkeeper", "--bad-lines", "0"}, exitFault, "line 2: wrong number of fields"},
		{"ours, no such kind of entry", entryHeads + "1,a1,BT-26-07,boiled,2026-11-01T07:30:00.123456Z,,kim" + strings.Repeat(",", 29) + "\n", []string{"--format", "weirkeeper", "--bad-lines", "0"}, exitFault, "one of the kinds [opened placed"},
		{"ours, no number of an entry", entryHeads + ",a1,BT-26-07,eyed,2026-11-01T07:30:00.123456Z,,kim" + strings.Repeat(",", 29) + "\n", []string{"--format", "weirkeeper", "--bad-lines", "0"}, exitFault, "is no entry with seq"},
		{"ours, half a count", entryHeads + "1,a1,BT-26-07,counted,2026-11-01T07:30:00.123456Z,,kim" + strings.Repeat(",", 10) + "direct,many" + strings.Repeat(",", 18) + "\n", []string{"--format", "weirkeeper", "--bad-lines", "0"}, exitFault, `"many" is no whole number`},
		{"ours, no such act", "id,kind,at,by,via,alarm,occurrence,unit,chore,until,why\nc1,slept,2026-11-01T07:30:00.123456Z,kim,,,0,,,,\n", []string{"--format", "weirkeeper", "--bad-lines", "0"}, exitFault, "one of the kinds [cleaning started"},
		{"ours, no arrival", own + "spring flow,2026-11-01T07:32:00.123456Z,60,L/min,,,,0\r\n", []string{"--format", "weirkeeper", "--bad-lines", "0"}, exitFault, "without probe, at and arrived_at"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := writeFiles(t, map[string]string{"site.hcl": recordSite, "old.csv": tt.table})
			code, out, errs := tryRecord(t, dir, append(append([]string{"import"}, tt.args...), filepath.Join(dir, "old.csv"))...)
			if code != tt.code || !strings.Contains(errs, tt.says) {
				t.Errorf("exit code %d, want %d: %s%s", code, tt.code, out, errs)
			}
			if _, err := os.Stat(ledgerPath(dir)); !os.IsNotExist(err) {
				t.Errorf("a refused import made a record (%v)", err)
			}
		})
	}
	dir := recordFolder(t)
	if code, _, errs := tryRecord(t, dir, append([]string{"import"}, good...)...); code != exitUsage || !strings.Contains(errs, "takes one file") {
		t.Errorf("no file: exit code %d: %s", code, errs)
	}
	if code, _, errs := tryRecord(t, dir, append(append([]string{"import"}, good...), "no-such.csv")...); code != exitFault || !strings.Contains(errs, "no-such.csv") {
		t.Errorf("missing file: exit code %d: %s", code, errs)
	}
}

// TestImportOfLotEntries takes a file of entries 1 to 9 (without 7) into records
// that have some of their own.
func TestImportOfLotEntries(t *testing.T) {
	note := func(seq int64, id string) book.Entry {
		return book.Entry{Seq: seq, ID: id, Lot: "AC-26-02", Kind: book.Note, At: recordAt(0), By: "kim", Text: id}
	}
	file := func(t *testing.T) (path string) {
		t.Helper()
		dir := recordFolder(t)
		mustCommit(t, openRecord(t, dir), ledger.Batch{LotEntries: recordEntries})
		path = filepath.Join(dir, "entries.csv")
		mustRecord(t, dir, "export", "--what", "lot-entries", "--out", path)
		return path
	}
	// numbered gives the entries of the file other numbers, in order.
	numbered := func(seq ...int64) []book.Entry {
		all := slices.Clone(recordEntries)
		for i := range all {
			all[i].Seq = seq[i]
		}
		all[len(all)-1].Corrects = seq[3]
		return all
	}
	tests := []struct {
		name      string
		has, want []book.Entry
		says      string
	}{
		{"nothing", nil, recordEntries, " 8 new entries of lots"},
		{"the first ones", recordEntries[:3], recordEntries, " 5 new entries of lots"},
		{"all", recordEntries, recordEntries, " 0 new entries of lots"},
		{"others with free numbers between", []book.Entry{note(7, "n7"), note(12, "n12")}, slices.Concat(recordEntries[:6], []book.Entry{note(7, "n7")}, recordEntries[6:], []book.Entry{note(12, "n12")}), " 8 new"},
		{"one number taken", []book.Entry{note(2, "n2")}, slices.Concat([]book.Entry{note(2, "n2")}, numbered(3, 4, 5, 6, 7, 8, 9, 10)), " 8 new"},
		{
			"the first ones, but the next number taken", slices.Concat(recordEntries[:4], []book.Entry{note(5, "n5")}),
			slices.Concat(recordEntries[:4], []book.Entry{note(5, "n5")}, numbered(1, 2, 3, 4, 6, 7, 8, 9)[4:]), " 4 new",
		},
		{
			"the first one under another number",
			[]book.Entry{note(1, "n1"), numbered(2, 0, 0, 0, 0, 0, 0, 0)[0]},
			slices.Concat([]book.Entry{note(1, "n1")}, numbered(2, 3, 4, 5, 6, 7, 8, 9)), " 7 new",
		},
		{"the first one under a later number, the others free", numbered(20, 0, 0, 0, 0, 0, 0, 0)[:1], numbered(20, 21, 22, 23, 24, 25, 26, 27), " 7 new"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := recordFolder(t)
			l := openRecord(t, dir)
			mustCommit(t, l, ledger.Batch{LotEntries: tt.has})
			path := file(t)
			out := mustRecord(t, dir, "import", "--format", "weirkeeper", path)
			if !strings.Contains(out, tt.says) {
				t.Errorf("it said %s", out)
			}
			if diff := cmp.Diff(tt.want, lotEntries(t, l)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			if out = mustRecord(t, dir, "import", "--format", "weirkeeper", path); !strings.Contains(out, " 0 new entries") {
				t.Errorf("the second time it said %s", out)
			}
			if diff := cmp.Diff(tt.want, lotEntries(t, l)); diff != "" {
				t.Errorf("the second time (-want +got):\n%s", diff)
			}
		})
	}
}

// A correction whose entry is in neither place would correct another one, or none.
func TestImportOfACorrectionAlone(t *testing.T) {
	row := func(e book.Entry) string {
		var b strings.Builder
		w := csv.NewWriter(&b)
		if err := w.WriteAll([][]string{columns[kindLotEntries], lotEntryRow(e)}); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	struck := recordEntries[len(recordEntries)-1]
	other := recordEntries[3]
	other.Lot = "BT-26-07"
	of := struck
	of.Corrects = -2 // what the site file states is the same in every record
	for _, tt := range []struct {
		name string
		has  []book.Entry
		file book.Entry
		code int
	}{
		{"no such number", nil, struck, exitFault},
		{"that of another lot", []book.Entry{other}, struck, exitFault},
		{"there", recordEntries[3:4], struck, exitOK},
		{"of the site file", nil, of, exitOK},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := recordFolder(t)
			l := openRecord(t, dir)
			mustCommit(t, l, ledger.Batch{LotEntries: tt.has})
			path := filepath.Join(dir, "entries.csv")
			if err := os.WriteFile(path, []byte(row(tt.file)), 0o600); err != nil {
				t.Fatal(err)
			}
			code, out, errs := tryRecord(t, dir, "import", "--format", "weirkeeper", path)
			if code != tt.code || code != exitOK && !strings.Contains(errs, "entry 9 of lot \"BT-26-08\" corrects entry 4, which is neither") {
				t.Errorf("exit code %d: %s%s", code, out, errs)
			}
			want := slices.Clone(tt.has)
			if tt.code == exitOK {
				want = append(want, tt.file)
			}
			if diff := cmp.Diff(want, lotEntries(t, l)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// While a daemon has the record, export reads it and import leaves it alone.
func TestRecordOfARunningDaemon(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": answerSite, "rules.hcl": answerRules, "old.csv": "t,v\n1740830400,100\n"})
	d := startInProcess(t, dir, recordStart)
	d.advance(t, time.Second)
	args := []string{"import", "--probe", "spring flow", "--time-column", "t", "--time-format", "unix", "--value-column", "v", "--unit", "L/min", filepath.Join(dir, "old.csv")}
	if code, _, errs := tryRecord(t, dir, args...); code != exitFault || !strings.Contains(errs, "another weirkeeper keeps its record") {
		t.Errorf("import beside a daemon: exit code %d: %s", code, errs)
	}
	if n := d.stored(t); n != 0 {
		t.Errorf("%d readings were imported", n)
	}
	if got, want := mustRecord(t, dir, "export"), strings.ReplaceAll(heads, "\n", "\r\n"); got != want {
		t.Errorf("exported %q", got)
	}
	d.stop()
	mustRecord(t, dir, args...)
	if got := mustRecord(t, dir, "export"); strings.Count(got, "\n") != 2 {
		t.Errorf("exported %q", got)
	}
}
