package demo_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weirkeeper/cmd/weirkeeper/internal/scenario"
	"weirkeeper/rules/hclread"
)

var both = flag.Bool("both", false, "run every scenario in US units too")

// The starter rules do what their scenarios ask of them. In US units, which
// TestStarterRulesTwin holds to be the same, the first of each file does.
func TestStarterRulesScenarios(t *testing.T) {
	files, err := filepath.Glob("scenarios/*.hcl")
	if err != nil || len(files) == 0 {
		t.Fatalf("scenarios: %v, %v", files, err)
	}
	for _, f := range [][2]string{{"alderfork.hcl", "alderfork-rules.hcl"}, {"alderfork-us.hcl", "alderfork-us-rules.hcl"}} {
		s, prog := starter(t, f[0], f[1])
		for _, name := range files {
			src, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			parsed := hclread.NewFiles()
			all, diags := scenario.Parse(parsed, name, src, s, prog)
			if len(diags) > 0 {
				var b strings.Builder
				if err := parsed.Render(&b, diags, 100); err != nil {
					t.Error(err)
				}
				t.Fatalf("diagnostics:\n%s", &b)
			}
			if i := strings.Index(f[0], "-us"); i > 0 && !*both {
				all = all[:1]
			}
			for i := range all {
				t.Run(f[1]+"/"+all[i].Name, func(t *testing.T) {
					out, err := scenario.Run(t.Context(), s, prog, &all[i])
					if err != nil {
						t.Fatal(err)
					}
					for _, fail := range out.Failures {
						t.Errorf("%s:%d: %s", fail.At.Filename, fail.At.Start.Line, fail.Text)
					}
					if t.Failed() {
						t.Log("\n" + out.Raised(s))
					}
				})
			}
		}
	}
}
