package lang_test

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/hashicorp/hcl/v2"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// badFiles holds a rules file or a folder of them each, with what check says of
// it against rulestest.Site in a .txt beside it.
const badFiles = "../../testdata/check/rules"

func TestBadFiles(t *testing.T) {
	entries, err := os.ReadDir(badFiles)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, e := range entries {
		name, isFile := strings.CutSuffix(e.Name(), ".hcl")
		if !isFile && !e.IsDir() {
			continue
		}
		n++
		t.Run(name, func(t *testing.T) {
			paths := []string{filepath.Join(badFiles, e.Name())}
			if !isFile {
				if paths, err = filepath.Glob(filepath.Join(badFiles, name, "*.hcl")); err != nil {
					t.Fatal(err)
				}
			}
			var sources []lang.Source
			for _, p := range paths {
				text, err := os.ReadFile(p)
				if err != nil {
					t.Fatal(err)
				}
				sources = append(sources, lang.Source{Name: filepath.Base(p), Text: text})
			}
			files := hclread.NewFiles()
			_, diags := lang.Parse(files, sources, rulestest.Site())
			sound(t, diags)
			var out bytes.Buffer
			if err := files.Render(&out, diags, 78); err != nil {
				t.Fatal(err)
			}
			golden := filepath.Join(badFiles, name+".txt")
			if *update {
				if err := os.WriteFile(golden, out.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(string(want), out.String()); d != "" {
				t.Errorf("check says (-want +got):\n%s", d)
			}
			if !regexp.MustCompile(`on \S+ line [0-9]+`).Match(out.Bytes()) || !remedy.Match(out.Bytes()) {
				t.Errorf("no line number or no remedy in:\n%s", &out)
			}
		})
	}
	if n < 18 {
		t.Errorf("only %d bad files", n)
	}
}

// remedy is how a detail says what to do.
var remedy = regexp.MustCompile(`(?i)\b(write|add|delete|give|lower|move|choose|put|cover|leave|say|name some|wait|use|end this|did you mean|closing brace)\b`)

// sound checks what every diagnostic must have.
func sound(t *testing.T, diags hcl.Diagnostics) {
	t.Helper()
	for _, d := range diags {
		if d.Subject == nil || d.Subject.Start.Line < 1 || d.Summary == "" || d.Detail == "" {
			t.Errorf("diagnostic without a place or words: %+v", d)
		}
	}
}

// good parses sources that must be without fault.
func good(t *testing.T, s *site.Site, texts ...string) *lang.Program {
	t.Helper()
	files := hclread.NewFiles()
	var sources []lang.Source
	for i, text := range texts {
		sources = append(sources, lang.Source{Name: "folder/rules" + string(rune('a'+i)) + ".hcl", Text: []byte(text)})
	}
	p, diags := lang.Parse(files, sources, s)
	if len(diags) > 0 {
		var out bytes.Buffer
		if err := files.Render(&out, diags, 78); err != nil {
			t.Error(err)
		}
		t.Fatalf("diagnostics:\n%s", &out)
	}
	return p
}

const words = `
  priority   = "call-out"
  can_happen = "Trouble."
  to_do      = "Look."
`

// Every kind of rule with everything written.
const everyKindA = `
low_flow "troughs" {
  covers {
    sections = ["hatch house"]
    except   = ["stack 1", "stack 2"]
  }
  setpoint  = "7.5 gpm"
  deadband  = "0.5 gpm"
  on_delay  = "45 s"
  off_delay = "3 min"
  priority   = "note"
  can_happen = "Fry use up the oxygen."
  to_do = <<-EOT
    Open the valve,
    then the screen.
  EOT
}
`

const everyKindB = `
low_flow "stacks" {
  covers {
    kinds = ["stack"]
  }
  share_of_design_flow = "75 %"
  deadband             = "1 L/min"` + words + `}
temperature_drift "spring" {
  covers {
    units = "spring"
  }
  departure = "1.8 degF"
  deadband  = "0.9 degF"
  window    = "12 h"` + words + `}
temperature_from_spring "stacks" {
  covers {
    kinds = ["stack", "spring"]
  }
  departure = "2 degC"
  deadband  = "0.5 degC"` + words + `}
temperature_band "eggs" {
  covers {
    units = ["stack 1"]
  }
  low      = "39.2 degF"
  high     = "11 degC"
  deadband = "0.3 degC"` + words + `}
low_oxygen "mg" {
  covers {
    kinds = ["raceway", "deep trough"]
  }
  setpoint = "6 mg/L"
  deadband = "0.5 mg/L"` + words + `}
low_oxygen "share" {
  covers {
    kinds = ["raceway", "deep trough"]
  }
  setpoint = "70% saturation"
  deadband = "4%"` + words + `}
silent_probe "raceways" {
  covers {
    sections = ["raceways"]
  }
  after = "10 min"` + words + `}
missed_chore "cleaning" {
  covers {
    all = true
  }
  chore    = "cleaning"
  on_delay = "20 min"` + words + `}
missed_chore "intake" {
  chore = "intake clearing"` + words + `}
`

// What becomes of it.
func TestEverythingWritten(t *testing.T) {
	got := good(t, rulestest.Site(), everyKindA, everyKindB)
	const gpm = 3.785411784 // L/min, by definition of the US gallon
	rule := func(kind alarm.Kind, name, at string, rest lang.Rule) lang.Rule {
		rest.Kind, rest.Name, rest.At = kind, name, at
		if rest.Priority == 0 {
			rest.Priority, rest.ReAlarm, rest.CanHappen, rest.ToDo = alarm.CallOut, time.Hour, "Trouble.", "Look."
			if kind != alarm.SilentProbe && kind != alarm.MissedChore {
				rest.OnDelay, rest.OffDelay = time.Minute, 2*time.Minute // the defaults
			}
		}
		return rest
	}
	at := func(unit string, q reading.Quantity, setpoint float64) lang.Watch {
		return lang.Watch{Unit: unit, Probe: reading.ProbeID(unit + " " + q.String()), Setpoint: setpoint}
	}
	silent := func(unit string, q reading.Quantity) lang.Watch {
		w := at(unit, q, 0)
		w.After = 10 * time.Minute
		return w
	}
	missed := rule(alarm.MissedChore, "cleaning", "rulesb.hcl:73", lang.Rule{
		Chore: "cleaning", Watches: []lang.Watch{{Unit: "trough 1"}, {Unit: "trough 2"}},
	})
	missed.OnDelay = 20 * time.Minute
	want := []lang.Rule{
		rule(alarm.LowFlow, "troughs", "rulesa.hcl:2", lang.Rule{
			Priority: alarm.Note, CanHappen: "Fry use up the oxygen.", ToDo: "Open the valve, then the screen.",
			OnDelay: 45 * time.Second, OffDelay: 3 * time.Minute, Deadband: 0.5 * gpm,
			Watches: []lang.Watch{at("trough 1", reading.Flow, 7.5*gpm), at("trough 2", reading.Flow, 7.5*gpm)},
		}),
		rule(alarm.LowFlow, "stacks", "rulesb.hcl:2", lang.Rule{
			Deadband: 1, Watches: []lang.Watch{at("stack 1", reading.Flow, 12), at("stack 2", reading.Flow, 12)},
		}),
		rule(alarm.TemperatureDrift, "spring", "rulesb.hcl:12", lang.Rule{
			Departure: 1, Deadband: 0.5, Window: 12 * time.Hour, Watches: []lang.Watch{at("spring", reading.Temperature, 0)},
		}),
		rule(alarm.FromSpring, "stacks", "rulesb.hcl:23", lang.Rule{
			Departure: 2, Deadband: 0.5, Watches: []lang.Watch{at("stack 1", reading.Temperature, 0), at("stack 2", reading.Temperature, 0)},
		}),
		rule(alarm.TemperatureBand, "eggs", "rulesb.hcl:33", lang.Rule{
			Low: 4, High: 11, HasLow: true, HasHigh: true, Deadband: 0.3, Watches: []lang.Watch{at("stack 1", reading.Temperature, 0)},
		}),
		rule(alarm.LowOxygen, "mg", "rulesb.hcl:44", lang.Rule{
			Deadband: 0.5, Watches: []lang.Watch{at("raceway 1", reading.Oxygen, 6), at("deep 1", reading.Saturation, 6)},
		}),
		rule(alarm.LowOxygen, "share", "rulesb.hcl:54", lang.Rule{
			Deadband: 4, InSaturation: true, Watches: []lang.Watch{at("raceway 1", reading.Oxygen, 70), at("deep 1", reading.Saturation, 70)},
		}),
		rule(alarm.SilentProbe, "raceways", "rulesb.hcl:64", lang.Rule{
			Watches: []lang.Watch{silent("raceway 1", reading.Temperature), silent("raceway 1", reading.Oxygen), silent("deep 1", reading.Saturation)},
		}),
		missed,
		rule(alarm.MissedChore, "intake", "rulesb.hcl:83", lang.Rule{Chore: "intake clearing", Watches: []lang.Watch{{}}}),
	}
	if d := cmp.Diff(want, got.Rules, near); d != "" {
		t.Errorf("program (-want +got):\n%s", d)
	}
}

// near lets conversions of units round.
var near = cmp.Options{
	cmp.Comparer(func(a, b float64) bool { return a-b < 1e-9 && b-a < 1e-9 }),
	cmp.Comparer(func(a, b measure.TempC) bool { return a-b < 1e-9 && b-a < 1e-9 }),
}

// The smallest rules, and the starting values they get.
func TestDefaults(t *testing.T) {
	s := rulestest.Site()
	for i := range s.Probes {
		if s.Probes[i].ID == "raceway 1 oxygen" {
			s.Probes[i].Every = 5 * time.Minute
		}
	}
	got := good(t, s, `
low_flow "a" {
  covers {
    kinds = ["trough"]
  }
  setpoint = "30 L/min"`+words+`}
low_flow "b" {
  covers {
    units = ["stack 1", "trough 1"]
  }
  share_of_design_flow = "50%"`+words+`}
temperature_drift "c" {
  covers {
    units = ["spring"]
  }
  departure = "1 degC"`+words+`}
temperature_band "d" {
  covers {
    units = ["spring"]
  }
  high = "11 degC"`+words+`}
low_oxygen "e" {
  covers {
    units = ["raceway 1"]
  }
  setpoint = "6 mg/L"`+words+`}
low_oxygen "f" {
  covers {
    units = ["raceway 1"]
  }
  setpoint = "60% saturation"`+words+`}
silent_probe "g" {
  covers {
    units = ["raceway 1"]
  }`+words+`}
`)
	type one struct {
		Name           string
		Deadband       float64
		On, Off        time.Duration
		Window         time.Duration
		First, Last    float64       // setpoints
		AfterA, AfterB time.Duration // silence
	}
	var list []one
	for _, r := range got.Rules {
		a, b := r.Watches[0], r.Watches[len(r.Watches)-1]
		list = append(list, one{r.Name, r.Deadband, r.OnDelay, r.OffDelay, r.Window, a.Setpoint, b.Setpoint, a.After, b.After})
	}
	// Common practice, no source; the shares of 5 % and the 60 s are widely
	// attributed to the alarm standards (from memory).
	want := []one{
		{Name: "a", Deadband: 1.5, On: time.Minute, Off: 2 * time.Minute, First: 30, Last: 30},
		{Name: "b", Deadband: 0.4, On: time.Minute, Off: 2 * time.Minute, First: 8, Last: 20}, // 5 % of the least
		{Name: "c", Deadband: 0.2, On: time.Minute, Off: 2 * time.Minute, Window: 24 * time.Hour},
		{Name: "d", Deadband: 0.2, On: time.Minute, Off: 2 * time.Minute},
		{Name: "e", Deadband: 0.3, On: time.Minute, Off: 2 * time.Minute, First: 6, Last: 6},
		{Name: "f", Deadband: 3, On: time.Minute, Off: 2 * time.Minute, First: 60, Last: 60},
		{Name: "g", AfterA: 5 * time.Minute, AfterB: 15 * time.Minute}, // 3 intervals, at least 5 min
	}
	if d := cmp.Diff(want, list, near); d != "" {
		t.Errorf("starting values (-want +got):\n%s", d)
	}
	if !got.Rules[3].HasHigh || got.Rules[3].HasLow {
		t.Error("a band with only high has a low, or no high")
	}
}

// A conversion of oxygen needs a temperature somewhere.
func TestOxygenWithoutTemperature(t *testing.T) {
	s := rulestest.Site()
	s.Probes = slices.DeleteFunc(s.Probes, func(p site.Probe) bool { return p.Quantity == reading.Temperature })
	text := `low_oxygen "e" {
  covers {
    units = ["deep 1"]
  }
  setpoint = "SET"` + words + "}\n"
	files := hclread.NewFiles()
	good(t, s, strings.Replace(text, "SET", "60% saturation", 1))
	_, diags := lang.Parse(files, []lang.Source{{Name: "r.hcl", Text: []byte(strings.Replace(text, "SET", "6 mg/L", 1))}}, s)
	if len(diags) != 1 || diags[0].Summary != "Temperature not known" || !strings.Contains(diags[0].Detail, `"deep 1 saturation" reads % saturation`) {
		t.Errorf("got %v", diags)
	}
	text = strings.Replace(text, "low_oxygen", "temperature_from_spring", 1)
	text = strings.Replace(text, `setpoint = "SET"`, `departure = "1 degC"`, 1)
	_, diags = lang.Parse(files, []lang.Source{{Name: "r.hcl", Text: []byte(text)}}, s)
	if !slices.ContainsFunc(diags, func(d *hcl.Diagnostic) bool { return d.Summary == "No spring temperature" }) {
		t.Errorf("got %v", diags)
	}
}

// The last value that is let through, and the first that is not.
func TestLimits(t *testing.T) {
	tests := []struct {
		kind, units, good, bad, summary string
	}{
		{"silent_probe", "trough 1", `after = "2 min"`, `after = "119 s"`, "Too impatient"},
		{"temperature_band", "stack 1", `low = "-0.9 degC"`, `low = "-1 degC"`, "Setpoint out of reach"},
		{"temperature_band", "stack 1", `high = "29.9 degC"`, `high = "30 degC"`, "Setpoint out of reach"},
		{"temperature_band", "stack 1", "low = \"7 degC\"\nhigh = \"8 degC\"\ndeadband = \"0.5 degC\"", "low = \"7 degC\"\nhigh = \"8 degC\"\ndeadband = \"0.51 degC\"", "Band too narrow"},
		{"low_flow", "trough 1", "setpoint = \"38 L/min\"\ndeadband = \"2 L/min\"", "setpoint = \"38.1 L/min\"\ndeadband = \"2 L/min\"", "Setpoint above design flow"},
		{"low_flow", "spring", "setpoint = \"19999 L/min\"\ndeadband = \"1 L/min\"", "setpoint = \"19999 L/min\"\ndeadband = \"2 L/min\"", "Setpoint out of reach"},
		{"low_flow", "trough 1", `share_of_design_flow = "95%"`, `share_of_design_flow = "100%"`, "Not a share"},
		{"temperature_drift", "spring", "departure = \"1 degC\"\ndeadband = \"0.99 degC\"", "departure = \"1 degC\"\ndeadband = \"1 degC\"", "Deadband too wide"},
		{"temperature_drift", "spring", "departure = \"1 degC\"\nwindow = \"1 h\"", "departure = \"1 degC\"\nwindow = \"59 min\"", "Window out of sense"},
		{"temperature_drift", "spring", "departure = \"1 degC\"\nwindow = \"7 d\"", "departure = \"1 degC\"\nwindow = \"7.1 d\"", "Window out of sense"},
	}
	for _, tt := range tests {
		text := func(rest string) string {
			return tt.kind + " \"a\" {\n covers {\n  units = [\"" + tt.units + "\"]\n }\n " + rest + words + "}\n"
		}
		s := rulestest.Site()
		good(t, s, text(tt.good))
		_, diags := lang.Parse(hclread.NewFiles(), []lang.Source{{Name: "r.hcl", Text: []byte(text(tt.bad))}}, s)
		if len(diags) != 1 || diags[0].Summary != tt.summary {
			t.Errorf("%s: got %v, want %s", tt.bad, diags, tt.summary)
		}
	}
}

func TestNoFiles(t *testing.T) {
	_, diags := lang.Parse(hclread.NewFiles(), nil, rulestest.Site())
	sound(t, diags)
	if len(diags) != 1 || diags[0].Summary != "No rules" {
		t.Errorf("got %v, want no rules", diags)
	}
}

// No two watches share a key, whatever names have in them.
func TestKeys(t *testing.T) {
	tests := []struct {
		rule  lang.Rule
		watch lang.Watch
		want  alarm.Key
	}{
		{lang.Rule{Kind: alarm.LowFlow, Name: "a"}, lang.Watch{Unit: "u", Probe: "b/c"}, "low_flow/a/b/c"},
		{lang.Rule{Kind: alarm.LowFlow, Name: "a/b"}, lang.Watch{Unit: "u", Probe: "c"}, `low_flow/a\/b/c`},
		{lang.Rule{Kind: alarm.LowFlow, Name: `a\`}, lang.Watch{Unit: "u", Probe: "b/c"}, `low_flow/a\\/b/c`},
		{lang.Rule{Kind: alarm.MissedChore, Name: "a"}, lang.Watch{Unit: "u"}, "missed_chore/a/u"},
		{lang.Rule{Kind: alarm.MissedChore, Name: "a"}, lang.Watch{}, "missed_chore/a/"},
	}
	seen := make(map[alarm.Key]bool)
	for _, tt := range tests {
		got := tt.rule.Key(tt.watch)
		if got != tt.want || seen[got] {
			t.Errorf("rule %q, probe %q: key %q (seen %v), want %q", tt.rule.Name, tt.watch.Probe, got, seen[got], tt.want)
		}
		seen[got] = true
	}
}

// FuzzParse: no panic; every diagnostic has its place and words; every error
// says so twice alike; a program without errors can be run by the engine's
// standards: each rule watches something that is there.
func FuzzParse(f *testing.F) {
	paths, err := filepath.Glob(badFiles + "/*.hcl")
	if err != nil {
		f.Fatal(err)
	}
	for _, p := range paths {
		text, err := os.ReadFile(p)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Add([]byte(everyKindA))
	f.Add([]byte(everyKindB))
	f.Add([]byte(everyCourse))
	s := rulestest.Site()
	f.Fuzz(func(t *testing.T, text []byte) {
		parse := func() (*lang.Program, hcl.Diagnostics, string) {
			files := hclread.NewFiles()
			p, diags := lang.Parse(files, []lang.Source{{Name: "r.hcl", Text: text}}, s)
			var out bytes.Buffer
			if err := files.Render(&out, diags, 78); err != nil {
				t.Fatal(err)
			}
			return p, diags, out.String()
		}
		p, diags, first := parse()
		sound(t, diags)
		if _, _, second := parse(); second != first {
			t.Errorf("the second time it says something else:\n%s", cmp.Diff(first, second))
		}
		if diags.HasErrors() {
			return
		}
		if len(p.Rules) == 0 {
			t.Error("no error and no rules")
		}
		for _, r := range p.Rules {
			if len(r.Watches) == 0 || r.Priority == 0 || r.CanHappen == "" || r.ToDo == "" || !(r.Deadband >= 0) || r.OnDelay < 0 || r.OffDelay < 0 {
				t.Errorf("rule that is not complete: %+v", r)
			}
			for _, w := range r.Watches {
				if _, ok := s.Probe(w.Probe); ok == (r.Kind == alarm.MissedChore || r.Kind == alarm.Condition) {
					t.Errorf("rule %q watches probe %q", r.Name, w.Probe)
				}
			}
		}
	})
}
