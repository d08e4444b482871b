package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/reading"
)

const faketimeLibrary = "/usr/lib/x86_64-linux-gnu/faketime/libfaketimeMT.so.1"

// TestFaketime sets the clock under the real program: Debian's faketime moves
// the time on the wall and leaves the steady one alone, as setting a computer's
// clock does. A Go program asks the kernel's page and not the C library, so it
// runs under qemu-user, which asks the library for it.
//
// The clock starts decades back, is set right, and is later set three hours
// ahead.
func TestFaketime(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the paths below are those of amd64")
	}
	qemu := need(t, "qemu-x86_64")
	need(t, "faketime")
	program := filepath.Join(t.TempDir(), "weirkeeper")
	build := exec.CommandContext(t.Context(), "go", "build", "-trimpath", "-o", program, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}

	brokerPort, webPort := freePort(t), freePort(t)
	site := strings.Replace(clockSite, `"127.0.0.1:0"`, `"127.0.0.1:`+webPort+`"`, 1)
	site = strings.Replace(site, `"127.0.0.1:0"`, `"127.0.0.1:`+brokerPort+`"`, 1)
	dir := writeFiles(t, map[string]string{"site.hcl": site, "rules.hcl": clockRules, "offset": "-20000d"})
	offset := filepath.Join(dir, "offset")

	cmd := exec.CommandContext(context.WithoutCancel(t.Context()), qemu, program, "run", "--site", filepath.Join(dir, "site.hcl"))
	cmd.Env = append(os.Environ(), "LD_PRELOAD="+faketimeLibrary, "FAKETIME_TIMESTAMP_FILE="+offset, "FAKETIME_NO_CACHE=1",
		"FAKETIME_DONT_FAKE_MONOTONIC=1", "DONT_FAKE_MONOTONIC=1")
	d := &child{cmd: cmd, out: &safeBuffer{}}
	cmd.Stdout, cmd.Stderr = d.out, d.out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if cmd.ProcessState == nil {
			_ = cmd.Process.Kill()
			_ = cmd.Wait()
		}
		if t.Failed() {
			t.Logf("the daemon said:\n%s", d.out)
		}
	})
	page := "http://127.0.0.1:" + webPort
	eventually(t, "healthy", func() bool { return get(t, page+"/healthz") == "ok\n" })
	if s := get(t, page+"/"); !strings.Contains(s, "clock not steady") || !strings.Contains(s, "which cannot be") && !strings.Contains(s, "the record goes to") {
		t.Errorf("a clock in the seventies is not said:\n%s", s)
	}

	pub := sim.NewPublisher(sim.PublisherOptions{URL: "mqtt://127.0.0.1:" + brokerPort, ClientID: "probe", Log: slog.New(slog.DiscardHandler)})
	defer pub.Close()
	send := func(v string) time.Time {
		t.Helper()
		if err := pub.Publish(t.Context(), []sim.Due{{Topic: "clock/untimed", Payload: []byte(v)}}); err != nil {
			t.Fatal(err)
		}
		return time.Now()
	}
	steps := func(n int) func() bool {
		return func() bool {
			return strings.Contains(get(t, page+"/metrics"), fmt.Sprintf("\nweirkeeper_clock_steps_total %d\n", n))
		}
	}
	set := func(to string, n int) {
		t.Helper()
		if err := os.WriteFile(offset, []byte(to), 0o600); err != nil {
			t.Fatal(err)
		}
		eventually(t, "the clock set to "+to+" is noticed", steps(n))
	}
	first := send("142")
	set("+0", 1)
	second := send("143")
	set("+3h", 2)
	third := send("144")
	if s := get(t, page+"/"); strings.Contains(s, "silent") || strings.Contains(s, "low flow") {
		t.Errorf("the steps made up an alarm:\n%s", s)
	}
	eventually(t, "times are corrected", func() bool { return strings.Contains(d.out.String(), "times of readings corrected") })
	d.end(t)

	l, err := ledger.Open(t.Context(), ledger.Options{Path: filepath.Join(dir, "weirkeeper-data", daemon.LedgerFile), Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	want := map[float64]time.Time{142: first, 143: second, 144: third.Add(3 * time.Hour)}
	n := 0
	for r, err := range l.Readings(t.Context(), "untimed flow", time.Unix(0, 0), time.Now().AddDate(1, 0, 0)) {
		if err != nil {
			t.Fatal(err)
		}
		n++
		if off := r.At.Sub(want[r.Value]); off.Abs() > 5*time.Second {
			t.Errorf("reading %v stands at %s, %v off", r.Value, r.At, off)
		}
		if corrected := r.Flags.Has(reading.ClockCorrected); corrected != (r.Value == 142) {
			t.Errorf("reading %v has the flags %s", r.Value, r.Flags)
		}
	}
	if n != 3 {
		t.Errorf("%d readings, want 3", n)
	}
}
