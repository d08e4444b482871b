// Package callout owns the message of a call-out: a durable demand for a
// human. notify writes messages, the ledger's outbox keeps them, a delivery
// (email today) hands them over. It does no I/O.
package callout

import (
	"time"

	"weirkeeper/rules/alarm"
)

// Reason is why a message is sent.
type Reason string

// The reasons.
const (
	// First: trouble that this person has not been told of, or that an
	// answer did not mend.
	First Reason = "first"
	// Repeat: the trouble stands and nobody has answered.
	Repeat Reason = "repeat"
	// Returned: all the trouble this person was told of is over.
	Returned Reason = "returned"
	// MorningRound: what waited for the morning hour.
	MorningRound Reason = "morning"
	// Answered: somebody else acknowledged.
	Answered Reason = "answered"
)

// Message is one message to one person. It is a row before it is sent.
type Message struct {
	// ID is unique for ever and made before the message is stored. The
	// email Message-ID is built from it, so a second copy can be
	// recognised as one.
	ID     string
	Reason Reason
	// Person is the name in the site file; Address where it goes, an
	// email address today.
	Person  string
	Address string
	Subject string
	// Text is the whole body, plain text, lines of at most 78 columns.
	Text string
	// Alarms are the alarms it tells of.
	Alarms    []alarm.Key
	CreatedAt time.Time
	// ExpiresAt is when there is no more point in sending it. UTC.
	ExpiresAt time.Time
	// Attempts counts deliveries begun, this one included when a delivery
	// reads it. Above 1 the person may already have it.
	Attempts int
}
