// Package modemtest is a modem for tests and the demo: it speaks the AT commands
// of 3GPP TS 27.007 and TS 27.005 that package modem uses, in memory or on a
// pseudo-terminal, and can be made to do what real ones do at night: lose the
// network, answer late, in pieces or not at all, put other lines into an answer,
// send noise, refuse, and go away and come back.
//
// What it gets it judges as strictly as a modem does: a PDU with a wrong length
// or that cannot be read is refused. It records each text that it took, so that a
// test can hold that against what the driver says.
//
// It does not simulate voice calls, text mode or a second memory.
package modemtest
