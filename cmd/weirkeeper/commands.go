package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"strings"

	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/ingest/series"
)

// command is one subcommand. run gets its own arguments.
type command struct {
	name, args, short string
	run               func(ctx context.Context, e env, args []string) int
}

func commands() []command {
	return []command{
		{"run", "[--site FILE]", "watch the water described in the site file", runDaemon},
		{"demo", "[flags]", "watch a simulated hatchery through a night", runDemo},
		{"check", "[--rules FILE]... [SITE]...", "read site and rules files and say all that is wrong", runCheck},
		{"replay", "[--rules FILE] [--against FILE] [flags]", "say what alarms rules would have raised over the record", runReplay},
		{"try", "[--rules FILE] FILE...", "try rules on scenarios: what probes say, and which alarms must come of it", runTry},
		{"ack", "[--by NAME] [--code CODE | ALARM]", "answer an alarm, or all of them: somebody is coming", runAck},
		{"received", "--from NUMBER [--id ID] [--sent TIME]", "take a text message that a program got, on standard input: an answer", runReceived},
		{"reset", "[--by NAME] ALARM", "let a latched alarm go whose trouble is over", runReset},
		{"shelve", "--for TIME --why TEXT [--by NAME] ALARM", "hold back an alarm's call-outs for a while, at the most a day", runShelve},
		{"unshelve", "[--by NAME] ALARM", "call out again for an alarm that is shelved", runUnshelve},
		{"pause", "--for TIME --why TEXT [--by NAME]", "call nobody for anything on the whole site for a while, at the most 4 hours", runPause},
		{"resume", "[--by NAME]", "call out again on a site that is paused", runResume},
		{"service", "[--by NAME] out --why TEXT UNIT | in UNIT", "take a unit out of service: nobody is called for it; or back in", runService},
		{"false", "[--by NAME] [--why TEXT] ALARM", "mark the newest raise of an alarm as no trouble, for weirkeeper rules", runFalse},
		{"done", "[--by NAME] CHORE [UNIT]", "record a chore as done now", runDone},
		{"clean", "start|finish [--by NAME] [--for TIME] UNIT", "say that a unit is being cleaned, and that it is clean", runClean},
		{"drill", "[--by NAME] [--within TIME] | --list --site FILE", "call out for a test, which is to be answered; or list the drills", runDrill},
		{"people", "VERB [--role ROLE] [--by NAME] [NAME]", "who may use the page: add, password, invite (a device), list, role, remove, end (sessions)", runPeople},
		{"links", "[--site FILE]", "the link of each unit, for a printed code at it", runLinks},
		{"lot", "VERB ...", "the record of the lots: what was done, where they are, what comes next", runLot},
		{"rules", "[--days N]", "say what each rule did: raised, false, answered, standing", runRules},
		{"calls", "[--since TIME | --days N] [--open]", "the record of call-outs: to whom, each attempt, who answered", runCalls},
		{"reload", "[--by NAME]", "have the running daemon read its rules files anew", runReload},
		{"export", "[--what KIND] [--probe NAME]... [flags]", "write readings, alarms, chores or lots to a table", runExport},
		{"import", "[flags] FILE", "take in an old logger's table, or what export wrote", runImport},
		{"backup", "[--site FILE] FOLDER", "copy the record while the daemon runs", runBackup},
		{"version", "", "print the version", runVersion},
	}
}

// run is the whole program.
func run(ctx context.Context, args []string, e env) int {
	if len(args) == 0 {
		fmt.Fprint(e.err, overview())
		return exitUsage
	}
	switch args[0] {
	case "help", "-h", "--help":
		fmt.Fprint(e.out, overview())
		return exitOK
	}
	names := make([]string, 0, 6)
	if args[0] == daemon.VerifyCommand { // for the daemon alone
		return series.VerifyMain(ctx, args[1:], e.in, e.err)
	}
	for _, c := range commands() {
		if c.name == args[0] {
			return c.run(ctx, e, args[1:])
		}
		names = append(names, c.name)
	}
	fmt.Fprintf(e.err, "weirkeeper: there is no command %q; there are %s\n", args[0], strings.Join(names, ", "))
	return exitUsage
}

func overview() string {
	var b strings.Builder
	b.WriteString("weirkeeper keeps watch over a hatchery's water and calls somebody out.\n\n")
	for _, c := range commands() {
		fmt.Fprintf(&b, "  weirkeeper %-9s %s\n", c.name, c.short)
	}
	b.WriteString("\nweirkeeper COMMAND --help says what each takes.\n")
	b.WriteString("\nThe monitor is never the sole life support. Keep an independent float or flow\nalarm, backup water or oxygen, and walk the round.\n")
	return b.String()
}

// parse reads the flags of a command, before and after its arguments, and
// reports whether to go on; if not, code is the exit code.
func (e env) parse(name string, fs *flag.FlagSet, args []string) (rest []string, code int, ok bool) {
	fs.SetOutput(e.err)
	fs.Usage = func() {
		for _, c := range commands() {
			if c.name == name {
				fmt.Fprintf(fs.Output(), "weirkeeper %s: %s\n\n", strings.TrimSpace(c.name+" "+c.args), c.short)
			}
		}
		fs.PrintDefaults()
	}
	for {
		switch err := fs.Parse(args); {
		case errors.Is(err, flag.ErrHelp):
			return nil, exitOK, false
		case err != nil:
			return nil, exitUsage, false
		}
		if fs.NArg() == 0 {
			return rest, exitOK, true
		}
		rest, args = append(rest, fs.Arg(0)), fs.Args()[1:]
	}
}
