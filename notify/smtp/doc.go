// Package smtp hands messages to a mail server (RFC 5321), one connection and
// one recipient at a time. It knows no outbox and does not retry: package
// notify does.
//
// Mail is plain UTF-8 text, marked "Auto-Submitted: auto-generated" (RFC 3834)
// so that no absence notice answers it, and as important when it calls
// somebody out. Names and subjects cannot add headers: they are reduced to one
// line and then encoded.
//
// With STARTTLS, which is then mandatory, or TLS, any log-in the server offers
// of PLAIN, LOGIN and CRAM-MD5 is used, in that order. Without TLS a password
// is sent only to this computer itself; elsewhere CRAM-MD5 is the only way.
//
// Caveat: a mail server that takes a message may still lose or delay it.
package smtp
