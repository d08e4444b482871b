package daemon

import (
	"fmt"
	"syscall"
	"time"

	"weirkeeper/rules"
)

// Head-room below which the disk counts as filling up: a gigabyte, or a tenth
// of a small disk. A year of a hundred probes takes about half a gigabyte.
const (
	enoughFree  = 1 << 30
	enoughShare = 10
)

// enough is the head-room below which a disk of that size counts as filling up.
func enough(size uint64) uint64 { return min(enoughFree, size/enoughShare) }

// nearlyFull is the head-room below which old history may go.
func nearlyFull(size uint64) uint64 { return enough(size) / 4 }

// diskEvery is how often the head-room is measured.
const diskEvery = 10 * time.Second

// diskRoom is the free and whole size of the file system a folder is on, bytes.
func diskRoom(dir string) (free, size uint64, err error) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(dir, &s); err != nil {
		return 0, 0, fmt.Errorf("daemon: measure the disk of %q: %w", dir, err)
	}
	unit := uint64(s.Bsize) //nolint:gosec,unconvert // never negative; its type differs by machine
	return s.Bavail * unit, s.Blocks * unit, nil
}

// watchDisk measures the head-room and says when it runs out.
func (k *keeper) watchDisk(now time.Time) {
	if now.Sub(k.diskAt).Abs() < diskEvery {
		return
	}
	k.diskAt = now
	free, size, err := diskRoom(k.dir)
	if err != nil {
		k.log.Warn("head-room not known", "err", err)
		return
	}
	k.metrics.diskFree.Set(float64(free))
	k.metrics.diskSize.Set(float64(size))
	if free < nearlyFull(size) {
		select {
		case k.needRoom <- struct{}{}:
		default:
		}
	}
	detail := fmt.Sprintf("%d MB free of %d MB", free>>20, size>>20)
	k.observe(k.engine.Health(now, rules.Disk, free >= enough(size), detail))
}
