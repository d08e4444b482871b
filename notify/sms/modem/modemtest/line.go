package modemtest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"syscall"

	"github.com/creack/pty"
	"go.bug.st/serial"
)

// Dial opens the port in memory. It fails once after the port went away.
func (m *Modem) Dial(context.Context) (io.ReadWriteCloser, error) {
	m.lock()
	defer m.unlock()
	if m.ctx.Err() != nil {
		return nil, errors.New("modemtest: the modem is closed")
	}
	if m.away {
		m.away = false
		return nil, errors.New("modemtest: no such device")
	}
	m.hangUp()
	ours, theirs := net.Pipe()
	m.conn = ours
	m.wg.Go(func() { m.serve(ours) })
	return theirs, nil
}

// Listen puts the port on a pseudo-terminal and gives its path, a link in dir,
// which is gone and comes back as the port does.
func (m *Modem) Listen(dir string) (string, error) {
	link := filepath.Join(dir, "modem")
	open, err := m.listen(link)
	if err != nil {
		return "", err
	}
	m.wg.Go(func() {
		for {
			m.serve(open.master)
			_ = os.Remove(link) // the next one replaces it
			_ = open.slave.Close()
			if m.opt.Wait(m.ctx, m.opt.Away) != nil {
				return
			}
			if open, err = m.listen(link); err != nil {
				return // closed, or no terminals are left: as a device that is gone for good
			}
		}
	})
	return link, nil
}

type terminal struct{ master, slave *os.File }

func (m *Modem) listen(link string) (terminal, error) {
	m.lock()
	defer m.unlock()
	if m.ctx.Err() != nil {
		return terminal{}, errors.New("modemtest: the modem is closed")
	}
	master, slave, err := pty.Open()
	if err != nil {
		return terminal{}, fmt.Errorf("modemtest: open a pseudo-terminal: %w", err)
	}
	if master, err = pollable(master); err != nil {
		_ = slave.Close()
		return terminal{}, fmt.Errorf("modemtest: set up a pseudo-terminal: %w", err)
	}
	t := terminal{master, slave}
	// Raw from the start, or what we say would come back to us until somebody
	// opens the port. What is set stays while the slave is open.
	err = raw(slave.Name())
	if err == nil {
		err = os.Symlink(slave.Name(), link)
	}
	if err != nil {
		_, _ = master.Close(), slave.Close()
		return terminal{}, fmt.Errorf("modemtest: set up a pseudo-terminal: %w", err)
	}
	m.conn, m.away = master, false
	return t, nil
}

// pollable closes f and gives the same open file in the mode in which Close ends a Read
// that waits: package pty leaves it in the other one.
func pollable(f *os.File) (*os.File, error) {
	defer func() { _ = f.Close() }() // the copy is what is used
	fd, err := syscall.Dup(int(f.Fd()))
	if err != nil {
		return nil, err
	}
	syscall.CloseOnExec(fd)
	if err := syscall.SetNonblock(fd, true); err != nil {
		_ = syscall.Close(fd)
		return nil, err
	}
	return os.NewFile(uintptr(fd), f.Name()), nil
}

func raw(path string) error {
	p, err := serial.Open(path, &serial.Mode{BaudRate: 115200})
	if err != nil {
		return err
	}
	return p.Close()
}
