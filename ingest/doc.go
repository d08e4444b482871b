// Package ingest turns MQTT messages into readings: it finds the probes of a
// topic, decodes the payload, decides which time to believe, flags quality and
// recognises what has come before.
//
// It does no I/O and reads no clock; the network is in ingest/mqtt and
// ingest/broker, the record in ingest/ledger.
//
// # Acknowledgement
//
// A message may be acknowledged only when everything the Intake made of it is
// safe. That holds for messages of which nothing is kept as well: a redelivered
// message is not kept because its first copy was taken, but that copy may still
// be waiting for its commit. So acknowledge every message with the commit that
// follows its Take, in the order taken.
//
// # What recognition cannot do
//
// MQTT at QoS 1 delivers at least once. Readings that carry their own time are
// recognised exactly. One without is recognised by its packet identifier, which
// fails where the sender used a new identifier for the same message; it is then
// kept twice, never lost.
package ingest
