// Package replay runs the engine over what was: stored readings, chores, acts,
// answers and the lots' record in, the alarms that a set of rules would have
// raised out, and how that differs from another set.
//
// Events are played in the order in which they arrived, as the daemon took them,
// with a tick at every whole second from which on one could change anything. A
// probe's readings come out of the record in order of their own time, so a
// stretch of them is put back into order of arrival: late readings are taken
// when they came and so are no news of the water, as in the daemon. Readings
// that arrived at the same moment are taken in order of their time, then in the
// order of the site file's probes; the daemon took them in the order of the
// message, which makes a difference only where one probe is judged by another
// and both lie at their edges. Readings imported from a logger's table, of which
// nobody knows when they would have arrived, are played as if they had come at
// their own time.
//
// What the daemon reported of its own health is not in the record, nor is where
// it stood still: a stretch without any reading makes every probe silent here.
package replay
