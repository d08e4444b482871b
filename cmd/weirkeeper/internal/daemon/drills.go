package daemon

import (
	"fmt"
	"time"

	"weirkeeper/config"
	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/measure"
)

// Bounds of drills (common practice, no source).
const (
	// drillLate is how long after its hour a drill is still held that could not
	// be held in time.
	drillLate = 2 * time.Hour
	// drillWithin is how long there is to answer one that is held by hand.
	drillWithin = time.Hour
	// drillsOverdue is after how many intervals without an answered drill that
	// is an alarm.
	drillsOverdue = 3
)

// drills is the fold of the drills.
type drills struct {
	plan     *config.Drill // nil: by hand only
	zone     *time.Location
	started  act.Act   // the newest
	answered act.Act   // the newest answer, of whatever drill
	judged   string    // what the engine was told, "" for nothing yet
	refused  time.Time // the planned hour that was refused
}

// take takes in an act.
func (d *drills) take(a act.Act) {
	switch {
	case a.Kind == act.DrillStarted && !a.At.Before(d.started.At):
		d.started = a
	case a.Kind == act.DrillAnswered && !a.At.Before(d.answered.At):
		d.answered = a
	}
}

// open is the drill that waits for an answer, nil for none.
func (d *drills) open(now time.Time) *act.Act {
	if d.started.At.IsZero() || !now.Before(d.started.Until) || !d.answered.At.Before(d.started.At) {
		return nil
	}
	return &d.started
}

// last is the newest planned hour at or before now, zero without a plan.
func (d *drills) last(now time.Time) time.Time {
	if d.plan == nil {
		return time.Time{}
	}
	y, m, day := now.In(d.zone).Date()
	for i := range 8 {
		at := time.Date(y, m, day-i, d.plan.Minute/60, d.plan.Minute%60, 0, 0, d.zone)
		if !at.After(now) && d.plan.Days[at.Weekday()] {
			return at
		}
	}
	return time.Time{}
}

// due reports whether a planned drill is to be held now. With a plan of every
// so many weeks it is held in the first planned hour that is that long, less a
// few days, after the last one.
func (d *drills) due(now time.Time) bool {
	at := d.last(now)
	if at.IsZero() || now.Sub(at) >= drillLate || !d.started.At.Before(at) || d.refused.Equal(at) {
		return false
	}
	return d.started.At.IsZero() || d.plan.Every <= 1 || at.Sub(d.started.At) >= time.Duration(d.plan.Every)*7*24*time.Hour-4*24*time.Hour
}

// state says whether drills are well, "" for not known yet.
func (d *drills) state(now time.Time) (ok bool, detail string) {
	clock := func(t time.Time) string { return t.In(d.zone).Format("Mon 2 Jan 15:04") }
	missed := !d.started.At.IsZero() && d.answered.At.Before(d.started.At)
	switch {
	case missed && now.Before(d.started.Until):
		return false, "" // it goes on
	case missed:
		return false, fmt.Sprintf("nobody answered the drill of %s within %s", clock(d.started.At), measure.FormatDuration(d.started.Until.Sub(d.started.At)))
	case d.plan != nil && !d.answered.At.IsZero() && now.Sub(d.answered.At) > drillsOverdue*time.Duration(max(1, d.plan.Every))*7*24*time.Hour:
		return false, fmt.Sprintf("no drill was held since %s", clock(d.answered.At))
	case d.answered.At.IsZero():
		return false, ""
	}
	return true, fmt.Sprintf("answered by %s on %s after %s", d.answered.By, clock(d.answered.At), measure.FormatDuration(d.answered.At.Sub(d.started.At).Truncate(time.Second)))
}

// drillTick holds a planned drill and judges those that were held. While people
// are called out for real there is none: it is held as soon as that is answered,
// or not at all.
func (k *keeper) drillTick(now time.Time) {
	d := &k.drills
	if d.due(now) && k.timesAreSure() && unanswered(k.engine.Standing(now)).Since.IsZero() {
		a := act.Act{ID: "drill/" + d.last(now).UTC().Format(time.RFC3339), Kind: act.DrillStarted, By: "the plan of drills", Via: "plan", Why: "planned"}
		if _, err := k.act(now, a, d.plan.Within); err != nil {
			k.log.Warn("planned drill not held", "err", err)
			d.refused = d.last(now) // not each second
		}
	}
	if ok, detail := d.state(now); detail != "" && detail != d.judged {
		d.judged = detail
		k.observe(k.engine.Health(now, rules.Drill, ok, detail))
	}
}
