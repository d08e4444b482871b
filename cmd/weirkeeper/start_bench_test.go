package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/clock"
	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/reading"
)

// BenchmarkStart measures the start after a power cut on the two years of 100
// probes that the benchmarks of ingest/series make (see there): from nothing to
// connected and judging, with a lot of sixty days in every tenth unit and the
// last two days still in the ledger. It reports the resident memory then.
func BenchmarkStart(b *testing.B) {
	dir := os.Getenv("WEIRKEEPER_HISTORY")
	if dir == "" {
		b.Skip("WEIRKEEPER_HISTORY names no folder for two years of history")
	}
	end := time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC)
	data := b.TempDir()
	if err := os.Symlink(filepath.Join(dir, "series"), filepath.Join(data, daemon.SeriesFolder)); err != nil {
		b.Fatal(err)
	}
	var s strings.Builder
	fmt.Fprintf(&s, "site \"Years\" {\n  timezone = \"UTC\"\n}\nweb {\n  listen = \"127.0.0.1:0\"\n}\nbroker {\n  listen = \"127.0.0.1:0\"\n}\npaths {\n  data = %q\n}\n", data)
	l, err := ledger.Open(b.Context(), ledger.Options{Path: filepath.Join(data, daemon.LedgerFile), Now: func() time.Time { return end }, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		b.Fatal(err)
	}
	for i := range 100 {
		fmt.Fprintf(&s, "unit \"unit %d\" {\n  kind = \"trough\"\n}\nprobe \"unit %d temperature\" {\n  quantity = \"temperature\"\n  at = \"unit %d\"\n  topic = \"years/%d\"\n}\n", i, i, i, i)
		if i%10 == 0 {
			fmt.Fprintf(&s, "lot \"lot %d\" {\n  species = \"brook trout\"\n  egg_take = \"2030-11-02 00:00\"\n  eggs = 1000\n  unit = \"unit %d\"\n}\n", i, i)
		}
		var batch ledger.Batch
		for at := end.AddDate(0, 0, -2); at.Before(end); at = at.Add(time.Minute) {
			batch.Readings = append(batch.Readings, reading.Reading{Probe: reading.ProbeID(fmt.Sprintf("unit %d temperature", i)), At: at, ArrivedAt: at, Value: 9 + float64(at.Unix()%97)/100})
		}
		if _, err := l.Commit(b.Context(), batch); err != nil {
			b.Fatal(err)
		}
	}
	if err := l.Close(); err != nil {
		b.Fatal(err)
	}
	site := filepath.Join(b.TempDir(), "site.hcl")
	rules := filepath.Join(filepath.Dir(site), "rules.hcl")
	text := "temperature_drift \"all\" {\n  covers {\n    all = true\n  }\n  departure = \"1 degC\"\n  priority = \"morning\"\n  can_happen = \"x\"\n  to_do = \"x\"\n}\n"
	for name, content := range map[string]string{site: s.String(), rules: text} {
		if err := os.WriteFile(name, []byte(content), 0o600); err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		e, _, _ := testEnv()
		c, err := e.load(site, nil, end)
		if err != nil || c.diags.HasErrors() {
			b.Fatal(err, c.diags)
		}
		clk := clock.NewStepped(end)
		d, err := daemon.New(b.Context(), daemon.Options{Config: c.config, Program: c.program, Clock: clk, Log: slog.New(slog.DiscardHandler), Getenv: os.Getenv, ReadFile: os.ReadFile, Synced: func() bool { return true }})
		if err != nil {
			b.Fatal(err)
		}
		run := runInBackground(b, d)
		for d.Health() != "" {
			if err := clk.Advance(b.Context(), time.Second); err != nil {
				b.Fatal(err)
			}
		}
		b.StopTimer()
		b.ReportMetric(residentMB(b), "MB-resident")
		run()
		b.StartTimer()
	}
}

// runInBackground runs the daemon; the result stops it.
func runInBackground(b *testing.B, d *daemon.Daemon) (stop func()) {
	b.Helper()
	ctx, cancel := context.WithCancel(context.WithoutCancel(b.Context()))
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	return func() {
		cancel()
		if err := <-done; err != nil {
			b.Error(err)
		}
	}
}

// residentMB is the memory of this process that is in RAM.
func residentMB(b *testing.B) float64 {
	b.Helper()
	text, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		b.Fatal(err)
	}
	pages, err := strconv.Atoi(strings.Fields(string(text))[1])
	if err != nil {
		b.Fatal(err)
	}
	return float64(pages*os.Getpagesize()) / (1 << 20)
}
