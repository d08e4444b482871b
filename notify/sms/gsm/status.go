package gsm

import "fmt"

// Status is what became of a text (TP-ST, TS 23.040 clause 9.2.3.15).
type Status byte

// Outcome is what a Status comes to.
type Outcome byte

// The outcomes.
const (
	// Delivered: the telephone has it, or the network says that it did all it
	// can.
	Delivered Outcome = iota
	// Trying: not yet, and the network goes on trying.
	Trying
	// Failed: not, and the network has given up.
	Failed
)

func (o Outcome) String() string {
	switch o {
	case Delivered:
		return "delivered"
	case Trying:
		return "not delivered yet"
	case Failed:
		return "not delivered"
	}
	return fmt.Sprintf("Outcome(%d)", byte(o))
}

// reasons are those of TS 23.040 clause 9.2.3.15.
var reasons = map[Status]string{
	0x00: "the telephone has it",
	0x01: "handed on, but the network cannot tell whether it arrived",
	0x02: "replaced by a later text",

	0x20: "network busy", 0x21: "telephone busy", 0x22: "the telephone does not answer: switched off or out of reach",
	0x23: "service refused", 0x24: "quality of service not to be had", 0x25: "fault in the telephone",

	0x40: "fault between networks", 0x41: "the telephone cannot take text messages", 0x42: "the telephone refused it",
	0x43: "no such number, or not to be reached", 0x44: "quality of service not to be had", 0x45: "no way between the networks",
	0x46: "the time for delivery ran out", 0x47: "deleted by the sender", 0x48: "deleted by the network", 0x49: "the network does not know of it",

	0x60: "network busy", 0x61: "telephone busy", 0x62: "the telephone does not answer: switched off or out of reach",
	0x63: "service refused", 0x64: "quality of service not to be had", 0x65: "fault in the telephone",
}

// read gives the status that s counts as, and its reason. Of each group 16
// values are the network's own; what is reserved counts as "service refused"
// (clause 9.2.3.15).
func (s Status) read() (Status, string) {
	if reason, ok := reasons[s]; ok {
		return s, reason
	}
	switch s & 0xf0 {
	case 0x10, 0x30, 0x50, 0x70:
		return s, fmt.Sprintf("reason %#02x of that network", byte(s))
	}
	return 0x63, reasons[0x63] + fmt.Sprintf(" (unknown reason %#02x)", byte(s))
}

// Outcome is what s comes to. A status that nobody knows is a failure.
func (s Status) Outcome() Outcome {
	switch s, _ := s.read(); s >> 5 {
	case 0:
		return Delivered
	case 1:
		return Trying
	}
	return Failed
}

// String says it in words: "not delivered: the time for delivery ran out".
func (s Status) String() string {
	_, reason := s.read()
	return s.Outcome().String() + ": " + reason
}
