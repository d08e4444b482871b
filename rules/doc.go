// Package rules is the engine: events in, transitions out.
//
// The engine holds the state of every alarm, every probe's recent past and
// every lot's thermal units. It is told of readings, ticks of the clock, chores
// done, acknowledgements and the daemon's own health, each with the time it
// happened, and answers with the alarm transitions that follow. It does no I/O
// and never asks for the time: the same events give the same transitions, in
// the daemon, in a replay and in a test.
//
// An alarm's life: trouble seen; if it lasts for the on-delay the alarm is
// raised (unacknowledged); somebody acknowledges, which silences and does not
// clear, and holds for an hour; when the value has come back inside the setpoint
// by the deadband and stayed for the off-delay, it returns to normal. The
// deadband works both ways: a value just inside the setpoint neither ends an
// alarm nor an on-delay under way. Delays are judged at readings. A tick raises
// an alarm by itself only after the on-delay and one expected interval of the
// probe more, so that the next reading had its chance to say otherwise; and a
// tick never returns one.
//
// An Engine is not safe for concurrent use: one goroutine owns it.
package rules
