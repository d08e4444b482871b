package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/config"
	"weirkeeper/rules/alarm"
)

// daemonFlags say where the running daemon is.
type daemonFlags struct {
	fs       *flag.FlagSet
	at, site *string
}

func addDaemonFlags(fs *flag.FlagSet) daemonFlags {
	return daemonFlags{
		fs,
		fs.String("at", config.DefaultWeb, "`address` of the running daemon, as web.listen in the site file"),
		fs.String("site", "", "site `file` to take that address from"),
	}
}

func addBy(fs *flag.FlagSet, e env, by *string) {
	fs.StringVar(by, "by", e.getenv("USER"), "your `name`, for the record and for the others")
}

// answerFlags are common to the commands that answer the daemon.
func answerFlags(name string, e env) (fs *flag.FlagSet, d daemonFlags, by *string) {
	fs = flag.NewFlagSet(name, flag.ContinueOnError)
	by = new(string)
	addBy(fs, e, by)
	return fs, addDaemonFlags(fs), by
}

// given reports whether a flag was written on the command line.
func given(fs *flag.FlagSet, name string) (yes bool) {
	fs.Visit(func(f *flag.Flag) { yes = yes || f.Name == name })
	return yes
}

// address is where the daemon is: --at, else web.listen of the site file.
func (e env) address(d daemonFlags) (string, error) {
	if *d.site == "" || given(d.fs, "at") {
		return *d.at, nil
	}
	c, err := e.readSite(*d.site)
	if err != nil {
		return "", err
	}
	return c.Web.Listen, nil // one for all addresses, such as :8370, is this machine to dial
}

func runAck(ctx context.Context, e env, args []string) int {
	fs, d, by := answerFlags("ack", e)
	digits := fs.String("code", "", "the `code` of the message that you answer, instead of the alarm")
	rest, code, ok := e.parse("ack", fs, args)
	if !ok {
		return code
	}
	if len(rest) > 1 {
		return e.usage("ack", "ack takes one alarm at the most; put its name in quotes")
	}
	if *digits != "" && len(rest) > 0 {
		return e.usage("ack", "ack takes a code or an alarm, not both")
	}
	c := web.Command{By: *by, Code: *digits}
	if len(rest) == 1 {
		c.Alarm = alarm.Key(rest[0])
	}
	return e.tell(ctx, "ack", d, "/acknowledge", *by, c, false)
}

func runDone(ctx context.Context, e env, args []string) int {
	fs, d, by := answerFlags("done", e)
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
	return e.tell(ctx, "done", d, "/done", *by, c, false)
}

func runReset(ctx context.Context, e env, args []string) int {
	fs, d, by := answerFlags("reset", e)
	rest, code, ok := e.parse("reset", fs, args)
	if !ok {
		return code
	}
	if len(rest) != 1 {
		return e.usage("reset", "reset takes one alarm that is latched; put its name in quotes")
	}
	return e.tell(ctx, "reset", d, "/reset", *by, web.Command{Alarm: alarm.Key(rest[0]), By: *by}, false)
}

func runReload(ctx context.Context, e env, args []string) int {
	fs, d, by := answerFlags("reload", e)
	rest, code, ok := e.parse("reload", fs, args)
	if !ok {
		return code
	}
	if len(rest) > 0 {
		return e.usage("reload", "reload takes no arguments; the rules files are those of the site file")
	}
	return e.tell(ctx, "reload", d, "/reload", *by, web.Command{By: *by}, true)
}

// tell sends a command to the daemon on this computer and prints its answer. A
// command that may be given twice without harm is given again when its answer
// did not come.
func (e env) tell(ctx context.Context, name string, d daemonFlags, path, by string, c any, harmless bool) int {
	if strings.TrimSpace(by) == "" {
		return e.usage(name, "say who you are: --by NAME")
	}
	body, err := json.Marshal(c)
	if err != nil {
		return e.fault(err)
	}
	said, err := e.ask(ctx, d, http.MethodPost, path, body)
	if harmless && errors.Is(err, errNoAnswer) && ctx.Err() == nil {
		var again error
		if said, again = e.ask(ctx, d, http.MethodPost, path, body); again == nil {
			err = nil
		}
	}
	if err != nil {
		return e.fault(err)
	}
	fmt.Fprint(e.out, string(said))
	return exitOK
}

// askTimeout bounds one question to the daemon, which itself gives up earlier.
const askTimeout = 15 * time.Second

// errNoAnswer: a command was sent, and whether it was carried out is not known.
var errNoAnswer = errors.New("it may have been done all the same: look before you do it again")

// ask asks the daemon on this computer. The error says what it refused, or why
// there is no answer.
func (e env) ask(ctx context.Context, d daemonFlags, method, path string, body []byte) ([]byte, error) {
	at, err := e.address(d)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, askTimeout)
	defer cancel()
	if _, err := url.Parse("http://" + at + path); err != nil {
		return nil, fmt.Errorf("the address %q is not one: write HOST:PORT", at)
	}
	resp, err := e.send(ctx, method, "http://"+at+path, body)
	if err == nil && resp.StatusCode == http.StatusBadRequest && resp.ProtoMinor == 0 && thisMachine(at) {
		// What Go's server says in clear where it speaks TLS only. Nothing was taken.
		_ = resp.Body.Close()
		resp, err = e.send(ctx, method, "https://"+at+path, body)
	}
	var request *url.Error // which says the address again
	if errors.As(err, &request) {
		err = request.Err
	}
	var op *net.OpError
	switch {
	case errors.As(err, &op) && op.Op == "dial" || err != nil && method == http.MethodGet:
		return nil, fmt.Errorf("the daemon at %s cannot be reached (%w); is it running, and is --at its web.listen?", at, err)
	case err != nil:
		return nil, fmt.Errorf("the daemon at %s gave no answer (%w); %w", at, err, errNoAnswer)
	}
	defer func() { _ = resp.Body.Close() }()
	said, err := io.ReadAll(resp.Body)
	if err != nil {
		err = fmt.Errorf("the answer of the daemon at %s broke off: %w", at, err)
		if method == http.MethodPost {
			err = fmt.Errorf("%w; %w", err, errNoAnswer)
		}
		return nil, err
	}
	if resp.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("refused: %s", strings.TrimSpace(string(said)))
	}
	return said, nil
}

// thisMachine reports whether an address leads nowhere else.
func thisMachine(at string) bool {
	host, _, err := net.SplitHostPort(at)
	ip := net.ParseIP(host)
	return err == nil && (host == "" || host == "localhost" || ip != nil && (ip.IsLoopback() || ip.IsUnspecified()))
}

// localClient speaks to the daemon on this computer. Its certificate is made out
// for the name that people reach it by, and nobody is between.
var localClient = &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}}

func (e env) send(ctx context.Context, method, address string, body []byte) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, method, address, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	req.Header.Set(web.LocalHeader, "1")
	if method == http.MethodPost {
		req.Header.Set("Content-Type", "application/json")
	}
	if req.URL.Scheme == "https" {
		return localClient.Do(req)
	}
	return http.DefaultClient.Do(req)
}
