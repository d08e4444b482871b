// Package ledger keeps the record of a hatchery in one SQLite file: readings,
// the alarm journal, chores done, lots and what was done with them, and the
// outbox of messages. It is the only package that knows SQLite.
//
// What is committed is on the disk: Commit returns nil only after the write was
// synced, so a reading may then be acknowledged to its broker. A batch is
// committed whole or not at all, and committing the same batch again changes
// nothing, so a caller that does not know whether a commit succeeded repeats it.
//
// It judges nothing: flags, states and times are kept as they come. It starts
// no goroutine and forgets nothing by itself: old readings stay until DropPeriod
// is called for them, once they are safe elsewhere, and nothing else removes any.
//
// Caveats:
//   - A dropped reading that is committed again counts as a new one; it is for
//     whoever keeps the dropped ones to know it again.
//   - Times are integer microseconds UTC. Finer parts are cut off, in what is
//     stored and in what is asked for. A zero time is kept as none.
//   - All methods may be called from any goroutine. Writes queue behind one
//     another; reads see the last commit and hold up no write.
//   - A write that has begun is finished even if its context ends.
//   - The disk must honour a sync. Some cheap SD cards do not.
//   - The log (-wal) and its index (-shm) stay beside the file while it is closed,
//     so that it opens on a full disk. Another SQLite program may remove them.
//   - Keep the file on a local disk: file locks on network shares are unsound.
package ledger
