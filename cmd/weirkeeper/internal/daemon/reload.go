package daemon

import (
	"context"
	"errors"
	"fmt"
	"time"

	"weirkeeper/rules"
	"weirkeeper/rules/lang"
)

// ErrNoReload is returned by a daemon that was not told how to read its rules.
var ErrNoReload = errors.New("daemon: this one cannot read its rules anew; restart it")

// Reload reads the rules files anew and judges by them from now on. The site
// file is read at the start only. If they have faults the old rules go on and
// that is said: in the error, in the log, by a metric, and by an alarm for the
// morning that stands until rules without faults were read. An alarm that the
// new rules still define, by kind, name and probe, keeps its state; one they no
// longer define ends.
func (d *Daemon) Reload(ctx context.Context) (string, error) {
	if d.opt.LoadRules == nil {
		return "", ErrNoReload
	}
	prog, err := d.opt.LoadRules()
	if err == nil {
		err = d.keeper.reload(ctx, prog)
	}
	if err != nil {
		d.keeper.metrics.reloads.WithLabelValues("refused").Inc()
		d.opt.Log.Error("rules not read anew, the old ones go on", "err", err)
		d.keeper.tell(ctx, rules.Rules, false, "the rules files have faults; the rules read before go on: weirkeeper check says what is wrong")
		return "", err
	}
	d.keeper.metrics.reloads.WithLabelValues("taken").Inc()
	d.opt.Log.Info("rules read anew", "rules", len(prog.Rules))
	d.keeper.tell(ctx, rules.Rules, true, "read without faults")
	return fmt.Sprintf("The rules were read anew: %d are watched.\n", len(prog.Rules)), nil
}

// reload has another engine take over. Errors: that the record could not be
// written or read; the old engine then goes on.
func (k *keeper) reload(ctx context.Context, prog *lang.Program) error {
	return k.do(ctx, func(now time.Time) error {
		if err := k.commit(ctx); err != nil {
			return err
		}
		if k.failing {
			return errors.New("the record cannot be written at the moment; try again when it can")
		}
		fresh := rules.New(k.site, prog)
		fresh.SetBook(k.engine.Book())
		past, err := k.pastOf(ctx, fresh, now)
		if err != nil {
			return err
		}
		gone, err := fresh.Rebuild(now, past)
		if err != nil {
			return fmt.Errorf("daemon: rebuild the alarms: %w", err)
		}
		fresh.Follow(k.engine)
		k.engine = fresh
		k.program.Store(prog)
		k.setBook() // its notices and warnings rest on the units counted
		k.observe(gone)
		return nil
	})
}
