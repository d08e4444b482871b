package ledger_test

import (
	"fmt"
	"iter"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/rules/reading"
)

// series gives readings of so many probes in turn, 10 ms apart.
func series(probes int) func(n int) []reading.Reading {
	names := make([]reading.ProbeID, probes)
	for i := range names {
		names[i] = reading.ProbeID(fmt.Sprintf("trough-%d-temperature", i))
	}
	next := 0
	return func(n int) []reading.Reading {
		rs := make([]reading.Reading, n)
		for i := range rs {
			rs[i] = one(names[next%probes], time.Duration(next)*10*time.Millisecond, float64(next%997)/50)
			next++
		}
		return rs
	}
}

func BenchmarkCommit(b *testing.B) {
	for _, rows := range []int{1, 20, 600} {
		b.Run(fmt.Sprintf("rows=%d", rows), func(b *testing.B) {
			l := ledgertest.MustOpen(b)
			next := series(1000)
			commit(b, l, ledger.Batch{Readings: next(100_000)})
			for b.Loop() {
				commit(b, l, ledger.Batch{Readings: next(rows)})
			}
			b.ReportMetric(float64(rows*b.N)/b.Elapsed().Seconds(), "rows/s")
		})
	}
}

func count(b *testing.B, seq iter.Seq2[reading.Reading, error]) (n int) {
	b.Helper()
	for _, err := range seq {
		if err != nil {
			b.Fatal(err)
		}
		n++
	}
	return n
}

func BenchmarkRange(b *testing.B) {
	l := ledgertest.MustOpen(b)
	const probes, each = 20, 10_000
	commit(b, l, ledger.Batch{Readings: series(probes)(probes * each)})
	b.Run("probe", func(b *testing.B) {
		for b.Loop() {
			if n := count(b, l.Readings(b.Context(), "trough-7-temperature", at(0), at(24*time.Hour))); n != each {
				b.Fatalf("%d rows, want %d", n, each)
			}
		}
		b.ReportMetric(float64(each*b.N)/b.Elapsed().Seconds(), "rows/s")
	})
	b.Run("arrival", func(b *testing.B) {
		const half = probes * each / 2
		for b.Loop() {
			if n := count(b, l.ReadingsByArrival(b.Context(), at(half*10*time.Millisecond))); n != half {
				b.Fatalf("%d rows, want %d", n, half)
			}
		}
		b.ReportMetric(float64(half*b.N)/b.Elapsed().Seconds(), "rows/s")
	})
}
