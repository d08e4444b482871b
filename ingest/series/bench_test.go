package series_test

import (
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/ingest/series"
	"weirkeeper/rules/reading"
)

// The benchmarks work on two years of 100 probes at one reading a minute, 105
// million readings, which take 1.2 GB and some minutes to make. They are made in
// the folder named by this variable and found there the next time:
//
//	WEIRKEEPER_HISTORY=/var/tmp/history go test -run '^$' -bench . -benchtime 5x ./ingest/series
const historyVariable = "WEIRKEEPER_HISTORY"

const (
	historyProbes = 100
	historyMonths = 24
)

var historyStart = time.Date(2029, time.January, 1, 0, 0, 0, 0, time.UTC)

func historyProbe(i int) reading.ProbeID {
	return reading.ProbeID(fmt.Sprintf("unit %d temperature", i))
}

// history gives a month of one probe: a reading a minute that arrives some 20 ms
// off its time, to the microsecond, and whose value has two decimals and moves
// with season, day and noise, so that nine in ten differ from the one before. Not
// from any record; harder to compress than most probes, which time themselves
// or have fewer digits. The same probe and month always give the same.
func history(probe, month int) iter.Seq[reading.Reading] {
	return func(yield func(reading.Reading) bool) {
		rng := rand.New(rand.NewPCG(uint64(probe), uint64(month)))
		from := historyStart.AddDate(0, month, 0)
		id := historyProbe(probe)
		for t := from; t.Before(from.AddDate(0, 1, 0)); t = t.Add(time.Minute) {
			days := t.Sub(historyStart).Hours() / 24
			v := 9 + 2*math.Sin(days*2*math.Pi/365.25) + 0.3*math.Sin(days*2*math.Pi) + 0.04*rng.NormFloat64()
			at := t.Add(100*time.Millisecond + time.Duration(20e6*rng.NormFloat64())).Truncate(time.Microsecond)
			if !yield(reading.Reading{Probe: id, At: at, ArrivedAt: at, Value: math.Round(v*100) / 100}) {
				return
			}
		}
	}
}

func historyDir(b *testing.B) string {
	b.Helper()
	dir := os.Getenv(historyVariable)
	if dir == "" {
		b.Skipf("%s names no folder for two years of history", historyVariable)
	}
	return dir
}

// openHistory opens the two years, which it makes if they are not there.
func openHistory(b *testing.B) (*series.Store, series.Options) {
	b.Helper()
	dir := filepath.Join(historyDir(b), "series")
	var probes []reading.ProbeID
	number := make(map[reading.ProbeID]int)
	for i := range historyProbes {
		probes = append(probes, historyProbe(i))
		number[historyProbe(i)] = i
	}
	for month := range historyMonths {
		from := historyStart.AddDate(0, month, 0)
		if _, err := os.Stat(filepath.Join(dir, from.Format("2006-01"), "period.json")); err == nil {
			continue
		}
		ok(b, series.WritePeriod(dir, series.Month, from, probes, func(probe reading.ProbeID) iter.Seq[reading.Reading] {
			return history(number[probe], month)
		}))
	}
	opt := options(dir, ledgertest.MustOpen(b))
	opt.Period = series.Month
	s, err := series.Open(b.Context(), opt)
	ok(b, err)
	if n := len(s.Periods()); n != historyMonths {
		b.Fatalf("%d periods, want %d", n, historyMonths)
	}
	return s, opt
}

// resident is this process's memory: now and the most there ever was, MB.
func resident(b *testing.B) (now, most float64) {
	b.Helper()
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0, 0
	}
	for line := range strings.Lines(string(status)) {
		f := strings.Fields(line)
		if len(f) == 3 && (f[0] == "VmRSS:" || f[0] == "VmHWM:") {
			kb, err := strconv.ParseFloat(f[1], 64)
			ok(b, err)
			if f[0] == "VmRSS:" {
				now = kb / 1024
			} else {
				most = kb / 1024
			}
		}
	}
	return now, most
}

// Bytes a sample, and what a start costs.
func BenchmarkOpen(b *testing.B) {
	s, opt := openHistory(b)
	rows, bytes := 0, int64(0)
	for _, p := range s.Periods() {
		rows += p.Readings
		bytes += p.Bytes
	}
	for b.Loop() {
		_, err := series.Open(b.Context(), opt)
		ok(b, err)
	}
	b.ReportMetric(float64(bytes)/float64(rows), "B/sample")
	b.ReportMetric(float64(rows), "samples")
	now, _ := resident(b)
	b.ReportMetric(now, "MB-resident")
}

func BenchmarkYear(b *testing.B) {
	s, _ := openHistory(b)
	from := historyStart.AddDate(0, 6, 0)
	i := 0
	for b.Loop() {
		buckets, err := s.Buckets(b.Context(), historyProbe(i%historyProbes), from, from.AddDate(1, 0, 0), 1000)
		ok(b, err)
		if n := buckets[500].Count; n < 500 {
			b.Fatalf("%d readings in a bucket", n)
		}
		i++
	}
	now, _ := resident(b)
	b.ReportMetric(now, "MB-resident")
}

func BenchmarkDay(b *testing.B) {
	s, _ := openHistory(b)
	i := 0
	for b.Loop() {
		from := historyStart.AddDate(0, 0, i*37%700)
		n := 0
		for _, err := range s.Readings(b.Context(), historyProbe(i%historyProbes), from, from.AddDate(0, 0, 1)) {
			ok(b, err)
			n++
		}
		if n < 1438 || n > 1442 {
			b.Fatalf("%d readings in a day", n)
		}
		i++
	}
}

// Sealing a month of 100 probes from a real ledger, the verification in another
// process included, and dropping it from the ledger.
func BenchmarkSealMonth(b *testing.B) {
	dir := historyDir(b)
	for b.Loop() {
		b.StopTimer()
		path := filepath.Join(dir, "month.db")
		l := ledgertest.MustOpenAt(b, path)
		rows := 0
		var all [historyProbes]func() (reading.Reading, bool)
		for i := range all {
			next, stop := iter.Pull(history(i, 0))
			defer stop()
			all[i] = next
		}
		for more := true; more; {
			var batch ledger.Batch
			for range 20 {
				for _, next := range all {
					r, is := next()
					if more = is; is {
						batch.Readings = append(batch.Readings, r)
					}
				}
			}
			_, err := l.Commit(b.Context(), batch)
			ok(b, err)
			rows += len(batch.Readings)
		}
		opt := options(b.TempDir(), l)
		opt.Period, opt.Verify = series.Month, child(b)
		s, err := series.Open(b.Context(), opt)
		ok(b, err)
		b.StartTimer()
		start := b.Elapsed()
		rep, err := s.Maintain(b.Context(), historyStart.AddDate(0, 2, 0))
		ok(b, err)
		b.StopTimer()
		if rep.Dropped != rows {
			b.Fatalf("sealed %d readings of %d", rep.Dropped, rows)
		}
		_, most := resident(b)
		b.ReportMetric(most, "MB-most")
		b.ReportMetric(float64(rows)/(b.Elapsed()-start).Seconds(), "samples/s")
		ok(b, l.Close())
		for _, suffix := range []string{"", "-wal", "-shm"} {
			if err := os.Remove(path + suffix); err != nil && !os.IsNotExist(err) {
				b.Fatal(err)
			}
		}
		b.StartTimer()
	}
}
