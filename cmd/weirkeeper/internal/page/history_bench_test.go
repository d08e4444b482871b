package page

import (
	"log/slog"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/ingest/series"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
)

// BenchmarkYearPlot is a year of one probe at a reading a minute, sealed by
// months, as data for the plot and as a whole page. Beside them is what they rest
// on: the readings alone, and the same sums over readings that are in memory.
func BenchmarkYearPlot(b *testing.B) {
	s := rulestest.Site()
	l := ledgertest.MustOpen(b)
	end := time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
	rng := rand.New(rand.NewPCG(1, 2))
	var all []reading.Reading
	var batch ledger.Batch
	flush := func() {
		if _, err := l.Commit(b.Context(), batch); err != nil {
			b.Fatal(err)
		}
		batch = ledger.Batch{}
	}
	for at := end.AddDate(-1, 0, 0); at.Before(end); at = at.Add(time.Minute) {
		days := at.Sub(end).Hours() / 24
		v := 9 + 2*math.Sin(days*2*math.Pi/365.25) + 0.3*math.Sin(days*2*math.Pi) + 0.04*rng.NormFloat64()
		r := rulestest.Reading("spring temperature", at.Add(100*time.Millisecond+time.Duration(20e6*rng.NormFloat64())).Truncate(time.Microsecond), math.Round(v*100)/100)
		all, batch.Readings = append(all, r), append(batch.Readings, r)
		if len(batch.Readings) == 20_000 {
			flush()
		}
	}
	flush()
	now := func() time.Time { return end.AddDate(0, 0, 3) }
	st, err := series.Open(b.Context(), series.Options{Dir: b.TempDir(), Period: series.Month, Ledger: l, Verify: series.VerifyDir, Now: now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		b.Fatal(err)
	}
	rep, err := st.Maintain(b.Context(), now())
	if err != nil || len(rep.Sealed) != 12 {
		b.Fatalf("sealed %v: %v", rep.Sealed, err)
	}
	h := NewHistory(HistoryOptions{Site: s, Past: st, Record: l, Now: now, Status: func() *status.Status { return nil }, Log: slog.New(slog.DiscardHandler)})
	from := end.AddDate(-1, 0, 0)
	ask := "probe=spring+temperature&from=2025-11-01&to=2026-11-01"
	served := h.Mount(Static())
	get := func(b *testing.B, target string) {
		b.Helper()
		for b.Loop() {
			w := httptest.NewRecorder()
			r := httptest.NewRequestWithContext(b.Context(), http.MethodGet, target, nil)
			r.Header.Set("Accept-Encoding", "gzip")
			if served.ServeHTTP(w, r); w.Code != http.StatusOK {
				b.Fatal(w.Code, w.Body)
			}
			b.ReportMetric(float64(w.Body.Len()), "B/answer")
		}
	}
	b.Run("json", func(b *testing.B) { get(b, "/history.json?n=1000&"+ask) })
	b.Run("page", func(b *testing.B) { get(b, "/history?"+ask) })
	b.Run("readings", func(b *testing.B) {
		for b.Loop() {
			n := 0
			for _, err := range st.Readings(b.Context(), "spring temperature", from, end) {
				if err != nil {
					b.Fatal(err)
				}
				n++
			}
			if n < 525_000 {
				b.Fatal(n)
			}
		}
	})
	b.Run("memory", func(b *testing.B) {
		for b.Loop() {
			var buckets [1000]series.Bucket
			for _, r := range all {
				k := &buckets[min(999, max(0, int(1000*r.At.Sub(from).Seconds()/end.Sub(from).Seconds())))]
				k.Count++
				k.Min, k.Max = min(k.Min, r.Value), max(k.Max, r.Value)
				k.Mean += (r.Value - k.Mean) / float64(k.Count)
			}
		}
	})
}
