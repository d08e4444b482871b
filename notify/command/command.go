// Package command hands text messages over by running a program of the site's,
// such as the client of a daemon that owns a modem: one run for each message,
// without a shell. It knows no outbox and does not retry: package notify does.
//
// The text is on the program's standard input. In its arguments "{to}" stands
// for the number, and WEIRKEEPER_MESSAGE_ID in its environment is the same for
// each attempt at a message. Of our own environment it sees PATH, HOME, USER,
// LANG, TZ and TMPDIR only. It answers by its exit status:
//
//	0           handed over
//	64, 65, 67  refused for good: usage, data, no such user (sysexits.h)
//	others      not handed over now, 75 (EX_TEMPFAIL) among them
//
// and says why on the first line of its standard error. When its time is over it
// is killed with all that it started and that has not left its process group.
//
// Caveat: while it runs, the number is among the arguments that every user of
// this computer can list.
package command

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"
	"unicode"

	"weirkeeper/notify"
	"weirkeeper/rules/callout"
)

// Options say what is run.
type Options struct {
	// Run is the program and its arguments.
	Run []string
	// Timeout bounds one run, in real time; 0 means a minute.
	Timeout time.Duration
}

const (
	to = "{to}"
	// longestOutput bounds what is kept of each output, in bytes; longestWords
	// what is told of it.
	longestOutput, longestWords = 4 << 10, 200
	// lingering is how long we wait for the outputs of a program that has
	// ended, or was killed, while something that it started holds them.
	lingering = 2 * time.Second
)

// Exit statuses of sysexits.h, from memory.
const (
	exUsage, exDataErr, exNoUser = 64, 65, 67
)

// Runner runs the program. It is a notify.Deliverer.
type Runner struct{ opt Options }

// New checks the options. It runs nothing; whether the program is there shows at
// each message, so that one that comes later is used.
func New(opt Options) (*Runner, error) {
	if len(opt.Run) == 0 || opt.Run[0] == "" {
		return nil, errors.New(`command: there is no program; write it like ["/usr/local/bin/send-text", "{to}"]`)
	}
	opt.Timeout = cmp.Or(opt.Timeout, time.Minute)
	return &Runner{opt}, nil
}

// Deliver runs the program with m.Short and gives the first line of what it
// said. Errors are *notify.DeliveryError; the outcome is unknown when the
// program was killed. No error shows the whole number.
func (r *Runner) Deliver(ctx context.Context, m callout.Message) (string, error) {
	if !isNumber(m.Address) {
		return "", &notify.DeliveryError{Err: fmt.Errorf("command: the number of %q is not one; write it like \"+447700900123\"", m.Person), Permanent: true}
	}
	ctx, cancel := context.WithTimeout(ctx, r.opt.Timeout)
	defer cancel()
	args := make([]string, 0, len(r.opt.Run))
	for _, a := range r.opt.Run[1:] {
		args = append(args, strings.ReplaceAll(a, to, m.Address))
	}
	cmd := exec.CommandContext(ctx, r.opt.Run[0], args...) //nolint:gosec // the site file says what to run
	var stdout, stderr head
	cmd.Stdin, cmd.Stdout, cmd.Stderr = strings.NewReader(cmp.Or(m.Short, m.Subject)), &stdout, &stderr
	cmd.Env = environment(m.ID)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.WaitDelay = lingering
	if err := cmd.Start(); err != nil {
		return "", &notify.DeliveryError{Err: fmt.Errorf("command: %w; is it there, and may it be run?", err)}
	}
	err := cmd.Wait()
	// By its own exit status: it may have closed its input unread, or left
	// something behind that holds its outputs.
	state := cmd.ProcessState
	if state.Success() {
		return cmp.Or(stdout.words(m.Address), "exit status 0"), nil
	}
	e := &notify.DeliveryError{}
	switch {
	case ctx.Err() != nil:
		e.Unknown = true
		e.Err = fmt.Errorf("command: not done within %v, killed", r.opt.Timeout)
		if cause := ctx.Err(); !errors.Is(cause, context.DeadlineExceeded) {
			e.Err = fmt.Errorf("command: stopped: %w", cause)
		}
	case state.ExitCode() < 0:
		e.Unknown = true
		e.Err = fmt.Errorf("command: ended by a signal: %w", err)
	default:
		code := state.ExitCode()
		e.Permanent = code == exUsage || code == exDataErr || code == exNoUser
		e.Err = fmt.Errorf("command: exit status %d", code)
	}
	if said := stderr.words(m.Address); said != "" {
		e.Err = fmt.Errorf("%w: %s", e.Err, said)
	}
	return "", e
}

// environment is what the program sees of ours, which may hold passwords.
func environment(id string) []string {
	env := []string{"WEIRKEEPER_MESSAGE_ID=" + id}
	for _, name := range []string{"PATH", "HOME", "USER", "LANG", "TZ", "TMPDIR"} {
		if v, ok := os.LookupEnv(name); ok {
			env = append(env, name+"="+v)
		}
	}
	return env
}

func isNumber(s string) bool {
	digits, ok := strings.CutPrefix(s, "+")
	return ok && len(digits) >= 1 && len(digits) <= 15 && strings.Trim(digits, "0123456789") == ""
}

// head keeps the first of what is written to it.
type head struct{ b bytes.Buffer }

func (h *head) Write(p []byte) (int, error) {
	h.b.Write(p[:min(len(p), max(0, longestOutput-h.b.Len()))])
	return len(p), nil
}

// words is the first line that says something, without the whole number.
func (h *head) words(number string) string {
	for line := range strings.Lines(strings.ToValidUTF8(h.b.String(), "?")) {
		digits := number[1:]
		line = strings.ReplaceAll(line, digits, "…"+digits[max(0, len(digits)-3):])
		line = strings.TrimSpace(strings.Map(func(r rune) rune {
			if unicode.IsControl(r) {
				return ' '
			}
			return r
		}, line))
		if len(line) > longestWords {
			line = strings.ToValidUTF8(line[:longestWords], "") + "…"
		}
		if line != "" {
			return line
		}
	}
	return ""
}
