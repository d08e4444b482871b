// Historybench stores the readings that the benchmarks of ingest/series are
// run on in two other stores, both used as libraries in their usual way, and
// measures the same: bytes a sample, one probe's year in 1,000 buckets of least,
// mean and greatest value, one probe's day, and what opening takes.
//
//	cd .ci/historybench && go run . -dir /var/tmp/historybench
//
// The stores are plain SQLite (a table clustered by probe and time) and the
// library of the Prometheus TSDB (blocks of up to 31 days; its times are
// milliseconds, so it keeps less). Run it on an idle machine, by hand: it takes
// some minutes and 4 GB. Each measurement is the mean of several after one to
// warm up, on one core.
package main

import (
	"context"
	"database/sql"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"time"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb"
	"github.com/prometheus/prometheus/tsdb/chunkenc"
	_ "modernc.org/sqlite"
)

var start = time.Date(2029, time.January, 1, 0, 0, 0, 0, time.UTC)

type sample struct {
	at    time.Time
	value float64
}

// history is the generator of ingest/series/bench_test.go, to the bit.
func history(probe, month int) iter.Seq[sample] {
	return func(yield func(sample) bool) {
		rng := rand.New(rand.NewPCG(uint64(probe), uint64(month)))
		from := start.AddDate(0, month, 0)
		for t := from; t.Before(from.AddDate(0, 1, 0)); t = t.Add(time.Minute) {
			days := t.Sub(start).Hours() / 24
			v := 9 + 2*math.Sin(days*2*math.Pi/365.25) + 0.3*math.Sin(days*2*math.Pi) + 0.04*rng.NormFloat64()
			at := t.Add(100*time.Millisecond + time.Duration(20e6*rng.NormFloat64())).Truncate(time.Microsecond)
			if !yield(sample{at, math.Round(v*100) / 100}) {
				return
			}
		}
	}
}

// store is what is compared. sum goes through the samples of a probe with from
// <= time < to; buckets are of n equal parts of that time.
type store interface {
	append(ctx context.Context, probe, month int, samples iter.Seq[sample]) error
	// settle brings what was appended to where it stays.
	settle(ctx context.Context) error
	buckets(ctx context.Context, probe int, from, to time.Time, n int) (counted int, err error)
	day(ctx context.Context, probe int, from time.Time) (counted int, err error)
	Close() error
}

func main() {
	if err := run(context.Background(), os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "historybench:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, out io.Writer) error {
	dir := flag.String("dir", "", "folder for the stores; what is there is used")
	probes := flag.Int("probes", 100, "probes")
	months := flag.Int("months", 24, "months")
	only := flag.String("only", "", "sqlite or tsdb, or both")
	flag.Parse()
	if *dir == "" {
		return errors.New("-dir must name a folder")
	}
	runtime.GOMAXPROCS(2)
	for _, s := range []struct {
		name string
		open func(ctx context.Context, dir string) (store, error)
	}{{"sqlite", openSQLite}, {"tsdb", openTSDB}} {
		if *only != "" && *only != s.name {
			continue
		}
		if err := measure(ctx, out, s.name, filepath.Join(*dir, s.name), *probes, *months, s.open); err != nil {
			return fmt.Errorf("%s: %w", s.name, err)
		}
	}
	return nil
}

func measure(ctx context.Context, out io.Writer, name, dir string, probes, months int, open func(context.Context, string) (store, error)) error {
	done := filepath.Join(dir, "complete")
	samples := 0
	if _, err := os.Stat(done); err != nil {
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return err
		}
		s, err := open(ctx, dir)
		if err != nil {
			return err
		}
		began := time.Now()
		for month := range months {
			for probe := range probes {
				if err := s.append(ctx, probe, month, func(yield func(sample) bool) {
					for x := range history(probe, month) {
						samples++
						if !yield(x) {
							return
						}
					}
				}); err != nil {
					return err
				}
			}
			if err := s.settle(ctx); err != nil {
				return err
			}
		}
		took := time.Since(began)
		if err := s.Close(); err != nil {
			return err
		}
		fmt.Fprintf(out, "%s\twrite\t%.0f samples/s\n", name, float64(samples)/took.Seconds())
		if err := os.WriteFile(done, []byte(strconv.Itoa(samples)), 0o600); err != nil {
			return err
		}
	}
	b, err := os.ReadFile(done)
	if err != nil {
		return err
	}
	if samples, err = strconv.Atoi(string(b)); err != nil {
		return err
	}
	var bytes int64
	if err := filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err == nil {
			bytes += info.Size()
		}
		return err
	}); err != nil {
		return err
	}
	fmt.Fprintf(out, "%s\tsize\t%.2f B/sample of %d samples\n", name, float64(bytes)/float64(samples), samples)

	runtime.GOMAXPROCS(1)
	defer runtime.GOMAXPROCS(2)
	var s store
	if err := repeat(out, name, "open", 3, func(int) error {
		if s != nil {
			if err := s.Close(); err != nil {
				return err
			}
		}
		s, err = open(ctx, dir)
		return err
	}); err != nil {
		return err
	}
	from := start.AddDate(0, max(0, months-18), 0)
	if err := repeat(out, name, "year in 1,000 buckets", 10, func(i int) error {
		n, err := s.buckets(ctx, i%probes, from, from.AddDate(1, 0, 0), 1000)
		if err == nil && months >= 18 && n < 365*1440-10 {
			err = fmt.Errorf("%d samples in a year", n)
		}
		return err
	}); err != nil {
		return err
	}
	if err := repeat(out, name, "day", 50, func(i int) error {
		n, err := s.day(ctx, i%probes, start.AddDate(0, 0, i*37%(months*29)))
		if err == nil && (n < 1438 || n > 1442) {
			err = fmt.Errorf("%d samples in a day", n)
		}
		return err
	}); err != nil {
		return err
	}
	status, err := os.ReadFile("/proc/self/status")
	if err == nil {
		for line := range strings.Lines(string(status)) {
			if f := strings.Fields(line); len(f) == 3 && f[0] == "VmRSS:" {
				fmt.Fprintf(out, "%s\tresident\t%s kB\n", name, f[1])
			}
		}
	}
	return s.Close()
}

