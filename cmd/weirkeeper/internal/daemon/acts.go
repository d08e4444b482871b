package daemon

import (
	"context"
	"fmt"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/rules/act"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
)

// Act records what somebody has done about alarms, now, and words it. One that
// is in the record already, by its ID, changes nothing.
// Errors: *act.Refusal, or that it could not be stored.
func (k *keeper) Act(ctx context.Context, c web.ActCommand) (string, error) {
	var said string
	err := k.do(ctx, func(now time.Time) error {
		a := c.Act
		if k.engine.Acts().Knows(a.ID) {
			said = "This was recorded already.\n"
			return nil
		}
		a.At, a.Until = now, time.Time{}
		if c.For != 0 {
			a.Until = now.Add(c.For)
		}
		if err := k.engine.CheckAct(now, &a); err != nil {
			return err
		}
		k.batch.Acts = append(k.batch.Acts, a)
		if a.Kind == act.CleaningFinished && a.Chore != "" {
			k.batch.ChoresDone = append(k.batch.ChoresDone, site.ChoreDone{Chore: a.Chore, Unit: a.Unit, By: a.By, At: now})
		}
		k.log.Info("act", "kind", string(a.Kind), "by", a.By, "via", a.Via, "alarm", string(a.Alarm), "unit", a.Unit, "until", a.Until)
		k.observe(k.engine.Act(now, a))
		said = k.actWords(now, a)
		return nil
	})
	if err != nil {
		return "", err
	}
	return said, nil
}

func (k *keeper) actWords(now time.Time, a act.Act) string {
	clock := func(t time.Time) string { return act.Clock(t, now, k.site.Location) }
	switch a.Kind {
	case act.Shelved:
		return fmt.Sprintf("Shelved until %s: %s\nNobody is called for it until then; it is judged and written down as ever.\n", clock(a.Until), a.Alarm)
	case act.Unshelved:
		return fmt.Sprintf("No longer shelved: %s\n", a.Alarm)
	case act.OutOfService:
		said := fmt.Sprintf("Out of service: %s\nNobody is called for it until weirkeeper service in; the morning round reminds of it each day.\n", a.Unit)
		for _, l := range k.engine.Book().Lots() {
			for _, h := range l.Holdings {
				if h.Unit == a.Unit && l.Finished.IsZero() {
					said += fmt.Sprintf("WARNING: by the book %s of lot %s lie there. Nobody is called if their water fails.\n", measure.Group(h.Number), l.ID)
				}
			}
		}
		return said
	case act.InService:
		return fmt.Sprintf("In service again: %s\n", a.Unit)
	case act.MarkedFalse:
		return fmt.Sprintf("Marked as false: %s, raise number %d\n", a.Alarm, a.Occurrence)
	case act.CleaningStarted, act.CleaningFinished, act.Reset:
	}
	return fmt.Sprintf("Recorded: %s %s\n", a.Kind, a.Unit)
}
