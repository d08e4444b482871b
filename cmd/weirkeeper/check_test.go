package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// TestCheckBadSites runs the command over every faulty site file and holds what
// it prints against the golden diagnostics.
func TestCheckBadSites(t *testing.T) {
	t.Chdir("../../testdata/check/config")
	files, err := filepath.Glob("*.hcl")
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < 15 {
		t.Fatalf("only %d faulty site files", len(files))
	}
	for _, name := range files {
		t.Run(name, func(t *testing.T) {
			want, err := os.ReadFile(strings.TrimSuffix(name, ".hcl") + ".txt")
			if err != nil {
				t.Fatal(err)
			}
			e, out, errs := testEnv()
			e.now = func() time.Time { return time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC) }
			code := run(t.Context(), []string{"check", name}, e)
			if code != exitFault {
				t.Errorf("exit code %d, want %d; %s", code, exitFault, errs)
			}
			got := strings.TrimSuffix(out.String(), "The rules are checked against the site once the site file has no faults.\n")
			if !strings.Contains(string(want), "Error: ") {
				// Only warnings: what stops it is that there are no rules here.
				if !strings.Contains(got, "Rules file not read") {
					t.Errorf("the missing rules file is not said:\n%s", got)
				}
				return
			}
			if diff := cmp.Diff(string(want), got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// TestCheckBadRules runs the command over every faulty rules file, against the
// site of the demo, which has what a few of them lack: the others are refused, with
// lines and remedies.
func TestCheckBadRules(t *testing.T) {
	files, err := filepath.Glob("../../testdata/check/rules/*.hcl")
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < 15 {
		t.Fatalf("only %d faulty rules files", len(files))
	}
	place := regexp.MustCompile(`(?m)^  on .* line \d+`)
	inOrder := 0
	defer func() {
		if inOrder > len(files)/8 {
			t.Errorf("%d of %d faulty files are in order", inOrder, len(files))
		}
	}()
	heads := regexp.MustCompile(`(?m)^(Error|Warning): `)
	for _, name := range files {
		t.Run(filepath.Base(name), func(t *testing.T) {
			e, out, _ := testEnv()
			e.now = func() time.Time { return time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC) }
			code := run(t.Context(), []string{"check", "--rules", name, "internal/demo/alderfork.hcl"}, e)
			got := out.String()
			faulty := strings.Contains(got, "Error: ")
			if code == exitOK && !strings.Contains(got, "Warning: ") {
				inOrder++
			}
			if (code == exitFault) != faulty {
				t.Errorf("exit code %d with this output:\n%s", code, got)
			}
			if h, p := len(heads.FindAllString(got, -1)), len(place.FindAllString(got, -1)); p != h || code == exitFault && h == 0 {
				t.Errorf("%d diagnostics with %d places:\n%s", h, p, got)
			}
		})
	}
}

func TestCheckGoodSites(t *testing.T) {
	for _, name := range []string{"alderfork", "alderfork-us"} {
		e, out, errs := testEnv()
		code := run(t.Context(), []string{"check", "--rules", "internal/demo/" + name + "-rules.hcl", "internal/demo/" + name + ".hcl"}, e)
		if code != exitOK || !strings.Contains(out.String(), "is in order: 27 units, ") || !strings.Contains(out.String(), " probes, 5 lots, ") {
			t.Errorf("%s: exit code %d\n%s%s", name, code, out, errs)
		}
	}
}

// TestReadmeExamples checks the two example files in README.md as a keeper
// would who copied them.
func TestReadmeExamples(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	blocks := regexp.MustCompile("(?s)```hcl\n(.*?)```").FindAllStringSubmatch(string(text), -1)
	if len(blocks) != 2 {
		t.Fatalf("%d examples, want the site file and the rules file", len(blocks))
	}
	dir := writeFiles(t, map[string]string{"site.hcl": blocks[0][1], "rules.hcl": blocks[1][1], "probes.password": "p", "mail.password": "m"})
	e, out, _ := testEnv()
	if code := run(t.Context(), []string{"check", filepath.Join(dir, "site.hcl")}, e); code != exitOK || strings.Contains(out.String(), "Warning") {
		t.Errorf("exit code %d\n%s", code, out)
	}
}

// Password files are looked at, and only warned of: the daemon may be another
// user, or they may come later.
func TestCheckPasswordFiles(t *testing.T) {
	const siteFile = `site "Alder Fork" {
}
unit "spring" {
  kind = "spring"
}
probe "spring flow" {
  quantity = "flow"
  at       = "spring"
  topic    = "spring/flow"
}
broker {
  user "a" {
    password {
      file = "missing.password"
    }
  }
  user "b" {
    password {
      file = "open.password"
    }
  }
  user "c" {
    password {
      file = "closed.password"
    }
  }
}
person "kim" {
  email = "kim@alderfork.example"
}
mail {
  host = "mail.alderfork.example"
  from = "weir@alderfork.example"
  user = "weir"
  password {
    env = "WEIR_PASSWORD"
  }
}
`
	const rules = `low_flow "spring" {
  covers {
    all = true
  }
  setpoint   = "300 L/min"
  on_delay   = "2 min"
  priority   = "call-out"
  can_happen = "The fish have no water."
  to_do      = "Clear the intake screen."
}
`
	dir := writeFiles(t, map[string]string{"site.hcl": siteFile, "rules.hcl": rules, "open.password": "o", "closed.password": "c"})
	if err := os.Chmod(filepath.Join(dir, "open.password"), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Chdir(dir)
	e, out, _ := testEnv()
	code := run(t.Context(), []string{"check", "site.hcl"}, e)
	const want = `Warning: Password file missing

  on site.hcl line 14, in broker:
  14:       file = "missing.password"

There is no file "missing.password" yet. Write the password into it, alone,
and make it readable for the daemon only: chmod 600.

Warning: Password file open to all

  on site.hcl line 19, in broker:
  19:       file = "open.password"

Everybody on this computer can read "open.password". Give it to the daemon's
user alone: chmod 600.
`
	if code != exitOK || !strings.Contains(out.String(), want) || strings.Contains(out.String(), "closed.password") {
		t.Errorf("exit code %d\n%s", code, out)
	}
}

func TestCommandLine(t *testing.T) {
	tests := []struct {
		name string
		args []string
		code int
		says string // on either stream
	}{
		{"nothing", nil, exitUsage, "weirkeeper demo"},
		{"help", []string{"help"}, exitOK, "never the sole life support"},
		{"no such command", []string{"wacth"}, exitUsage, `there is no command "wacth"`},
		{"version", []string{"version"}, exitOK, "weirkeeper "},
		{"version with an argument", []string{"version", "x"}, exitUsage, "takes no arguments"},
		{"flag unknown", []string{"demo", "--sped", "3"}, exitUsage, "flag provided but not defined"},
		{"trouble unknown", []string{"demo", "--trouble", "flood@1h/1h"}, exitUsage, "flood"},
		{"help of a command", []string{"demo", "--help"}, exitOK, "screen-clog"},
		{"site file missing", []string{"check", "no-such.hcl"}, exitFault, "read the site file"},
		{"run without a site", []string{"run", "--site", "no-such.hcl"}, exitFault, "read the site file"},
		{"answer without a name", []string{"ack"}, exitUsage, "say who you are"},
		{"answer without a daemon", []string{"ack", "--by", "kim", "--at", "127.0.0.1:1"}, exitFault, "cannot be reached"},
		{"done without a chore", []string{"done", "--by", "kim"}, exitUsage, "takes a chore"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			e, out, errs := testEnv()
			if code := run(t.Context(), tt.args, e); code != tt.code {
				t.Errorf("exit code %d, want %d", code, tt.code)
			}
			if said := out.String() + errs.String(); !strings.Contains(said, tt.says) {
				t.Errorf("it said %q, want %q in it", said, tt.says)
			}
		})
	}
}

// TestDemo runs the whole demo as fast as it goes.
func TestDemo(t *testing.T) {
	for _, units := range []string{"--us=false", "--us"} {
		t.Run(units, func(t *testing.T) {
			e, out, errs := testEnv()
			code := run(t.Context(), []string{"demo", "--speed", "0", "--length", "4h", units, "--seed", "7"}, e)
			if code != exitOK {
				t.Fatalf("exit code %d: %s\n%s", code, errs, out)
			}
			for _, want := range []string{
				"never the sole life support", "RCD (GFCI)", "readings safe", "degree-days",
				"ALARM [call-out] Spring: low flow", "text message to +447700900123: Spring: low flow", "kim answers by text message", "mail accepted for rowan@alderfork.example: Answered: kim is coming",
				"back to normal [call-out] Spring: low flow", "1 alarms raised, 1 returned to normal",
			} {
				if !strings.Contains(out.String(), want) {
					t.Errorf("%q is not in the output:\n%s", want, out)
				}
			}
		})
	}
}
