package main

import (
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"time"
)

// The outside watcher is told that the daemon lives while it watches the water, not
// while it only runs: with its broker gone it is silent.
func TestHeartbeatOnlyWhileWatching(t *testing.T) {
	var pings atomic.Int64
	watcher := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/ping" {
			pings.Add(1)
		}
	}))
	defer watcher.Close()
	broker := newMosquitto(t)
	c := newCrew(t, crewOptions{
		external: "mqtt://127.0.0.1:" + broker.port,
		more:     "heartbeat \"outside\" {\n  url = \"" + watcher.URL + "/ping\"\n  every = \"1 min\"\n}",
	})
	before := pings.Load()
	c.advance(t, 5*time.Minute)
	eventually(t, "the watcher is told each minute", func() bool { return pings.Load() == before+5 })
	broker.stop(t)
	eventually(t, "the daemon notices", func() bool { return c.Health() == "no connection to the broker" })
	before = pings.Load()
	c.advance(t, 30*time.Minute)
	if n := pings.Load(); n != before {
		t.Errorf("%d pings from a daemon that watches nothing", n-before)
	}
	broker.start(t)
	eventually(t, "the daemon is connected again", func() bool { c.advance(t, time.Second); return c.Health() == "" })
	before = pings.Load()
	c.advance(t, 2*time.Minute)
	eventually(t, "the watcher is told again", func() bool { return pings.Load() >= before+2 })
}
