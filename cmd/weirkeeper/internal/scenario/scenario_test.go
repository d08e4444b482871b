package scenario_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/scenario"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

var update = flag.Bool("update", false, "rewrite the golden files")

const words = `
  priority   = "call-out"
  can_happen = "Trouble."
  to_do      = "Look."
}
`

const rulesText = `low_flow "t" {
  covers {
    kinds = ["trough"]
  }
  setpoint  = "28 L/min"
  deadband  = "2 L/min"
  on_delay  = "2 min"
  off_delay = "3 min"` + words + `low_oxygen "r" {
  covers {
    units = ["raceway 1"]
  }
  setpoint = "6 mg/L"
  on_delay = "0 s"
  off_delay = "0 s"` + words + `missed_chore "c" {
  chore = "cleaning"` + words + `silent_probe "q" {
  covers {
    all    = true
    except = ["head box"]
  }
  after = "10 min"` + words

func rules(t *testing.T) (*site.Site, *lang.Program) {
	t.Helper()
	s := rulestest.Site()
	s.Units[0].DesignFlowLPM = 300
	files := hclread.NewFiles()
	prog, diags := lang.Parse(files, []lang.Source{{Name: "rules.hcl", Text: []byte(rulesText)}}, s)
	if len(diags) > 0 {
		t.Fatal(diags)
	}
	return s, prog
}

