package lang

import (
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/cond"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
)

// Program is a checked set of rules, resolved against one site.
type Program struct {
	Rules []Rule
}

// Rule is one block of the rules file. Which fields beyond the common ones
// count depends on Kind; lang sets the others to zero.
type Rule struct {
	Kind alarm.Kind
	Name string
	// At is where it is written, "rules.hcl:14".
	At       string
	Priority alarm.Priority
	// OnDelay is how long the trouble must last without a break before the
	// alarm is raised; OffDelay how long all must be well before it returns
	// to normal. 0 means at once.
	OnDelay, OffDelay time.Duration
	// CanHappen and ToDo are the keeper's own words.
	CanHappen, ToDo string
	// Watches is what it covers, in the order of the site file; never empty.
	Watches []Watch

	// Low and High bound temperature_band, degC; HasLow and HasHigh say
	// which are set.
	Low, High       measure.TempC
	HasLow, HasHigh bool
	// Departure is the largest allowed distance from the median or the
	// spring, degC.
	Departure measure.TempC
	// Window is how far back the probe's own median looks.
	Window time.Duration
	// Deadband is how far back inside the setpoint a value must come to
	// return to normal, in the base unit of what is judged. At least 0.
	Deadband float64
	// InSaturation: low_oxygen or high_oxygen judges percent of saturation, not mg/L.
	InSaturation bool
	// Times is how many jumps of more than the watch's setpoint within its
	// After, back and forth, are too many. jumping_probe only.
	Times int
	// Margin is how far from air saturation a probe in the air may read.
	Margin measure.Percent
	// AlarmWhen is the state of a contact that is trouble, reading.Open or
	// reading.Closed, and Means what it means: "mains power lost".
	AlarmWhen float64
	Means     string
	// Latch: when the trouble is over the alarm stays latched until somebody
	// resets it.
	Latch bool
	// ReAlarm is how long an answer silences trouble that goes on: after it the
	// alarm is unacknowledged again, as if new. 0: for good.
	ReAlarm time.Duration
	// Whiles are setpoints for some contents or hours in place of its own.
	Whiles []While
	Course
	// Chore is the chore that missed_chore watches.
	Chore string
	// Says is what a condition that has come true means, "runs warm and slow";
	// "" for its name.
	Says string
}

// Watch is one thing a rule looks at.
type Watch struct {
	Unit string
	// Probe is the probe judged; "" for missed_chore and condition.
	Probe reading.ProbeID
	// Setpoint is the lowest value that is still right (low_flow, low_oxygen)
	// or the highest (high_flow, high_oxygen), base unit: L/min, mg/L, or
	// percent when the rule is InSaturation; the least jump (jumping_probe), a
	// difference in the base unit.
	Setpoint float64
	// After is how long the probe may be silent (silent_probe), or say the
	// same number (stuck_probe), or how far apart two readings may be that
	// make a jump (jumping_probe).
	After time.Duration
	// Condition is what a condition goes by at Unit; nil for other kinds.
	Condition *Condition
}

// Condition is an expression of a rule, settled for one unit.
type Condition struct {
	// When is the trouble; Until is from when it is over, nil for as soon as
	// When is no longer true. Both are of type Bool.
	When, Until *cond.Node
	// Uses is the probes that they go by, in order of writing; never empty.
	Uses []reading.ProbeID
}

// DefaultReAlarm is how long an answer silences a call-out whose trouble goes
// on. Whoever answered may have fallen asleep again, and it may have got worse
// (common practice, no source).
const DefaultReAlarm = time.Hour

// Key names the alarm of this watch.
func (r *Rule) Key(w Watch) alarm.Key {
	what := string(w.Probe)
	if what == "" {
		what = w.Unit
	}
	return alarm.Key(string(r.Kind) + "/" + slashes.Replace(r.Name) + "/" + what)
}

// slashes keeps rule "a/b" on probe "c" apart from rule "a" on probe "b/c".
var slashes = strings.NewReplacer(`\`, `\\`, `/`, `\/`)

// SilentAfter is how long a probe may say nothing before it counts as silent,
// where no rule says otherwise: three expected intervals, at least 5 minutes
// (common practice, no source).
func SilentAfter(every time.Duration) time.Duration { return max(3*every, 5*time.Minute) }
