// Package modem sends and receives text messages by a GSM or LTE modem on a
// serial port. It speaks the AT commands of 3GPP TS 27.007 and TS 27.005 in PDU
// mode; the PDUs themselves are package gsm's.
//
// It owns the port and the state of modem, SIM and network. It knows no outbox,
// does not retry a message and does not judge what people answer: package notify
// sends again, and the callback OnText decides.
//
// # One owner
//
// Run opens the port and is the only one to talk over it. One goroutine reads
// lines from the port and one writes to it; both end with the port. Deliver hands
// its message to Run and waits.
//
// # What is known of a message
//
// A message was sent when "+CMGS: n" came for each of its parts: then the network
// has it. It was certainly not sent when the modem refused before the PDU was
// written. In between, when the PDU was written and no answer came, it may have
// gone, and the error says so (notify.DeliveryError.Unknown).
//
// After any command without an answer the modem is asked AT+CMEE? until it
// answers, since only an answer that names its question shows that no older one
// is still to come. When it does not, the port is closed and opened again.
//
// # What comes in
//
// A text is deleted from the store only after OnText took it, and only when the
// place in the store, read once more, holds the same text still. So a text is
// handed over at least once; Text.ID tells one that comes again.
//
// # Caveats
//
// A PIN that was refused is not tried again, after restarts neither, until it is
// another one: after three wrong ones the SIM locks itself (3GPP TS 31.101). One
// of which it never came out whether the SIM took it is tried at two starts.
//
// "NO CARRIER", "BUSY" and the like are ignored: no command sent here is answered
// so, but calls from outside end so.
//
// Delivery reports are matched to messages in memory: those for messages of
// before the start are counted and left.
package modem
