package daemon

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil/promlint"

	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/rules"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/site"
)

// TestMetricNames holds the name and help of every metric, those that nothing has
// moved yet too, against the conventions.
func TestMetricNames(t *testing.T) {
	reg := prometheus.NewPedanticRegistry()
	m := newMetrics(reg)
	for _, c := range []*prometheus.CounterVec{m.transitions, m.mail, m.heartbeats, m.answers} {
		c.WithLabelValues("a", "b")
	}
	m.reloads.WithLabelValues("a")
	m.horns.WithLabelValues("a")
	m.peers.WithLabelValues("a")
	newModemMetrics(reg)
	now := time.Date(2026, 11, 20, 3, 0, 0, 0, time.UTC)
	reg.MustRegister(&stateCollector{
		status: func() *status.Status {
			return &status.Status{Now: now, Probes: []rules.ProbeView{{Probe: &site.Probe{ID: "flow"}, Heard: true}}, Lots: []rules.LotView{{Lot: &book.Lot{ID: "2026-A"}}}}
		},
		now:    func() time.Time { return now },
		outbox: func(context.Context) (int, time.Time, error) { return 1, now, nil },
	})
	families, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	problems, err := promlint.NewWithMetricFamilies(families).Lint()
	if err != nil || len(problems) > 0 {
		t.Errorf("lint: %v %v", problems, err)
	}
	seen := make(map[string]bool)
	for _, f := range families {
		seen[f.GetName()] = true
		if !strings.HasSuffix(f.GetHelp(), ".") {
			t.Errorf("%s: help %q is no sentence", f.GetName(), f.GetHelp())
		}
	}
	// All that is described is there, so that the lint has seen it.
	ch := make(chan *prometheus.Desc, 256)
	reg.Describe(ch)
	close(ch)
	n := 0
	for range ch {
		n++
	}
	if n != len(seen) {
		t.Errorf("%d metrics described, %d linted", n, len(seen))
	}
}
