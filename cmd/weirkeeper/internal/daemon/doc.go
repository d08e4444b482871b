// Package daemon ties the parts together and gives them one life cycle.
//
// One goroutine, the keeper, owns the engine, the router and the batch. It
// takes messages from the broker, ticks of the clock and commands, has the
// engine judge them, and commits readings, alarm transitions and messages to
// people in one transaction. Only after the commit is a message acknowledged to
// the broker and the sender told that there is mail. So whatever was
// acknowledged is stored, and a call-out is a row before it is a message.
//
// While the ledger cannot be written the engine goes on judging and messages to
// people go out from memory; the batch is kept and tried again. After holdAcks
// the broker is acknowledged all the same, and beyond holdRows the oldest
// readings are lost and counted: a full disk must not blind the alarms.
package daemon
