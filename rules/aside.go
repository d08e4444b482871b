package rules

import (
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/measure"
)

// What people put aside: an alarm that is shelved and the whole site paused, for a
// time, and a unit that is out of service, until it is back. All hide the call-out
// alone; see hide.go.

// How what is put aside begins in Hidden; Rebuild knows it again by them.
const (
	shelvedBy = "shelved by "
	outSince  = "out of service since "
	pausedBy  = "the site is paused by "
)

// putAside reports whether a Hidden says that people put an alarm aside.
func putAside(hidden string) bool {
	return strings.HasPrefix(hidden, shelvedBy) || strings.HasPrefix(hidden, outSince) || strings.HasPrefix(hidden, pausedBy)
}

// ServiceReminder is the alarm that reminds of units out of service.
const ServiceReminder = alarm.Key("self/units out of service/service")

// remindAgain is how long an answer to the reminder of units out of service
// holds: not until the next morning.
const remindAgain = 12 * time.Hour

func (e *Engine) shelved(c *check, now time.Time) (why string, until time.Time) {
	a, ok := e.acts.Shelved(c.key(), now)
	if !ok {
		return "", time.Time{}
	}
	return shelvedBy + a.By + " until " + act.Clock(a.Until, now, e.site.Location), a.Until
}

// paused hides everything but what the daemon says of itself: a pause is for work
// on the water, and while it goes on nothing else may fail unseen.
func (e *Engine) paused(c *check, now time.Time) (why string, until time.Time) {
	if c.rule.Kind == alarm.DaemonHealth {
		return "", time.Time{}
	}
	a, ok := e.acts.Paused(now)
	if !ok {
		return "", time.Time{}
	}
	return pausedBy + a.By + " until " + act.Clock(a.Until, now, e.site.Location), a.Until
}

func (e *Engine) outOfService(c *check, now time.Time) string {
	unit := c.unitName()
	if unit == "" {
		return ""
	}
	a, ok := e.acts.OutOfService(unit)
	if !ok {
		return ""
	}
	return outSince + act.Clock(a.At, now, e.site.Location) + ", by " + a.By
}

// outUnits are the units of the site that are out of service.
func (e *Engine) outUnits() []act.Act {
	return slices.DeleteFunc(e.acts.AllOutOfService(), func(a act.Act) bool {
		_, ok := e.site.Unit(a.Unit)
		return !ok
	})
}

// serviceWords is the reminder of units out of service: "trough 3 since Tue 24
// Nov 09:10, by kim: new screen".
func (e *Engine) serviceWords(now time.Time) (trouble, detail string) {
	var parts []string
	for _, a := range e.outUnits() {
		s := a.Unit + " since " + act.Clock(a.At, now, e.site.Location) + ", by " + a.By
		if a.Why != "" {
			s += ": " + a.Why
		}
		parts = append(parts, s)
	}
	if len(parts) == 0 {
		parts = []string{"all are in service again"}
	}
	return "Units out of service: nobody is called for them", strings.Join(parts, "; ")
}

// CheckAct judges an act before it is taken, as act.Board.Check does, and that
// there is such an alarm. Of a raise marked as false without its number the
// newest is meant: a gets it. Errors: *act.Refusal.
func (e *Engine) CheckAct(now time.Time, a *act.Act) error {
	switch a.Kind {
	case act.Shelved, act.Unshelved, act.MarkedFalse:
		if a.Alarm == "" {
			break
		}
		c := e.find(a.Alarm)
		if c == nil && a.Kind != act.Unshelved { // its rule may be gone
			return &act.Refusal{Reason: e.noSuchAlarm(a.Alarm)}
		}
		if a.Kind != act.MarkedFalse {
			break
		}
		if a.Occurrence == 0 {
			a.Occurrence = c.occurrence
		}
		if a.Occurrence == 0 || a.Occurrence > c.occurrence {
			return &act.Refusal{Reason: "the alarm " + string(a.Alarm) + " was never raised, or not so often"}
		}
	case act.CleaningStarted, act.CleaningFinished, act.OutOfService, act.InService, act.Reset, act.Paused, act.Resumed, act.DrillStarted, act.DrillAnswered:
	}
	return e.acts.Check(*a, now, e.site)
}

func (e *Engine) find(key alarm.Key) *check {
	for _, c := range e.checks {
		if c.key() == key {
			return c
		}
	}
	return nil
}

func (e *Engine) noSuchAlarm(key alarm.Key) string {
	names := make([]string, len(e.checks))
	for i, c := range e.checks {
		names[i] = string(c.key())
	}
	s := "there is no alarm \"" + string(key) + "\""
	if near := measure.Suggest(string(key), names); near != "" {
		return s + "; did you mean \"" + near + "\"?"
	}
	return s + "; weirkeeper's page names those that stand"
}
