package sim_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/config"
	"weirkeeper/ingest/payload"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// alderFork reads one of the demo's site files, which must be without a fault.
func alderFork(t *testing.T, name string) *site.Site {
	t.Helper()
	files := hclread.NewFiles()
	c, diags, err := config.Load(files, "../demo/"+name, config.Options{Now: start})
	if err != nil {
		t.Fatal(err)
	}
	if len(diags) != 0 {
		var b strings.Builder
		if err := files.Render(&b, diags, 100); err != nil {
			t.Error(err)
		}
		t.Fatalf("diagnostics:\n%s", &b)
	}
	return c.Site
}

func TestAlderFork(t *testing.T) {
	s := alderFork(t, "alderfork.hcl")
	kinds := make(map[site.Kind]int)
	for _, u := range s.Units {
		kinds[u.Kind]++
		if u.Kind == site.Stack && u.Trays != 8 {
			t.Errorf("%s has %d trays, want 8", u.Name, u.Trays)
		}
	}
	want := map[site.Kind]int{site.Spring: 1, site.HeadBox: 1, site.Stack: 6, site.Trough: 10, site.DeepTrough: 6, site.Raceway: 3}
	if diff := cmp.Diff(want, kinds); diff != "" {
		t.Errorf("units (-want +got):\n%s", diff)
	}
	if n := len(s.Probes); n < 45 || n > 60 {
		t.Errorf("%d probes, want 45 to 60", n)
	}
	for _, l := range s.Lots {
		if p := s.Species[strings.ToLower(l.Species)]; !l.Needs[lot.Hatch].Known() && !p.Needs[lot.Hatch].Known() && !lot.Published(l.Species, lot.Hatch).Known() {
			t.Errorf("lot %s: nothing is known of when %s hatches", l.ID, l.Species)
		}
	}
}

// near compares amounts to 2 percent.
func near[T ~float64]() cmp.Option {
	return cmp.Comparer(func(a, b T) bool { return math.Abs(float64(a-b)) <= 0.02*math.Abs(float64(a)) })
}

// TestAlderForkTwin compares the twin in US units: the same hatchery, within
// what rounding to plain US amounts makes.
func TestAlderForkTwin(t *testing.T) {
	si, us := alderFork(t, "alderfork.hcl"), alderFork(t, "alderfork-us.hcl")
	if want := (site.Show{Temperature: measure.DegF, Flow: measure.GPM, Oxygen: measure.MgL}); us.Show != want {
		t.Errorf("the twin shows %v, want %v", us.Show, want)
	}
	sends := make(map[measure.Unit]int)
	for i, p := range us.Probes {
		sends[p.Unit]++
		us.Probes[i].Unit = si.Probes[i].Unit
	}
	if sends[measure.DegF] == 0 || sends[measure.GPM] == 0 {
		t.Errorf("the twin's probes send %v", sends)
	}
	us.Show = si.Show
	diff := cmp.Diff(si, us, near[float64](), near[measure.FlowLPM](), near[measure.VolumeL](), near[measure.PressureHPa](), near[measure.DegreeDays](), near[measure.MassG](), near[measure.TempC](),
		cmp.Comparer(func(a, b *time.Location) bool { return a.String() == b.String() }),
		cmp.Comparer(func(a, b measure.Unit) bool { return a == b }))
	if diff != "" {
		t.Errorf("twin (-metric +US):\n%s", diff)
	}
}

// TestAlderForkNight simulates a quiet night at both sites and reads every
// message back as the daemon does.
func TestAlderForkNight(t *testing.T) {
	for _, name := range []string{"alderfork.hcl", "alderfork-us.hcl"} {
		t.Run(name, func(t *testing.T) {
			s := alderFork(t, name)
			m, err := sim.New(s, sim.Options{Seed: 1, Start: start})
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
			count := make(map[reading.ProbeID]int)
			lowest := make(map[reading.Quantity]float64)
			for hour := range 14 {
				due := m.Due(start.Add(time.Duration(hour+1) * time.Hour))
				for _, d := range due {
					samples, errs := decoders[d.Topic].Decode(d.Payload, d.At)
					if len(errs) > 0 || len(samples) != len(d.Probes) {
						t.Fatalf("%s: payload %s: %d samples of %v, %v", d.Topic, d.Payload, len(samples), d.Probes, errs)
					}
					for _, r := range samples {
						p, _ := s.Probe(r.Probe)
						count[r.Probe]++
						if !(r.Value >= p.Low && r.Value <= p.High) {
							t.Fatalf("%s reads %v, plausible is %v to %v", p.ID, r.Value, p.Low, p.High)
						}
						if !r.DeviceAt.IsZero() && !r.DeviceAt.Equal(d.At) {
							t.Fatalf("%s: sent at %v, device time %v", p.ID, d.At, r.DeviceAt)
						}
						share := 1.0
						if u, ok := s.Unit(p.At); ok && p.Quantity == reading.Flow {
							share = float64(u.DesignFlowLPM)
						}
						if v := r.Value / share; lowest[p.Quantity] == 0 || v < lowest[p.Quantity] {
							lowest[p.Quantity] = v
						}
					}
				}
				w := m.Water()
				if w.Overflow <= 0 {
					t.Errorf("%v: the head box runs dry on a quiet night", w.At)
				}
			}
			for _, p := range s.Probes {
				if n, want := count[p.ID], int(14*time.Hour/p.Every); n < want-2 || n > want+1 {
					t.Errorf("%s read %d times, want about %d", p.ID, n, want)
				}
			}
			// A quiet night is quiet (common practice, no source): nothing
			// is anywhere near what an alarm would be set to.
			if lowest[reading.Flow] < 0.92 || lowest[reading.Oxygen] < 6.8 || lowest[reading.Temperature] < 7.5 {
				t.Errorf("lowest values (flow as a share of design flow): %v", lowest)
			}
		})
	}
}
