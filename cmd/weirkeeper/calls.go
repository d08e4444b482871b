package main

import (
	"bufio"
	"context"
	"flag"
	"path/filepath"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/calls"
	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/ingest/ledger"
)

func runCalls(ctx context.Context, e env, args []string) int {
	fs := flag.NewFlagSet("calls", flag.ContinueOnError)
	path := fs.String("site", defaultSite, "site `file`")
	days := fs.Int("days", 7, "how many `days` to look back")
	since := fs.String("since", "", "first `time` instead, such as 2026-11-01 or \"2026-11-01 22:30\", in the site's time zone")
	open := fs.Bool("open", false, "only what waits to be handed over, and call-outs that nobody has answered")
	rest, code, ok := e.parse("calls", fs, args)
	if !ok {
		return code
	}
	if len(rest) > 0 || *days < 1 || *days > 3660 {
		return e.usage("calls", "calls takes no arguments besides its flags; --days is a number from 1")
	}
	c, err := e.readSite(*path)
	if err != nil {
		return e.fault(err)
	}
	from := e.now().AddDate(0, 0, -*days)
	if *since != "" {
		if from, err = parseWhen(*since, c.Site.Location); err != nil {
			return e.usage("calls", "--since: %v", err)
		}
	}
	l, err := ledger.OpenReader(ctx, filepath.Join(c.Paths.Data, daemon.LedgerFile))
	if err != nil {
		return e.fault(err)
	}
	defer func() { _ = l.Close() }() // nothing was written
	r, err := calls.Read(ctx, l, from, time.Time{}, c.Site.Location)
	if err != nil {
		return e.fault(err)
	}
	if *open {
		r.KeepOpen()
	}
	b := bufio.NewWriter(e.out)
	r.Write(b, c.Site.Name, from)
	if err := b.Flush(); err != nil {
		return e.fault(err)
	}
	return exitOK
}
