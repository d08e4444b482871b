package faultbench

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// streamRules are the starter rules with limits for a raceway on a stream, whose
// water warms and cools by some degC each day: common practice, no source.
const streamRules = `
temperature_band "raceway" {
  covers {
    units = ["raceway 1"]
  }
  low        = "1 degC"
  high       = "23 degC"
  deadband   = "0.5 degC"
  on_delay   = "15 min"
  priority   = "call-out"
  can_happen = "Fish die of it."
  to_do      = "Look."
}
low_oxygen "raceway" {
  covers {
    units = ["raceway 1"]
  }
  setpoint   = "5 mg/L"
  deadband   = "0.5 mg/L"
  on_delay   = "10 min"
  off_delay  = "10 min"
  priority   = "call-out"
  can_happen = "Fish die of it."
  to_do      = "Look."
}
fast_change "raceway" {
  covers {
    units = ["raceway 1"]
  }
  change     = "4 degC"
  within     = "1 h"
  on_delay   = "10 min"
  off_delay  = "10 min"
  priority   = "call-out"
  can_happen = "A shock."
  to_do      = "Look."
}
temperature_drift "raceway" {
  covers {
    units = ["raceway 1"]
  }
  departure  = "6 degC"
  window     = "24 h"
  on_delay   = "15 min"
  priority   = "morning"
  can_happen = "A shock."
  to_do      = "Look."
}
stuck_probe "raceway" {
  covers {
    units      = ["raceway 1"]
  }
  longer_than = "6 h"
  priority    = "morning"
  can_happen  = "Nobody sees the water."
  to_do       = "Look."
}
jumping_probe "temperature" {
  covers {
    units      = ["raceway 1"]
    quantities = ["temperature"]
  }
  change     = "3 degC"
  within     = "10 min"
  times      = 5
  priority   = "morning"
  can_happen = "The number says nothing."
  to_do      = "Look."
}
probe_in_air "raceway" {
  covers {
    units      = ["raceway 1"]
    quantities = ["temperature"]
  }
  departure  = "4 degC"
  on_delay   = "15 min"
  off_delay  = "30 min"
  priority   = "morning"
  can_happen = "It measures the air."
  to_do      = "Look."
}
silent_probe "raceway" {
  covers {
    units = ["raceway 1"]
  }
  after      = "30 min"
  priority   = "call-out"
  can_happen = "Nobody sees the water."
  to_do      = "Look."
}
`

// streamSite has one raceway on the stream.
func streamSite() *site.Site {
	s := &site.Site{
		Name: "Stream", PressureHPa: 1013.25, Location: time.UTC,
		Show:  site.Show{Temperature: measure.DegC, Flow: measure.LPM, Oxygen: measure.MgL},
		Units: []site.Unit{{Name: "raceway 1", Kind: site.Raceway, VolumeL: 18000}},
	}
	for _, q := range []reading.Quantity{reading.Temperature, reading.Oxygen} {
		high := 40.0
		if q == reading.Oxygen {
			high = 25
		}
		s.Probes = append(s.Probes, site.Probe{ID: reading.ProbeID(q.String()), Quantity: q, At: "raceway 1", Low: -1, High: high, Every: 5 * time.Minute, Unit: q.Dimension().Base()})
	}
	return s
}

