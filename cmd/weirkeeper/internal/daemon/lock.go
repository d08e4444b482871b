package daemon

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"
)

// Lock keeps other daemons away from a data folder, which it makes if missing,
// until the lock is closed or the process ends, however that comes: two would
// raise every alarm twice.
// Errors: a daemon holds it.
func Lock(dir string) (io.Closer, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("daemon: make the data folder: %w", err)
	}
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("daemon: lock the data folder: %w", err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		return nil, errors.Join(fmt.Errorf("daemon: another weirkeeper keeps its record in %q (%w); stop it, or choose another paths.data", dir, err), f.Close())
	}
	return f, nil
}
