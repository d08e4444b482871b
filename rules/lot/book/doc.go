// Package book owns the lots' record: what was done with each lot, when and by
// whom, and what follows from it: where its eggs or fish are, how many, since
// when, and which stages were seen.
//
// The record is a list of entries that only ever grows. An entry that was wrong
// is corrected or struck by a later one and stays to be read. The state is
// always the fold of all entries that hold, in order of the time at which they
// happened (of two at the same time, the one written first), so an entry made
// late takes its place in the past and everything after it follows.
//
// An entry that would make the history impossible (more fish moved than there
// are, hatch before eyed, a time in the future) is refused with its reason by
// Check. Entries already in the record that have become impossible, as when a
// lot's opening in the site file was edited, are left out of the fold and named
// as Problems; they are never lost.
//
// The package does no I/O.
package book