func repeat(out io.Writer, name, what string, n int, fn func(i int) error) error {
	if err := fn(0); err != nil {
		return err
	}
	began := time.Now()
	for i := range n {
		if err := fn(i + 1); err != nil {
			return err
		}
	}
	fmt.Fprintf(out, "%s\t%s\t%.1f ms\n", name, what, time.Since(began).Seconds()*1000/float64(n))
	return nil
}

type sqliteStore struct{ db *sql.DB }

func openSQLite(ctx context.Context, dir string) (store, error) {
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "history.db")+"?_pragma=journal_mode(WAL)&_pragma=synchronous(NORMAL)")
	if err != nil {
		return nil, err
	}
	_, err = db.ExecContext(ctx, `CREATE TABLE IF NOT EXISTS readings (
		probe INTEGER NOT NULL, at INTEGER NOT NULL, value REAL NOT NULL, PRIMARY KEY (probe, at)) STRICT, WITHOUT ROWID`)
	return &sqliteStore{db}, err
}

func (s *sqliteStore) append(ctx context.Context, probe, _ int, samples iter.Seq[sample]) error {
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }()
	insert, err := tx.PrepareContext(ctx, `INSERT INTO readings VALUES (?, ?, ?)`)
	if err != nil {
		return err
	}
	for x := range samples {
		if _, err := insert.ExecContext(ctx, probe, x.at.UnixMicro(), x.value); err != nil {
			return err
		}
	}
	return tx.Commit()
}

func (s *sqliteStore) settle(context.Context) error { return nil }

func (s *sqliteStore) buckets(ctx context.Context, probe int, from, to time.Time, n int) (int, error) {
	rows, err := s.db.QueryContext(ctx, `SELECT (at - ?1) * ?3 / (?2 - ?1) AS bucket, min(value), avg(value), max(value), count(*)
		FROM readings WHERE probe = ?4 AND at >= ?1 AND at < ?2 GROUP BY bucket`, from.UnixMicro(), to.UnixMicro(), n, probe)
	if err != nil {
		return 0, err
	}
	defer func() { _ = rows.Close() }()
	counted := 0
	for rows.Next() {
		var bucket, count int
		var least, mean, most float64
		if err := rows.Scan(&bucket, &least, &mean, &most, &count); err != nil {
			return 0, err
		}
		counted += count
	}
	return counted, rows.Err()
}

