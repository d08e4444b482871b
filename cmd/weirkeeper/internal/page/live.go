package page

import (
	"fmt"
	"hash/fnv"
	"net/http"
	"sync"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/status"
)

// Bounds of the streams (common practice, no source). beat and valuesEvery are in
// looks, which are a second apart.
const (
	mostStreams = 64
	beat        = 3
	valuesEvery = 10
	// writeTime is how long one who listens may take to take a line.
	writeTime = 5 * time.Second
)

// Live serves GET /events, server-sent events (HTML Living Standard, section
// 9.2): "alive" while the daemon judges the water, "changed" when a page is worth
// loading anew, at most each second, and "bye" at the end. It sends no numbers.
type Live struct {
	status func() *status.Status
	tick   func() (looks <-chan time.Time, stop func())
	end    chan struct{}
	once   sync.Once

	mu      sync.Mutex
	streams int
	of      *status.Status // what print is of
	print   uint64
}

// NewLive makes the streams. tick, of which each stream takes one, says when to
// look for news; nil is every second.
func NewLive(s func() *status.Status, tick func() (looks <-chan time.Time, stop func())) *Live {
	if tick == nil {
		tick = func() (<-chan time.Time, func()) {
			t := time.NewTicker(time.Second)
			return t.C, t.Stop
		}
	}
	return &Live{status: s, tick: tick, end: make(chan struct{})}
}

// Stop ends every stream and lets no new one begin.
func (v *Live) Stop() { v.once.Do(func() { close(v.end) }) }

func (v *Live) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if !v.enter() {
		w.Header().Set("Retry-After", "15")
		http.Error(w, "too many pages listen already; the page asks from time to time instead", http.StatusServiceUnavailable)
		return
	}
	defer v.leave()
	Harden(w.Header())
	w.Header().Set("Content-Type", "text/event-stream")
	c := http.NewResponseController(w)
	_ = c.SetReadDeadline(time.Time{}) // the request is read; the server's own bound would end the stream
	say := func(format string, args ...any) bool {
		_ = c.SetWriteDeadline(time.Now().Add(writeTime))
		_, err := fmt.Fprintf(w, format, args...)
		return err == nil && c.Flush() == nil
	}
	looks, stop := v.tick()
	defer stop()
	seen := v.status()
	was := v.fingerprint(seen)
	if !say("retry: 2000\n\nevent: alive\ndata: 1\n\n") {
		return
	}
	for n, told := 1, 0; ; n++ {
		select {
		case <-v.end:
			say("event: bye\ndata: 1\n\n")
			return
		case <-r.Context().Done():
			return
		case <-looks:
		}
		s := v.status()
		alive := s != seen
		if !alive {
			continue // it judges no more, or has not yet
		}
		switch now := v.fingerprint(s); {
		case now != was, n-told >= valuesEvery:
			if !say("event: changed\ndata: 1\n\n") {
				return
			}
			was, seen, told = now, s, n
		case n%beat == 0:
			if !say("event: alive\ndata: 1\n\n") {
				return
			}
			seen = s
		}
	}
}

func (v *Live) enter() bool {
	select {
	case <-v.end:
		return false
	default:
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.streams >= mostStreams {
		return false
	}
	v.streams++
	return true
}

func (v *Live) leave() {
	v.mu.Lock()
	v.streams--
	v.mu.Unlock()
}

// fingerprint changes when what a human must know does: not with every number.
func (v *Live) fingerprint(s *status.Status) uint64 {
	if s == nil {
		return 0
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.of == s {
		return v.print
	}
	h := fnv.New64a()
	fmt.Fprint(h, s.Failing, s.Pause, s.Now.Before(s.Pause.Until), s.Shelved, s.Out)
	for _, a := range s.Alarms {
		fmt.Fprint(h, a.Key, a.State, a.Priority, a.Hidden, a.Cause, a.By, a.Trouble)
	}
	for _, a := range s.Coming {
		fmt.Fprint(h, a.Key, a.State, a.Trouble)
	}
	for _, c := range s.Cleaning {
		fmt.Fprint(h, c.Start.ID, c.Going(s.Now))
	}
	for _, c := range s.Chores {
		fmt.Fprint(h, c.Missed, c.Due.Unix(), c.Done.Unix())
	}
	for i := range s.Probes {
		p := &s.Probes[i]
		fmt.Fprint(h, p.Heard, p.Silent, p.Suspect != "", len(p.Setpoints))
	}
	for i := range s.Lots {
		l := s.Lots[i].Lot
		fmt.Fprint(h, l.ID, l.Number, l.Stage, len(l.Holdings), l.Finished.IsZero())
	}
	v.of, v.print = s, h.Sum64()
	return v.print
}
