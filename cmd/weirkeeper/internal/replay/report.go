package replay

import (
	"cmp"
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
)

// Report is what is written of a replay.
type Report struct {
	Site   *site.Site
	Played Played
	A, B   *Result // B nil: not compared
	// NameA and NameB are the rules files.
	NameA, NameB string
}

const day = 24 * time.Hour

// weeks is how long was played.
func (r *Report) weeks() float64 { return r.Played.To.Sub(r.Played.From).Hours() / (7 * 24) }

func (r *Report) at(t time.Time) string {
	return t.In(r.Site.Location).Format("Mon 2 Jan 2006 15:04:05")
}

// spoken words a length of time as far as it matters: to the second under an
// hour, else to the minute.
func spoken(d time.Duration) string {
	if d >= time.Hour {
		return measure.FormatDuration(d.Round(time.Minute))
	}
	return measure.FormatDuration(d.Round(time.Second))
}

// lasted words how long an occurrence stood.
func (r *Report) lasted(o *Occurrence) string {
	s := spoken(o.Lasted(r.Played.To))
	if o.Returned.IsZero() {
		s += ", still at the end"
	}
	return s
}

// Write writes the report for a person to read.
func (r *Report) Write(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s, %s to %s (%s), %s readings.\n", r.Site.Name, r.at(r.Played.From), r.at(r.Played.To), spoken(r.Played.To.Sub(r.Played.From)), measure.Group(r.Played.Readings))
	for i, g := range r.Played.Gaps {
		if i == 5 {
			fmt.Fprintf(&b, "and %d shorter ones\n", len(r.Played.Gaps)-i)
			break
		}
		fmt.Fprintf(&b, "No reading at all for %s from %s: alarms of silence then may only mean that weirkeeper stood still.\n", spoken(g.To.Sub(g.From)), r.at(g.From))
	}
	b.WriteByte('\n')
	if r.B == nil {
		r.list(&b, r.A)
		r.byRule(&b, r.NameA, r.A)
	} else {
		r.compared(&b)
		r.byRule(&b, r.NameA, r.A)
		r.byRule(&b, r.NameB, r.B)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (r *Report) line(b *strings.Builder, o *Occurrence) {
	fmt.Fprintf(b, "%s  [%s] %s: %s\n    for %s (%s)", r.at(o.Raised.At), o.Raised.Priority, o.Raised.Trouble, o.Raised.Detail, r.lasted(o), ruleOf(o.Raised))
	switch {
	case o.Called || o.Raised.Priority != alarm.CallOut:
	case o.Raised.Hidden != "":
		fmt.Fprintf(b, ", nobody called: %s", o.Raised.Hidden)
	case o.Raised.Cause != "":
		fmt.Fprintf(b, ", nobody called: it follows from %s", o.Raised.Cause)
	}
	b.WriteByte('\n')
}

func ruleOf(t alarm.Transition) string {
	s := string(t.Kind) + " " + strconv.Quote(t.Rule)
	if t.RuleAt != "" {
		s += ", " + t.RuleAt
	}
	return s
}

func (r *Report) list(b *strings.Builder, res *Result) {
	if len(res.Occurrences) == 0 {
		b.WriteString("No alarm would have been raised.\n")
	}
	for i := range res.Occurrences {
		r.line(b, &res.Occurrences[i])
	}
	b.WriteByte('\n')
}

func (r *Report) compared(b *strings.Builder) {
	var onlyA, onlyB, other []Pair
	equal := 0
	for _, p := range Compare(r.A, r.B, r.Played.To) {
		switch {
		case p.B == nil:
			onlyA = append(onlyA, p)
		case p.A == nil:
			onlyB = append(onlyB, p)
		case p.A.Raised.At.Equal(p.B.Raised.At) && p.A.Returned.Equal(p.B.Returned) && p.A.Raised.Priority == p.B.Raised.Priority && p.A.Called == p.B.Called:
			equal++
		default:
			other = append(other, p)
		}
	}
	only := func(name string, pairs []Pair) {
		fmt.Fprintf(b, "Only with %s: %d\n", name, len(pairs))
		for _, p := range pairs {
			r.line(b, cmp.Or(p.A, p.B))
		}
		b.WriteByte('\n')
	}
	only(r.NameA, onlyA)
	only(r.NameB, onlyB)
	fmt.Fprintf(b, "With both, at the same times: %d\n", equal)
	fmt.Fprintf(b, "With both, but not alike: %d\n", len(other))
	for _, p := range other {
		r.line(b, p.A)
		var how []string
		switch d := p.B.Raised.At.Sub(p.A.Raised.At); {
		case d > 0:
			how = append(how, "raised "+spoken(d)+" later")
		case d < 0:
			how = append(how, "raised "+spoken(-d)+" earlier")
		}
		switch {
		case p.A.Returned.Equal(p.B.Returned):
		case p.B.Returned.IsZero():
			how = append(how, "still there at the end")
		case p.A.Returned.IsZero():
			how = append(how, "over on "+r.at(p.B.Returned))
		case p.B.Returned.After(p.A.Returned):
			how = append(how, "over "+spoken(p.B.Returned.Sub(p.A.Returned))+" later")
		default:
			how = append(how, "over "+spoken(p.A.Returned.Sub(p.B.Returned))+" earlier")
		}
		if p.A.Raised.Priority != p.B.Raised.Priority {
			how = append(how, p.B.Raised.Priority.String()+" in place of "+p.A.Raised.Priority.String())
		}
		if p.A.Called != p.B.Called {
			how = append(how, map[bool]string{true: "somebody called", false: "nobody called"}[p.B.Called])
		}
		fmt.Fprintf(b, "    with %s (%s): %s\n", r.NameB, ruleOf(p.B.Raised), strings.Join(how, ", "))
	}
	b.WriteByte('\n')
}

// ruleCount is what one rule did.
type ruleCount struct {
	rule           string
	raised, called int
	longest, all   time.Duration
}

func (r *Report) counts(res *Result) []ruleCount {
	byRule := make(map[string]*ruleCount)
	for i := range res.Occurrences {
		o := &res.Occurrences[i]
		name := ruleOf(o.Raised)
		c := byRule[name]
		if c == nil {
			c = &ruleCount{rule: name}
			byRule[name] = c
		}
		c.raised++
		if o.Called {
			c.called++
		}
		d := o.Lasted(r.Played.To)
		c.longest, c.all = max(c.longest, d), c.all+d
	}
	var out []ruleCount
	for _, c := range byRule {
		out = append(out, *c)
	}
	slices.SortFunc(out, func(a, b ruleCount) int { return cmp.Or(b.raised-a.raised, cmp.Compare(a.rule, b.rule)) })
	return out
}

// byRule writes the counts a week. Less than a day says nothing of a week.
func (r *Report) byRule(b *strings.Builder, name string, res *Result) {
	fmt.Fprintf(b, "By rule of %s:\n", name)
	rate := func(n int) string {
		if r.Played.To.Sub(r.Played.From) < day {
			return "-"
		}
		return strconv.FormatFloat(float64(n)/r.weeks(), 'f', 1, 64)
	}
	fmt.Fprintf(b, "%7s %7s  %9s %7s  %11s  %11s  %s\n", "raised", "a week", "call-outs", "a week", "longest", "in all", "rule")
	var raised, called int
	for _, c := range r.counts(res) {
		fmt.Fprintf(b, "%7d %7s  %9d %7s  %11s  %11s  %s\n", c.raised, rate(c.raised), c.called, rate(c.called), spoken(c.longest), spoken(c.all), c.rule)
		raised, called = raised+c.raised, called+c.called
	}
	fmt.Fprintf(b, "%7d %7s  %9d %7s  %11s  %11s  %s\n", raised, rate(raised), called, rate(called), "", "", "all")
}

// Columns are the heads of the table that WriteCSV writes.
var Columns = []string{
	"with", "alarm", "kind", "rule", "rule_at", "unit", "probe", "priority", "called", "raised_at", "returned_at", "seconds", "trouble", "detail",
	"against_alarm", "against_raised_at", "against_returned_at",
}

// stamp is RFC 3339 with microseconds, UTC.
func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02T15:04:05.000000Z")
}

// WriteCSV writes one row for each trouble: "rules" in the first column for one
// that only the first rules raised, "against" for one that only the others did,
// "both" for one that both did, whose last columns are the others'.
func (r *Report) WriteCSV(w io.Writer) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	if err := c.Write(Columns); err != nil {
		return err
	}
	b := r.B
	if b == nil {
		b = &Result{}
	}
	for _, p := range Compare(r.A, b, r.Played.To) {
		with, o := "rules", p.A
		against := make([]string, 3)
		switch {
		case p.A == nil:
			with, o = "against", p.B
		case p.B != nil:
			with = "both"
			against = []string{string(p.B.Raised.Key), stamp(p.B.Raised.At), stamp(p.B.Returned)}
		}
		t := o.Raised
		seconds := strconv.FormatFloat(o.Lasted(r.Played.To).Seconds(), 'f', -1, 64)
		row := []string{
			with, string(t.Key), string(t.Kind), t.Rule, t.RuleAt, t.Unit, string(t.Probe), t.Priority.String(), strconv.FormatBool(o.Called),
			stamp(t.At), stamp(o.Returned), seconds, t.Trouble, t.Detail,
		}
		if err := c.Write(append(row, against...)); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}
