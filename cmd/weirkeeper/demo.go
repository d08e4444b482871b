package main

import (
	"context"
	"flag"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/demo"
	"weirkeeper/cmd/weirkeeper/internal/sim"
)

// troubles is a flag that may be given several times.
type troubles []sim.Trouble

func (t *troubles) String() string { return "" }
func (t *troubles) Set(s string) error {
	one, err := sim.ParseTrouble(s)
	if err != nil {
		return err
	}
	*t = append(*t, one)
	return nil
}

func runDemo(ctx context.Context, e env, args []string) int {
	fs := flag.NewFlagSet("demo", flag.ContinueOnError)
	o := demo.Options{Out: e.out}
	fs.Float64Var(&o.Speed, "speed", 1200, "how many times faster than real time at most; 0 for as fast as it goes")
	fs.Int64Var(&o.Seed, "seed", 1, "`number` that chooses the noise; the same seed gives the same night")
	fs.DurationVar(&o.Length, "length", 14*time.Hour, "how much of the hatchery's time to show")
	fs.BoolVar(&o.US, "us", false, "show US units")
	fs.DurationVar(&o.AnswerAfter, "answer", 12*time.Minute, "kim answers this long after the first text message; 0 for nobody")
	fs.StringVar(&o.Data, "data", "", "keep the record in this `folder`")
	verbose := fs.Bool("verbose", false, "log what the daemon does")
	var ts troubles
	fs.Var(&ts, "trouble", "what goes wrong instead of the usual night; may be given again:\n"+sim.TroubleHelp())
	rest, code, ok := e.parse("demo", fs, args)
	if !ok {
		return code
	}
	switch {
	case len(rest) > 0:
		return e.usage("demo", "demo takes flags only")
	case o.Length < demo.Step || o.Speed < 0:
		return e.usage("demo", "length must be at least %v and speed not below 0", demo.Step)
	}
	if ts != nil {
		o.Troubles = ts
	}
	o.Log = slog.New(slog.DiscardHandler)
	if *verbose {
		o.Log = newLog(e.err, true)
	}
	fmt.Fprint(e.out, cautions)
	sum, err := demo.Run(ctx, o)
	if err != nil {
		return e.fault(err)
	}
	fmt.Fprintf(e.out, "Summary: %v of the hatchery's time in %.0f s. %d readings published and acknowledged, %d in the record.\n%d alarms raised, %d returned to normal, %d mails accepted by the mail server, %d text messages by the network.\n",
		o.Length, sum.Wall.Seconds(), sum.Published, sum.Stored, sum.Raised, sum.Returned, sum.Mails, sum.Texts)
	ids := make([]string, 0, len(sum.Gained))
	for id := range sum.Gained {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	for _, id := range ids {
		fmt.Fprintf(e.out, "Lot %s gained %.2f degree-days (%.2f TU).\n", id, sum.Gained[id], 1.8*sum.Gained[id])
	}
	if sum.Stored != sum.Published {
		return e.fault(fmt.Errorf("%d readings were acknowledged and %d are in the record; they should be the same", sum.Published, sum.Stored))
	}
	return exitOK
}
