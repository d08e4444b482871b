package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"syscall"

	"weirkeeper/cmd/weirkeeper/internal/clock"
	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/rules/lang"
)

// defaultSite is the site file where none is named.
const defaultSite = "site.hcl"

func runDaemon(ctx context.Context, e env, args []string) int {
	fs := flag.NewFlagSet("run", flag.ContinueOnError)
	path := fs.String("site", defaultSite, "site `file`")
	trust := fs.Bool("trust-clock", false, "believe this computer's clock even if the record is ahead of it")
	verbose := fs.Bool("verbose", false, "log every detail")
	rest, code, ok := e.parse("run", fs, args)
	if !ok {
		return code
	}
	if len(rest) > 0 {
		return e.usage("run", "run takes no arguments besides its flags; the site file goes after --site")
	}
	l, err := e.load(*path, nil, e.now())
	if err != nil {
		return e.fault(err)
	}
	faulty, err := l.say(e.err)
	if err != nil {
		return e.fault(err)
	}
	if faulty {
		return exitFault
	}
	fmt.Fprint(e.err, cautions)
	var synced func() bool // the kernel's word
	if *trust {
		synced = func() bool { return true }
	}
	d, err := daemon.New(ctx, daemon.Options{
		Synced: synced, Config: l.config, Program: l.program, Clock: clock.Real{}, Log: newLog(e.err, *verbose), Getenv: e.getenv, ReadFile: e.readFile,
		LoadRules: func() (*lang.Program, error) { return e.rulesAnew(*path, l.config) },
	})
	if err != nil {
		return e.fault(err)
	}
	hangups := make(chan os.Signal, 1)
	signal.Notify(hangups, syscall.SIGHUP)
	defer signal.Stop(hangups)
	watching, stop := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		reloadOn(watching, hangups, d)
	}()
	err = d.Run(ctx)
	stop()
	<-ended
	if err != nil {
		return e.fault(err)
	}
	return exitOK
}

// reloadOn has the rules read anew at each hang-up signal until ctx ends.
func reloadOn(ctx context.Context, hangups <-chan os.Signal, d *daemon.Daemon) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-hangups:
			_, _ = d.Reload(ctx) // it has said so in the log
		}
	}
}

func newLog(w io.Writer, verbose bool) *slog.Logger {
	level := slog.LevelInfo
	if verbose {
		level = slog.LevelDebug
	}
	return slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{Level: level}))
}

// cautions are said at every start.
const cautions = `Before you rely on this:
- It is never the sole life support. Keep an independent float or flow alarm,
  backup water or oxygen, and walk the round. Silence is not proof of health.
- Electricity near water kills. Mains circuits in wet rooms need an RCD (GFCI);
  test it on schedule. Only extra-low voltage at the probes and hands. Drip
  loops, enclosures fit for jets and splash, nothing joined on the floor.
- Isolate, lock out and prove dead before you open anything. Never work alone,
  least of all at night.
- Local code decides, and mains work belongs to a licensed electrician.

`
