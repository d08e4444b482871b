package main

import (
	"context"
	"crypto/rand"
	"flag"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/measure"
)

// actCall is a command that tells the daemon of an act.
type actCall struct {
	fs  *flag.FlagSet
	d   daemonFlags
	by  *string
	why *string
}

func actFlags(name string, e env) actCall {
	fs, d, by := answerFlags(name, e)
	return actCall{fs, d, by, fs.String("why", "", "the `reason`, for the record and for the others")}
}

// tellAct sends an act. It has an ID, so that it may be sent again when its answer
// did not come.
func (e env) tellAct(ctx context.Context, name string, c actCall, a act.Act, lasts time.Duration) int {
	a.ID, a.By, a.Why, a.Via = rand.Text(), *c.by, strings.TrimSpace(*c.why), "command"
	return e.tell(ctx, name, c.d, "/act", *c.by, web.ActCommand{Act: a, For: lasts}, true)
}

func runShelve(ctx context.Context, e env, args []string) int {
	c := actFlags("shelve", e)
	lasts := c.fs.String("for", "", "how `long`, such as \"2 h\"")
	rest, code, ok := e.parse("shelve", c.fs, args)
	switch {
	case !ok:
		return code
	case len(rest) != 1:
		return e.usage("shelve", "shelve takes one alarm; put its name in quotes")
	case strings.TrimSpace(*c.why) == "":
		return e.usage("shelve", "say why: --why TEXT")
	}
	lasting, err := measure.Parse(*lasts)
	d := lasting.Duration()
	if err != nil || d <= 0 || d > act.MaxShelf {
		return e.usage("shelve", "say for how long, up to a day: --for \"2 h\"")
	}
	return e.tellAct(ctx, "shelve", c, act.Act{Kind: act.Shelved, Alarm: alarm.Key(rest[0])}, d)
}

func runPause(ctx context.Context, e env, args []string) int {
	c := actFlags("pause", e)
	lasts := c.fs.String("for", "", "how `long`, such as \"2 h\"")
	rest, code, ok := e.parse("pause", c.fs, args)
	switch {
	case !ok:
		return code
	case len(rest) > 0:
		return e.usage("pause", "pause is for the whole site and takes no arguments besides its flags; for one alarm there is weirkeeper shelve, for one unit weirkeeper service out")
	case strings.TrimSpace(*c.why) == "":
		return e.usage("pause", "say why: --why TEXT")
	}
	lasting, err := measure.Parse(*lasts)
	d := lasting.Duration()
	if err != nil || lasting.Unit.Dimension() != measure.Time || d < act.MinPause || d > act.MaxPause {
		return e.usage("pause", "say for how long, %s to %s: --for \"2 h\"", measure.FormatDuration(act.MinPause), measure.FormatDuration(act.MaxPause))
	}
	return e.tellAct(ctx, "pause", c, act.Act{Kind: act.Paused}, d)
}

func runResume(ctx context.Context, e env, args []string) int {
	c := actFlags("resume", e)
	rest, code, ok := e.parse("resume", c.fs, args)
	switch {
	case !ok:
		return code
	case len(rest) > 0:
		return e.usage("resume", "resume is for the whole site and takes no arguments besides its flags")
	}
	return e.tellAct(ctx, "resume", c, act.Act{Kind: act.Resumed}, 0)
}

func runUnshelve(ctx context.Context, e env, args []string) int {
	c := actFlags("unshelve", e)
	rest, code, ok := e.parse("unshelve", c.fs, args)
	switch {
	case !ok:
		return code
	case len(rest) != 1:
		return e.usage("unshelve", "unshelve takes one alarm; put its name in quotes")
	}
	return e.tellAct(ctx, "unshelve", c, act.Act{Kind: act.Unshelved, Alarm: alarm.Key(rest[0])}, 0)
}

func runService(ctx context.Context, e env, args []string) int {
	c := actFlags("service", e)
	rest, code, ok := e.parse("service", c.fs, args)
	switch {
	case !ok:
		return code
	case len(rest) != 2 || rest[0] != "in" && rest[0] != "out":
		return e.usage("service", "service takes in or out and a unit; put names with spaces in quotes")
	case rest[0] == "out" && strings.TrimSpace(*c.why) == "":
		return e.usage("service", "say why: --why TEXT")
	}
	kind := act.InService
	if rest[0] == "out" {
		kind = act.OutOfService
	}
	return e.tellAct(ctx, "service", c, act.Act{Kind: kind, Unit: rest[1]}, 0)
}

func runFalse(ctx context.Context, e env, args []string) int {
	c := actFlags("false", e)
	rest, code, ok := e.parse("false", c.fs, args)
	switch {
	case !ok:
		return code
	case len(rest) != 1:
		return e.usage("false", "false takes one alarm; put its name in quotes")
	}
	return e.tellAct(ctx, "false", c, act.Act{Kind: act.MarkedFalse, Alarm: alarm.Key(rest[0])}, 0)
}
