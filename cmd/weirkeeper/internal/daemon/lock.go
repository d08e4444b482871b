package daemon

import "io"

// Lock keeps daemons away from a data folder, which it makes if missing, until
// the lock is closed or the process ends, however that comes.
// Errors: a daemon holds it.
func Lock(dir string) (io.Closer, error) {
	f, err := lockFolder(dir)
	if err != nil {
		return nil, err
	}
	return f, nil
}
