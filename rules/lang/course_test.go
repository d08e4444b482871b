package lang_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

// Every kind that looks at how values move, or at several probes.
const everyCourse = `
fast_change "a" {
  covers {
    units = ["spring"]
  }
  change    = "1.8 degF"
  within    = "30 min"
  deadband  = "0.9 degF"
  direction = "rising"` + words + `}
fast_change "b" {
  covers {
    kinds = ["trough"]
  }
  change = "10 gpm"
  within = "1 h"` + words + `}
slow_drift "c" {
  covers {
    units = ["raceway 1"]
  }
  change    = "1 mg/L"
  per       = "7 d"
  direction = "falling"` + words + `}
slow_drift "d" {
  covers {
    units = ["deep 1"]
  }
  change = "10% saturation"
  per    = "14 d"
  over   = "30.5 d"` + words + `}
from_sister "e" {
  covers {
    kinds = ["stack"]
  }
  departure = "0.9 degF"
  sister    = "stack 2"` + words + `}
from_sister "f" {
  covers {
    kinds = ["spring", "stack"]
  }
  departure = "0.5 degC"
  deadband  = "0.2 degC"
  sisters   = "median"` + words + `}
water_balance "g" {
  covers {
    kinds = ["spring", "stack", "trough"]
  }
  source       = "spring"
  allowed_loss = "15%"` + words + `}
water_balance "h" {
  covers {
    kinds = ["stack"]
  }
  source       = "spring"
  allowed_loss = "15%"
  allowed_gain = "10 %"
  deadband     = "1%"
  on_delay     = "1 min"` + words + `}
high_flow "i" {
  covers {
    units = ["spring", "trough 1"]
  }
  setpoint = "20 gpm"` + words + `}
high_flow "j" {
  covers {
    units = ["stack 1", "trough 1"]
  }
  share_of_design_flow = "150%"` + words + `}
high_oxygen "k" {
  covers {
    kinds = ["raceway", "deep trough"]
  }
  setpoint = "110% saturation"` + words + `}
`

// What becomes of the kinds that look at how values move, written out and with
// their starting values. A change of temperature is a difference: 1.8 degF of it
// is 1 degC.
func TestCourses(t *testing.T) {
	got := good(t, rulestest.Site(), everyCourse)
	const gpm = 3.785411784 // L/min, by definition of the US gallon
	at := func(unit string, q reading.Quantity) lang.Watch {
		return lang.Watch{Unit: unit, Probe: reading.ProbeID(unit + " " + q.String())}
	}
	set := func(w lang.Watch, setpoint float64) lang.Watch {
		w.Setpoint = setpoint
		return w
	}
	rule := func(kind alarm.Kind, name string, deadband float64, c lang.Course, w ...lang.Watch) lang.Rule {
		return lang.Rule{
			Kind: kind, Name: name, Priority: alarm.CallOut, ReAlarm: lang.DefaultReAlarm, CanHappen: "Trouble.", ToDo: "Look.", OnDelay: time.Minute, OffDelay: 2 * time.Minute,
			Deadband: deadband, Course: c, Watches: w,
		}
	}
	const day = 24 * time.Hour
	want := []lang.Rule{
		rule(alarm.HighFlow, "i", 0.05*20*gpm, lang.Course{}, set(at("spring", reading.Flow), 20*gpm), set(at("trough 1", reading.Flow), 20*gpm)),
		rule(alarm.HighFlow, "j", 0.05*24, lang.Course{}, set(at("stack 1", reading.Flow), 24), set(at("trough 1", reading.Flow), 60)),
		rule(alarm.HighOxygen, "k", 3, lang.Course{}, set(at("raceway 1", reading.Oxygen), 110), set(at("deep 1", reading.Saturation), 110)),
		rule(alarm.FastChange, "a", 0.5, lang.Course{Change: 1, Within: 30 * time.Minute, Direction: lang.Rising}, at("spring", reading.Temperature)),
		rule(alarm.FastChange, "b", 2*gpm, lang.Course{Change: 10 * gpm, Within: time.Hour}, at("trough 1", reading.Flow), at("trough 2", reading.Flow)),
		rule(alarm.SlowDrift, "c", 0.2, lang.Course{Change: 1, Per: 7 * day, Over: 14 * day, Direction: lang.Falling}, at("raceway 1", reading.Oxygen)),
		rule(alarm.SlowDrift, "d", 2, lang.Course{Change: 10, Per: 14 * day, Over: 30 * day}, at("deep 1", reading.Saturation)),
		rule(alarm.FromSister, "e", 0.1, lang.Course{Change: 0.5, Sister: "stack 2 temperature"}, at("stack 1", reading.Temperature)),
		rule(alarm.FromSister, "f", 0.2, lang.Course{Change: 0.5, Others: []reading.ProbeID{"spring temperature", "stack 1 temperature", "stack 2 temperature"}},
			at("spring", reading.Temperature), at("stack 1", reading.Temperature), at("stack 2", reading.Temperature)),
		rule(alarm.WaterBalance, "g", 0.02, lang.Course{Loss: 0.15, Gain: 0.05, Others: []reading.ProbeID{"stack 1 flow", "stack 2 flow", "trough 1 flow", "trough 2 flow"}}, at("spring", reading.Flow)),
		rule(alarm.WaterBalance, "h", 0.01, lang.Course{Loss: 0.15, Gain: 0.1, Others: []reading.ProbeID{"stack 1 flow", "stack 2 flow"}}, at("spring", reading.Flow)),
	}
	want[2].InSaturation = true
	want[9].OnDelay = 10 * time.Minute
	for i := range got.Rules {
		got.Rules[i].At = ""
	}
	if d := cmp.Diff(want, got.Rules, near); d != "" {
		t.Errorf("program (-want +got):\n%s", d)
	}
	for over, days := range map[time.Duration]int{5 * day: 5, 9 * day: 5, 11 * day: 6, 14 * day: 7, 60 * day: 30} {
		if got := (&lang.Course{Over: over}).MinDays(); got != days {
			t.Errorf("over %v at least %d days, want %d", over, got, days)
		}
	}
}

// Water that comes through a unit that is covered too is not added up twice.
func TestBalanceOfUnitsInARow(t *testing.T) {
	s := rulestest.Site()
	s.Probes = append(s.Probes, site.Probe{ID: "head box flow", Quantity: reading.Flow, At: "head box", Unit: measure.LPM, High: 20000, Every: time.Minute})
	text := func(covers string) []lang.Source {
		return []lang.Source{{Name: "rules.hcl", Text: []byte("water_balance \"x\" {\n  covers {\n    " + covers + "\n  }\n  source       = \"spring\"\n  allowed_loss = \"15%\"" + words + "}\n")}}
	}
	files := hclread.NewFiles()
	_, diags := lang.Parse(files, text(`kinds = ["head box", "trough"]`), s)
	var out bytes.Buffer
	if err := files.Render(&out, diags, 200); err != nil {
		t.Fatal(err)
	}
	if !diags.HasErrors() || !strings.Contains(out.String(), "The water of trough 1 comes through head box, and both are covered. Cover only one of them.") {
		t.Errorf("diagnostics:\n%s", &out)
	}
	if _, diags := lang.Parse(hclread.NewFiles(), text(`kinds = ["head box"]`), s); diags.HasErrors() {
		t.Errorf("the head box alone: %v", diags)
	}
}
