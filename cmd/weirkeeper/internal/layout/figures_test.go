package layout_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestIndependentFigures computes checked-in figures again, so that those other tests are held against stay
// those of the checked-in data and program.
func TestIndependentFigures(t *testing.T) {
	tests := []struct {
		dir, want, input string
		command          []string
	}{
		{"stream-french", "independent.txt", "", []string{"awk", "-f", "independent.awk", "french.csv"}},
		{"theil-sen", "independent.txt", "series.csv", []string{"python3", "theil_sen.py"}},
	}
	for _, tt := range tests {
		t.Run(tt.dir, func(t *testing.T) {
			need(t, tt.command[0])
			dir := filepath.Join(root, "testdata", tt.dir)
			want, err := os.ReadFile(filepath.Join(dir, tt.want))
			if err != nil {
				t.Fatal(err)
			}
			cmd := exec.CommandContext(t.Context(), tt.command[0], tt.command[1:]...)
			cmd.Dir = dir
			cmd.Env = append(cmd.Environ(), "LC_ALL=C")
			if tt.input != "" {
				in, err := os.Open(filepath.Join(dir, tt.input))
				if err != nil {
					t.Fatal(err)
				}
				defer in.Close()
				cmd.Stdin = in
			}
			got, err := cmd.Output()
			if err != nil {
				t.Fatalf("%v: %v%s", cmd, err, stderr(err))
			}
			if diff := cmp.Diff(string(want), string(got)); diff != "" {
				t.Errorf("%s is not what %v computes (-want +got):\n%s", tt.want, tt.command, diff)
			}
		})
	}
}
