package command_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weirkeeper/notify"
	"weirkeeper/notify/command"
	"weirkeeper/rules/callout"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const number = "+447700900123"

func message() callout.Message {
	return callout.Message{ID: "20261015-7", Person: "kim", Way: callout.SMS, Address: number, Subject: "Trough 3: low flow", Short: "Trough 3: low flow\n11.2 L/min. Answer 4711."}
}

// script gives a runner of a shell script, to which "{to}" is an argument.
func script(t *testing.T, text string, timeout time.Duration, args ...string) *command.Runner {
	t.Helper()
	r, err := command.New(command.Options{Run: append([]string{"/bin/sh", "-c", text, "script"}, args...), Timeout: timeout})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestDeliver(t *testing.T) {
	dir := t.TempDir()
	r := script(t, `cat >"$1/text"; printf '%s\n' "$@" "$WEIRKEEPER_MESSAGE_ID" >"$1/args"; echo; echo "queued for $2"`, 0, dir, "{to}", "--to={to};id", "$(id)")
	said, err := r.Deliver(t.Context(), message())
	if err != nil || said != "queued for +…123" {
		t.Errorf("said %q, %v", said, err)
	}
	for name, want := range map[string]string{
		"text": message().Short,
		"args": dir + "\n" + number + "\n--to=" + number + ";id\n$(id)\n20261015-7\n", // no shell of ours saw them
	} {
		if b, err := os.ReadFile(filepath.Join(dir, name)); err != nil || string(b) != want {
			t.Errorf("%s: %q, %v, want %q", name, b, err, want)
		}
	}
}

// The daemon's environment may hold passwords.
func TestEnvironment(t *testing.T) {
	t.Setenv("WEIRKEEPER_MAIL_PASSWORD", "s3cret")
	t.Setenv("LANG", "C.UTF-8")
	out := filepath.Join(t.TempDir(), "env")
	if _, err := script(t, `/usr/bin/env >"$1"`, 0, out).Deliver(t.Context(), message()); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"PATH=" + os.Getenv("PATH") + "\n", "LANG=C.UTF-8\n", "WEIRKEEPER_MESSAGE_ID=20261015-7\n"} {
		if !strings.Contains(string(b), want) {
			t.Errorf("%q is missing in %q", want, b)
		}
	}
	for line := range strings.Lines(string(b)) {
		name, _, _ := strings.Cut(line, "=")
		// The shell adds its own three.
		if !slices.Contains([]string{"PATH", "HOME", "USER", "LANG", "TZ", "TMPDIR", "WEIRKEEPER_MESSAGE_ID", "PWD", "OLDPWD", "SHLVL", "_"}, name) {
			t.Errorf("the program sees %s", name)
		}
	}
}

// Exit statuses by sysexits.h, from memory.
func TestExits(t *testing.T) {
	tests := []struct {
		name, script       string
		permanent, unknown bool
		words              string
	}{
		{"failed", "echo 'no modem' >&2; echo more >&2; exit 1", false, false, "exit status 1: no modem"},
		{"for now", "exit 75", false, false, "exit status 75"},
		{"usage", "exit 64", true, false, "exit status 64"},
		{"data", "exit 65", true, false, "exit status 65"},
		{"no such number", "echo \"who is $1\" >&2; exit 67", true, false, "exit status 67: who is +…123"},
		{"killed", "kill -9 $$", false, true, "signal"},
		{"long words", "head -c 100000 /dev/zero | tr '\\0' x >&2; exit 1", false, false, "xxx…"},
		{"control characters", "printf '\\033[31mred\\377\\n' >&2; exit 1", false, false, "[31mred?"},
		{"unread text", "exec <&-; exit 0", false, false, ""},
		{"endless output", "head -c 1000000 /dev/zero; exit 0", false, false, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			m := message()
			m.Short = strings.Repeat("long ", 50000) // more than a pipe holds
			_, err := script(t, tt.script, 0, "{to}").Deliver(t.Context(), m)
			if tt.words == "" {
				if err != nil {
					t.Errorf("%v, want none", err)
				}
				return
			}
			var e *notify.DeliveryError
			if !errors.As(err, &e) || e.Permanent != tt.permanent || e.Unknown != tt.unknown {
				t.Fatalf("%#v %v, want permanent %v, unknown %v", e, err, tt.permanent, tt.unknown)
			}
			if s := e.Error(); !strings.Contains(s, tt.words) || strings.ContainsAny(s, "\n\033") || len(s) > 300 || strings.Contains(s, "7700900123") {
				t.Errorf("error %q, want one line with %q", s, tt.words)
			}
		})
	}
}

