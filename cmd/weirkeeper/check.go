package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"

	"github.com/hashicorp/hcl/v2"

	"weirkeeper/config"
	"weirkeeper/rules/measure"
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
		if !l.diags.HasErrors() {
			l.diags = append(l.diags, passwordFiles(l.config)...)
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
		fmt.Fprintf(e.out, "%s: %s is in order: %s, %s, %s, %s with %s.\n", path, s.Name,
			measure.Count(len(s.Units), "unit"), measure.Count(len(s.Probes), "probe"), measure.Count(len(s.Lots), "lot"), measure.Count(len(l.program.Rules), "rule"), measure.Count(watched, "alarm"))
	}
	return code
}

// readableByAll is the permission of everybody to read a file.
const readableByAll = 0o004

// passwordFiles warns of password files that are missing or open to everybody.
// Those that cannot be looked at are left to the daemon, which may be another
// user.
func passwordFiles(c *config.Config) hcl.Diagnostics {
	var diags hcl.Diagnostics
	for _, f := range c.PasswordFiles {
		var summary, detail string
		info, err := os.Stat(f.Path)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			summary = "Password file missing"
			detail = fmt.Sprintf("There is no file %q yet. Write the password into it, alone, and make it readable for the daemon only: chmod 600.", f.Path)
		case err == nil && info.Mode()&readableByAll != 0:
			summary = "Password file open to all"
			detail = fmt.Sprintf("Everybody on this computer can read %q. Give it to the daemon's user alone: chmod 600.", f.Path)
		default:
			continue
		}
		diags = append(diags, &hcl.Diagnostic{Severity: hcl.DiagWarning, Summary: summary, Detail: detail, Subject: &f.At})
	}
	return diags
}
