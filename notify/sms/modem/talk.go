package modem

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"
)

// goneError says that the port, or the talk over it, is of no more use.
type goneError struct{ err error }

func (e *goneError) Error() string { return e.err.Error() }
func (e *goneError) Unwrap() error { return e.err }

func gone(err error) bool {
	var g *goneError
	return errors.As(err, &g)
}

// noAnswerError says that a command was not answered in time, and that the modem
// answers again since.
type noAnswerError struct{ command string }

func (e *noAnswerError) Error() string { return "modem did not answer " + e.command }

// answer is a line of an answer, and the PDU that followed.
type answer struct{ head, pdu string }

// talk is the talk over one open port.
type talk struct {
	*wire
	m *Modem
	// header is an unsolicited line whose PDU is still to come.
	header string
	// news are unsolicited lines that nobody has looked at yet.
	news []answer
	// end is why the talk is over; nil while it is not.
	end error
}

// name is what a command is called in errors: without what is secret or long.
func name(command string) string {
	for _, p := range []string{"AT+CPIN=", "AT+CMGS="} {
		if strings.HasPrefix(command, p) {
			return p[:len(p)-1]
		}
	}
	return command
}

// do gives a command and collects the lines of its answer that begin with want,
// which is cut off, each with the PDU after it. Other errors than refusals and
// noAnswerErrors are goneErrors.
func (t *talk) do(ctx context.Context, limit time.Duration, command, want string) ([]answer, error) {
	t.settle()
	got, err := t.ask(ctx, limit, command, want)
	if err != nil {
		t.m.opt.Count(CommandFailed)
	}
	if errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil {
		if err := t.resync(ctx); err != nil {
			return nil, err
		}
		return nil, &noAnswerError{name(command)}
	}
	var r *refusal
	if err != nil && !errors.As(err, &r) {
		return nil, &goneError{fmt.Errorf("modem: %s: %w", name(command), err)}
	}
	return got, err
}

func (t *talk) ask(ctx context.Context, limit time.Duration, command, want string) ([]answer, error) {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	if err := t.write(ctx, command+"\r"); err != nil {
		return nil, err
	}
	return t.collect(ctx, command, want)
}

// collect reads up to the final result.
func (t *talk) collect(ctx context.Context, command, want string) ([]answer, error) {
	var got []answer
	for {
		line, err := t.next(ctx)
		if err != nil {
			return got, err
		}
		if line == "OK" {
			return got, nil
		}
		if r := final(name(command), line); r != nil {
			return got, r
		}
		if rest, ok := strings.CutPrefix(line, want); ok && want != "" {
			got = append(got, answer{head: strings.TrimSpace(rest)})
			continue
		}
		if t.header == "" && len(got) > 0 && got[len(got)-1].pdu == "" && hexLine.MatchString(line) {
			got[len(got)-1].pdu = line
			continue
		}
		t.unsolicited(line) // or an echo, or noise
	}
}

var hexLine = regexp.MustCompile(`^[0-9A-Fa-f]{2,}$`)

// unsolicited keeps a line that is no answer, if it is one that we want: a text
// or a report that is in the store (TS 27.005 clause 3.4.1), or that comes
// directly.
func (t *talk) unsolicited(line string) {
	if t.header != "" && hexLine.MatchString(line) {
		t.keep(answer{t.header, line})
		t.header = ""
		return
	}
	switch {
	case strings.HasPrefix(line, "+CMTI:"), strings.HasPrefix(line, "+CDSI:"):
		t.keep(answer{head: line})
	case strings.HasPrefix(line, "+CMT:"), strings.HasPrefix(line, "+CDS:"):
		t.header = line
	}
}

func (t *talk) keep(a answer) {
	if len(t.news) < 64 { // the store has what is dropped
		t.news = append(t.news, a)
	}
}

// settle takes what has come since the last command.
func (t *talk) settle() {
	for {
		select {
		case line := <-t.in:
			t.unsolicited(line)
		default:
			return
		}
	}
}

const escape = "\x1b"

