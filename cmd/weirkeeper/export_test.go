package main

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/series"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

const recordSite = `
site "Alder Fork" {
  pressure = "1013.25 hPa"
  timezone = "America/Denver"
}
unit "spring" {
  kind = "spring"
}
probe "spring temperature" {
  quantity = "temperature"
  at       = "spring"
  topic    = "fork/temperature"
}
probe "spring flow" {
  quantity = "flow"
  at       = "spring"
  topic    = "fork/flow"
}
probe "spring_oxygen: mg" {
  quantity = "oxygen"
  at       = "spring"
  topic    = "fork/oxygen"
}
probe "saturation" {
  quantity = "saturation"
  at       = "spring"
  topic    = "fork/saturation"
}
web {
  listen = "127.0.0.1:0"
}
broker {
  listen = "127.0.0.1:0"
}
`

// recordFolder is a folder with the site file.
func recordFolder(t *testing.T) string {
	t.Helper()
	return writeFiles(t, map[string]string{"site.hcl": recordSite, "rules.hcl": "\n"})
}

func ledgerPath(dir string) string { return filepath.Join(dir, "weirkeeper-data", daemon.LedgerFile) }

// openRecord opens the ledger of a site's folder until the test ends, or it is
// closed.
func openRecord(t *testing.T, dir string) *ledger.Ledger {
	t.Helper()
	l, err := ledger.Open(t.Context(), ledger.Options{Path: ledgerPath(dir), Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	return l
}

func mustCommit(t *testing.T, l *ledger.Ledger, b ledger.Batch) {
	t.Helper()
	if _, err := l.Commit(t.Context(), b); err != nil {
		t.Fatal(err)
	}
}

// tryRecord runs a command on a site's folder and returns what it said.
func tryRecord(t *testing.T, dir string, args ...string) (code int, out, errs string) {
	t.Helper()
	e, o, es := testEnv()
	e.now = func() time.Time { return recordStart.AddDate(1, 0, 0) }
	args = slices.Concat(args[:1], []string{"--site", filepath.Join(dir, "site.hcl")}, args[1:])
	code = run(t.Context(), args, e)
	return code, o.String(), es.String()
}

// mustRecord is tryRecord, for one that has to succeed.
func mustRecord(t *testing.T, dir string, args ...string) (out string) {
	t.Helper()
	code, out, errs := tryRecord(t, dir, args...)
	if code != exitOK {
		t.Fatalf("%q: exit code %d: %s%s", args, code, out, errs)
	}
	return out
}

var recordStart = time.Date(2026, 11, 1, 7, 30, 0, 123456000, time.UTC)

func recordAt(d time.Duration) time.Time { return recordStart.Add(d) }

// recordBatch holds some of everything, with what is awkward in a table.
func recordBatch() ledger.Batch {
	r := func(p reading.ProbeID, d time.Duration, v float64) reading.Reading {
		return reading.Reading{Probe: p, At: recordAt(d), ArrivedAt: recordAt(d), Value: v}
	}
	full := r("spring temperature", time.Minute, 0.1)
	full.DeviceAt, full.ArrivedAt, full.Flags, full.MID = full.At, recordAt(time.Hour), reading.DeviceTimed|reading.Late|reading.OutOfOrder, 65535
	raised := alarm.Transition{
		Key: "low_flow/spring", Kind: alarm.LowFlow, Occurrence: 3, From: alarm.Normal, To: alarm.Unacknowledged, At: recordAt(time.Minute), Since: recordAt(0),
		Priority: alarm.CallOut, Rule: "low flow, \"all\"", RuleAt: "rules.hcl:14", Unit: "spring", Probe: "spring flow", Trouble: "Spring: low flow",
		Detail: "11.2 L/min, setpoint 28 L/min", CanHappen: "Fry\nsuffocate.", ToDo: " Look; clear.",
	}
	acked := raised
	acked.From, acked.To, acked.At, acked.Since, acked.By = alarm.Unacknowledged, alarm.Acknowledged, recordAt(2*time.Minute), time.Time{}, "kim"
	acked.Hidden, acked.Cause, acked.Left, acked.Via = "shelved by kim, \"for now\"", "low_flow/head box", "oxygen for 25 to 60 min", "sms"
	return ledger.Batch{
		Readings: []reading.Reading{
			full, r("spring temperature", 0, 7), r("spring temperature", 0, math.Copysign(0, -1)), r("spring flow", 2*time.Minute, 60),
			r("spring_oxygen: mg", time.Second, 10.5), r("saturation", time.Second, 95), r("gone, and quoted", time.Second, 5e-324),
		},
		Transitions: []alarm.Transition{raised, acked},
		ChoresDone:  []site.ChoreDone{{Chore: "clear intake", By: "rowan", At: recordAt(0)}, {Chore: "feeding", Unit: "spring", By: "kim", At: recordAt(time.Hour), Via: "button"}},
		LotEntries:  recordEntries,
		Acts: []act.Act{
			{ID: "c2", Kind: act.CleaningStarted, At: recordAt(time.Hour), By: "kim", Via: "link", Unit: "trough, 2", Chore: "cleaning", Until: recordAt(90 * time.Minute)},
			{ID: "c1", Kind: act.MarkedFalse, At: recordAt(0), By: "rowan", Alarm: "low_flow/spring", Occurrence: 3, Why: "\"probe\"\nout"},
		},
	}
}

// recordEntries are of every kind of field, as the record of a lot might be.
var recordEntries = []book.Entry{
	{
		Seq: 1, ID: "a1", Lot: "BT-26-07", Kind: book.Opened, At: recordAt(0), RecordedAt: recordAt(time.Minute), By: "rowan", Unit: "stack 1", Trays: "1, 2",
		Open: &book.Opening{
			Species: "brook trout", Strain: "creek", Source: "own \"old\" brood", EggTake: recordAt(-time.Hour), Start: lot.Green, StartUnits: 0.5, BaseC: -0.1,
			Count: book.Count{Method: book.ByVolume, SampleNumber: 412, SampleAmount: 50, TotalAmount: 3100.5},
		},
	},
	{Seq: 2, ID: "a2", Lot: "BT-26-07", Kind: book.Moved, At: recordAt(time.Hour), RecordedAt: recordAt(time.Hour), By: "kim", Unit: "stack 1", To: "trough, 2", Number: 9000},
	{Seq: 3, ID: "a3", Lot: "BT-26-07", Kind: book.Split, At: recordAt(2 * time.Hour), By: "kim", Unit: "trough, 2", Number: 400, Other: "BT-26-08"},
	{Seq: 4, ID: "a4", Lot: "BT-26-08", Kind: book.Hatched, Part: book.First, At: recordAt(3 * time.Hour), By: "kim", Text: "early\n, all in one tray"},
	{Seq: 5, ID: "a5", Lot: "BT-26-08", Kind: book.Weighed, At: recordAt(4 * time.Hour), By: "rowan", Sample: &book.Sample{Number: 50, WeightG: 41.7}},
	{Seq: 6, ID: "a6", Lot: "BT-26-08", Kind: book.Counted, At: recordAt(5 * time.Hour), By: "rowan", Count: &book.Count{Method: book.Direct}},
	{Seq: 8, ID: "a8", Lot: "BT-26-07", Kind: book.Shipped, At: recordAt(6 * time.Hour), By: "kim", Place: "Lower Fork"},
	{Seq: 9, ID: "a9", Lot: "BT-26-08", Kind: book.Struck, At: recordAt(3 * time.Hour), RecordedAt: recordAt(7 * time.Hour), By: "kim", Corrects: 4, Text: "another lot"},
}

var recordLots = []lot.Lot{
	{
		ID: "AC-26-01", Species: "arctic char", Strain: "lake", Source: "Upper Fork, 2nd take", Trays: "1 to 4", EggTake: recordAt(-240 * time.Hour), Start: lot.Green, StartUnits: 12.5, Eggs: 41_000,
		Path:  []lot.Stay{{Unit: "spring", From: recordAt(-230 * time.Hour)}, {Unit: "trough, 2", From: recordAt(-12 * time.Hour)}},
		BaseC: 0.5, Needs: map[lot.Stage]lot.Need{lot.Hatch: {Low: 430, High: 480, Source: "own lots"}},
	},
	{ID: "BT-26-02", Species: "brook trout", EggTake: recordAt(0), Start: lot.Eyed, Path: []lot.Stay{{Unit: "spring", From: recordAt(0)}}},
}

const entryHeads = "seq,id,lot,kind,at,recorded_at,by,corrects,unit,to,trays,number,other,place,part,text," +
	"count_method,count_number,count_sample_number,count_sample_amount,count_total_amount,sample_number,sample_weight_g,sample_length_mm," +
	"opening_species,opening_strain,opening_source,opening_egg_take,opening_start,opening_degree_days,opening_base_degC," +
	"opening_count_method,opening_count_number,opening_count_sample_number,opening_count_sample_amount,opening_count_total_amount\n"

const heads = "probe,at,value,unit,flags,device_at,arrived_at,mid\n"

func TestExport(t *testing.T) {
	dir := recordFolder(t)
	l := openRecord(t, dir) // open meanwhile, as by a daemon
	mustCommit(t, l, recordBatch())
	for _, lots := range [][]lot.Lot{recordLots, recordLots[1:]} {
		if err := l.PutLots(t.Context(), lots); err != nil {
			t.Fatal(err)
		}
	}
	const (
		temp0 = "spring temperature,2026-11-01T07:30:00.123456Z,7,degC,,,2026-11-01T07:30:00.123456Z,0\n" +
			"spring temperature,2026-11-01T07:30:00.123456Z,-0,degC,,,2026-11-01T07:30:00.123456Z,0\n"
		temp1  = "spring temperature,2026-11-01T07:31:00.123456Z,0.1,degC,device-timed late out-of-order,2026-11-01T07:31:00.123456Z,2026-11-01T08:30:00.123456Z,65535\n"
		flow   = "spring flow,2026-11-01T07:32:00.123456Z,60,L/min,,,2026-11-01T07:32:00.123456Z,0\n"
		gone   = "\"gone, and quoted\",2026-11-01T07:30:01.123456Z,5e-324,,,,2026-11-01T07:30:01.123456Z,0\n"
		sat    = "saturation,2026-11-01T07:30:01.123456Z,95,% saturation,,,2026-11-01T07:30:01.123456Z,0\n"
		oxygen = "spring_oxygen: mg,2026-11-01T07:30:01.123456Z,10.5,mg/L,,,2026-11-01T07:30:01.123456Z,0\n"
	)
	tests := []struct {
		name string
		args []string
		want string // with line feeds
	}{
		{"all readings", nil, heads + gone + sat + flow + temp0 + temp1 + oxygen},
		{"two probes", []string{"--probe", "spring temperature", "--probe", "spring flow"}, heads + flow + temp0 + temp1},
		// 2026-11-01 is the end of summer time: half past one comes twice, and
		// this is the first one.
		{"from is inside", []string{"--probe", "spring temperature", "--from", "2026-11-01T01:31:00.123456-06:00"}, heads + temp1},
		{"to is not", []string{"--probe", "spring temperature", "--to", "2026-11-01T07:31:00.123456Z"}, heads + temp0},
		{"days of the site's zone", []string{"--from", "2026-11-02"}, heads},
		{"up to that day", []string{"--probe", "saturation", "--to", "2026-11-02 00:00"}, heads + sat},
		{"alarms", []string{"--what", "alarms"}, `at,alarm,occurrence,from,to,since,priority,kind,rule,rule_at,unit,probe,trouble,detail,can_happen,to_do,by,hidden,cause,left,via
2026-11-01T07:31:00.123456Z,low_flow/spring,3,normal,unacknowledged,2026-11-01T07:30:00.123456Z,call-out,low_flow,"low flow, ""all""",rules.hcl:14,spring,spring flow,Spring: low flow,"11.2 L/min, setpoint 28 L/min","Fry
suffocate."," Look; clear.",,,,,
2026-11-01T07:32:00.123456Z,low_flow/spring,3,unacknowledged,acknowledged,,call-out,low_flow,"low flow, ""all""",rules.hcl:14,spring,spring flow,Spring: low flow,"11.2 L/min, setpoint 28 L/min","Fry
suffocate."," Look; clear.",kim,"shelved by kim, ""for now""",low_flow/head box,oxygen for 25 to 60 min,sms
`},
		{"acts", []string{"--what", "acts"}, `id,kind,at,by,via,alarm,occurrence,unit,chore,until,why
c2,cleaning started,2026-11-01T08:30:00.123456Z,kim,link,,0,"trough, 2",cleaning,2026-11-01T09:00:00.123456Z,
c1,marked false,2026-11-01T07:30:00.123456Z,rowan,,low_flow/spring,3,,,,"""probe""
out"
`},
		{"acts before", []string{"--what", "acts", "--to", "2026-11-01T07:30:00.123456Z"}, "id,kind,at,by,via,alarm,occurrence,unit,chore,until,why\n"},
		{"chores", []string{"--what", "chores", "--to", "2026-11-01T08:30:00.123456Z"}, "at,chore,unit,by,via\n2026-11-01T07:30:00.123456Z,clear intake,,rowan,\n"},
		{"lots", []string{"--what", "lots"}, `lot,species,strain,source,egg_take,start,start_degree_days,eggs,base_degC,needs,unit,trays,placed,withdrawn
BT-26-02,brook trout,,,2026-11-01T07:30:00.123456Z,eyed,0,0,0,,spring,,2026-11-01T07:30:00.123456Z,no
AC-26-01,arctic char,lake,"Upper Fork, 2nd take",2026-10-22T07:30:00.123456Z,green,12.5,41000,0.5,"{""hatch"":{""Low"":430,""High"":480,""Source"":""own lots""}}",spring,1 to 4,2026-10-22T17:30:00.123456Z,yes
AC-26-01,arctic char,lake,"Upper Fork, 2nd take",2026-10-22T07:30:00.123456Z,green,12.5,41000,0.5,"{""hatch"":{""Low"":430,""High"":480,""Source"":""own lots""}}","trough, 2",1 to 4,2026-10-31T19:30:00.123456Z,yes
`},
		{"entries of lots", []string{"--what", "lot-entries"}, entryHeads + `1,a1,BT-26-07,opened,2026-11-01T07:30:00.123456Z,2026-11-01T07:31:00.123456Z,rowan,,stack 1,,"1, 2",,,,,,,,,,,,,,brook trout,creek,"own ""old"" brood",2026-11-01T06:30:00.123456Z,green,0.5,-0.1,by volume,0,412,50,3100.5
2,a2,BT-26-07,moved,2026-11-01T08:30:00.123456Z,2026-11-01T08:30:00.123456Z,kim,,stack 1,"trough, 2",,9000,,,,,,,,,,,,,,,,,,,,,,,,
3,a3,BT-26-07,split,2026-11-01T09:30:00.123456Z,,kim,,"trough, 2",,,400,BT-26-08,,,,,,,,,,,,,,,,,,,,,,,
4,a4,BT-26-08,hatched,2026-11-01T10:30:00.123456Z,,kim,,,,,,,,first,"early
, all in one tray",,,,,,,,,,,,,,,,,,,,
5,a5,BT-26-08,weighed,2026-11-01T11:30:00.123456Z,,rowan,,,,,,,,,,,,,,,50,41.7,0,,,,,,,,,,,,
6,a6,BT-26-08,counted,2026-11-01T12:30:00.123456Z,,rowan,,,,,,,,,,direct,0,0,0,0,,,,,,,,,,,,,,,
8,a8,BT-26-07,shipped,2026-11-01T13:30:00.123456Z,,kim,,,,,,,Lower Fork,,,,,,,,,,,,,,,,,,,,,,
9,a9,BT-26-08,struck,2026-11-01T10:30:00.123456Z,2026-11-01T14:30:00.123456Z,kim,4,,,,,,,,another lot,,,,,,,,,,,,,,,,,,,,
`},
		{
			"entries of lots of an hour",
			[]string{"--what", "lot-entries", "--from", "2026-11-01T13:30:00.123456Z", "--to", "2026-11-01T14:30:00Z"},
			entryHeads + "8,a8,BT-26-07,shipped,2026-11-01T13:30:00.123456Z,,kim,,,,,,,Lower Fork" + strings.Repeat(",", 22) + "\n",
		},
		{"lots placed before", []string{"--what", "lots", "--to", "2026-10-01"}, strings.Join(columns[kindLots], ",") + "\n"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			want := strings.ReplaceAll(tt.want, "\n", "\r\n")
			if diff := cmp.Diff(want, mustRecord(t, dir, append([]string{"export"}, tt.args...)...)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}

	t.Run("to a file", func(t *testing.T) {
		path := filepath.Join(dir, "out.csv")
		mustRecord(t, dir, "export", "--out", path)
		got, err := os.ReadFile(path)
		if err != nil || string(got) != mustRecord(t, dir, "export") {
			t.Errorf("the file holds %q, %v", got, err)
		}
		code, _, said := tryRecord(t, dir, "export", "--out", path)
		if code != exitFault || !strings.Contains(said, "name a new file") {
			t.Errorf("over a file: exit code %d: %s", code, said)
		}
		if files, err := filepath.Glob(path + "?*"); err != nil || len(files) > 0 {
			t.Errorf("left beside it: %v %v", files, err)
		}
	})
}

func TestExportSenML(t *testing.T) {
	dir := recordFolder(t)
	l := openRecord(t, dir)
	if got := mustRecord(t, dir, "export", "--format", "senml"); got != "[]\n" {
		t.Errorf("nothing is written as %q", got)
	}
	b := recordBatch()
	mustCommit(t, l, b)
	args := []string{"export", "--format", "senml"}
	if code, out, said := tryRecord(t, dir, args...); code != exitFault || !strings.Contains(said, "gone, and quoted") {
		t.Errorf("a probe without a unit: exit code %d: %s%s", code, out, said)
	}
	for i := range b.Readings[:6] {
		args = append(args, "--probe", string(b.Readings[i].Probe))
	}
	got := mustRecord(t, dir, args...)
	const want = `[
{"bn":"site/Alder_Fork/","n":"saturation","u":"/","t":1793518201.123456,"v":0.95},
{"n":"spring_flow","u":"m3/s","t":1793518320.123456,"v":0.001},
{"n":"spring_temperature","u":"Cel","t":1793518200.123456,"v":7},
{"n":"spring_temperature","u":"Cel","t":1793518200.123456,"v":-0},
{"n":"spring_temperature","u":"Cel","t":1793518260.123456,"v":0.1},
{"n":"spring:5foxygen:3a_mg","u":"kg/m3","t":1793518201.123456,"v":0.0105}
]
`
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	var pack []struct {
		N string
		V *float64
	}
	if err := json.Unmarshal([]byte(got), &pack); err != nil || len(pack) != 6 || pack[5].V == nil {
		t.Errorf("read as JSON: %+v, %v", pack, err)
	}

	old := reading.Reading{Probe: "saturation", At: time.Unix(1<<28, -1000), ArrivedAt: recordStart, Value: 1}
	mustCommit(t, l, ledger.Batch{Readings: []reading.Reading{old}})
	if code, out, said := tryRecord(t, dir, args...); code != exitFault || !strings.Contains(said, "SenML has no times before 1978-07-04T21:24:16") {
		t.Errorf("a time SenML cannot tell: exit code %d: %s%s", code, out, said)
	}
}

func TestExportRefusals(t *testing.T) {
	dir := recordFolder(t)
	tests := []struct {
		name string
		args []string
		code int
		says string
	}{
		{"no record yet", nil, exitFault, "a weirkeeper that has run"},
		{"kind", []string{"--what", "mails"}, exitUsage, "there are acts, alarms, chores, lot-entries, lots, readings"},
		{"format", []string{"--format", "xml"}, exitUsage, "csv and senml"},
		{"senml of lots", []string{"--what", "lots", "--format", "senml"}, exitUsage, "readings only"},
		{"probe of lots", []string{"--what", "lots", "--probe", "spring flow"}, exitUsage, "readings only"},
		{"time", []string{"--from", "yesterday"}, exitUsage, `--from: "yesterday" is no time`},
		{"argument", []string{"out.csv"}, exitUsage, "goes after --out"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if code, out, errs := tryRecord(t, dir, append([]string{"export"}, tt.args...)...); code != tt.code || !strings.Contains(errs, tt.says) || out != "" {
				t.Errorf("exit code %d, said %q and wrote %q", code, errs, out)
			}
		})
	}
	openRecord(t, dir)
	path := filepath.Join(dir, "out.csv")
	if code, _, errs := tryRecord(t, dir, "export", "--probe", "spring flwo", "--out", path); code != exitFault || !strings.Contains(errs, `did you mean "spring flow"?`) {
		t.Errorf("misspelt probe: exit code %d: %s", code, errs)
	}
	if _, err := os.Stat(path); !os.IsNotExist(err) {
		t.Errorf("a refused export made its file (%v)", err)
	}
}

// randomReadings are n readings with odd values, flags and times.
func randomReadings(rng *rand.Rand, n int) []reading.Reading {
	odd := []float64{0, math.Copysign(0, -1), 5e-324, -2.2250738585072011e-308, 1e300, -math.MaxFloat64, 0.1, 1.0 / 3, 1 << 53}
	probes := []reading.ProbeID{"spring temperature", "spring flow", "saturation", "gone, \"once\"\n twice"}
	rs := make([]reading.Reading, n)
	for i := range rs {
		r := reading.Reading{
			Probe: probes[rng.IntN(len(probes))], At: recordAt(time.Duration(rng.IntN(n)) * 977 * time.Microsecond),
			Value: odd[rng.IntN(len(odd))], Flags: reading.Flags(rng.IntN(1 << 9)), MID: uint16(rng.Uint32()),
		}
		if rng.IntN(2) == 0 {
			r.Value = math.Float64frombits(rng.Uint64())
			if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
				r.Value = rng.NormFloat64()
			}
		}
		r.ArrivedAt = r.At.Add(time.Duration(rng.Int64N(1e6)) * time.Microsecond)
		if rng.IntN(2) == 0 {
			r.DeviceAt = time.UnixMicro(rng.Int64N(4e15) - 1e15).UTC()
		}
		rs[i] = r
	}
	return rs
}

// TestRoundTrip exports everything, wipes the record, imports it and exports it
// again: not a byte differs, and every reading is the same to the bit.
func TestRoundTrip(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	dir := recordFolder(t)
	l := openRecord(t, dir)
	b := recordBatch()
	b.Readings = append(b.Readings, randomReadings(rng, 5000)...)
	mustCommit(t, l, b)
	for _, lots := range [][]lot.Lot{recordLots, recordLots[1:]} {
		if err := l.PutLots(t.Context(), lots); err != nil {
			t.Fatal(err)
		}
	}
	kinds := slices.Sorted(maps.Keys(columns))
	export := func(round int) map[string]string {
		texts := make(map[string]string)
		for _, kind := range kinds {
			path := filepath.Join(dir, fmt.Sprintf("%s-%d.csv", kind, round))
			mustRecord(t, dir, "export", "--what", kind, "--out", path)
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			texts[kind] = string(text)
		}
		return texts
	}
	first, rows, standing, entries := export(1), allReadings(t, l), standingAlarms(t, l), lotEntries(t, l)
	if len(rows) < 4500 || len(standing) != 1 {
		t.Fatalf("only %d readings and %d standing alarms to try with", len(rows), len(standing))
	}

	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(filepath.Join(dir, "weirkeeper-data")); err != nil {
		t.Fatal(err)
	}
	for range 2 { // the second time all is there
		for _, kind := range kinds {
			mustRecord(t, dir, "import", "--format", "weirkeeper", filepath.Join(dir, kind+"-1.csv"))
		}
	}
	l = openRecord(t, dir)
	second := export(2)
	for _, kind := range kinds {
		if first[kind] != second[kind] {
			t.Errorf("the %s differ (-first +second):\n%s", kind, cmp.Diff(first[kind], second[kind]))
		}
	}
	if diff := cmp.Diff(rows, allReadings(t, l)); diff != "" {
		t.Errorf("readings (-first +second):\n%s", diff)
	}
	if diff := cmp.Diff(standing, standingAlarms(t, l)); diff != "" {
		t.Errorf("standing alarms (-first +second):\n%s", diff)
	}
	if diff := cmp.Diff(entries, lotEntries(t, l)); diff != "" {
		t.Errorf("entries of lots (-first +second):\n%s", diff)
	}
}

func lotEntries(t *testing.T, l *ledger.Ledger) []book.Entry {
	t.Helper()
	all, err := l.LotEntries(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// A row holds all of an entry: one with every field set comes back whole.
func TestLotEntryRow(t *testing.T) {
	e := recordEntries[0]
	e.Corrects, e.To, e.Number, e.Other, e.Place, e.Part, e.Text = -3, "trough 1", 7, "BT-26-08", "Lower Fork", book.Last, "note"
	e.Count = &book.Count{Method: book.ByWeight, Number: 1, SampleNumber: 100, SampleAmount: 1.0 / 3, TotalAmount: 0.1}
	e.Sample = &book.Sample{Number: 50, WeightG: 41.7, LengthMM: 27.5}
	e.Open.Count.Number = 2
	row := lotEntryRow(e)
	for i, cell := range row {
		if cell == "" {
			t.Errorf("column %s is empty", columns[kindLotEntries][i])
		}
	}
	for name, i := range map[string]int{"count_method": countColumn, "sample_number": sampleColumn, "opening_species": openingColumn} {
		if got := columns[kindLotEntries][i]; got != name {
			t.Errorf("column %d is %s, want %s", i, got, name)
		}
	}
	r, err := parseLotEntry(row)
	if err != nil || len(row) != len(columns[kindLotEntries]) {
		t.Fatalf("%d columns of %d, %v", len(row), len(columns[kindLotEntries]), err)
	}
	if diff := cmp.Diff(&e, r.entry); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// allReadings are the readings of all probes, exact to the bit.
func allReadings(t *testing.T, l *ledger.Ledger) []string {
	t.Helper()
	probes, err := l.PeriodProbes(t.Context(), time.Time{}, recordStart.AddDate(1000, 0, 0), math.MaxInt64)
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, p := range probes {
		for r, err := range l.Readings(t.Context(), p, time.Time{}, recordStart.AddDate(1000, 0, 0)) {
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, fmt.Sprintf("%x %+v", math.Float64bits(r.Value), r))
		}
	}
	return all
}

func standingAlarms(t *testing.T, l *ledger.Ledger) []alarm.Transition {
	t.Helper()
	s, err := l.Standing(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestExportOfSealedHistory exports before and after most is sealed and dropped
// from the ledger: the same but for what a sealed reading no longer knows.
func TestExportOfSealedHistory(t *testing.T) {
	dir := recordFolder(t)
	l := openRecord(t, dir)
	var rs []reading.Reading
	for i := range 3000 { // 125 days, so four months and a part
		r := reading.Reading{Probe: "spring temperature", At: recordAt(time.Duration(i) * time.Hour), ArrivedAt: recordAt(time.Duration(i) * time.Hour), Value: float64(i) / 7}
		if i%5 == 0 {
			r.Probe = "gone"
		}
		rs = append(rs, r)
	}
	mustCommit(t, l, ledger.Batch{Readings: rs})
	args := []string{"export", "--probe", "spring temperature", "--probe", "gone"}
	before := mustRecord(t, dir, args...)
	folder := filepath.Join(dir, "weirkeeper-data", daemon.SeriesFolder)
	store, err := series.Open(t.Context(), series.Options{Dir: folder, Ledger: l, Verify: series.VerifyDir, Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := store.Maintain(t.Context(), recordAt(100*24*time.Hour)); err != nil {
		t.Fatal(err)
	}
	counts, err := l.CountReadings(t.Context())
	if n := counts["gone"] + counts["spring temperature"]; err != nil || n == 0 || n > 1500 || len(store.Periods()) < 3 {
		t.Fatalf("the ledger holds %v, %v, sealed are %+v", counts, err, store.Periods())
	}
	if got := mustRecord(t, dir, args...); got != before {
		t.Errorf("(-before +after):\n%s", cmp.Diff(before, got))
	}

	// A period that the daemon is building is not ours to clear away, and a
	// damaged one not ours to set aside.
	if err := os.Mkdir(filepath.Join(folder, "2027-02.building-1"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, "2026-12", "period.json"), []byte("{}"), 0o600); err != nil {
		t.Fatal(err)
	}
	had := names(t, folder)
	path := filepath.Join(dir, "out.csv")
	if code, _, said := tryRecord(t, dir, append(args, "--out", path)...); code != exitFault || !strings.Contains(said, "damaged and left out: 2026-12;") {
		t.Errorf("with a damaged period: exit code %d: %s", code, said)
	}
	if rest, err := os.ReadFile(path); err != nil || len(rest) < len(before)/2 || len(rest) == len(before) || !strings.Contains(before, string(rest[len(rest)/2:])) {
		t.Errorf("of %d bytes %d were exported, %v", len(before), len(rest), err)
	}
	if diff := cmp.Diff(had, names(t, folder)); diff != "" {
		t.Errorf("an export changed the sealed periods (-before +after):\n%s", diff)
	}
	if left, err := filepath.Glob(filepath.Join(dir, "weirkeeper-data", "export-*")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v %v", left, err)
	}
}

// Readings by hand are exported though no probe of the site file makes them, also
// once they are sealed; only when they came and how they are flagged is then gone.
func TestExportOfReadingsByHand(t *testing.T) {
	dir := recordFolder(t)
	l := openRecord(t, dir)
	by := func(unit string, d time.Duration, v float64) reading.Reading {
		return reading.Reading{Probe: site.HandProbe(unit), At: recordAt(d), ArrivedAt: recordAt(d), Value: v}
	}
	mustCommit(t, l, ledger.Batch{Readings: []reading.Reading{
		by("spring", 0, 7.5), by("spring", 24*time.Hour, 7.25), by("stack: 1/\"a\"", time.Hour, 8), // a unit that the site file no longer has
	}})
	spring := "by hand: spring,2026-11-01T07:30:00.123456Z,7.5,degC,,,2026-11-01T07:30:00.123456Z,0\r\n" +
		"by hand: spring,2026-11-02T07:30:00.123456Z,7.25,degC,,,2026-11-02T07:30:00.123456Z,0\r\n"
	stack := "\"by hand: stack: 1/\"\"a\"\"\",2026-11-01T08:30:00.123456Z,8,degC,,,2026-11-01T08:30:00.123456Z,0\r\n"
	head := strings.ReplaceAll(heads, "\n", "\r\n")
	check := func(when, all string) {
		t.Helper()
		for _, tt := range []struct {
			args []string
			want string
		}{
			{nil, all},
			{[]string{"--probe", "by hand: spring"}, head + spring},
			{[]string{"--probe", "by hand: stack: 1/\"a\""}, head + stack},
			{[]string{"--probe", "by hand: spring", "--format", "senml"}, "[\n{\"bn\":\"site/Alder_Fork/\",\"n\":\"by_hand:3a_spring\",\"u\":\"Cel\",\"t\":1793518200.123456,\"v\":7.5},\n" +
				"{\"n\":\"by_hand:3a_spring\",\"u\":\"Cel\",\"t\":1793604600.123456,\"v\":7.25}\n]\n"},
		} {
			if diff := cmp.Diff(tt.want, mustRecord(t, dir, append([]string{"export"}, tt.args...)...)); diff != "" {
				t.Errorf("%s, %q (-want +got):\n%s", when, tt.args, diff)
			}
		}
	}
	check("in the ledger", head+spring+stack)
	folder := filepath.Join(dir, "weirkeeper-data", daemon.SeriesFolder)
	store, err := series.Open(t.Context(), series.Options{Dir: folder, Ledger: l, Verify: series.VerifyDir, Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := store.Maintain(t.Context(), recordAt(100*24*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if counts, err := l.CountReadings(t.Context()); err != nil || len(counts) > 0 || len(store.Periods()) != 1 {
		t.Fatalf("the ledger still holds %v, %v; sealed are %+v", counts, err, store.Periods())
	}
	// As of any probe that the site file no longer has, what is sealed is given
	// when asked for by name.
	check("sealed", head+spring)
}

// What is sealed while it is exported may be missing, and that is said.
func TestExportWhileSealing(t *testing.T) {
	dir := recordFolder(t)
	l := openRecord(t, dir)
	e, _, _ := testEnv()
	v, err := e.openView(t.Context(), filepath.Join(dir, "weirkeeper-data"), l)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := v.close(); err != nil {
			t.Error(err)
		}
	}()
	if err := v.whole(); err != nil {
		t.Errorf("before: %v", err)
	}
	seal(t, dir, "2026-10", "")
	if err := v.whole(); err == nil || !strings.Contains(err.Error(), "export again") {
		t.Errorf("afterwards: %v", err)
	}
}

// SenML names are of few characters; each name of a probe gives another one.
func TestSenMLNames(t *testing.T) {
	seen := make(map[string]string)
	for _, name := range []string{"a b", "a_b", "a:b", "a:5fb", "a.b", "a-b", "a/b", "\u00e4", "ä b", " "} {
		got := senMLName(name)
		if other, ok := seen[got]; ok {
			t.Errorf("%q and %q are both %q", name, other, got)
		}
		seen[got] = name
		if strings.Trim(got, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-:./_") != "" {
			t.Errorf("%q is written %q", name, got)
		}
	}
}

// Every quantity has its units, in the table and in SenML.
func TestEveryQuantityHasUnits(t *testing.T) {
	for _, q := range reading.Amounts() {
		u, ok := senMLUnits[q]
		if base := q.Dimension().Base(); !ok || u.per <= 0 || base == (measure.Unit{}) {
			t.Errorf("%v: %+v", q, u)
		}
	}
}
