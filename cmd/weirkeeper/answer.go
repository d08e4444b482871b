package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/rules/alarm"
)

// defaultAt is where the daemon listens for commands.
const defaultAt = "127.0.0.1:8370"

// answerFlags are common to the commands that talk to the running daemon.
func answerFlags(name string, e env) (fs *flag.FlagSet, at, by *string) {
	fs = flag.NewFlagSet(name, flag.ContinueOnError)
	at = fs.String("at", defaultAt, "`address` of the running daemon, as web.listen in the site file")
	by = fs.String("by", e.getenv("USER"), "your `name`, for the journal and for the others")
	return fs, at, by
}

func runAck(ctx context.Context, e env, args []string) int {
	fs, at, by := answerFlags("ack", e)
	if code, ok := e.parse("ack", fs, args); !ok {
		return code
	}
	if fs.NArg() > 1 {
		return e.usage("ack", "ack takes one alarm at the most; put its name in quotes")
	}
	key := alarm.Key(fs.Arg(0))
	if code := e.tell(ctx, *at, "/acknowledge", web.Command{Alarm: key, By: *by}); code != exitOK {
		return code
	}
	fmt.Fprintln(e.out, "Answered. The repeats stop and the others are told that you are coming. The alarm itself stands until the water is right.")
	return exitOK
}

func runDone(ctx context.Context, e env, args []string) int {
	fs, at, by := answerFlags("done", e)
	if code, ok := e.parse("done", fs, args); !ok {
		return code
	}
	if fs.NArg() < 1 || fs.NArg() > 2 {
		return e.usage("done", "done takes a chore and, where it has one, its unit; put names with spaces in quotes")
	}
	c := web.Command{Chore: fs.Arg(0), Unit: fs.Arg(1), By: *by}
	if code := e.tell(ctx, *at, "/done", c); code != exitOK {
		return code
	}
	fmt.Fprintln(e.out, strings.TrimSpace("Recorded: "+c.Chore+" "+c.Unit))
	return exitOK
}

// tell sends a command to the daemon on this computer.
func (e env) tell(ctx context.Context, at, path string, c web.Command) int {
	if strings.TrimSpace(c.By) == "" {
		return e.usage("ack", "say who you are: --by NAME")
	}
	body, err := json.Marshal(c)
	if err != nil {
		return e.fault(err)
	}
	ctx, cancel := context.WithTimeout(ctx, 15*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://"+at+path, bytes.NewReader(body))
	if err != nil {
		return e.usage("ack", "the address %q is not one: write HOST:PORT", at)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set(web.LocalHeader, "1")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return e.fault(fmt.Errorf("the daemon at %s cannot be reached (%w); is it running, and is --at its web.listen?", at, err))
	}
	defer func() { _ = resp.Body.Close() }()
	if resp.StatusCode != http.StatusOK {
		said, err := io.ReadAll(io.LimitReader(resp.Body, 4096))
		if err != nil {
			return e.fault(err)
		}
		return e.fault(fmt.Errorf("refused: %s", strings.TrimSpace(string(said))))
	}
	return exitOK
}
