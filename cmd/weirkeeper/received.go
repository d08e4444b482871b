package main

import (
	"context"
	"crypto/rand"
	"flag"
	"fmt"
	"io"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/web"
)

// maxText bounds a text message on standard input, bytes.
const maxText = 4096

func runReceived(ctx context.Context, e env, args []string) int {
	fs := flag.NewFlagSet("received", flag.ContinueOnError)
	d := addDaemonFlags(fs)
	from := fs.String("from", "", "the `number` it came from, in the international form such as +447700900123")
	id := fs.String("id", "", "the `name` that the program which got it has for it, so that the same one given twice counts once")
	at := fs.String("sent", "", "the `time` it was sent, such as 2026-11-20T02:08:00Z")
	rest, code, ok := e.parse("received", fs, args)
	switch {
	case !ok:
		return code
	case len(rest) > 0:
		return e.usage("received", "received takes no arguments besides its flags; the text is read from standard input")
	case strings.TrimSpace(*from) == "":
		return e.usage("received", "say which number it came from: --from NUMBER")
	}
	m := web.Received{ID: strings.TrimSpace(*id), From: strings.TrimSpace(*from)}
	if m.ID == "" {
		m.ID = rand.Text()
	}
	if *at != "" {
		t, err := time.Parse(time.RFC3339, *at)
		if err != nil {
			return e.usage("received", "--sent: %q is no time; write it like 2026-11-20T02:08:00Z", *at)
		}
		m.At = t
	}
	text, err := io.ReadAll(io.LimitReader(e.in, maxText))
	if err != nil {
		return e.fault(fmt.Errorf("read the text from standard input: %w", err))
	}
	m.Text = strings.ToValidUTF8(string(text), "")
	return e.tell(ctx, "received", d, "/received", m.From, m, true)
}
