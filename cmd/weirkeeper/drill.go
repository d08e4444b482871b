package main

import (
	"context"
	"fmt"
	"path/filepath"
	"text/tabwriter"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/act"
	"weirkeeper/rules/measure"
)

// runDrill has the daemon hold a drill now, or lists those that were held.
func runDrill(ctx context.Context, e env, args []string) int {
	call := actFlags("drill", e)
	within := call.fs.String("within", "1 h", "`time` that there is to answer, from 5 min to 4 h")
	list := call.fs.Bool("list", false, "list the drills that were held instead, and who answered after how long; needs --site")
	rest, code, ok := e.parse("drill", call.fs, args)
	if !ok {
		return code
	}
	if len(rest) > 0 {
		return e.usage("drill", "drill takes no arguments")
	}
	if *list {
		return e.listDrills(ctx, *call.d.site)
	}
	lasts, err := measure.Parse(*within)
	switch {
	case err != nil:
		return e.usage("drill", "--within: %v", err)
	case lasts.Unit.Dimension() != measure.Time || lasts.Duration() <= 0:
		return e.usage("drill", "--within: %s is no time; write it like \"30 min\"", lasts)
	}
	return e.tellAct(ctx, "drill", call, act.Act{Kind: act.DrillStarted}, lasts.Duration())
}

func (e env) listDrills(ctx context.Context, siteFile string) int {
	if siteFile == "" {
		return e.usage("drill", "say whose: --site FILE")
	}
	c, err := e.readSite(siteFile)
	if err != nil {
		return e.fault(err)
	}
	l, err := ledger.OpenReader(ctx, filepath.Join(c.Paths.Data, daemon.LedgerFile))
	if err != nil {
		return e.fault(err)
	}
	defer func() { _ = l.Close() }()
	all, err := l.Acts(ctx, e.now(), act.DrillStarted, act.DrillAnswered)
	if err != nil {
		return e.fault(err)
	}
	drills := act.Drills(all)
	if len(drills) == 0 {
		fmt.Fprintln(e.out, "No drill was held yet: weirkeeper drill")
		return exitOK
	}
	w := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "held\tby\tanswered by\tafter\tvia")
	for _, dr := range drills {
		at := dr.Start.At.In(c.Site.Location).Format("Mon 2 Jan 2006 15:04")
		if dr.Answer.At.IsZero() {
			fmt.Fprintf(w, "%s\t%s\tNOBODY\t\t\n", at, dr.Start.By)
			continue
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", at, dr.Start.By, dr.Answer.By, measure.FormatDuration(dr.Answer.At.Sub(dr.Start.At).Truncate(time.Second)), dr.Answer.Via)
	}
	if err := w.Flush(); err != nil {
		return e.fault(err)
	}
	return exitOK
}
