// Package act owns what people do about alarms and chores besides answering:
// cleaning started and finished, an alarm shelved, a unit out of service, an
// alarm marked as false, the whole site paused, a drill started and answered. Acts are a record that only grows; what holds at a time
// is their fold, so that a restart, a replay and a live run agree. It does no
// I/O.
package act

import (
	"time"

	"weirkeeper/rules/alarm"
)

// Kind is what was done.
type Kind string

// The kinds.
const (
	// CleaningStarted: the flow and level alarms of Unit are suppressed by
	// design until Until at the latest.
	CleaningStarted Kind = "cleaning started"
	// CleaningFinished ends that, and the chore Chore counts as done.
	CleaningFinished Kind = "cleaning finished"
	// Shelved: the call-outs of alarm Alarm are held back until Until, at the
	// word of By.
	Shelved Kind = "shelved"
	// Unshelved ends that early.
	Unshelved Kind = "unshelved"
	// OutOfService: no alarm of Unit calls out until InService.
	OutOfService Kind = "out of service"
	// InService ends that.
	InService Kind = "in service"
	// Reset lets a latched alarm go whose trouble is over.
	Reset Kind = "reset"
	// MarkedFalse: occurrence Occurrence of Alarm was no trouble.
	MarkedFalse Kind = "marked false"
	// Paused: nobody is called for anything on the whole site until Until, for
	// maintenance; the daemon's own alarms are told all the same.
	Paused Kind = "paused"
	// Resumed ends that early.
	Resumed Kind = "resumed"
	// DrillStarted: a test call-out goes out and is to be answered by Until.
	DrillStarted Kind = "drill started"
	// DrillAnswered: By has answered the drill that stands.
	DrillAnswered Kind = "drill answered"
)

// Kinds lists the kinds.
func Kinds() []Kind {
	return []Kind{CleaningStarted, CleaningFinished, Shelved, Unshelved, OutOfService, InService, Reset, MarkedFalse, Paused, Resumed, DrillStarted, DrillAnswered}
}

// Act is one line of the record.
type Act struct {
	// ID is chosen by whoever makes it, so that the same one sent twice
	// counts once.
	ID   string    `json:"id"`
	Kind Kind      `json:"kind"`
	At   time.Time `json:"at"` // UTC
	By   string    `json:"by"`
	// Via says how it came: "command", "page", "button", "link", "text".
	Via        string    `json:"via,omitempty"`
	Alarm      alarm.Key `json:"alarm,omitempty"`
	Occurrence uint64    `json:"occurrence,omitempty"`
	Unit       string    `json:"unit,omitempty"`
	Chore      string    `json:"chore,omitempty"`
	// Until is when it ends by itself; zero for never.
	Until time.Time `json:"until,omitzero"`
	Why   string    `json:"why,omitempty"`
}
