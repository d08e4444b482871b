package main

import (
	"context"
	"flag"
	"fmt"
)

// list is a flag that may be given several times.
type list []string

func (l *list) String() string     { return fmt.Sprint([]string(*l)) }
func (l *list) Set(s string) error { *l = append(*l, s); return nil }

func runCheck(_ context.Context, e env, args []string) int {
	fs := flag.NewFlagSet("check", flag.ContinueOnError)
	var rules list
	fs.Var(&rules, "rules", "rules `file` to check instead of the site's own; may be given again")
	rest, code, ok := e.parse("check", fs, args)
	if !ok {
		return code
	}
	sites := rest
	if len(sites) == 0 {
		sites = []string{defaultSite}
	}
	code = exitOK
	for _, path := range sites {
		l, err := e.load(path, rules, e.now())
		if err != nil {
			return e.fault(err)
		}
		faulty, err := l.say(e.out)
		if err != nil {
			return e.fault(err)
		}
		if faulty {
			code = exitFault
			continue
		}
		watched := 0
		for _, r := range l.program.Rules {
			watched += len(r.Watches)
		}
		s := l.config.Site
		fmt.Fprintf(e.out, "%s: %s is in order: %d units, %d probes, %d lots, %d rules with %d alarms.\n", path, s.Name, len(s.Units), len(s.Probes), len(s.Lots), len(l.program.Rules), watched)
	}
	return code
}
