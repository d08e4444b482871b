package faultbench

import (
	"flag"
	"fmt"
	"maps"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/demo"
	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/oxyclock"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
	"weirkeeper/rules/stock"
)

var (
	seeds  = flag.Int64("seeds", 1, "how many times each fault is tried; with one, only those that threaten lives are")
	nights = flag.Int("nights", 2, "how many quiet nights are watched")
	only   = flag.String("fault", "", "try only the faults whose name has this in it")
)

// warm is how long all is well before a fault: long enough for the medians.
const warm = 8 * time.Hour

// critical is the oxygen at which fish are in danger, mg/L, as in rules/oxyclock.
const critical = 5

// fault is one kind of trouble.
type fault struct {
	name string
	// life: fish die of it within hours if nobody comes.
	life bool
	// lasts is how long the engine is watched from its beginning.
	lasts time.Duration
	// set draws its place and severity into the life, at the time given.
	set func(l *life, rnd *rand.Rand, at time.Duration)
	// found tells whether a transition is of it.
	found func(l *life, t *alarm.Transition) bool
}

func pick[T any](rnd *rand.Rand, of []T) T { return of[rnd.IntN(len(of))] }

// among is a severity between two.
func among(rnd *rand.Rand, low, high float64) float64 { return low + (high-low)*rnd.Float64() }

func isKind(kinds ...alarm.Kind) func(*life, *alarm.Transition) bool {
	return func(_ *life, t *alarm.Transition) bool { return slices.Contains(kinds, t.Kind) }
}

// here is a kind at the unit or probe of the life's only trouble.
func here(kinds ...alarm.Kind) func(*life, *alarm.Transition) bool {
	return func(l *life, t *alarm.Transition) bool {
		where := l.troubles[0].Where
		p, ok := l.site.Probe(reading.ProbeID(where))
		return slices.Contains(kinds, t.Kind) && (t.Unit == where || string(t.Probe) == where || ok && p.At == t.Unit && t.Probe == "")
	}
}

func trouble(kind sim.Kind, length time.Duration, low, high float64) func(*life, *rand.Rand, time.Duration) {
	return func(l *life, rnd *rand.Rand, at time.Duration) {
		l.troubles = append(l.troubles, sim.Trouble{Kind: kind, Start: at, Length: length, Severity: severity(rnd, low, high)})
	}
}

func severity(rnd *rand.Rand, low, high float64) float64 {
	if high == 0 {
		return 0
	}
	return among(rnd, low, high)
}

func atUnit(kind sim.Kind, length time.Duration, low, high float64, kinds ...site.Kind) func(*life, *rand.Rand, time.Duration) {
	return func(l *life, rnd *rand.Rand, at time.Duration) {
		var units []string
		for _, u := range l.site.Units {
			if slices.Contains(kinds, u.Kind) {
				units = append(units, u.Name)
			}
		}
		l.troubles = append(l.troubles, sim.Trouble{Kind: kind, Where: pick(rnd, units), Start: at, Length: length, Severity: severity(rnd, low, high)})
	}
}

func atProbe(kind sim.Kind, length time.Duration, low, high float64, quantities ...reading.Quantity) func(*life, *rand.Rand, time.Duration) {
	return func(l *life, rnd *rand.Rand, at time.Duration) {
		var probes []*site.Probe
		for _, q := range quantities {
			probes = append(probes, probesAt(l.site, q)...)
		}
		l.troubles = append(l.troubles, sim.Trouble{Kind: kind, Where: string(pick(rnd, probes).ID), Start: at, Length: length, Severity: severity(rnd, low, high)})
	}
}

var (
	stocked = []site.Kind{site.Trough, site.DeepTrough, site.Raceway}
	water   = []alarm.Kind{alarm.LowFlow, alarm.LowOxygen, alarm.WaterBalance, alarm.Condition, alarm.CommonCause, alarm.FastChange, alarm.FromSister}
	warmth  = []alarm.Kind{alarm.TemperatureBand, alarm.TemperatureDrift, alarm.FromSpring, alarm.FastChange, alarm.SlowDrift, alarm.FromSister, alarm.Condition}
)

