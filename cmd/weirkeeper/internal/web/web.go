// Package web is the daemon's local HTTP side: liveness, metrics, the state as
// text, and the two commands a keeper gives on the hatchery computer. It does
// no more than ask and tell the keeper.
//
// Commands are taken only from this machine's own programs: from a loopback
// address, with a header that a foreign web page cannot send unasked.
package web

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/rules/alarm"
)

// LocalHeader must be on every command, with the value "1".
const LocalHeader = "Weirkeeper-Local"

// Keeper is what the web side needs of the daemon.
type Keeper interface {
	// Status is nil until the first tick.
	Status() *status.Status
	// Health is "" while all is well, else what is wrong.
	Health() string
	// Acknowledge and ChoreDone do what they say and word what was done.
	Acknowledge(ctx context.Context, key alarm.Key, by string) (string, error)
	ChoreDone(ctx context.Context, chore, unit, by string) (string, error)
}

// maxBody bounds a command's body, bytes.
const maxBody = 4096

// Command is the body of a command, JSON.
type Command struct {
	// Alarm is the key to acknowledge; "" acknowledges all.
	Alarm alarm.Key `json:"alarm,omitempty"`
	// Chore and Unit name a chore done; Unit "" is the whole site.
	Chore string `json:"chore,omitempty"`
	Unit  string `json:"unit,omitempty"`
	// By is who says so, required.
	By string `json:"by"`
}

// Handler serves /, /healthz, /metrics, POST /acknowledge and POST /done.
func Handler(k Keeper, metrics http.Handler, log *slog.Logger) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", metrics)
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) {
		if bad := k.Health(); bad != "" {
			http.Error(w, bad, http.StatusServiceUnavailable)
			return
		}
		text(w)
		_, _ = w.Write([]byte("ok\n")) // the asker is gone: nothing to do
	})
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, _ *http.Request) {
		s := k.Status()
		if s == nil {
			http.Error(w, "starting, nothing judged yet", http.StatusServiceUnavailable)
			return
		}
		text(w)
		_ = s.Write(w) // the asker is gone: nothing to do
	})
	mux.HandleFunc("POST /acknowledge", command(log, func(ctx context.Context, c Command) (string, error) {
		return k.Acknowledge(ctx, c.Alarm, c.By)
	}))
	mux.HandleFunc("POST /done", command(log, func(ctx context.Context, c Command) (string, error) {
		return k.ChoreDone(ctx, c.Chore, c.Unit, c.By)
	}))
	return mux
}

func text(w http.ResponseWriter) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("X-Content-Type-Options", "nosniff")
	w.Header().Set("Cache-Control", "no-store")
}

func command(log *slog.Logger, do func(context.Context, Command) (string, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		host, _, err := net.SplitHostPort(r.RemoteAddr)
		if ip := net.ParseIP(host); err != nil || ip == nil || !ip.IsLoopback() || r.Header.Get(LocalHeader) != "1" || r.Header.Get("Origin") != "" {
			log.Warn("command refused", "path", r.URL.Path, "remote", r.RemoteAddr)
			http.Error(w, "commands are taken from the hatchery computer itself only: use weirkeeper ack or weirkeeper done there", http.StatusForbidden)
			return
		}
		var c Command
		d := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxBody))
		d.DisallowUnknownFields()
		if err := d.Decode(&c); err != nil {
			http.Error(w, "the command cannot be read: "+err.Error(), http.StatusBadRequest)
			return
		}
		if c.By = strings.TrimSpace(c.By); c.By == "" {
			http.Error(w, "say who you are: --by NAME", http.StatusBadRequest)
			return
		}
		ctx, cancel := context.WithTimeout(r.Context(), 10*time.Second)
		defer cancel()
		said, err := do(ctx, c)
		if err != nil {
			code := http.StatusConflict
			if errors.Is(err, context.DeadlineExceeded) {
				code = http.StatusServiceUnavailable
			}
			http.Error(w, err.Error(), code)
			return
		}
		text(w)
		_, _ = w.Write([]byte(said)) // the asker is gone: nothing to do
	}
}
