// Package web is the daemon's local HTTP side: liveness, metrics, the state as
// text, the lots, a calendar, and the commands a keeper gives on the hatchery
// computer. It does no more than ask and tell the keeper.
//
// Commands are taken only from this machine's own programs: from a loopback
// address, with a header that a foreign web page cannot send unasked.
package web

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot/book"
)

// LocalHeader must be on every command, with the value "1".
const LocalHeader = access.LocalHeader

// Keeper is what the web side needs of the daemon.
type Keeper interface {
	// Status is nil until the first tick.
	Status() *status.Status
	// Health is "" while all is well, else what is wrong.
	Health() string
	// Acknowledge, Reset and ChoreDone do what they say and word what was done.
	Acknowledge(ctx context.Context, key alarm.Key, by string) (string, error)
	ChoreDone(ctx context.Context, chore, unit, by string) (string, error)
	Reset(ctx context.Context, key alarm.Key, by string) (string, error)
	// Act takes what somebody has done about alarms, and words it.
	Act(ctx context.Context, c ActCommand) (string, error)
	// AnswerCode acknowledges what a person's code stands for.
	AnswerCode(ctx context.Context, c CodeAnswer) (string, error)
	// Received takes a text message, and words what became of it.
	Received(ctx context.Context, c Received) (string, error)
	// Reload reads the rules files anew; its error holds every fault.
	Reload(ctx context.Context) (string, error)
	LotKeeper
}

// maxBody bounds a command's body, bytes; maxLotBody that of one with a note in
// it, of 2,000 characters at up to 12 bytes each in JSON.
const (
	maxBody    = 4096
	maxLotBody = 32 << 10
)

// patience is how long a request waits for the keeper.
const patience = 10 * time.Second

// Command is the body of a command, JSON.
type Command struct {
	// Alarm is the key to acknowledge; "" acknowledges all.
	Alarm alarm.Key `json:"alarm,omitempty"`
	// Code acknowledges what it stands for, instead of Alarm.
	Code string `json:"code,omitempty"`
	// Chore and Unit name a chore done; Unit "" is the whole site.
	Chore string `json:"chore,omitempty"`
	Unit  string `json:"unit,omitempty"`
	// By is who says so, required.
	By string `json:"by"`
}

// ActCommand is the body of POST /act. The daemon sets the act's times.
type ActCommand struct {
	Act act.Act `json:"act"`
	// For is how long it lasts, nanoseconds, for what ends by itself; 0 is what
	// is usual, where something is.
	For time.Duration `json:"for,omitempty"`
}

// Received is the body of POST /received: a text message that a program on this
// computer got.
type Received struct {
	// ID tells it from every other, so that the same one given twice counts once.
	ID   string    `json:"id"`
	From string    `json:"from"` // the number, required
	At   time.Time `json:"at,omitzero"`
	Text string    `json:"text"`
}

// Handler serves /, /healthz, /metrics, POST /acknowledge, /reset, /done, /act,
// /received, /reload and, of the lots, what lotRoutes says.
func Handler(k Keeper, metrics http.Handler, log *slog.Logger) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", metrics)
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) {
		if bad := k.Health(); bad != "" {
			http.Error(w, bad, http.StatusServiceUnavailable)
			return
		}
		answer(w, plain, "ok\n")
	})
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, _ *http.Request) {
		s := k.Status()
		if s == nil {
			http.Error(w, "starting, nothing judged yet", http.StatusServiceUnavailable)
			return
		}
		head(w, plain)
		_ = s.Write(w) // the asker is gone: nothing to do
	})
	who := func(c *Command) *string { return &c.By }
	mux.HandleFunc("POST /acknowledge", command(log, maxBody, who, func(ctx context.Context, c Command) (string, error) {
		if c.Code != "" {
			return k.AnswerCode(ctx, CodeAnswer{Person: c.By, Code: c.Code, Via: "command"})
		}
		return k.Acknowledge(ctx, c.Alarm, c.By)
	}))
	mux.HandleFunc("POST /reset", command(log, maxBody, who, func(ctx context.Context, c Command) (string, error) {
		return k.Reset(ctx, c.Alarm, c.By)
	}))
	mux.HandleFunc("POST /act", command(log, maxBody, func(c *ActCommand) *string { return &c.Act.By }, k.Act))
	mux.HandleFunc("POST /done", command(log, maxBody, who, func(ctx context.Context, c Command) (string, error) {
		return k.ChoreDone(ctx, c.Chore, c.Unit, c.By)
	}))
	mux.HandleFunc("POST /reload", command(log, maxBody, who, func(ctx context.Context, _ Command) (string, error) {
		return k.Reload(ctx)
	}))
	mux.HandleFunc("POST /received", command(log, maxLotBody, func(c *Received) *string { return &c.From }, k.Received))
	lotRoutes(mux, k, log)
	return mux
}

const plain = "text/plain; charset=utf-8"

// head sets the headers of an answer. It holds what people have typed: a browser
// is to run and to fetch nothing.
func head(w http.ResponseWriter, contentType string) {
	h := w.Header()
	h.Set("Content-Type", contentType)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src data:")
}

func answer[B string | []byte](w http.ResponseWriter, contentType string, body B) {
	head(w, contentType)
	_, _ = w.Write([]byte(body)) // the asker is gone: nothing to do
}

// fail answers with the words of an error; otherwise is the status of errors
// not told apart.
func fail(w http.ResponseWriter, err error, otherwise int) {
	words := err.Error()
	var unknown *UnknownLotError
	var when *BadTimeError
	var bad badRequest
	var refusal *book.Refusal
	var unfit *act.Refusal
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		otherwise = http.StatusServiceUnavailable
		words = "the daemon was too busy to answer in time; a command may have been carried out all the same: look before you give it again"
	case errors.As(err, &unknown):
		otherwise = http.StatusNotFound
	case errors.As(err, &when), errors.As(err, &bad):
		otherwise = http.StatusBadRequest
	case errors.As(err, &refusal), errors.As(err, &unfit):
		otherwise = http.StatusConflict
	}
	http.Error(w, words, otherwise)
}

// command reads a body of at most limit bytes and has do carry it out. who finds
// the name of the one who gave it.
func command[C any](log *slog.Logger, limit int64, who func(*C) *string, do func(context.Context, C) (string, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !access.Local(r) {
			log.Warn("command refused", "path", r.URL.Path, "remote", r.RemoteAddr)
			http.Error(w, "commands are taken from the hatchery computer itself only: use weirkeeper ack, weirkeeper done or weirkeeper lot there", http.StatusForbidden)
			return
		}
		var c C
		d := json.NewDecoder(http.MaxBytesReader(w, r.Body, limit))
		d.DisallowUnknownFields()
		if err := d.Decode(&c); err != nil {
			http.Error(w, "the command cannot be read: "+err.Error(), http.StatusBadRequest)
			return
		}
		by := who(&c)
		if *by = strings.TrimSpace(*by); *by == "" {
			http.Error(w, "say who you are: --by NAME", http.StatusBadRequest)
			return
		}
		ctx, cancel := context.WithTimeout(r.Context(), patience)
		defer cancel()
		said, err := do(ctx, c)
		if err != nil {
			fail(w, err, http.StatusConflict)
			return
		}
		answer(w, plain, said)
	}
}
