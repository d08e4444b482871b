// Package reading owns the reading: one value of one probe at one time, with
// what is known of its quality. It imports only units of measure and does no
// I/O.
package reading

import (
	"fmt"
	"math"
	"strings"
	"time"

	"weirkeeper/rules/measure"
)

// ProbeID names a probe, as the site file does. It is unique in a site.
type ProbeID string

// Quantity is what a probe measures.
type Quantity uint8

// The quantities. Each is stored in the base unit of its dimension.
const (
	// Temperature is water temperature in degC.
	Temperature Quantity = iota + 1
	// Flow is water flow in L/min.
	Flow
	// Oxygen is dissolved oxygen in mg/L.
	Oxygen
	// Saturation is dissolved oxygen in percent of air saturation, from a
	// probe that reports that and not mg/L.
	Saturation
	// Contact is a switch: 0 open, 1 closed. It has no unit.
	Contact
)

// What a contact says.
const (
	Open   = 0.0
	Closed = 1.0
)

// Quantities lists every quantity.
func Quantities() []Quantity { return []Quantity{Temperature, Flow, Oxygen, Saturation, Contact} }

// Amounts lists the quantities that have a unit: all but Contact.
func Amounts() []Quantity { return []Quantity{Temperature, Flow, Oxygen, Saturation} }

// ContactWord is a contact's value in a word, "open" or "closed".
func ContactWord(v float64) string {
	if v == Closed {
		return "closed"
	}
	return "open"
}

func (q Quantity) String() string {
	switch q {
	case Temperature:
		return "temperature"
	case Flow:
		return "flow"
	case Oxygen:
		return "oxygen"
	case Saturation:
		return "saturation"
	case Contact:
		return "contact"
	}
	return fmt.Sprintf("quantity(%d)", uint8(q))
}

// Dimension is the dimension of the quantity's units; None for Contact.
func (q Quantity) Dimension() measure.Dimension {
	switch q {
	case Temperature:
		return measure.Temperature
	case Flow:
		return measure.Flow
	case Oxygen:
		return measure.Oxygen
	case Saturation:
		return measure.Saturation
	case Contact:
	}
	return measure.None
}

// Flags is what is known of a reading's quality. They are stored as a number:
// never renumber them.
type Flags uint16

const (
	// DeviceTimed: the payload carried the time of the sample and At is it.
	DeviceTimed Flags = 1 << iota
	// Retained: the broker kept it from before; it is old by nature.
	Retained
	// Late: the sample is older than the probe's expected interval allows.
	// It counts for history and thermal units, not for alarms.
	Late
	// FutureTime: the device time lay ahead of the daemon's clock by more
	// than the tolerance; At was set to the arrival time.
	FutureTime
	// OutOfRange: the value is outside the probe's plausible range. It is
	// kept in the record and used for nothing else.
	OutOfRange
	// Redelivered: the broker marked the message as a possible duplicate.
	Redelivered
	// OutOfOrder: a newer reading of this probe had already come.
	OutOfOrder
	// ClockCorrected: it came while the daemon's clock was wrong, and At and
	// ArrivedAt were moved by what the clock was then found to be off.
	ClockCorrected
	// ClockUntrusted: At is the time of the daemon's clock, which was not to
	// be trusted, and has not been corrected.
	ClockUntrusted
)

var flagNames = []string{"device-timed", "retained", "late", "future-time", "out-of-range", "redelivered", "out-of-order", "clock-corrected", "clock-untrusted"}

// Has reports whether all of the given flags are set.
func (f Flags) Has(g Flags) bool { return f&g == g }

func (f Flags) String() string {
	var s []string
	for i, n := range flagNames {
		if f&(1<<i) != 0 {
			s = append(s, n)
		}
	}
	return strings.Join(s, ",")
}

// Reading is one value of one probe.
type Reading struct {
	Probe ProbeID
	// At is the time of the sample used everywhere: the device's own time
	// where it is given and believable, else ArrivedAt. UTC.
	At time.Time
	// DeviceAt is the time in the payload, even where it is not believed;
	// zero when there is none. UTC.
	DeviceAt time.Time
	// ArrivedAt is when the message reached the daemon. UTC.
	ArrivedAt time.Time
	// Value is in the base unit of the probe's quantity (degC, L/min, mg/L
	// or percent of saturation; 0 or 1 of a contact). Always finite.
	Value float64
	Flags Flags
	// MID is the MQTT packet identifier it came under, 0 for QoS 0. It lets
	// a redelivered message without a time of its own be recognised.
	MID uint16
}

// Usable reports whether the value may be believed: it is finite and inside
// the probe's plausible range.
func (r Reading) Usable() bool {
	return !r.Flags.Has(OutOfRange) && !math.IsNaN(r.Value) && !math.IsInf(r.Value, 0)
}

// Current reports whether the reading says something about the water now, so
// that alarms may use it.
func (r Reading) Current() bool {
	return r.Usable() && r.Flags&(Late|OutOfOrder) == 0 && (!r.Flags.Has(Retained) || r.Flags.Has(DeviceTimed))
}
