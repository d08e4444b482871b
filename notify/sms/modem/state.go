package modem

import (
	"fmt"
	"time"
)

// SIM is how the SIM is.
type SIM string

// The states of the SIM.
const (
	SIMUnknown SIM = ""
	SIMReady   SIM = "ready"
	SIMMissing SIM = "missing"
	// PINWanted: it wants a PIN and none is configured.
	PINWanted SIM = "PIN wanted"
	// PINRefused: the configured PIN was refused, now or before the start. It is
	// not tried again.
	PINRefused SIM = "PIN refused"
	// PUKWanted: it locked itself after wrong PINs.
	PUKWanted SIM = "PUK wanted"
	SIMFailed SIM = "failed"
)

// Network is how the modem stands with the network (3GPP TS 27.007 clauses 7.2
// and 10.1.22).
type Network string

// The states of registration.
const (
	NetworkUnknown Network = ""
	Home           Network = "home"
	Roaming        Network = "roaming"
	Searching      Network = "searching"
	// NotSearching: not registered, and the modem does not look for a network.
	NotSearching Network = "not searching"
	Denied       Network = "denied"
)

// Registered reports whether messages can go.
func (n Network) Registered() bool { return n == Home || n == Roaming }

// State is how the modem is.
type State struct {
	// Port: the port is open and the modem answers.
	Port    bool
	SIM     SIM
	Network Network
	// SignalDBm is the received signal strength in dBm, -113 to -51; 0 when not
	// known.
	SignalDBm int
	// StoreUsed and StoreTotal are the places for received texts; Total 0 when
	// not known.
	StoreUsed, StoreTotal int
	// LastError is the last thing that went wrong, "" when all goes well again.
	LastError string
	// Since is when the trouble that Trouble tells of began; zero without.
	Since time.Time
}

// Trouble says in a keeper's words why no texts come or go, "" when they do or
// when nothing is known yet.
func (s State) Trouble() string {
	what := s.trouble()
	switch {
	case what == "":
		return ""
	case s.Since.IsZero():
		return what
	case !s.Port || s.SIM != SIMReady:
		return fmt.Sprintf("%s (since %s)", what, s.Since.Format("15:04"))
	}
	return fmt.Sprintf("%s since %s", what, s.Since.Format("15:04"))
}

func (s State) trouble() string {
	switch {
	case !s.Port && s.LastError == "":
		return ""
	case !s.Port:
		return "no modem: " + s.LastError
	}
	switch s.SIM {
	case SIMUnknown:
		return ""
	case SIMReady:
	case SIMMissing:
		return "no SIM in the modem"
	case PINWanted:
		return "the SIM wants a PIN: write it as sms.pin into the site file"
	case PINRefused:
		return "the SIM refused the PIN, which is not tried again: correct it where sms.pin in the site file says, then restart"
	case PUKWanted:
		return "the SIM is locked and wants its PUK: unlock it in a telephone"
	case SIMFailed:
		return "the SIM cannot be read: take it out and put it in again"
	}
	switch s.Network {
	case NetworkUnknown, Home, Roaming:
	case Searching:
		return "no network: searching"
	case NotSearching:
		return "no network: the modem has stopped searching"
	case Denied:
		return "no network: it refuses the SIM"
	}
	if s.StoreTotal > 0 && s.StoreUsed >= s.StoreTotal {
		return fmt.Sprintf("the memory for texts is full (%d of %d): no answers come in", s.StoreUsed, s.StoreTotal)
	}
	return ""
}
