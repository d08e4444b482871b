package layout_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestIndependentFigures computes testdata/stream-french/independent.txt again, so that the figures other
// tests are held against stay those of the checked-in data and program.
func TestIndependentFigures(t *testing.T) {
	need(t, "awk")
	dir := filepath.Join(root, "testdata", "stream-french")
	want, err := os.ReadFile(filepath.Join(dir, "independent.txt"))
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), "awk", "-f", "independent.awk", "french.csv")
	cmd.Dir = dir
	cmd.Env = append(cmd.Environ(), "LC_ALL=C")
	got, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %v%s", cmd, err, stderr(err))
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("independent.txt is not what independent.awk computes (-want +got):\n%s", diff)
	}
}
