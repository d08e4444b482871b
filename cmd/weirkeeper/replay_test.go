package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/reading"
)

const replayRules = `low_flow "spring" {
  covers {
    units = ["spring"]
  }
  setpoint   = "%s"
  deadband   = "1 L/min"
  on_delay   = "2 min"
  priority   = "call-out"
  can_happen = "No water."
  to_do      = "Look at the intake."
}
`

// replayFolder is a site whose record holds three hours of the spring's flow,
// with half an hour of 20 L/min in them.
func replayFolder(t *testing.T) string {
	t.Helper()
	dir := writeFiles(t, map[string]string{
		"site.hcl": recordSite, "rules.hcl": fmt.Sprintf(replayRules, "28 L/min"), "low.hcl": fmt.Sprintf(replayRules, "10 L/min"), "bad.hcl": fmt.Sprintf(replayRules, "28 degC"),
	})
	l := openRecord(t, dir)
	var b ledger.Batch
	start := time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC)
	for i := range 180 {
		at := start.Add(time.Duration(i) * time.Minute)
		for _, p := range []reading.ProbeID{"spring flow", "spring temperature", "spring_oxygen: mg", "saturation"} {
			v := 40.0
			switch {
			case p != "spring flow":
				v = 9
			case i >= 60 && i < 90:
				v = 20
			}
			b.Readings = append(b.Readings, reading.Reading{Probe: p, At: at, ArrivedAt: at, Value: v})
		}
	}
	if _, err := l.Commit(t.Context(), b); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

func TestReplayCommand(t *testing.T) {
	dir := replayFolder(t)
	file := func(name string) string { return filepath.Join(dir, name) }
	table := file("logger.csv")
	var rows strings.Builder
	rows.WriteString("when,flow gpm\n")
	for i := range 60 {
		v := 10.0
		if i >= 30 {
			v = 5
		}
		fmt.Fprintf(&rows, "2026-11-10 %02d:%02d,%g\n", 8+i/60, i%60, v)
	}
	if err := os.WriteFile(table, []byte(rows.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	logger := []string{"--csv", table, "--probe", "spring flow", "--time-column", "when", "--value-column", "flow gpm", "--time-format", "2006-01-02 15:04", "--unit", "gpm"}
	tests := []struct {
		name string
		args []string
		code int
		want []string // in what is said
		not  string
	}{
		{"record", nil, exitOK, []string{
			"Fri 20 Nov 2026 11:00:00 to Fri 20 Nov 2026 13:59:00", "720 readings", "Fri 20 Nov 2026 12:02:00  [call-out] Spring: low flow: 20.0 L/min, setpoint 28.0 L/min",
			"for 30 min (low_flow \"spring\", rules.hcl:1)",
		}, "silent"},
		{"other rules", []string{"--rules", file("low.hcl")}, exitOK, []string{"No alarm would have been raised."}, "low flow"},
		{"against others", []string{"--against", file("low.hcl")}, exitOK, []string{"Only with rules.hcl: 1\n", "Only with " + file("low.hcl") + ": 0\n"}, ""},
		{"table of alarms", []string{"--against", file("low.hcl"), "--format", "csv"}, exitOK, []string{"rules,low_flow/spring/spring flow,low_flow,spring,rules.hcl:1,spring,spring flow,call-out,true,2026-11-20T19:02:00.000000Z,2026-11-20T19:32:00.000000Z,1800,"}, ""},
		{"a part", []string{"--from", "2026-11-20 12:10", "--to", "2026-11-20 12:20"}, exitOK, []string{"Fri 20 Nov 2026 12:10:00  [call-out]", "still at the end"}, ""},
		{"a logger's table", logger, exitOK, []string{"Tue 10 Nov 2026 08:32:00  [call-out] Spring: low flow: 18.9 L/min", "60 readings"}, "left out"},
		{"a time without readings", []string{"--from", "2026-11-21"}, exitFault, []string{"there is no reading in that time"}, ""},
		{"faulty rules", []string{"--rules", file("bad.hcl")}, exitFault, []string{"bad.hcl line 5", "L/min"}, ""},
		{"no such format", []string{"--format", "xml"}, exitUsage, []string{"there are text and csv"}, ""},
		{"an argument", []string{"rules.hcl"}, exitUsage, []string{"goes after --rules"}, ""},
		{"no such time", []string{"--from", "soon"}, exitUsage, []string{"is no time"}, ""},
		{"a table without a description", logger[:2], exitFault, []string{"--format columns"}, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			e, out, errs := testEnv()
			code := run(t.Context(), append([]string{"replay", "--site", file("site.hcl")}, tt.args...), e)
			said := out.String() + errs.String()
			if code != tt.code {
				t.Errorf("exit code %d, want %d: %s", code, tt.code, said)
			}
			for _, w := range tt.want {
				if !strings.Contains(strings.ReplaceAll(said, dir+"/rules.hcl", "rules.hcl"), w) {
					t.Errorf("%q is not in:\n%s", w, said)
				}
			}
			if tt.not != "" && strings.Contains(said, tt.not) {
				t.Errorf("%q is in:\n%s", tt.not, said)
			}
		})
	}
	left, err := filepath.Glob(filepath.Join(dir, "weirkeeper-data", "export-*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// What weirkeeper export wrote is replayed as the record itself is.
func TestReplayOfAnExport(t *testing.T) {
	dir := replayFolder(t)
	said := func(args ...string) string {
		e, out, errs := testEnv()
		if code := run(t.Context(), append(args, "--site", filepath.Join(dir, "site.hcl")), e); code != exitOK {
			t.Fatalf("%v: exit code %d: %s", args, code, errs)
		}
		return out.String()
	}
	table := filepath.Join(dir, "readings.csv")
	said("export", "--out", table)
	if a, b := said("replay"), said("replay", "--csv", table); a != b || !strings.Contains(a, "Spring: low flow") {
		t.Errorf("from the record:\n%s\nfrom its export:\n%s", a, b)
	}
}