// streamReadings are those that testdata/stream-french/README.md lets count.
func streamReadings(t *testing.T) []reading.Reading {
	t.Helper()
	f, err := os.Open("../../../../testdata/stream-french/french.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }() // it was only read
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []reading.Reading
	last := time.Time{}
	for _, r := range all[1:] {
		if r[2] != "TOWN" || r[5] == "NA" || r[6] == "NA" || r[5] == "" || r[6] == "" {
			continue
		}
		at, err := time.ParseInLocation("1/2/2006 15:04:05", r[3]+" "+r[4], time.UTC)
		if err != nil {
			t.Fatal(err)
		}
		if !at.After(last) {
			continue
		}
		last = at
		for i, q := range []reading.Quantity{reading.Temperature, reading.Oxygen} {
			v, err := strconv.ParseFloat(r[5+i], 64)
			if err != nil {
				t.Fatal(err)
			}
			rows = append(rows, reading.Reading{Probe: reading.ProbeID(q.String()), At: at, ArrivedAt: at, Value: v})
		}
	}
	return rows
}

// handled are the stretches in which the record itself tells of a sonde that was
// handled, out of the water or away (README.md there): what is raised in them is
// no false alarm.
var handled = [][2]time.Time{
	{date(9, 4, 0), date(9, 7, 12)}, {date(9, 9, 0), date(9, 10, 0)}, {date(9, 12, 0), date(9, 14, 0)},
}

func date(month time.Month, day, hour int) time.Time {
	return time.Date(2012, month, day, hour, 0, 0, 0, time.UTC)
}

func isHandled(at time.Time, before time.Duration) bool {
	return slices.ContainsFunc(handled, func(h [2]time.Time) bool { return !at.Add(before).Before(h[0]) && at.Before(h[1]) })
}

// streamFault changes a reading some time after the fault began; false leaves it
// out.
type streamFault struct {
	name   string
	deadly bool
	kinds  []alarm.Kind
	probe  reading.ProbeID
	lasts  time.Duration
	alter  func(rnd *rand.Rand, r *reading.Reading, first float64, since time.Duration, severity float64) bool
}

var streamFaults = []streamFault{
	{"probe silent", false, []alarm.Kind{alarm.SilentProbe}, "temperature", 2 * time.Hour, func(_ *rand.Rand, _ *reading.Reading, _ float64, _ time.Duration, _ float64) bool { return false }},
	{"temperature stuck", false, []alarm.Kind{alarm.StuckProbe}, "temperature", 12 * time.Hour, func(_ *rand.Rand, r *reading.Reading, first float64, _ time.Duration, _ float64) bool {
		r.Value = first
		return true
	}},
	{"oxygen stuck", false, []alarm.Kind{alarm.StuckProbe}, "oxygen", 12 * time.Hour, func(_ *rand.Rand, r *reading.Reading, first float64, _ time.Duration, _ float64) bool {
		r.Value = first
		return true
	}},
	{"temperature jumping", false, []alarm.Kind{alarm.JumpingProbe, alarm.FastChange}, "temperature", 3 * time.Hour, func(rnd *rand.Rand, r *reading.Reading, _ float64, _ time.Duration, s float64) bool {
		r.Value += (6 + 6*s) * (rnd.Float64() - 0.5) * 2
		return true
	}},
	{"probe in the air", false, []alarm.Kind{alarm.ProbeInAir, alarm.FastChange, alarm.TemperatureDrift, alarm.TemperatureBand}, "temperature", 12 * time.Hour, func(rnd *rand.Rand, r *reading.Reading, _ float64, _ time.Duration, s float64) bool {
		hours := float64(r.At.Hour()) + float64(r.At.Minute())/60
		r.Value = 17 + 3*s + (7+2*s)*math.Cos((hours-15)/24*2*math.Pi) + 0.3*rnd.NormFloat64()
		return true
	}},
	{"warm water let in", false, []alarm.Kind{alarm.FastChange, alarm.TemperatureDrift, alarm.TemperatureBand}, "temperature", 6 * time.Hour, func(_ *rand.Rand, r *reading.Reading, _ float64, since time.Duration, s float64) bool {
		r.Value += (6 + 4*s) * min(1, since.Minutes()/30)
		return true
	}},
	{"too many fish for the oxygen", true, []alarm.Kind{alarm.LowOxygen}, "oxygen", 4 * time.Hour, func(_ *rand.Rand, r *reading.Reading, _ float64, since time.Duration, s float64) bool {
		r.Value = max(0.1, r.Value-(5+3*s)*min(1, since.Minutes()/60))
		return true
	}},
	{"aerator failing slowly", true, []alarm.Kind{alarm.LowOxygen}, "oxygen", 12 * time.Hour, func(_ *rand.Rand, r *reading.Reading, _ float64, since time.Duration, s float64) bool {
		r.Value = max(0.1, r.Value-(6+3*s)*since.Hours()/12)
		return true
	}},
}

// TestRealStream lets faults happen in a month of a real stream's temperature and
// oxygen, and tells what the month itself raises.
func TestRealStream(t *testing.T) {
	s := streamSite()
	files := hclread.NewFiles()
	prog, diags := lang.Parse(files, []lang.Source{{Name: "stream.hcl", Text: []byte(streamRules)}}, s)
	if len(diags) > 0 {
		var b strings.Builder
		if err := files.Render(&b, diags, 100); err != nil {
			t.Error(err)
		}
		t.Fatalf("diagnostics:\n%s", &b)
	}
	rows := streamReadings(t)
	first, last := rows[0].At, rows[len(rows)-1].At
	run := func(from, to time.Time, alter func(*reading.Reading) bool) (said []heard) {
		e := rules.New(s, prog)
		if _, err := e.Rebuild(from, rules.Past{WatchingSince: from}); err != nil {
			t.Fatal(err)
		}
		take := func(trs []alarm.Transition) {
			for _, tr := range trs {
				said = append(said, heard{tr, tr.To == alarm.Unacknowledged && tr.Priority == alarm.CallOut && tr.Hidden == "" && tr.Cause == ""})
			}
		}
		tick := from
		for i := range rows {
			r := rows[i]
			if r.At.Before(from) || r.At.After(to) {
				continue
			}
			for ; tick.Before(r.At); tick = tick.Add(10 * time.Second) {
				take(e.Tick(tick))
			}
			if alter == nil || alter(&r) {
				take(e.Reading(r.At, &r))
			}
		}
		return said
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%d seeds each\n%-30s %8s %9s %9s\n", *seeds, "fault in the real stream", "found", "median", "worst")
	for _, f := range streamFaults {
		var after []time.Duration
		for seed := range *seeds {
			rnd := rand.New(rand.NewPCG(uint64(seed), uint64(len(f.name))))
			var at time.Time
			for {
				at = rows[rnd.IntN(len(rows))].At
				if at.Sub(first) > 30*time.Hour && last.Sub(at) > 24*time.Hour && !isHandled(at, f.lasts) && !isHandled(at.Add(-26*time.Hour), 26*time.Hour) {
					break
				}
			}
			severity, held := rnd.Float64(), math.NaN()
			said := run(at.Add(-26*time.Hour), at.Add(f.lasts), func(r *reading.Reading) bool {
				if r.Probe != f.probe || r.At.Before(at) {
					return true
				}
				if math.IsNaN(held) {
					held = r.Value
				}
				return f.alter(rnd, r, held, r.At.Sub(at), severity)
			})
			i := slices.IndexFunc(said, func(h heard) bool {
				return h.Raised() && !h.At.Before(at) && slices.Contains(f.kinds, h.Kind) && (!f.deadly || h.calls)
			})
			if i < 0 {
				t.Logf("%s, seed %d, %s: not found", f.name, seed, at.Format("2 Jan 15:04"))
				if f.deadly {
					t.Errorf("%s, seed %d: nobody was called out", f.name, seed)
				}
				continue
			}
			after = append(after, said[i].At.Sub(at))
		}
		slices.Sort(after)
		median, worst := "-", "-"
		if n := len(after); n > 0 {
			median, worst = words(after[n/2]), words(after[n-1])
		}
		fmt.Fprintf(&b, "%-30s %3d %% %2d %9s %9s\n", f.name, 100*len(after)/int(*seeds), len(after), median, worst)
	}
	t.Log("\n" + b.String())

	watched, calls := time.Duration(0), 0
	for i := 2; i < len(rows); i += 2 {
		if d := rows[i].At.Sub(rows[i-2].At); d < time.Hour && !isHandled(rows[i].At, 0) {
			watched += d
		}
	}
	for _, h := range run(first, last, nil) {
		if !h.Raised() {
			continue
		}
		t.Logf("as it was: %s %s [%s] %s: %s (handled then: %v)", h.At.Format("2 Jan 15:04"), h.Key, h.Priority, h.Trouble, h.Detail, isHandled(h.At, 0))
		if h.calls && !isHandled(h.At, 0) {
			calls++
		}
	}
	t.Logf("the month as it was, without the stretches in which the sonde was handled: %s, %d false call-outs", words(watched), calls)
	if month := float64(calls) * 30 * 24 / watched.Hours(); month >= 1 {
		t.Errorf("%.2f false call-outs a month, want less than one", month)
	}
}
