package main

import (
	"context"
	"flag"
	"fmt"

	"github.com/hashicorp/hcl/v2"

	"weirkeeper/cmd/weirkeeper/internal/scenario"
)

func runTry(ctx context.Context, e env, args []string) int {
	fs := flag.NewFlagSet("try", flag.ContinueOnError)
	path := fs.String("site", defaultSite, "site `file`")
	var rulesFiles list
	fs.Var(&rulesFiles, "rules", "rules `file` to try instead of the site's own; may be given again")
	verbose := fs.Bool("verbose", false, "list what was raised in every scenario")
	names, code, ok := e.parse("try", fs, args)
	switch {
	case !ok:
		return code
	case len(names) == 0:
		return e.usage("try", "name at least one file of scenarios")
	}
	l, code, ok := e.rulesOf(*path, rulesFiles)
	if !ok {
		return code
	}
	var all []scenario.Scenario
	var diags hcl.Diagnostics
	for _, name := range names {
		src, err := e.readFile(name)
		if err != nil {
			return e.fault(fmt.Errorf("read the scenarios: %w", err))
		}
		found, d := scenario.Parse(l.files, name, src, l.config.Site, l.program)
		all, diags = append(all, found...), append(diags, d...)
	}
	if diags.HasErrors() {
		if err := l.files.Render(e.err, diags, width); err != nil {
			return e.fault(err)
		}
		return exitFault
	}
	failed := 0
	for i := range all {
		out, err := scenario.Run(ctx, l.config.Site, l.program, &all[i])
		if err != nil {
			return e.fault(err)
		}
		word := "ok  "
		if len(out.Failures) > 0 {
			failed++
			word = "FAIL"
		}
		fmt.Fprintf(e.out, "%s  %s\n", word, all[i].Name)
		if len(out.Failures) > 0 {
			if err := l.files.Render(e.out, out.Diagnostics(), width); err != nil {
				return e.fault(err)
			}
		}
		if len(out.Failures) > 0 || *verbose {
			fmt.Fprint(e.out, out.Raised(l.config.Site))
		}
	}
	what := "scenarios"
	if len(all) == 1 {
		what = "scenario"
	}
	fmt.Fprintf(e.out, "%d %s, %d failed.\n", len(all), what, failed)
	if failed > 0 {
		return exitFault
	}
	return exitOK
}
