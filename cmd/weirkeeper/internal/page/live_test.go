package page

import (
	"bufio"
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/rules/alarm"
)

// looker gives the ticks of streams by hand.
type looker struct{ c chan time.Time }

func (l looker) tick() (<-chan time.Time, func()) { return l.c, func() {} }

// listen begins a stream and gives its events as they come.
func listen(t *testing.T, url string) (next func() string, closes func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(r) //nolint:bodyclose // closes does
	if err != nil {
		t.Fatal(err)
	}
	if got := resp.Header.Get("Content-Type"); resp.StatusCode != http.StatusOK || got != "text/event-stream" {
		t.Fatalf("status %d, %s", resp.StatusCode, got)
	}
	lines := bufio.NewScanner(resp.Body)
	return func() string {
			for lines.Scan() {
				if e, ok := strings.CutPrefix(lines.Text(), "event: "); ok {
					return e
				}
			}
			return "end"
		}, func() {
			cancel()
			_ = resp.Body.Close()
		}
}

// TestLive: what is told when. The numbers alone are told each tenth look, news of
// what a human must know at the next, and of a daemon that judges no more, nothing.
func TestLive(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	defer http.DefaultClient.CloseIdleConnections()
	s := night()
	current := make(chan *status.Status, 1)
	current <- s
	get := func() *status.Status { s := <-current; current <- s; return s }
	set := func(s *status.Status) { <-current; current <- s }
	looks := looker{make(chan time.Time)}
	v := NewLive(get, looks.tick)
	server := httptest.NewServer(v)
	defer server.Close()
	next, closes := listen(t, server.URL)
	defer closes()
	if got := next(); got != "alive" {
		t.Fatalf("first %q", got)
	}
	look := func(n int, change func(*status.Status)) {
		for range n {
			c := *s
			if change != nil {
				change(&c)
			}
			s = &c
			set(s)
			looks.c <- time.Time{}
		}
	}
	expect := func(what, want string) {
		t.Helper()
		if got := next(); got != want {
			t.Fatalf("%s: %q, want %q", what, got, want)
		}
	}
	look(3, nil)
	expect("three looks at a daemon that ticks", "alive")
	look(1, func(c *status.Status) { c.Alarms = c.Alarms[1:] })
	expect("an alarm is over", "changed")
	for range 20 {
		looks.c <- time.Time{} // the same status: it judges no more
	}
	look(1, func(c *status.Status) { c.Probes = append(c.Probes[:0:0], c.Probes...); c.Probes[0].Last.Value++ })
	expect("a number after long silence", "changed")
	look(9, nil)
	for range 3 {
		expect("nine more looks", "alive")
	}
	look(1, nil)
	expect("ten looks", "changed")
	v.Stop()
	expect("the daemon stops", "bye")
	expect("nothing after that", "end")
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/events", nil)
	w := httptest.NewRecorder()
	v.ServeHTTP(w, r)
	if w.Code != http.StatusServiceUnavailable {
		t.Errorf("a stream that begins after the end: status %d", w.Code)
	}
}

// TestLiveFull: no more streams than are bounded, and a place that is free again
// is given.
func TestLiveFull(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	defer http.DefaultClient.CloseIdleConnections()
	s := night()
	v := NewLive(func() *status.Status { return s }, looker{make(chan time.Time)}.tick)
	gone := make(chan struct{}, mostStreams+1)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v.ServeHTTP(w, r)
		gone <- struct{}{}
	}))
	defer server.Close()
	defer v.Stop()
	var close1 func()
	for range mostStreams {
		next, closes := listen(t, server.URL)
		defer closes()
		close1 = closes
		if got := next(); got != "alive" {
			t.Fatalf("first %q", got)
		}
	}
	w := httptest.NewRecorder()
	v.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/events", nil))
	if w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" {
		t.Errorf("one too many: status %d", w.Code)
	}
	close1()
	<-gone
	next, closes := listen(t, server.URL)
	defer closes()
	if got := next(); got != "alive" {
		t.Errorf("a free place: %q", got)
	}
}

// TestNews: each thing that a human must know is news, a number alone is none.
func TestNews(t *testing.T) {
	v := NewLive(nil, nil)
	before := v.fingerprint(night())
	if again := v.fingerprint(night()); again != before {
		t.Error("the same state is news")
	}
	for what, change := range map[string]func(*status.Status){
		"answered":        func(s *status.Status) { s.Alarms[0].State, s.Alarms[0].By = alarm.Acknowledged, "kim" },
		"hidden":          func(s *status.Status) { s.Alarms[0].Hidden = "being cleaned" },
		"paused":          func(s *status.Status) { s.Pause = paused().Pause },
		"not recorded":    func(s *status.Status) { s.Failing = true },
		"cleaning":        func(s *status.Status) { s.Cleaning = paused().Cleaning },
		"chore done":      func(s *status.Status) { s.Chores[1].Done = s.Now },
		"silent":          func(s *status.Status) { s.Probes[0].Silent = true },
		"suspect":         func(s *status.Status) { s.Probes[0].Suspect = "in the air" },
		"no longer aside": func(s *status.Status) { s.Shelved = nil },
		"out of service":  func(s *status.Status) { s.Out = paused().Out },
		"coming up":       func(s *status.Status) { s.Coming = nil },
		"lot gone":        func(s *status.Status) { s.Lots = s.Lots[1:] },
	} {
		s := night()
		if change(s); v.fingerprint(s) == before {
			t.Errorf("%s is no news", what)
		}
	}
	s := night()
	s.Now, s.Probes[0].Last.Value, s.Alarms[0].Detail = s.Now.Add(time.Second), 8.32, "11.3 L/min, setpoint 28 L/min"
	if v.fingerprint(s) != before {
		t.Error("a number alone is news")
	}
}