// resync asks until the modem answers that very question, so that no older answer
// is to come any more: a modem answers in order. The escape ends a prompt.
func (t *talk) resync(ctx context.Context) error {
	for range 3 {
		tctx, cancel := context.WithTimeout(ctx, t.m.opt.AnswerLimit)
		err := t.write(tctx, escape+"\r")
		if err == nil {
			err = t.write(tctx, "AT+CMEE?\r")
		}
		if err != nil {
			cancel()
			if gone(err) {
				return err
			}
			return &goneError{fmt.Errorf("modem takes no commands: %w", err)}
		}
		for {
			var line string
			if line, err = t.next(tctx); err != nil {
				break
			}
			if strings.HasPrefix(line, "+CMEE:") {
				_, err = t.collect(tctx, "AT+CMEE?", "")
				break
			}
			t.unsolicited(line)
		}
		cancel()
		var r *refusal
		switch {
		case err == nil:
			return nil
		case gone(err):
			return err
		case ctx.Err() != nil:
			return &goneError{ctx.Err()}
		case errors.As(err, &r): // not what was asked for: again
		}
	}
	return &goneError{errors.New("modem answers no more")}
}

// errMayHaveGone are words for a PDU that was written without an answer to it.
var errMayHaveGone = errors.New("modem did not say whether it sent the message, which may have gone")

// send sends one PDU and gives its message reference. unknown: it may have gone
// all the same. sctx is for bringing the modem back in step after ctx has ended;
// when that does not succeed, t.end says so.
func (t *talk) send(ctx, sctx context.Context, pdu pdu) (ref int, unknown bool, err error) {
	t.settle()
	ref, inStep, unknown, err := t.trySend(ctx, fmt.Sprintf("AT+CMGS=%d", pdu.length), pdu.hex)
	if err != nil {
		t.m.opt.Count(CommandFailed)
	}
	if gone(err) {
		t.end = err
	} else if !inStep {
		t.end = t.resync(sctx)
	}
	return ref, unknown, err
}

func (t *talk) trySend(ctx context.Context, command, hex string) (ref int, inStep, unknown bool, err error) {
	pctx, cancel := context.WithTimeout(ctx, t.m.opt.PromptLimit)
	defer cancel()
	err = t.write(pctx, command+"\r")
	for line := ""; line != prompt; {
		if err == nil {
			line, err = t.next(pctx)
		}
		switch {
		case gone(err):
			return 0, false, false, err
		case err != nil:
			return 0, false, false, errors.New("modem gave no prompt for the message")
		}
		// After a refusal the two may be out of step all the same: it may have been
		// that of an older command, and the modem waits for the PDU.
		if r := final(name(command), line); r != nil {
			return 0, false, false, r
		}
		t.unsolicited(line)
	}
	dctx, cancel := context.WithTimeout(ctx, t.m.opt.SendLimit)
	defer cancel()
	if err := t.write(dctx, hex+"\x1a"); err != nil {
		return 0, false, gone(err), err
	}
	got, err := t.collect(dctx, name(command), "+CMGS:")
	ref, named := -1, false
	for _, a := range got {
		n, ok := leadingNumber(a.head)
		if ok && n < 256 {
			ref, named = n, true
		}
	}
	var r *refusal
	refused := errors.As(err, &r)
	switch {
	case named && !refused: // the network has it, whatever became of the OK
		return ref, err == nil, false, nil
	case refused && !named: // that the network is silent is no refusal
		return 0, false, r.code < 0 || r.is(cms, 332, 500) || r.is(cme, 31, 100), r
	case gone(err):
		return 0, false, true, err
	}
	return 0, false, true, errMayHaveGone
}

// leadingNumber reads the number that s begins with.
func leadingNumber(s string) (int, bool) {
	n, digits := 0, 0
	for _, c := range []byte(s) {
		if c < '0' || c > '9' || digits == 6 {
			break
		}
		n, digits = 10*n+int(c-'0'), digits+1
	}
	return n, digits > 0
}