// When its time is over, the program goes and what it started.
func TestTimeout(t *testing.T) {
	file := filepath.Join(t.TempDir(), "pid")
	r := script(t, `sleep 1000 & echo $! >"$1"; wait`, 300*time.Millisecond, file)
	_, err := r.Deliver(t.Context(), message())
	var e *notify.DeliveryError
	if !errors.As(err, &e) || e.Permanent || !e.Unknown || !strings.Contains(err.Error(), "not done within 300ms") {
		t.Errorf("%v, want a temporary error of unknown outcome", err)
	}
	b, err := os.ReadFile(file)
	if err != nil {
		t.Skip("killed before it began: the machine is very busy")
	}
	pid, err := strconv.Atoi(strings.TrimSpace(string(b)))
	if err != nil {
		t.Fatal(err)
	}
	if !dead(pid) {
		t.Errorf("process %d outlived the program", pid)
	}
}

// dead reports whether a process is gone, or only waits to be collected.
func dead(pid int) bool {
	for range 1000 {
		b, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
		if err != nil || strings.Contains(string(b), ") Z ") || errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) {
			return true
		}
	}
	return false
}

func TestStopped(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	dir := t.TempDir()
	fifo := filepath.Join(dir, "begun")
	if err := syscall.Mkfifo(fifo, 0o600); err != nil {
		t.Fatal(err)
	}
	go func() {
		_, _ = os.ReadFile(fifo) // until the script has begun
		cancel()
	}()
	_, err := script(t, `echo >"$1"; exec sleep 1000`, 0, fifo).Deliver(ctx, message())
	var e *notify.DeliveryError
	if !errors.Is(err, context.Canceled) || !errors.As(err, &e) || !e.Unknown {
		t.Errorf("%v, want %v of unknown outcome", err, context.Canceled)
	}
}

// A program that leaves something running has done its part.
func TestLeavesSomethingBehind(t *testing.T) {
	file := filepath.Join(t.TempDir(), "pid")
	said, err := script(t, `setsid sleep 1000 & echo $! >"$1"; echo taken`, 0, file).Deliver(t.Context(), message())
	if err != nil || said != "taken" {
		t.Errorf("said %q, %v", said, err)
	}
	if b, err := os.ReadFile(file); err == nil {
		if pid, err := strconv.Atoi(strings.TrimSpace(string(b))); err == nil {
			_ = syscall.Kill(pid, syscall.SIGKILL)
		}
	}
}

func TestNothingRun(t *testing.T) {
	for _, run := range [][]string{nil, {""}} {
		if _, err := command.New(command.Options{Run: run}); err == nil {
			t.Errorf("%q was taken", run)
		}
	}
	r, err := command.New(command.Options{Run: []string{filepath.Join(t.TempDir(), "gone"), "{to}"}})
	if err != nil {
		t.Fatal(err)
	}
	var e *notify.DeliveryError
	if _, err := r.Deliver(t.Context(), message()); !errors.As(err, &e) || e.Permanent || e.Unknown {
		t.Errorf("a program that is not there: %v, want a temporary error", err)
	}
	for _, bad := range []string{"", "+", "447700900123", "--help", "+44 7700 900123", "+4477009001231234", "+44;id"} {
		m := message()
		m.Address = bad
		if _, err := r.Deliver(t.Context(), m); !errors.As(err, &e) || !e.Permanent {
			t.Errorf("number %q: %v, want a permanent error", bad, err)
		}
	}
}