var faults = []fault{
	{"screen clogging", true, 3 * time.Hour, trouble(sim.ScreenClog, 3*time.Hour, 0.3, 0.9), isKind(water...)},
	{"spring failing slowly", true, 8 * time.Hour, trouble(sim.SpringFail, 8*time.Hour, 0.5, 1), isKind(water...)},
	{"spring failing at once", true, 2 * time.Hour, trouble(sim.SpringFail, time.Minute, 0.7, 1), isKind(water...)},
	{"pipe burst", true, 2 * time.Hour, trouble(sim.PipeLeak, 2*time.Hour, 0.5, 0.9), isKind(water...)},
	{"leak", false, 4 * time.Hour, trouble(sim.PipeLeak, 4*time.Hour, 0.15, 0.3), isKind(water...)},
	{"head box blocked to a section", true, 2 * time.Hour, func(l *life, rnd *rand.Rand, at time.Duration) {
		l.troubles = append(l.troubles, sim.Trouble{Kind: sim.SectionBlocked, Where: pick(rnd, l.site.Sections).Name, Start: at, Length: 2 * time.Hour, Severity: among(rnd, 0.6, 1)})
	}, isKind(water...)},
	{"standpipe left up", true, 2 * time.Hour, atUnit(sim.StandpipeUp, 2*time.Hour, 0.9, 1, stocked...), here(water...)},
	{"valve half shut", true, 3 * time.Hour, atUnit(sim.StandpipeUp, 3*time.Hour, 0.45, 0.6, append(stocked, site.Stack)...), here(water...)},
	{"low oxygen by overload", true, 4 * time.Hour, atUnit(sim.OxygenLow, 4*time.Hour, 0.55, 0.8, site.DeepTrough, site.Raceway), here(alarm.LowOxygen, alarm.Condition, alarm.FastChange)},
	{"low oxygen by a failing aerator", true, 8 * time.Hour, atUnit(sim.OxygenFade, 8*time.Hour, 0.6, 0.9, site.DeepTrough, site.Raceway), here(alarm.LowOxygen, alarm.Condition, alarm.SlowDrift, alarm.FastChange)},
	{"warm surface water", false, 9 * time.Hour, trouble(sim.WarmWater, 9*time.Hour, 0.4, 1), isKind(warmth...)},
	{"melt water, ice", false, 9 * time.Hour, trouble(sim.ColdWater, 9*time.Hour, 0.4, 1), isKind(warmth...)},
	{"probe silent", false, time.Hour, atProbe(sim.ProbeSilent, time.Hour, 0, 0, reading.Temperature, reading.Flow, reading.Oxygen), here(alarm.SilentProbe)},
	{"probe stuck", false, 16 * time.Hour, atProbe(sim.ProbeFrozen, 16*time.Hour, 0, 0, reading.Temperature, reading.Flow, reading.Oxygen), here(alarm.StuckProbe, alarm.FromSister)},
	{"probe drifting", false, 24 * time.Hour, atProbe(sim.ProbeDrift, 24*time.Hour, 0.7, 1, reading.Temperature, reading.Flow, reading.Oxygen), here(append([]alarm.Kind{alarm.SlowDrift, alarm.LowFlow, alarm.LowOxygen, alarm.WaterBalance}, warmth...)...)},
	{"probe jumping", false, 3 * time.Hour, atProbe(sim.ProbeJumping, 3*time.Hour, 0.6, 1, reading.Temperature, reading.Flow, reading.Oxygen), here(alarm.JumpingProbe, alarm.FastChange, alarm.ImpossibleValue)},
	{"probe in the air", false, 6 * time.Hour, atProbe(sim.ProbeInAir, 6*time.Hour, 0, 0, reading.Temperature), here(append([]alarm.Kind{alarm.ProbeInAir}, warmth...)...)},
	{"mains lost", false, time.Hour, trouble(sim.PowerCut, time.Hour, 0, 0), isKind(alarm.Contact, alarm.SilentProbe)},
	{"broker gone", false, time.Hour, func(l *life, rnd *rand.Rand, at time.Duration) {
		trouble(sim.BrokerGone, time.Hour, 0, 0)(l, rnd, at)
		l.gone.from, l.gone.to = at, at+time.Hour
	}, isKind(alarm.DaemonHealth, alarm.SilentProbe)},
	{"cleaning missed", false, 24 * time.Hour, func(l *life, rnd *rand.Rand, _ time.Duration) {
		for _, c := range l.site.Chores {
			if c.Name == "cleaning" {
				l.forget = pick(rnd, c.Units)
			}
		}
	}, func(l *life, t *alarm.Transition) bool { return t.Kind == alarm.MissedChore && t.Unit == l.forget }},
}

