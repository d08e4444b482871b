package main

import (
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// A contact's record goes in from a logger's table and out again.
func TestContactRecord(t *testing.T) {
	dir := writeFiles(t, map[string]string{
		"site.hcl": recordSite + "probe \"mains\" {\n  quantity = \"contact\"\n  topic = \"fork/mains\"\n}\n", "rules.hcl": "\n",
		"old.csv": "t,v\n2025-03-01T12:00:00Z,ON\n2025-03-01T12:01:00Z,0\n2025-03-01T12:02:00Z,2\n",
	})
	table := []string{"import", "--probe", "mains", "--time-column", "t", "--value-column", "v"}
	code, out, said := tryRecord(t, dir, append(table, filepath.Join(dir, "old.csv"))...)
	if code != exitOK || !strings.Contains(out+said, `line 4 left out: "2" is neither open nor closed`) {
		t.Fatalf("exit code %d: %s%s", code, out, said)
	}
	want := []string{"2025-03-01T12:00:00.000000Z 1 device-timed,late", "2025-03-01T12:01:00.000000Z 0 device-timed,late"}
	if diff := cmp.Diff(want, imported(t, dir, "mains")); diff != "" {
		t.Errorf("record (-want +got):\n%s", diff)
	}
	const senml = `[
{"bn":"site/Alder_Fork/","n":"mains","t":1740830400.000000,"vb":true},
{"n":"mains","t":1740830460.000000,"vb":false}
]
`
	if diff := cmp.Diff(senml, mustRecord(t, dir, "export", "--format", "senml")); diff != "" {
		t.Errorf("SenML (-want +got):\n%s", diff)
	}
	csv := mustRecord(t, dir, "export")
	if !strings.Contains(csv, "mains,2025-03-01T12:01:00.000000Z,0,,device-timed late,") {
		t.Errorf("CSV: %s", csv)
	}
	if code, out, said := tryRecord(t, dir, append(table, "--unit", "gpm", filepath.Join(dir, "old.csv"))...); code == exitOK || !strings.Contains(out+said, "has no unit") {
		t.Errorf("a contact with a unit: exit code %d: %s%s", code, out, said)
	}
}
