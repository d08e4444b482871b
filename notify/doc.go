// Package notify turns the transitions of alarms into messages to people, and
// sees to it that the messages go out.
//
// Router decides: who is told what, when, in which words. It is pure: no I/O,
// no clock of its own, and the same transitions at the same times give the
// same messages. Sender carries the stored messages out of the outbox to a
// Deliverer (package notify/smtp today), with retries.
//
// # Promise
//
// A message is handed over at least once, or it is still in the outbox when
// its time runs out. An attempt is recorded durably before anything goes on
// the wire, and every attempt carries the same message ID, so a second copy
// can be recognised as one. When an earlier attempt may have arrived (the
// connection broke after the text was sent, or the daemon was killed between
// the hand-over and the record of it), the next one says in its body "You may
// have had this message already.". More than one copy is possible; none is
// not.
//
// # Words
//
// A message puts first what is there now and kills soonest, new or not, and
// names besides what stands and is answered, since that may be the cause. An
// answer holds until the engine takes it back; then everybody is told again. An
// alarm that lost its rule or its probe is never called back to normal.
//
// # Caveats
//
// "Handed over" means that the mail server took the message. Whether a
// telephone rang is not known here; that is what the repeats are for.
//
// # Who
//
// Who is called first is the watch list's word; after each Climb without an
// answer the next one is called too, and in the end everybody. Nobody who was
// called is dropped while that trouble stands unanswered. What each person was
// told is known from that person's messages, also after a restart. See
// escalate.go. A trouble that comes and goes begins at the first person each time
// it comes.
package notify