// try is one fault in one seed.
type try struct {
	found bool
	after time.Duration
	// bound is when the oxygen may run out, after the fault began; 0 if not.
	bound time.Duration
	where string
}

// attempt lets one fault happen.
func attempt(s *site.Site, prog *lang.Program, f *fault, seed int64) (try, error) {
	rnd := rand.New(rand.NewPCG(uint64(seed), uint64(len(f.name))))
	at := warm + time.Duration(rnd.IntN(12*60))*time.Minute
	l := &life{site: s, prog: prog, seed: seed, start: demo.Start.Add(time.Duration(seed) * 53 * time.Hour), length: at + f.lasts}
	f.set(l, rnd, at)
	if l.forget != "" {
		// From the hour by which it was due.
		l.length = 48 * time.Hour
		day := l.start.In(s.Location)
		if at = time.Date(day.Year(), day.Month(), day.Day(), 10, 0, 0, 0, s.Location).Sub(l.start); at < 0 {
			at += 24 * time.Hour
		}
	}
	began := l.start.Add(at)
	out := try{where: l.forget}
	if len(l.troubles) > 0 {
		out.where = l.troubles[0].String()
	}
	clocks := make(map[string]time.Time) // when the oxygen of a unit may run out
	if f.life {
		l.look = func(now time.Time, m *sim.Model) {
			if now.Before(began) || out.bound > 0 && now.Sub(began) > out.bound {
				return
			}
			w := m.Water()
			for _, u := range s.Units {
				kg, here := m.StockKg(u.Name), w.Units[u.Name]
				if kg == 0 {
					continue
				}
				if float64(here.Flow) < 0.5*float64(u.DesignFlowLPM) && clocks[u.Name].IsZero() && !cleaned(l, u.Name, now) {
					c := oxyclock.Of([]stock.Fish{{Number: int(kg * 20), MeanWeightG: 50}}, oxyclock.Water{
						VolumeL: u.VolumeL, HaveFlow: true, TempC: here.Temp, HaveTemp: true, NowMgL: here.Oxygen, HaveNow: true, UsualLPM: u.DesignFlowLPM, InflowMgL: w.HeadBox.Oxygen, FlowLPM: here.Flow,
					})
					if c.Known() && !c.Holds() {
						clocks[u.Name] = now.Add(c.Low)
					} else {
						clocks[u.Name] = now.Add(1000 * time.Hour)
					}
				}
				if end := clocks[u.Name]; here.Oxygen <= critical && !cleaned(l, u.Name, now) || !end.IsZero() && !now.Before(end) {
					out.bound = max(now.Sub(began), time.Second)
				}
			}
		}
	}
	said, err := l.live()
	if err != nil {
		return out, err
	}
	for i := range said {
		t := &said[i]
		told := t.Raised() || t.To == alarm.Unacknowledged && t.calls // what was hidden counts when it is told
		if !told || t.At.Before(began) || f.life && !t.calls || !f.found(l, &t.Transition) {
			continue
		}
		out.found, out.after = true, t.At.Sub(began)
		break
	}
	return out, nil
}

// cleaned reports whether a unit's standpipe is up for cleaning.
func cleaned(l *life, unit string, now time.Time) bool {
	for _, t := range l.cleaning {
		if since := now.Sub(l.start); t.Where == unit && since >= t.Start && since < t.Start+t.Length+15*time.Minute {
			return true
		}
	}
	return false
}

// each runs n jobs on all processors.
func each(n int, job func(i int)) {
	var wg sync.WaitGroup
	next := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for i := range next {
				job(i)
			}
		}()
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
}

func words(d time.Duration) string { return measure.FormatDuration(d.Round(time.Second)) }

