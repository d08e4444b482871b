package main

import (
	"path/filepath"
	"strings"
	"testing"
)

func TestTryCommand(t *testing.T) {
	const step = "usual \"spring flow\" {\n    says = \"40 L/min\"\n  }\nduring \"10 min\" {}\nduring \"10 min\" {\n    probe \"spring flow\" {\n      says = \"20 L/min\"\n    }\n  }\n"
	dir := replayFolder(t)
	files := map[string]string{
		"good.hcl":  "scenario \"the spring fails\" {\n" + step + "expect \"low_flow/spring\" {\n    by = \"14 min\"\n  }\n}\n",
		"fails.hcl": "scenario \"the spring fails\" {\n" + step + "never = [\"low_flow/spring\"]\n}\n",
		"bad.hcl":   "scenario \"x\" {\n" + step + "expect \"low_flow/sprig\" {\n    by = \"14 min\"\n  }\n}\n",
	}
	more := writeFiles(t, files)
	tests := []struct {
		args []string
		code int
		want []string
	}{
		{[]string{filepath.Join(more, "good.hcl")}, exitOK, []string{"ok    the spring fails\n", "1 scenario, 0 failed."}},
		{[]string{"--verbose", filepath.Join(more, "good.hcl")}, exitOK, []string{"low_flow/spring/spring flow [call-out] Spring: low flow"}},
		{[]string{filepath.Join(more, "good.hcl"), filepath.Join(more, "fails.hcl")}, exitFault, []string{"FAIL  the spring fails\n", "fails.hcl line 11", "low_flow/spring/spring flow was raised after", "2 scenarios, 1 failed."}},
		{[]string{"--rules", filepath.Join(dir, "low.hcl"), filepath.Join(more, "good.hcl")}, exitFault, []string{"was not raised; it should be by 14 min", "Nothing was raised."}},
		{[]string{filepath.Join(more, "bad.hcl")}, exitFault, []string{`did you mean "low_flow/spring"?`}},
		{[]string{"--rules", filepath.Join(dir, "bad.hcl"), filepath.Join(more, "good.hcl")}, exitFault, []string{"bad.hcl line 5"}},
		{[]string{filepath.Join(more, "none.hcl")}, exitFault, []string{"read the scenarios"}},
		{nil, exitUsage, []string{"name at least one file"}},
	}
	for _, tt := range tests {
		e, out, errs := testEnv()
		code := run(t.Context(), append([]string{"try", "--site", filepath.Join(dir, "site.hcl")}, tt.args...), e)
		said := out.String() + errs.String()
		if code != tt.code {
			t.Errorf("%v: exit code %d, want %d: %s", tt.args, code, tt.code, said)
		}
		for _, w := range tt.want {
			if !strings.Contains(said, w) {
				t.Errorf("%v: %q is not in:\n%s", tt.args, w, said)
			}
		}
	}
}