func TestFaults(t *testing.T) {
	s, prog := rules(t)
	dir := filepath.Join("..", "..", "..", "..", "testdata", "check", "scenarios")
	bad, err := filepath.Glob(filepath.Join(dir, "*.hcl"))
	if err != nil || len(bad) == 0 {
		t.Fatal(bad, err)
	}
	for _, path := range bad {
		name := filepath.Base(path)
		t.Run(name, func(t *testing.T) {
			src, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			files := hclread.NewFiles()
			_, diags := scenario.Parse(files, name, src, s, prog)
			if !diags.HasErrors() {
				t.Error("no fault found")
			}
			var b strings.Builder
			if err := files.Render(&b, diags, 78); err != nil {
				t.Fatal(err)
			}
			golden := strings.TrimSuffix(path, ".hcl") + ".txt"
			if *update {
				if err := os.WriteFile(golden, []byte(b.String()), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(string(want), b.String()); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
}

// What a scenario of half an hour with the flow of trough 1 gone from minute 10
// to 20 says of expectations that hold and that do not. Trough 1 speaks at 6/50
// of each minute and more, see the site's order of probes.
func TestExpectations(t *testing.T) {
	const gone = `during "10 min" {}
		during "10 min" {
			probe "trough 1 flow" {
				says = "0 L/min"
			}
		}
		during "10 min" {}
		`
	tests := []struct {
		name, text string
		want       []string // the failures
	}{
		{"holds, by its whole name", gone + `expect "low_flow/t/trough 1 flow" {
			not_before = "12 min"
			by = "14 min"
			over_by = "24 min"
			calls = true
		}
		nothing_else = true`, nil},
		{"holds, by the unit", gone + "expect \"low_flow/trough 1\" {\nby = \"14 min\"\n}", nil},
		{"holds, by the rule", gone + "expect \"low_flow/t\" {\nby = \"14 min\"\n}", nil},
		{"too late", gone + "expect \"low_flow/t\" {\nby = \"11 min\"\n}", []string{"low_flow/t/trough 1 flow was raised after 12 min 10 s; it should be by 11 min"}},
		{"too early", gone + "expect \"low_flow/t\" {\nnot_before = \"14 min\"\nby = \"20 min\"\n}", []string{"low_flow/t/trough 1 flow was raised after 12 min 10 s already; it should not be before 14 min"}},
		{"over too late", gone + "expect \"low_flow/t\" {\nby = \"20 min\"\nover_by = \"21 min\"\n}", []string{"low_flow/t/trough 1 flow was over after 23 min 10 s; it should be by 21 min"}},
		{"not raised", gone + "expect \"low_flow/trough 2\" {\nby = \"20 min\"\n}", []string{"low_flow/trough 2 was not raised; it should be by 20 min"}},
		{"raised though never", gone + `never = ["low_flow/trough 2", "low_flow/trough 1 flow"]`, []string{"low_flow/t/trough 1 flow was raised after 12 min 10 s: Trough 1: low flow, 0.0 L/min, setpoint 28.0 L/min"}},
		{"something else", gone + "expect \"low_flow/trough 2\" {\nby = \"20 min\"\n}\nnothing_else = true", []string{
			"low_flow/trough 2 was not raised; it should be by 20 min",
			"low_flow/t/trough 1 flow was raised after 12 min 10 s: Trough 1: low flow, 0.0 L/min, setpoint 28.0 L/min",
		}},
		{"called though it should not", gone + "expect \"low_flow/t\" {\nby = \"20 min\"\ncalls = false\n}", []string{"low_flow/t/trough 1 flow called somebody out"}},
		{"nobody called while it is cleaned", `during "15 min" {
			clean "trough 1" {
				by = "kim"
			}
			probe "trough 1 flow" {
				says = "0 L/min"
			}
		}
		during "10 min" {}
		expect "low_flow/t" {
			by = "5 min"
			calls = true
		}`, []string{"low_flow/t/trough 1 flow called nobody out: being cleaned by kim since 12:00"}},
		{"still there at the end", `during "15 min" {
			probe "trough 1 flow" {
				says = "0 L/min"
			}
		}
		expect "low_flow/t" {
			by = "5 min"
			over_by = "15 min"
		}`, []string{"low_flow/t/trough 1 flow still stood at the end; it should be over by 15 min"}},
		{"a straight line: 28 of 40 L/min is reached after 6 of 20 minutes", `during "20 min" {
			probe "trough 1 flow" {
				says = "40 L/min"
				to = "0 L/min"
			}
		}
		expect "low_flow/t" {
			not_before = "8 min"
			by = "10 min"
		}
		nothing_else = true`, nil},
		{"a probe falls silent, and speaks again", `during "20 min" {
			probe "trough 1 flow" {
				silent = true
			}
		}
		during "2 min" {}
		expect "silent_probe/trough 1 flow" {
			not_before = "9 min"
			by = "11 min"
			over_by = "22 min"
		}
		nothing_else = true`, nil},
		{"cleaning done is not missed", `begin = "2026-03-01 09:30"
		during "2 h" {
			done "cleaning" {}
		}
		nothing_else = true`, nil},
		{"cleaning not done is", `begin = "2026-03-01 09:30"
		during "2 h" {
			done "cleaning" {
				at = "trough 1"
			}
		}
		expect "missed_chore/trough 2" {
			not_before = "30 min"
			by = "30 min"
		}
		nothing_else = true`, nil},
		{"another usual value", `usual "trough 2 flow" {
			says = "20 L/min"
		}
		during "5 min" {}
		never = ["low_flow/trough 2"]`, []string{"low_flow/t/trough 2 flow was raised before the beginning: Trough 2: low flow, 20.0 L/min, setpoint 28.0 L/min"}},
	}
	s, prog := rules(t)
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			all, diags := scenario.Parse(hclread.NewFiles(), "x.hcl", []byte("scenario \"x\" {\n"+strings.ReplaceAll(tt.text, "\t", "")+"\n}\n"), s, prog)
			if len(diags) > 0 {
				t.Fatal(diags)
			}
			out, err := scenario.Run(t.Context(), s, prog, &all[0])
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, f := range out.Failures {
				if f.At.Start.Line < 2 {
					t.Errorf("%q is at line %d", f.Text, f.At.Start.Line)
				}
				got = append(got, f.Text)
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("(-want +got):\n%s\n%s", d, out.Raised(s))
			}
		})
	}
}
