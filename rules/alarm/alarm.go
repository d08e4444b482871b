// Package alarm owns the alarm: its states, priorities and transitions, named
// after the open alarm-management standards (OPC UA part 9, annex B; state
// names as commonly taught from ISA-18.2 and IEC 62682, from memory). It does
// no I/O; the engine makes transitions, the ledger keeps them, notify reads
// them.
package alarm

import (
	"fmt"
	"time"

	"weirkeeper/rules/reading"
)

// Key names one alarm for ever: the rule and what it watches.
type Key string

// Kind is the kind of trouble a rule watches for.
type Kind string

// The kinds of alarm. Their names are the block names of the rules file,
// except CommonCause, LotDue and DaemonHealth, which are built in.
const (
	LowFlow          Kind = "low_flow"
	TemperatureDrift Kind = "temperature_drift"
	FromSpring       Kind = "temperature_from_spring"
	TemperatureBand  Kind = "temperature_band"
	LowOxygen        Kind = "low_oxygen"
	SilentProbe      Kind = "silent_probe"
	MissedChore      Kind = "missed_chore"
	HighFlow         Kind = "high_flow"
	HighOxygen       Kind = "high_oxygen"
	FastChange       Kind = "fast_change"
	SlowDrift        Kind = "slow_drift"
	FromSister       Kind = "from_sister"
	WaterBalance     Kind = "water_balance"
	StuckProbe       Kind = "stuck_probe"
	JumpingProbe     Kind = "jumping_probe"
	ImpossibleValue  Kind = "impossible_value"
	ProbeInAir       Kind = "probe_in_air"
	Contact          Kind = "contact"
	Condition        Kind = "condition"
	CommonCause      Kind = "common_cause"
	LotDue           Kind = "lot_due"
	DaemonHealth     Kind = "self"
)

// State is where an alarm is in its life.
type State uint8

const (
	// Normal: nothing is wrong and nothing waits for a human.
	Normal State = iota
	// Unacknowledged: the trouble is there and nobody has answered.
	Unacknowledged
	// Acknowledged: the trouble is there and somebody has answered.
	// Acknowledging silences; it does not clear.
	Acknowledged
	// ReturnedUnacknowledged: the trouble went away before anybody answered.
	ReturnedUnacknowledged
	// LatchedUnacknowledged: the trouble is over, nobody has answered, and the
	// rule wants somebody to have looked before it is forgotten.
	LatchedUnacknowledged
	// LatchedAcknowledged: the trouble is over and was answered; it waits to
	// be reset.
	LatchedAcknowledged
)

var stateNames = [...]string{"normal", "unacknowledged", "acknowledged", "returned unacknowledged", "latched unacknowledged", "latched acknowledged"}

func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return fmt.Sprintf("state(%d)", uint8(s))
}

// Active reports whether the trouble is there now.
func (s State) Active() bool { return s == Unacknowledged || s == Acknowledged }

// MarshalText and UnmarshalText write a state as its name.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads a state's name.
func (s *State) UnmarshalText(b []byte) error {
	for i, n := range stateNames {
		if n == string(b) {
			*s = State(i)
			return nil
		}
	}
	return fmt.Errorf("alarm: no state %q", b)
}

// Priority is what an alarm asks of a human.
type Priority uint8

const (
	// Note: it is written in the journal, nobody is told.
	Note Priority = iota + 1
	// Morning: somebody is told at the morning hour.
	Morning
	// CallOut: somebody is called out now, by day or night.
	CallOut
)

var priorityNames = [...]string{"", "note", "morning", "call-out"}

// Priorities lists every priority, lowest first.
func Priorities() []Priority { return []Priority{Note, Morning, CallOut} }

func (p Priority) String() string {
	if int(p) < len(priorityNames) && p > 0 {
		return priorityNames[p]
	}
	return fmt.Sprintf("priority(%d)", uint8(p))
}

// MarshalText writes a priority as its name.
func (p Priority) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads a priority's name.
func (p *Priority) UnmarshalText(b []byte) error {
	for i, n := range priorityNames {
		if i > 0 && n == string(b) {
			*p = Priority(i)
			return nil
		}
	}
	return fmt.Errorf("alarm: no priority %q", b)
}

// Transition is one step in an alarm's life. It carries all that a message or
// a journal line needs, so that neither has to look anything up.
type Transition struct {
	Key  Key  `json:"key"`
	Kind Kind `json:"kind"`
	// Occurrence counts how often this alarm has been raised, from 1. It
	// is the same in all transitions of one raise and its return.
	Occurrence uint64    `json:"occurrence"`
	From       State     `json:"from"`
	To         State     `json:"to"`
	At         time.Time `json:"at"` // the engine's now, UTC
	// Since is when the trouble was first seen (the first reading beyond
	// the setpoint), at or before the raise. UTC.
	Since    time.Time `json:"since"`
	Priority Priority  `json:"priority"`
	Rule     string    `json:"rule"`
	// RuleAt is where the rule is written, "rules.hcl:14"; "" if built in.
	RuleAt string          `json:"rule_at,omitempty"`
	Unit   string          `json:"unit,omitempty"`
	Probe  reading.ProbeID `json:"probe,omitempty"`
	// Trouble says what is wrong and where in a few words, unit first:
	// "Trough 3: low flow". It is the start of every message.
	Trouble string `json:"trouble"`
	// Detail is the value against the setpoint in the keeper's units:
	// "11.2 L/min, setpoint 28 L/min". On a return it is the good value.
	Detail string `json:"detail,omitempty"`
	// CanHappen and ToDo are the rule's own words for the keeper.
	CanHappen string `json:"can_happen,omitempty"`
	ToDo      string `json:"to_do,omitempty"`
	// By is who acknowledged; "" for every other transition.
	By string `json:"by,omitempty"`
	// Via is how that came: "text", "link", "page", "command"; "" where By is.
	Via string `json:"via,omitempty"`
	// Hidden says why nobody is called for it though it is judged and
	// journalled: "shelved by kim until 07:00", "being cleaned"; "" when it is
	// not hidden. When what hides it ends and the trouble is still there, a
	// transition from Unacknowledged to Unacknowledged without Hidden tells.
	Hidden string `json:"hidden,omitempty"`
	// Cause is the alarm that this one follows from, "" for none: one cause
	// makes one call-out.
	Cause Key `json:"cause,omitempty"`
	// Left words the time until oxygen runs short, "oxygen for 25 to 60 min",
	// or what is missing to say it; "" where it does not apply.
	Left string `json:"left,omitempty"`
}

// NoLongerWatched is the Detail of a transition to Normal that says nothing of
// the water: the rule or the probe is gone from the files.
const NoLongerWatched = "no rule watches this any more"

// Raised reports whether the transition starts an occurrence.
func (t Transition) Raised() bool { return t.To == Unacknowledged && !t.From.Active() }

// Returned reports whether the trouble ended with this transition.
func (t Transition) Returned() bool { return t.From.Active() && !t.To.Active() }
