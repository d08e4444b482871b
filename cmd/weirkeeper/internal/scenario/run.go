package scenario

import (
	"context"
	"fmt"
	"hash/fnv"
	"math"
	"strings"
	"time"

	"github.com/hashicorp/hcl/v2"

	"weirkeeper/cmd/weirkeeper/internal/replay"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// before is how long all has been usual when a scenario begins.
const before = 24 * time.Hour

// Failure is an expectation that did not come true.
type Failure struct {
	At   hcl.Range
	Text string
}

// Outcome is what came of a scenario.
type Outcome struct {
	Scenario    *Scenario
	Failures    []Failure
	Occurrences []replay.Occurrence // from its beginning on
}

// Run plays a scenario. Errors: ctx's.
func Run(ctx context.Context, s *site.Site, prog *lang.Program, sc *Scenario) (Outcome, error) {
	end := sc.Begin.Add(sc.Length())
	in := replay.Input{Site: s, From: sc.Begin.Add(-before), To: end.Add(time.Second), Since: sc.Begin.Add(-before)}
	in.Streams = func(from, to time.Time) []replay.Stream {
		all := make([]replay.Stream, len(s.Probes))
		for i := range s.Probes {
			all[i] = sc.stream(&s.Probes[i], i, from, to)
		}
		return all
	}
	at := sc.Begin
	id := 0
	for _, st := range sc.Steps {
		for _, c := range st.Cleans {
			id++
			in.Acts = append(in.Acts, act.Act{ID: fmt.Sprint(id), Kind: act.CleaningStarted, At: at, By: c.By, Via: "scenario", Unit: c.Unit})
			if !c.Unfinished {
				id++
				in.Acts = append(in.Acts, act.Act{ID: fmt.Sprint(id), Kind: act.CleaningFinished, At: at.Add(st.Length), By: c.By, Via: "scenario", Unit: c.Unit, Chore: choreFor(s, c.Unit)})
			}
		}
		for _, d := range st.Dones {
			in.Chores = append(in.Chores, site.ChoreDone{Chore: d.Chore, Unit: d.Unit, By: d.By, At: at})
		}
		at = at.Add(st.Length)
	}
	in.Chores = append(in.Chores, doneBefore(s, in.From, sc.Begin)...)
	_, results, err := replay.Run(ctx, in, false, prog)
	if err != nil {
		return Outcome{}, err
	}
	out := Outcome{Scenario: sc}
	for _, o := range results[0].Occurrences {
		if !o.Raised.At.Before(sc.Begin) || o.Returned.IsZero() || o.Returned.After(sc.Begin) {
			out.Occurrences = append(out.Occurrences, o)
		}
	}
	out.judge()
	return out, nil
}

// doneBefore are the chores that were due in a time, all of them done half an hour
// before.
func doneBefore(s *site.Site, from, to time.Time) (out []site.ChoreDone) {
	for _, c := range s.Chores {
		units := c.Units
		if len(units) == 0 {
			units = []string{""}
		}
		for day := from.In(s.Location).AddDate(0, 0, -1); day.Before(to.AddDate(0, 0, 2)); day = day.AddDate(0, 0, 1) {
			for _, m := range c.By {
				due := time.Date(day.Year(), day.Month(), day.Day(), 0, m, 0, 0, s.Location)
				if due.Before(from) || due.After(to) {
					continue
				}
				at := due.Add(-30 * time.Minute)
				if at.Before(from) {
					at = from
				}
				for _, u := range units {
					out = append(out, site.ChoreDone{Chore: c.Name, Unit: u, By: "somebody", At: at.UTC()})
				}
			}
		}
	}
	return out
}

// choreFor is the chore that cleaning a unit counts as: the one called so, else
// none.
func choreFor(s *site.Site, unit string) string {
	if c, ok := s.Chore("cleaning"); ok && c.DoneAt(unit) {
		return c.Name
	}
	return ""
}

// means reports whether a name is that of an alarm.
func means(name string, key alarm.Key, kind alarm.Kind, rule, unit string, probe reading.ProbeID) bool {
	if name == string(key) {
		return true
	}
	short, ok := strings.CutPrefix(name, string(kind)+"/")
	return ok && (short == rule || short == unit || short == string(probe))
}

func fits(name string, o *replay.Occurrence) bool {
	t := &o.Raised
	return means(name, t.Key, t.Kind, t.Rule, t.Unit, t.Probe)
}

func (out *Outcome) judge() {
	sc := out.Scenario
	fail := func(at hcl.Range, format string, args ...any) {
		out.Failures = append(out.Failures, Failure{at, fmt.Sprintf(format, args...)})
	}
	since := func(t time.Time) time.Duration { return t.Sub(sc.Begin) }
	for _, x := range sc.Expects {
		var first *replay.Occurrence
		for i := range out.Occurrences {
			if fits(x.Alarm, &out.Occurrences[i]) {
				first = &out.Occurrences[i]
				break
			}
		}
		switch {
		case first == nil:
			fail(x.At, "%s was not raised; it should be by %s", x.Alarm, spoken(x.By))
			continue
		case since(first.Raised.At) > x.By:
			fail(x.At, "%s was raised %s; it should be by %s", first.Raised.Key, after(since(first.Raised.At)), spoken(x.By))
		case since(first.Raised.At) < x.NotBefore:
			fail(x.At, "%s was raised %s already; it should not be before %s", first.Raised.Key, after(since(first.Raised.At)), spoken(x.NotBefore))
		}
		switch {
		case x.OverBy == 0:
		case first.Returned.IsZero():
			fail(x.At, "%s still stood at the end; it should be over by %s", first.Raised.Key, spoken(x.OverBy))
		case since(first.Returned) > x.OverBy:
			fail(x.At, "%s was over %s; it should be by %s", first.Raised.Key, after(since(first.Returned)), spoken(x.OverBy))
		}
		switch {
		case x.Calls == nil || *x.Calls == first.Called:
		case *x.Calls:
			fail(x.At, "%s called nobody out%s", first.Raised.Key, why(first))
		default:
			fail(x.At, "%s called somebody out", first.Raised.Key)
		}
	}
	for i := range out.Occurrences {
		o := &out.Occurrences[i]
		for _, n := range sc.Never {
			if fits(n.Alarm, o) {
				fail(n.At, "%s was raised %s: %s, %s", o.Raised.Key, after(since(o.Raised.At)), o.Raised.Trouble, o.Raised.Detail)
			}
		}
		if sc.NothingElse != nil && !expected(sc, o) {
			fail(*sc.NothingElse, "%s was raised %s: %s, %s", o.Raised.Key, after(since(o.Raised.At)), o.Raised.Trouble, o.Raised.Detail)
		}
	}
}

func expected(sc *Scenario, o *replay.Occurrence) bool {
	for _, x := range sc.Expects {
		if fits(x.Alarm, o) {
			return true
		}
	}
	return false
}

// why says what kept an alarm from calling.
func why(o *replay.Occurrence) string {
	switch {
	case o.Raised.Hidden != "":
		return ": " + o.Raised.Hidden
	case o.Raised.Cause != "":
		return ": it follows from " + string(o.Raised.Cause)
	}
	return ": its priority is " + o.Raised.Priority.String()
}

// spoken words a time to the second where it is short: what came a few seconds
// late must not read like what was asked for.
func spoken(d time.Duration) string {
	d = d.Round(time.Second)
	if s := d % time.Minute; d >= 2*time.Minute && d < time.Hour && s > 0 {
		return measure.FormatDuration(d-s) + " " + measure.FormatDuration(s)
	}
	return measure.FormatDuration(d)
}

// after words when something was since the beginning.
func after(d time.Duration) string {
	if d < 0 {
		return "before the beginning"
	}
	return "after " + spoken(d)
}

// stream is what one probe says: at its interval, each probe at its own moment
// in it, from a day before the scenario on.
func (sc *Scenario) stream(p *site.Probe, i int, from, to time.Time) replay.Stream {
	return func(yield func(reading.Reading, error) bool) {
		usual, known := sc.Usual[p.ID]
		every := max(p.Every, time.Second)
		// On whole milliseconds, and the same in every run.
		start := sc.Begin.Add(-before + time.Duration(i%50)*every/50/time.Millisecond*time.Millisecond)
		h := fnv.New64a()
		_, _ = h.Write([]byte(p.ID)) // a hash takes everything
		seed, n := h.Sum64(), int64(0)
		if from.After(start) {
			n = int64((from.Sub(start) + every - 1) / every)
		}
		step, begin := 0, sc.Begin
		for ; ; n++ {
			at := start.Add(time.Duration(n) * every)
			if !at.Before(to) || !at.Before(sc.Begin.Add(sc.Length())) {
				return
			}
			for step < len(sc.Steps) && !at.Before(begin.Add(sc.Steps[step].Length)) {
				begin = begin.Add(sc.Steps[step].Length)
				step++
			}
			v, says := usual, known
			if p.Quantity != reading.Contact {
				v += unsteady(seed, n) * spread(p.Quantity, usual)
			}
			if !at.Before(sc.Begin) {
				if s, ok := sc.Steps[step].Says[p.ID]; ok {
					share := float64(at.Sub(begin)) / float64(sc.Steps[step].Length)
					v, says = s.From+(s.To-s.From)*share, !s.Silent
				}
			}
			if !says {
				continue
			}
			r := reading.Reading{Probe: p.ID, At: at, ArrivedAt: at, Value: v}
			if v < p.Low || v > p.High {
				r.Flags |= reading.OutOfRange
			}
			if !yield(r, nil) {
				return
			}
		}
	}
}

// spread is how unsteady usual water is, as probes see it: common practice, no
// source.
func spread(q reading.Quantity, v float64) float64 {
	switch q {
	case reading.Temperature:
		return 0.02
	case reading.Flow:
		return 0.003 * v
	case reading.Oxygen:
		return 0.05
	default:
		return 0.5
	}
}

// unsteady is the n-th draw of noise from -1 to 1, the same in every run (the
// finaliser of MurmurHash3, from memory).
func unsteady(seed uint64, n int64) float64 {
	x := seed + uint64(n)*0x9e3779b97f4a7c15
	x = (x ^ x>>33) * 0xff51afd7ed558ccd
	x = (x ^ x>>33) * 0xc4ceb9fe1a85ec53
	return 2*float64((x^x>>33)>>11)/math.Exp2(53) - 1
}

// Diagnostics are the failures, each at its place.
func (out *Outcome) Diagnostics() (diags hcl.Diagnostics) {
	for i := range out.Failures {
		f := &out.Failures[i]
		diags = append(diags, &hcl.Diagnostic{Severity: hcl.DiagError, Summary: "Not as expected", Detail: f.Text + ".", Subject: &f.At})
	}
	return diags
}

// Raised lists what was raised, a line each.
func (out *Outcome) Raised(s *site.Site) string {
	if len(out.Occurrences) == 0 {
		return "      Nothing was raised.\n"
	}
	var b strings.Builder
	for i := range out.Occurrences {
		o := &out.Occurrences[i]
		fmt.Fprintf(&b, "      %s, %s: %s [%s] %s: %s", o.Raised.At.In(s.Location).Format("15:04:05"), after(o.Raised.At.Sub(out.Scenario.Begin)), o.Raised.Key, o.Raised.Priority, o.Raised.Trouble, o.Raised.Detail)
		if !o.Called {
			b.WriteString("; nobody called" + why(o))
		}
		if !o.Returned.IsZero() {
			fmt.Fprintf(&b, "; over %s", after(o.Returned.Sub(out.Scenario.Begin)))
		}
		b.WriteByte('\n')
	}
	return b.String()
}
