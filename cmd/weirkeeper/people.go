package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"

	"weirkeeper/cmd/weirkeeper/internal/access"
)

// runPeople changes who has access by the page, or lists it.
func runPeople(ctx context.Context, e env, args []string) int {
	fs, d, by := answerFlags("people", e)
	role := fs.String("role", "", "`role`: look, work (answers, does chores, keeps the lots) or manage (also says who has access)")
	rest, code, ok := e.parse("people", fs, args)
	if !ok {
		return code
	}
	if len(rest) == 0 {
		return e.usage("people", "people takes a verb: add, password, invite, list, role, remove or end")
	}
	c := access.Change{Do: rest[0], Role: *role, By: *by}
	switch {
	case c.Do == "list" && len(rest) > 1:
		return e.usage("people", "people list takes no name")
	case c.Do != "list" && len(rest) != 2:
		return e.usage("people", "people %s takes one name; put one with spaces in quotes", c.Do)
	case c.Do != "list":
		c.Name = rest[1]
	}
	if c.Do == "add" || c.Do == "password" {
		var err error
		if c.Password, err = e.readPassword(c.Name); err != nil {
			return e.fault(err)
		}
	}
	return e.tell(ctx, "people", d, "/people", *by, c, c.Do == "list")
}

// readPassword reads a password as one line of standard input, which a terminal
// does not show. It is never an argument: other people see those.
func (e env) readPassword(name string) (string, error) {
	if f, ok := e.in.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		fmt.Fprintf(e.err, "Password for %s, 10 characters at least, not shown: ", name)
		b, err := term.ReadPassword(int(f.Fd()))
		fmt.Fprintln(e.err)
		if err != nil {
			return "", fmt.Errorf("the password cannot be read: %w", err)
		}
		return string(b), nil
	}
	line, err := bufio.NewReader(io.LimitReader(e.in, 4096)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("the password cannot be read: %w", err)
	}
	line = strings.TrimRight(line, "\r\n")
	if line == "" {
		return "", errors.New("give the password as one line on standard input")
	}
	return line, nil
}
