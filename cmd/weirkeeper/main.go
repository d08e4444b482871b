// Command weirkeeper keeps watch over a hatchery's water.
package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"
	_ "time/tzdata" // the site's time zone, on a machine without a zone database
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// A second signal ends the process at once.
	context.AfterFunc(ctx, stop)
	code := run(ctx, os.Args[1:], env{in: os.Stdin, out: os.Stdout, err: os.Stderr, getenv: os.Getenv, readFile: os.ReadFile, now: time.Now})
	stop()
	os.Exit(code)
}

// Exit codes of every command.
const (
	exitOK    = 0
	exitFault = 1 // something is wrong; it was said on standard error
	exitUsage = 2 // the command line is wrong
)

// env is what a command may touch of the outside.
type env struct {
	in       io.Reader
	out, err io.Writer
	getenv   func(string) string
	readFile func(string) ([]byte, error)
	now      func() time.Time
}

// usage says what was wrong with the command line and how to go on.
func (e env) usage(command, format string, args ...any) int {
	fmt.Fprintf(e.err, "weirkeeper: %s\nTry: weirkeeper %s --help\n", fmt.Sprintf(format, args...), command)
	return exitUsage
}

func (e env) fault(err error) int {
	fmt.Fprintf(e.err, "weirkeeper: %v\n", err)
	return exitFault
}
