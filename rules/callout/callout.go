// Package callout owns the message of a call-out: a durable demand for a
// human. notify writes messages, the ledger's outbox keeps them, a delivery
// hands them over. It does no I/O.
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
	// AllWell: the morning message of a night in which nothing waits for
	// anybody. That it does not come is noticed.
	AllWell Reason = "all well"
	// Drill: a test call-out, to be answered like any other.
	Drill Reason = "drill"
	// Heartbeat: a mail to an outside watcher, whose absence is noticed.
	Heartbeat Reason = "heartbeat"
	// Reply: what a person's own message is answered with, to that person
	// alone.
	Reply Reason = "reply"
)

// Way is how a message goes to a person.
type Way string

// The ways.
const (
	Email Way = "email"
	SMS   Way = "sms"
	Hook  Way = "hook"
)

// Ways lists the ways.
func Ways() []Way { return []Way{Email, SMS, Hook} }

// Reach is one way to reach a person.
type Reach struct {
	Way Way
	// Address is an email address, a mobile number in the international form
	// (ITU-T E.164: "+" and at most 15 digits), or a hook's name.
	Address string
}

// Message is one message to one person. It is a row before it is sent.
type Message struct {
	// ID is unique for ever and made before the message is stored. The
	// email Message-ID is built from it, so a second copy can be
	// recognised as one.
	ID     string
	Reason Reason
	// Person is the name in the site file; Way and Address where it goes.
	Person  string
	Way     Way
	Address string
	Subject string
	// Text is the whole body, plain text, lines of at most 78 columns.
	Text string
	// Short is the same for a text message: at most 160 characters of the
	// default alphabet of GSM 03.38 where it can be said in so few.
	Short string
	// Code is what this person answers it with, "" where there is nothing to
	// answer. It stays the same while call-outs to that person stand
	// unanswered.
	Code string
	// Unless is the ID of the message in whose stead this one goes, on the
	// person's next way: it is not needed once that one was handed over. ""
	// for none.
	Unless string
	// NotBefore is when it is due; zero is at once. UTC.
	NotBefore time.Time
	// Alarms are the alarms it tells of.
	Alarms    []alarm.Key
	CreatedAt time.Time
	// ExpiresAt is when there is no more point in sending it. UTC.
	ExpiresAt time.Time
	// Attempts counts deliveries begun, this one included when a delivery
	// reads it. Above 1 the person may already have it.
	Attempts int
}
