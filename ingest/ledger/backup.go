package ledger

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// Backup writes a copy of the ledger, as it is at one moment, to a new file and
// brings it to the disk. Writing goes on meanwhile; only the log beside the
// ledger grows until the copy is done.
//
// It has SQLite write the rows anew (VACUUM INTO) rather than copy pages (its
// backup interface). Of 1,000,000 readings, 76 MB, that took 0.37 against
// 0.17 s on 2 busy cores, but the copy is 68 MB, one file that needs no log
// beside it, and made by reading every row, so that damage is noticed.
// Errors: os.ErrExist; ErrFull and ErrCorrupt, after which no file is left.
func (l *Ledger) Backup(ctx context.Context, path string) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("ledger: back up to a new file: %w", err)
	}
	if err = f.Close(); err == nil {
		err = l.vacuumInto(ctx, path)
	}
	if err == nil {
		err = errors.Join(syncPath(path), syncPath(filepath.Dir(path)))
	}
	if err != nil {
		return l.fail(fmt.Sprintf("back up to %q", path), errors.Join(err, os.Remove(path)))
	}
	return nil
}

func (l *Ledger) vacuumInto(ctx context.Context, path string) (err error) {
	// A connection of its own: readers are barred from all that writes, even
	// to another file, and the writer has better things to do.
	db, err := openDB(l.path, []string{"busy_timeout(5000)", logLimit})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	_, err = db.ExecContext(ctx, `VACUUM INTO ?`, path)
	return err
}
