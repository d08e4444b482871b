package demo_test

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/config"
	"weirkeeper/ingest/payload"
	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

var dusk = time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC)

// starter reads a demo site and its rules, which must be without a fault and
// without a warning but the one for the mail server.
func starter(t *testing.T, siteFile, rulesFile string) (*site.Site, *lang.Program) {
	t.Helper()
	files := hclread.NewFiles()
	c, _, err := config.Load(files, siteFile, config.Options{Now: dusk})
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(rulesFile)
	if err != nil {
		t.Fatal(err)
	}
	prog, diags := lang.Parse(files, []lang.Source{{Name: rulesFile, Text: text}}, c.Site)
	if len(diags) > 0 {
		var b strings.Builder
		if err := files.Render(&b, diags, 100); err != nil {
			t.Error(err)
		}
		t.Fatalf("diagnostics:\n%s", &b)
	}
	return c.Site, prog
}

// What a rule watches and how, but for the numbers that rounding to plain US
// amounts changes.
func TestStarterRulesTwin(t *testing.T) {
	_, si := starter(t, "alderfork.hcl", "alderfork-rules.hcl")
	_, us := starter(t, "alderfork-us.hcl", "alderfork-us-rules.hcl")
	near := cmp.Comparer(func(a, b float64) bool { return max(a, b) <= 1.2*min(a, b) })
	for _, p := range []*lang.Program{si, us} {
		for i := range p.Rules {
			r := &p.Rules[i]
			r.At = ""
			r.ToDo = strings.NewReplacer("1 degC in", "N in", "2 degF in", "N in").Replace(r.ToDo)
		}
	}
	if diff := cmp.Diff(si, us, near, cmp.Comparer(func(a, b measure.TempC) bool { return a-b < 0.25 && b-a < 0.25 })); diff != "" {
		t.Errorf("the twin differs (-metric +US):\n%s", diff)
	}
}

// night runs the simulated hatchery through its sensors' own payloads into the
// engine and returns what was raised, in order.
func night(t *testing.T, s *site.Site, prog *lang.Program, length time.Duration, troubles ...string) []alarm.Transition {
	t.Helper()
	opt := sim.Options{Seed: 1, Start: dusk}
	for _, text := range troubles {
		tr, err := sim.ParseTrouble(text)
		if err != nil {
			t.Fatal(err)
		}
		opt.Troubles = append(opt.Troubles, tr)
	}
	m, err := sim.New(s, opt)
	if err != nil {
		t.Fatal(err)
	}
	byTopic := make(map[string][]site.Probe)
	for _, p := range s.Probes {
		byTopic[p.Topic] = append(byTopic[p.Topic], p)
	}
	decoders := make(map[string]*payload.Decoder)
	for topic, probes := range byTopic {
		if decoders[topic], err = payload.NewDecoder(probes); err != nil {
			t.Fatal(err)
		}
	}
	e := rules.New(s, prog)
	if _, err := e.Rebuild(dusk, rules.Past{WatchingSince: dusk}); err != nil {
		t.Fatal(err)
	}
	var raised []alarm.Transition
	keep := func(ts []alarm.Transition) {
		for _, tr := range ts {
			if tr.Raised() && tr.Kind != alarm.LotDue { // what draws near is no trouble
				raised = append(raised, tr)
			}
		}
	}
	for now := dusk; !now.After(dusk.Add(length)); now = now.Add(10 * time.Second) {
		for _, due := range m.Due(now) {
			// A silent probe is missing from its message, which is an error here.
			samples, _ := decoders[due.Topic].Decode(due.Payload, due.At)
			for _, p := range samples {
				r := reading.Reading{Probe: p.Probe, At: due.At, ArrivedAt: due.At, Value: p.Value}
				keep(e.Reading(due.At, &r))
			}
		}
		keep(e.Tick(now))
	}
	return raised
}

func TestStarterRulesOnAQuietNight(t *testing.T) {
	for _, f := range [][2]string{{"alderfork.hcl", "alderfork-rules.hcl"}, {"alderfork-us.hcl", "alderfork-us-rules.hcl"}} {
		s, prog := starter(t, f[0], f[1])
		// Until before the first chore is due.
		for _, tr := range night(t, s, prog, 14*time.Hour) {
			t.Errorf("%s: %s raised %q (%s)", f[1], tr.At.Format("15:04:05"), tr.Trouble, tr.Detail)
		}
	}
}

// Each trouble is told of by the rule meant for it, in time: the limit is when
// that rule has seen enough.
func TestStarterRulesTellOfTrouble(t *testing.T) {
	s, prog := starter(t, "alderfork.hcl", "alderfork-rules.hcl")
	tests := []struct {
		trouble string
		first   alarm.Key
		within  time.Duration // after 2 h
	}{
		{"screen-clog@2h/1h", "low_flow/spring/spring flow", 10 * time.Minute},
		{"standpipe-up:trough 3@2h/1h", "low_flow/troughs/trough 3 flow", 4 * time.Minute},
		{"standpipe-up:raceway 2@2h/1h", "low_flow/deep troughs and raceways/raceway 2 flow", 4 * time.Minute},
		{"oxygen-low:deep trough 1A@2h/2h/60%", "low_oxygen/raceways and deep troughs/deep trough 1A oxygen", 90 * time.Minute},
		{"probe-silent:stack 2 temperature@2h/1h", "silent_probe/all others/stack 2 temperature", 17 * time.Minute},
		{"probe-silent:spring flow@2h/1h", "silent_probe/spring/spring flow", 10 * time.Minute},
		{"probe-drift:stack 1 temperature@2h/2h/80%", "temperature_from_spring/stacks and troughs/stack 1 temperature", 2 * time.Hour},
	}
	for _, tt := range tests {
		t.Run(tt.trouble, func(t *testing.T) {
			raised := night(t, s, prog, 4*time.Hour, tt.trouble)
			if len(raised) == 0 {
				t.Fatal("nothing was raised")
			}
			after := raised[0].At.Sub(dusk.Add(2 * time.Hour))
			if raised[0].Key != tt.first || after < 0 || after > tt.within {
				t.Errorf("first raised %q %v after the trouble began (%s), want %q within %v", raised[0].Key, after, raised[0].Detail, tt.first, tt.within)
			}
		})
	}
}
