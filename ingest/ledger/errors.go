package ledger

import (
	"errors"
	"fmt"
	"syscall"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// The kinds of trouble a caller can tell apart with errors.Is. Any other error
// is an I/O error or a fault in the call.
var (
	// ErrBusy: another program held the file locked for longer than the
	// busy timeout. Nothing was written; try again later.
	ErrBusy = errors.New("the ledger is locked by another program; close that program")
	// ErrFull: there is no room on the disk. Nothing was written; it works
	// again as soon as there is room.
	ErrFull = errors.New("the ledger's disk is full; free some space on it")
	// ErrCorrupt: the file is damaged or is not a ledger. Nothing mends it
	// by itself.
	ErrCorrupt = errors.New("the ledger is damaged; move its files aside and put back a good copy")
	// ErrNewer: the file was written by a later version. Returned by Open,
	// which leaves the file as it was.
	ErrNewer = errors.New("the ledger was written by a newer weirkeeper; run that version")
	// ErrOlder: an earlier version wrote the file and OpenReader, which
	// returns this, does not change it.
	ErrOlder = errors.New("the ledger was written by an older weirkeeper; start the daemon once, which brings it up to date")
	// ErrNotFound: there is no message with that ID.
	ErrNotFound = errors.New("no such message")
	// ErrNumberTaken: another entry of a lot has that Seq. Nothing of the
	// batch was written.
	ErrNumberTaken = errors.New("another entry has that number; take the one after the last")
)

// fail names the operation and the file, and adds the kind of an SQLite error.
func (l *Ledger) fail(what string, err error) error {
	var kind error
	var se *sqlite.Error
	if errors.As(err, &se) {
		switch se.Code() & 0xff { // the primary code, without its extension
		case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
			kind = ErrBusy
		case sqlite3.SQLITE_FULL:
			kind = ErrFull
		case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
			kind = ErrCorrupt
		case sqlite3.SQLITE_IOERR:
			// The index of the log cannot grow: said of nothing but a full disk.
			if se.Code() == sqlite3.SQLITE_IOERR_SHMSIZE {
				kind = ErrFull
			}
		}
	} else if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
		kind = ErrFull
	}
	if kind != nil {
		err = fmt.Errorf("%w: %w", err, kind)
	}
	return fmt.Errorf("ledger: %s in %q: %w", what, l.path, err)
}
