package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/rules/alarm"
)

const diskSite = `
site "Disk" {
  timezone = "UTC"
}
unit "spring" {
  kind = "spring"
}
probe "untimed flow" {
  quantity = "flow"
  at       = "spring"
  topic    = "clock/untimed"
}
person "kim" {
  email = "kim@alderfork.example"
}
mail {
  host = "127.0.0.1"
  port = %s
  tls  = "none"
  from = "weirkeeper@alderfork.example"
}
web {
  listen = "127.0.0.1:0"
}
broker {
  listen = "127.0.0.1:0"
}
paths {
  data = "%s"
}
`

// smallDisk mounts a file system of a few megabytes. It needs root.
func smallDisk(t *testing.T, megabytes int) string {
	t.Helper()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, fmt.Sprintf("size=%dm", megabytes)); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("a small disk cannot be mounted, and in CI it must be: %v", err)
		}
		t.Skipf("a small disk cannot be mounted (it needs root): %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, syscall.MNT_DETACH); err != nil {
			t.Errorf("unmount: %v", err)
		}
	})
	return dir
}

// TestDiskFull fills the disk under a running daemon. It says so early; while
// nothing can be stored it goes on judging and calls out; when there is room
// again, recording resumes by itself with what was held.
func TestDiskFull(t *testing.T) {
	disk := smallDisk(t, 24)
	mails := startSink(t)
	_, port, _ := strings.Cut(mails.server.Addr(), ":")
	dir := writeFiles(t, map[string]string{"site.hcl": fmt.Sprintf(diskSite, port, filepath.Join(disk, "data")), "rules.hcl": clockRules})
	r := newClockRig(t, dir, time.Date(2026, 11, 20, 22, 0, 0, 0, time.UTC))
	minute := func(payload string) {
		t.Helper()
		r.publish(t, "clock/untimed", payload)
		r.advance(t, time.Minute)
	}
	minute("142")
	minute("142")
	before := r.stored(t)

	// Somebody else fills it: first nearly, then to the last byte.
	hog := filepath.Join(disk, "hog")
	fill := func(leave int64) {
		t.Helper()
		var s syscall.Statfs_t
		if err := syscall.Statfs(disk, &s); err != nil {
			t.Fatal(err)
		}
		f, err := os.OpenFile(hog, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = f.Close() }()
		block := make([]byte, 4096)
		for left := int64(s.Bavail)*s.Bsize - leave; left > 0; left -= int64(len(block)) {
			if _, err := f.Write(block); err != nil {
				return // full is full
			}
		}
	}
	fill(1 << 20)
	minute("142")
	minute("142")
	r.advance(t, 2*time.Minute)
	if got := r.state(t, "self/disk filling up/disk"); got != alarm.Unacknowledged {
		t.Errorf("one megabyte left: the alarm is %s", got)
	}
	fill(0)

	// The flow falls. Nobody waits for acknowledgements that cannot come: the
	// publisher here sends on its own.
	sent := make(chan error, 1)
	go func() {
		for range 14 {
			if err := r.pub.Publish(t.Context(), []sim.Due{{Topic: "clock/untimed", Payload: []byte("42")}}); err != nil {
				sent <- err
				return
			}
		}
		sent <- nil
	}()
	low := func() bool {
		r.advance(t, 10*time.Second)
		return r.state(t, lowKey) == alarm.Unacknowledged
	}
	eventually(t, "low flow is raised on a full disk", low)
	eventually(t, "the call-out is mailed from memory", func() bool { r.advance(t, time.Second); return len(mails.ids()) > 0 })
	if r.Health() == "" {
		t.Error("healthy on a full disk")
	}
	stuck := r.stored(t)

	if err := os.Remove(hog); err != nil {
		t.Fatal(err)
	}
	eventually(t, "recording resumes", func() bool { r.advance(t, time.Second); return r.stored(t) > stuck && r.Health() == "" })
	eventually(t, "the journal has the alarm", func() bool {
		r.advance(t, time.Second)
		standing, err := r.Ledger().Standing(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, tr := range standing {
			if tr.Key == lowKey && tr.To == alarm.Unacknowledged {
				return true
			}
		}
		return false
	})
	eventually(t, "the outbox is settled", func() bool {
		r.advance(t, time.Second)
		n, _, err := r.Ledger().OutboxDepth(t.Context())
		return err == nil && n == 0
	})
	if err := <-sent; err != nil {
		t.Error(err)
	}
	for id, n := range mails.ids() {
		if n != 1 {
			t.Errorf("mail %s came %d times", id, n)
		}
	}
	t.Logf("%d readings before, %d when it was full, %d after", before, stuck, r.stored(t))
}