// TestFaultBench tries every fault in every seed, watches the quiet nights, and
// reports both.
func TestFaultBench(t *testing.T) {
	c, prog, err := demo.Load(false, demo.Start)
	if err != nil {
		t.Fatal(err)
	}
	prog = lang.WatchSilence(prog, c.Site)
	var chosen []*fault
	for i := range faults {
		if strings.Contains(faults[i].name, *only) && (faults[i].life || *seeds > 1 || *only != "") {
			chosen = append(chosen, &faults[i])
		}
	}
	n := int(*seeds)
	tries := make([]try, len(chosen)*n)
	errs := make([]error, len(tries))
	each(len(tries), func(i int) { tries[i], errs[i] = attempt(c.Site, prog, chosen[i/n], int64(i%n)) })
	var b strings.Builder
	fmt.Fprintf(&b, "%d seeds each\n%-34s %6s %8s %9s %9s  %s\n", n, "fault", "deadly", "found", "median", "worst", "least time to spare")
	for i, f := range chosen {
		var after []time.Duration
		spare := time.Duration(0)
		bounds := 0
		for j, tr := range tries[i*n : (i+1)*n] {
			if err := errs[i*n+j]; err != nil {
				t.Fatal(err)
			}
			if !tr.found {
				t.Logf("%s, seed %d (%s): not found", f.name, j, tr.where)
				if f.life {
					t.Errorf("%s, seed %d (%s): nobody was called out", f.name, j, tr.where)
				}
				continue
			}
			after = append(after, tr.after)
			if tr.bound > 0 {
				if left := tr.bound - tr.after; bounds == 0 || left < spare {
					spare = left
				}
				bounds++
				if tr.after >= tr.bound {
					t.Errorf("%s, seed %d (%s): called out after %s, when oxygen may have run out after %s", f.name, j, tr.where, words(tr.after), words(tr.bound))
				}
			}
		}
		slices.Sort(after)
		median, worst, left := "-", "-", "-"
		if len(after) > 0 {
			median, worst = words(after[len(after)/2]), words(after[len(after)-1])
		}
		if bounds > 0 {
			left = words(spare)
			if spare < 0 {
				left = "-" + words(-spare)
			}
			left += fmt.Sprintf(", of %d that run out", bounds)
		}
		deadly := ""
		if f.life {
			deadly = "yes"
		}
		fmt.Fprintf(&b, "%-34s %6s %3d %% %3d %9s %9s  %s\n", f.name, deadly, 100*len(after)/n, len(after), median, worst, left)
	}
	t.Log("\n" + b.String())
	if *only == "" {
		quiet(t, c.Site, prog)
	}
}

// quiet watches nights on which nothing is wrong, in four seasons.
func quiet(t *testing.T, s *site.Site, prog *lang.Program) {
	t.Helper()
	parts := min(4, max(*nights, 1))
	said, errs := make([][]heard, parts), make([]error, parts)
	each(parts, func(i int) {
		l := &life{site: s, prog: prog, seed: int64(1000 + i), start: demo.Start.AddDate(0, 3*i, 0), length: time.Duration((*nights+parts-1)/parts) * 24 * time.Hour}
		said[i], errs[i] = l.live()
	})
	watched := (*nights + parts - 1) / parts * parts
	type row struct{ raised, calls int }
	kinds := make(map[alarm.Kind]*row)
	calls := 0
	for i := range said {
		if errs[i] != nil {
			t.Fatal(errs[i])
		}
		for _, h := range said[i] {
			k := kinds[h.Kind]
			if k == nil {
				k = &row{}
				kinds[h.Kind] = k
			}
			if h.Raised() && h.Hidden == "" {
				k.raised++
				t.Logf("quiet: %s %s [%s] %s: %s", h.At.Format("2 Jan 15:04"), h.Key, h.Priority, h.Trouble, h.Detail)
			}
			if h.calls {
				k.calls++
			}
		}
		calls += callOuts(said[i])
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%d quiet nights\n%-26s %8s %8s  %s\n", watched, "kind", "raised", "calling", "false call-outs a month")
	month := func(n int) float64 { return float64(n) * 30 / float64(watched) }
	for _, r := range prog.Rules {
		if kinds[r.Kind] == nil {
			kinds[r.Kind] = &row{} // watched, and nothing raised
		}
	}
	for _, k := range slices.Sorted(maps.Keys(kinds)) {
		r := kinds[k]
		fmt.Fprintf(&b, "%-26s %8d %8d\n", k, r.raised, r.calls)
	}
	fmt.Fprintf(&b, "%-26s %8s %8d  %.2f\n", "all", "", calls, month(calls))
	t.Log("\n" + b.String())
	if month(calls) >= 1 {
		t.Errorf("%.2f false call-outs a month, want less than one", month(calls))
	}
}