func (s *sqliteStore) day(ctx context.Context, probe int, from time.Time) (int, error) {
	rows, err := s.db.QueryContext(ctx, `SELECT at, value FROM readings WHERE probe = ? AND at >= ? AND at < ? ORDER BY at`,
		probe, from.UnixMicro(), from.AddDate(0, 0, 1).UnixMicro())
	if err != nil {
		return 0, err
	}
	defer func() { _ = rows.Close() }()
	n := 0
	for rows.Next() {
		var at int64
		var value float64
		if err := rows.Scan(&at, &value); err != nil {
			return 0, err
		}
		n++
	}
	return n, rows.Err()
}

func (s *sqliteStore) Close() error { return s.db.Close() }

// tsdbStore takes a month in order of time, as a store that follows the probes
// would get it: its blocks do not take old samples.
type tsdbStore struct {
	db      *tsdb.DB
	waiting []func() (sample, bool)
	stop    []func()
}

func openTSDB(_ context.Context, dir string) (store, error) {
	opt := tsdb.DefaultOptions()
	opt.RetentionDuration = (100 * 365 * 24 * time.Hour).Milliseconds()
	opt.MaxBlockDuration = (31 * 24 * time.Hour).Milliseconds()
	db, err := tsdb.Open(filepath.Join(dir, "db"), slog.New(slog.DiscardHandler), nil, opt, nil)
	return &tsdbStore{db: db}, err
}

func series(probe int) labels.Labels {
	return labels.FromStrings(labels.MetricName, "temperature", "probe", fmt.Sprintf("unit %d temperature", probe))
}

func (s *tsdbStore) append(_ context.Context, _, _ int, samples iter.Seq[sample]) error {
	next, stop := iter.Pull(samples)
	s.waiting, s.stop = append(s.waiting, next), append(s.stop, stop)
	return nil
}

func (s *tsdbStore) settle(ctx context.Context) error {
	refs := make([]storage.SeriesRef, len(s.waiting))
	for more := true; more; {
		app := s.db.Appender(ctx)
		for range 20 { // minutes
			for i, next := range s.waiting {
				x, is := next()
				if more = is; !is {
					continue
				}
				ref, err := app.Append(refs[i], series(i), x.at.UnixMilli(), x.value)
				if err != nil {
					return errors.Join(err, app.Rollback())
				}
				refs[i] = ref
			}
		}
		if err := app.Commit(); err != nil {
			return err
		}
	}
	for _, stop := range s.stop {
		stop()
	}
	s.waiting, s.stop = nil, nil
	return s.db.Compact(ctx)
}

func (s *tsdbStore) each(ctx context.Context, probe int, from, to time.Time, fn func(at int64, v float64)) (int, error) {
	q, err := s.db.Querier(from.UnixMilli(), to.UnixMilli()-1)
	if err != nil {
		return 0, err
	}
	defer func() { _ = q.Close() }()
	m, err := labels.NewMatcher(labels.MatchEqual, "probe", fmt.Sprintf("unit %d temperature", probe))
	if err != nil {
		return 0, err
	}
	n := 0
	set := q.Select(ctx, false, nil, m)
	for set.Next() {
		it := set.At().Iterator(nil)
		for it.Next() == chunkenc.ValFloat {
			at, v := it.At()
			fn(at, v)
			n++
		}
		if err := it.Err(); err != nil {
			return n, err
		}
	}
	return n, set.Err()
}

func (s *tsdbStore) buckets(ctx context.Context, probe int, from, to time.Time, n int) (int, error) {
	type bucket struct {
		least, mean, most float64
		count             int
	}
	all := make([]bucket, n)
	length := to.UnixMilli() - from.UnixMilli()
	return s.each(ctx, probe, from, to, func(at int64, v float64) {
		b := &all[(at-from.UnixMilli())*int64(n)/length]
		if b.count == 0 {
			b.least, b.most = v, v
		}
		b.count++
		b.least, b.most = min(b.least, v), max(b.most, v)
		b.mean += (v - b.mean) / float64(b.count)
	})
}

func (s *tsdbStore) day(ctx context.Context, probe int, from time.Time) (int, error) {
	return s.each(ctx, probe, from, from.AddDate(0, 0, 1), func(int64, float64) {})
}

func (s *tsdbStore) Close() error { return s.db.Close() }
