package layout_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// root is the repository's top level, seen from this package.
const root = "../../../.."

// need skips the test when a program that it runs is not installed; on the build machine (CI=true) it
// fails instead.
func need(t *testing.T, program string) {
	t.Helper()
	if _, err := exec.LookPath(program); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is not installed: apt-get install %[1]s", program)
		}
		t.Skipf("%s is not installed", program)
	}
}

// TestTopLevel holds the fixed top level of the repository.
func TestTopLevel(t *testing.T) {
	need(t, "git")
	if _, err := os.Stat(filepath.Join(root, ".git")); err != nil {
		t.Skip("not a git clone: nothing says which files belong to the repository")
	}
	out, err := exec.CommandContext(t.Context(), "git", "-C", root, "ls-files", "-z").Output()
	if err != nil {
		t.Fatalf("git ls-files: %v%s", err, stderr(err))
	}
	files := strings.Split(strings.TrimRight(string(out), "\x00"), "\x00")
	if !slices.Contains(files, "go.mod") {
		t.Fatalf("git ls-files names no go.mod among %d files", len(files))
	}
	for _, name := range strangers(files) {
		t.Errorf("%s does not belong at the top level", name)
	}
}

// strangers returns the top-level names that the fixed list does not hold, each once.
func strangers(files []string) []string {
	allowed := []string{
		"cmd", "ingest", "rules", "notify", "config", "testdata", "go.mod", "go.sum", "README.md", "DEVELOPERS.md",
	}
	var out []string
	for _, file := range files {
		top, _, _ := strings.Cut(file, "/")
		if !strings.HasPrefix(top, ".") && !slices.Contains(allowed, top) && !slices.Contains(out, top) {
			out = append(out, top)
		}
	}
	return out
}

func TestStrangers(t *testing.T) {
	got := strangers([]string{".ci/run", "cmd/weirkeeper/main.go", "docs/a.md", "docs/b.md", "go.mod", "main.go"})
	if want := []string{"docs", "main.go"}; !slices.Equal(got, want) {
		t.Errorf("strangers = %q, want %q", got, want)
	}
}
