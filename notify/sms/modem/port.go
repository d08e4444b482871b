package modem

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"

	"go.bug.st/serial"
)

// Port is an open serial port. Close must end a Read that waits.
type Port io.ReadWriteCloser

// Serial opens the serial port at device, "/dev/ttyUSB2", at baud bits a second,
// 8 data bits, no parity, one stop bit, no flow control.
func Serial(device string, baud int) func(context.Context) (Port, error) {
	return func(context.Context) (Port, error) {
		p, err := serial.Open(device, &serial.Mode{BaudRate: baud})
		if err != nil {
			return nil, fmt.Errorf("open %s: %w; give the path of the modem's AT port, and let this user read and write it (group dialout)", device, err)
		}
		return p, nil
	}
}

const (
	// maxLine is longer than any line of ours: a PDU has at most 12 bytes of
	// message centre and 164 of TPDU (3GPP TS 23.040 clause 9.2.3), in hex.
	maxLine = 1024
	// prompt is what asks for a PDU (TS 27.005 clause 3.5.1). No line is equal
	// to it, since blanks at the ends of lines are taken off.
	prompt = "> "
)

var errEnded = errors.New("the port gave no more bytes")

// wire is the open port with its two goroutines.
type wire struct {
	port Port
	// in gives lines and prompts. When nobody takes them they are dropped, so
	// that reading never stops.
	in   chan string
	dead chan struct{} // closed when reading has ended
	err  error         // why, once dead
	out  chan []byte
	// wrote is the result of each write.
	wrote chan error
	wg    sync.WaitGroup
}

func newWire(p Port) *wire {
	w := &wire{port: p, in: make(chan string, 256), dead: make(chan struct{}), out: make(chan []byte), wrote: make(chan error, 1)}
	w.wg.Go(w.read)
	w.wg.Go(func() {
		for b := range w.out {
			_, err := w.port.Write(b)
			w.wrote <- err
		}
	})
	return w
}

// close ends both goroutines. A write to a device that takes no bytes any more
// ends when its buffer is thrown away.
func (w *wire) close() {
	close(w.out)
	if p, ok := w.port.(interface{ ResetOutputBuffer() error }); ok {
		_ = p.ResetOutputBuffer() // the device may be gone
	}
	_ = w.port.Close() // nothing is left to be saved
	w.wg.Wait()
}

func (w *wire) read() {
	defer close(w.dead)
	buf := make([]byte, 512)
	var line []byte
	over := false
	emit := func(s string) {
		select {
		case w.in <- s:
		default:
		}
	}
	for {
		n, err := w.port.Read(buf)
		for _, b := range buf[:n] {
			switch {
			case b == '\r' || b == '\n':
				if s := trim(line); s != "" && !over {
					emit(s)
				}
				line, over = line[:0], false
			case b < ' ' || b > '~': // no answer has such
			case len(line) == maxLine:
				over = true
			default:
				line = append(line, b)
				if !over && string(line) == prompt {
					emit(prompt)
					line = line[:0]
				}
			}
		}
		if err == nil && n == 0 {
			err = errEnded
		}
		if err != nil {
			w.err = err
			return
		}
	}
}

func trim(b []byte) string {
	for len(b) > 0 && b[0] == ' ' {
		b = b[1:]
	}
	for len(b) > 0 && b[len(b)-1] == ' ' {
		b = b[:len(b)-1]
	}
	return string(b)
}

// write gives s to the modem. A goneError says that some of it may be on its way
// and the wire is of no more use, any other that nothing was written before ctx
// ended.
func (w *wire) write(ctx context.Context, s string) error {
	select {
	case w.out <- []byte(s):
	case <-ctx.Done():
		return ctx.Err()
	}
	var err error
	select {
	case err = <-w.wrote:
	case <-ctx.Done():
		err = ctx.Err()
	}
	if err != nil {
		return &goneError{fmt.Errorf("modem takes no commands: %w", err)}
	}
	return nil
}

// next gives the next line or prompt. What came before the port went is given
// first.
func (w *wire) next(ctx context.Context) (string, error) {
	select {
	case s := <-w.in:
		return s, nil
	default:
	}
	select {
	case s := <-w.in:
		return s, nil
	case <-ctx.Done():
		return "", ctx.Err()
	case <-w.dead:
		select {
		case s := <-w.in:
			return s, nil
		default:
			return "", &goneError{fmt.Errorf("the port is gone: %w", w.err)}
		}
	}
}
