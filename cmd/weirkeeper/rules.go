package main

import (
	"context"
	"flag"
	"fmt"
	"path/filepath"
	"text/tabwriter"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/tally"
)

// beforeSpan is how far before the span the journal is read, to know what stood
// when it began.
const beforeSpan = 90 * 24 * time.Hour

func runRules(ctx context.Context, e env, args []string) int {
	fs := flag.NewFlagSet("rules", flag.ContinueOnError)
	path := fs.String("site", defaultSite, "site `file`")
	days := fs.Int("days", 30, "how many `days` to look back")
	rest, code, ok := e.parse("rules", fs, args)
	if !ok {
		return code
	}
	if len(rest) > 0 || *days < 1 || *days > 3660 {
		return e.usage("rules", "rules takes no arguments besides its flags; --days is a number from 1")
	}
	c, err := e.readSite(*path)
	if err != nil {
		return e.fault(err)
	}
	l, err := ledger.OpenReader(ctx, filepath.Join(c.Paths.Data, daemon.LedgerFile))
	if err != nil {
		return e.fault(err)
	}
	defer func() { _ = l.Close() }() // nothing was written
	to := e.now()
	from := to.AddDate(0, 0, -*days)
	journal, err := l.Journal(ctx, from.Add(-beforeSpan), to)
	if err != nil {
		return e.fault(err)
	}
	acts, err := l.Acts(ctx, from)
	if err != nil {
		return e.fault(err)
	}
	t := tally.Of(journal, acts, from, to)
	form := func(at time.Time) string { return at.In(c.Site.Location).Format("2 Jan 15:04") }
	fmt.Fprintf(e.out, "%s, alarms from %s to %s: %d raised, %d of them call-outs of their own\n\n", c.Site.Name, form(from), form(to), t.Raised, t.CallOuts)
	if len(t.Rules) == 0 {
		fmt.Fprintln(e.out, "No alarm was raised, and none stands.")
		return exitOK
	}
	w := tabwriter.NewWriter(e.out, 0, 4, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(w, "raised\tfalse\thidden\tfollowed\tunanswered\tanswered after\tworst\tactive\tstanding\t  rule\n")
	for _, r := range t.Rules {
		notes := ""
		if r.Chattering > 0 {
			notes += ", chattering"
		}
		if r.StandingLong > 0 {
			notes += ", standing for more than a day"
		}
		fmt.Fprintf(w, "%d\t%d\t%d\t%d\t%d\t%s\t%s\t%s\t%d\t  %s\n", r.Raised, r.False, r.Hidden, r.Followed, r.Unanswered,
			lasting(r.Median, r.Answered), lasting(r.Worst, r.Answered), lasting(r.Active, 1), r.Standing, ruleWords(r)+notes)
	}
	if err := w.Flush(); err != nil {
		return e.fault(err)
	}
	for _, f := range t.Floods {
		end := "and it goes on"
		if !f.To.IsZero() {
			end = "until " + form(f.To)
		}
		fmt.Fprintf(e.out, "Flood of alarms: %d from %s %s. Look for their one cause.\n", f.Alarms, form(f.From), end)
	}
	fmt.Fprintln(e.out, "\nHidden: shelved, being cleaned or out of service. Followed: another alarm was its\ncause. False: by a keeper's own mark. Answered after: the median.")
	return exitOK
}

// lasting words a time, "-" where nothing was counted.
func lasting(d time.Duration, counted int) string {
	if counted == 0 {
		return "-"
	}
	return measure.FormatDuration(d.Round(time.Second))
}

func ruleWords(r tally.Rule) string {
	s := string(r.Kind) + ` "` + r.Name + `" [` + r.Priority.String() + "]"
	if r.At != "" {
		s += " " + r.At
	}
	return s
}
