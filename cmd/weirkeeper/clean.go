package main

import (
	"context"
	"time"

	"weirkeeper/rules/act"
	"weirkeeper/rules/measure"
)

func runClean(ctx context.Context, e env, args []string) int {
	call := actFlags("clean", e)
	lasts := call.fs.String("for", "", "`time` that it takes at the most, such as \"45 min\" (default: suppress_for of the chore, else 30 min)")
	chore := call.fs.String("chore", "", "`name` of the chore that is done by it (default: the one of the unit that suppresses alarms, else cleaning)")
	rest, code, ok := e.parse("clean", call.fs, args)
	if !ok {
		return code
	}
	kinds := map[string]act.Kind{"start": act.CleaningStarted, "finish": act.CleaningFinished}
	if len(rest) != 2 || kinds[rest[0]] == "" {
		return e.usage("clean", "clean takes start or finish, and the unit; put a name with spaces in quotes")
	}
	var long time.Duration
	if *lasts != "" {
		a, err := measure.Parse(*lasts)
		switch {
		case rest[0] != "start":
			return e.usage("clean", "--for goes with start only")
		case err != nil:
			return e.usage("clean", "--for: %v", err)
		case a.Unit.Dimension() != measure.Time || a.Duration() <= 0:
			return e.usage("clean", "--for: %s is no time; write it like \"45 min\"", a)
		}
		long = a.Duration()
	}
	return e.tellAct(ctx, "clean", call, act.Act{Kind: kinds[rest[0]], Unit: rest[1], Chore: *chore}, long)
}
