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
	"weirkeeper/config"
	"weirkeeper/rules/alarm"
)

// answerFlags are common to the commands that talk to the running daemon.
func answerFlags(name string, e env) (fs *flag.FlagSet, at, by *string) {
	fs = flag.NewFlagSet(name, flag.ContinueOnError)
	at = fs.String("at", config.DefaultWeb, "`address` of the running daemon, as web.listen in the site file")
	by = fs.String("by", e.getenv("USER"), "your `name`, for the journal and for the others")
	return fs, at, by
}

func runAck(ctx context.Context, e env, args []string) int {
	fs, at, by := answerFlags("ack", e)
	rest, code, ok := e.parse("ack", fs, args)
	if !ok {
		return code
	}
	if len(rest) > 1 {
		return e.usage("ack", "ack takes one alarm at the most; put its name in quotes")
	}
	c := web.Command{By: *by}
	if len(rest) == 1 {
		c.Alarm = alarm.Key(rest[0])
	}
	return e.tell(ctx, "ack", *at, "/acknowledge", c)
}

func runDone(ctx context.Context, e env, args []string) int {
	fs, at, by := answerFlags("done", e)
	rest, code, ok := e.parse("done", fs, args)
	if !ok {
		return code
	}
	if len(rest) < 1 || len(rest) > 2 {
		return e.usage("done", "done takes a chore and, where it has one, its unit; put names with spaces in quotes")
	}
	c := web.Command{Chore: rest[0], By: *by}
	if len(rest) == 2 {
		c.Unit = rest[1]
	}
	return e.tell(ctx, "done", *at, "/done", c)
}

// tell sends a command to the daemon on this computer and prints its answer.
func (e env) tell(ctx context.Context, name, at, path string, c web.Command) int {
	if strings.TrimSpace(c.By) == "" {
		return e.usage(name, "say who you are: --by NAME")
	}
	body, err := json.Marshal(c)
	if err != nil {
		return e.fault(err)
	}
	ctx, cancel := context.WithTimeout(ctx, 15*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://"+at+path, bytes.NewReader(body))
	if err != nil {
		return e.usage(name, "the address %q is not one: write HOST:PORT", at)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set(web.LocalHeader, "1")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return e.fault(fmt.Errorf("the daemon at %s cannot be reached (%w); is it running, and is --at its web.listen?", at, err))
	}
	defer func() { _ = resp.Body.Close() }()
	said, err := io.ReadAll(io.LimitReader(resp.Body, 64<<10))
	if err != nil {
		return e.fault(err)
	}
	if resp.StatusCode != http.StatusOK {
		return e.fault(fmt.Errorf("refused: %s", strings.TrimSpace(string(said))))
	}
	fmt.Fprint(e.out, string(said))
	return exitOK
}
