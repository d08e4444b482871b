package series

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"os/exec"
	"strings"
	"time"

	"weirkeeper/rules/reading"
)

// VerifyDir compares a period's folder with the readings that should be in it,
// which come in order of probe, At and commit: the number, and each time, value,
// flag and whatever else a sealed reading keeps. It also compares the files and
// the readings of each part with their checksums.
func VerifyDir(ctx context.Context, dir string, want iter.Seq2[reading.Reading, error]) error {
	m, err := readManifest(dir)
	if err != nil {
		return err
	}
	next, stop := iter.Pull2(want)
	defer stop()
	for _, p := range m.Parts {
		st, err := openPart(dir, p)
		if err != nil {
			return err
		}
		rows, err := readRows(st, m.From, p)
		if err != nil {
			return err
		}
		sum := uint32(0)
		for got := range rows.all(math.MinInt64) {
			r, err, more := next()
			if err != nil {
				return err
			}
			if !more {
				return fmt.Errorf("it holds %s, and nothing more should be there", text(got))
			}
			// Neither == nor Equal tell 0 from −0.
			if w := canonical(r); w != got || math.Float64bits(w.Value) != math.Float64bits(got.Value) {
				return fmt.Errorf("it holds %s, not %s", text(got), text(w))
			}
			sum = addSum(sum, got)
		}
		if sum != p.Sum {
			return damaged("the readings of part %s do not match their checksum", p.Name)
		}
		if err := ctx.Err(); err != nil {
			return err
		}
	}
	if r, err, more := next(); more {
		if err != nil {
			return err
		}
		return fmt.Errorf("it does not hold %s", text(r))
	}
	return nil
}

func text(r reading.Reading) string {
	return fmt.Sprintf("%q at %s: %v (%s), device %s, arrived %s", r.Probe, r.At.Format(time.RFC3339Nano), r.Value, r.Flags,
		r.DeviceAt.Format(time.RFC3339Nano), r.ArrivedAt.Format(time.RFC3339Nano))
}

// Child returns a function for Options.Verify that runs a command with the
// folder as its last argument. The readings that should be in the folder go to
// its input; its status 0 says that they are. The command ends in VerifyMain.
func Child(command string, args ...string) func(ctx context.Context, dir string, want iter.Seq2[reading.Reading, error]) error {
	return func(ctx context.Context, dir string, want iter.Seq2[reading.Reading, error]) error {
		cmd := exec.CommandContext(ctx, command, append(args[:len(args):len(args)], dir)...)
		var said bytes.Buffer
		cmd.Stderr = &said
		in, err := cmd.StdinPipe()
		if err != nil {
			return err
		}
		if err := cmd.Start(); err != nil {
			return fmt.Errorf("start the verification: %w", err)
		}
		errSend := send(in, want)
		errSend = errors.Join(errSend, in.Close())
		// A child that has found a fault reads no more; its words matter.
		if err := cmd.Wait(); err != nil {
			return fmt.Errorf("verify: %s: %w", strings.TrimSpace(said.String()), errors.Join(err, errSend))
		}
		return errSend
	}
}

// VerifyMain is the other end of Child, for a process of its own: it verifies
// the folder that is its one argument against the readings on stdin, and
// returns the status to exit with: 0 they are the same, 1 they are not, 2 usage.
func VerifyMain(ctx context.Context, args []string, stdin io.Reader, stderr io.Writer) int {
	if len(args) != 1 {
		fmt.Fprintln(stderr, "verify-period is run by the daemon, with a folder and the readings that belong in it")
		return 2
	}
	if err := VerifyDir(ctx, args[0], receive(stdin)); err != nil {
		fmt.Fprintln(stderr, err)
		return 1
	}
	return 0
}

// On the pipe each reading is preceded by what it is: a reading of the same
// probe as before, a reading of another probe whose name comes first, or
// the end. A pipe that ends without that was cut.
const (
	sendSame  = 'r'
	sendOther = 'p'
	sendEnd   = 'e'
)

// sent is a reading on the pipe; times are microseconds, noTime is none.
type sent struct {
	At, DeviceAt, ArrivedAt int64
	Value                   uint64
	Flags                   uint16
}

const noTime = math.MinInt64

func toSent(t time.Time) int64 {
	if t.IsZero() {
		return noTime
	}
	return t.UnixMicro()
}

func fromSent(n int64) time.Time {
	if n == noTime {
		return time.Time{}
	}
	return time.UnixMicro(n).UTC()
}

func send(to io.Writer, rows iter.Seq2[reading.Reading, error]) error {
	w := bufio.NewWriter(to)
	var probe reading.ProbeID
	var b []byte
	for r, err := range rows {
		if err != nil {
			return err
		}
		kind := byte(sendSame)
		if r.Probe != probe {
			kind, probe = sendOther, r.Probe
		}
		b = append(b[:0], kind)
		if kind == sendOther {
			b = append(binary.AppendUvarint(b, uint64(len(probe))), probe...)
		}
		if b, err = binary.Append(b, binary.LittleEndian, sent{
			toSent(r.At), toSent(r.DeviceAt), toSent(r.ArrivedAt), math.Float64bits(r.Value), uint16(r.Flags),
		}); err != nil {
			return err
		}
		if _, err := w.Write(b); err != nil {
			return err
		}
	}
	return errors.Join(w.WriteByte(sendEnd), w.Flush())
}

func receive(from io.Reader) iter.Seq2[reading.Reading, error] {
	return func(yield func(reading.Reading, error) bool) {
		r := bufio.NewReader(from)
		var probe reading.ProbeID
		b := make([]byte, binary.Size(sent{}))
		for {
			kind, err := r.ReadByte()
			if err == nil && kind == sendEnd {
				return
			}
			var s sent
			if err == nil && kind == sendOther {
				probe, err = receiveName(r)
			}
			if err == nil {
				_, err = io.ReadFull(r, b)
			}
			if err == nil {
				_, err = binary.Decode(b, binary.LittleEndian, &s)
			}
			if err != nil {
				yield(reading.Reading{}, fmt.Errorf("read what should be there: %w", err))
				return
			}
			if !yield(reading.Reading{
				Probe: probe, At: fromSent(s.At), DeviceAt: fromSent(s.DeviceAt), ArrivedAt: fromSent(s.ArrivedAt),
				Value: math.Float64frombits(s.Value), Flags: reading.Flags(s.Flags),
			}, nil) {
				return
			}
		}
	}
}

func receiveName(r *bufio.Reader) (reading.ProbeID, error) {
	n, err := binary.ReadUvarint(r)
	if err != nil {
		return "", err
	}
	if n > 1<<16 {
		return "", fmt.Errorf("a probe's name of %d bytes", n)
	}
	name := make([]byte, n)
	_, err = io.ReadFull(r, name)
	return reading.ProbeID(name), err
}
