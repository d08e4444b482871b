package ledger

import (
	"context"
	"database/sql"
	"iter"
	"math"
	"time"

	"weirkeeper/rules/reading"
)

// Why readings are clustered by probe and time, with an index by order of
// commit, and not appended with an index by probe: both were measured with the
// settings in ledger.go, on ext4 on a virtual disk, 2 busy cores, Go 1.26.8. Times
// are give or take a quarter; bytes are exact. Writing is 1,000 probes in turn on
// top of 300,000 rows, and counts the log and the file; reading is 2,000,000 rows
// of 100 probes.
//
//	                      clustered                 appended
//	on disk               85 B a row                75 B a row
//	commit of 1 row       0.3 ms, 10,900 B          0.3 ms, 9,850 B
//	commit of 20 rows     0.6 ms, 8,750 B a row     0.6 ms, 7,900 B a row
//	commit of 600 rows    12 ms, 8,010 B a row      11 ms, 7,320 B a row
//	history of a probe    800,000 rows/s, 48 B      220,000 rows/s, 4,137 B a row
//	all by arrival        700,000 rows/s, 80 B      1,400,000 rows/s, 43 B a row
//
// Writing costs much the same, since either way a reading dirties a page of its
// own in the order by probe. But a probe's history, from which thermal units are
// reckoned, takes one page read for each row where rows are appended, and on an
// SD card that is minutes for a lot. An index by arrival would add 20 B on disk a
// row and a page to each commit; arrival_blocks adds next to nothing.

// pageRows is how many rows are fetched at once. Nothing is held open between
// two pages, so a slow caller holds up neither the log nor another reader.
const pageRows = 1024

// row is a reading as stored.
type row struct {
	seq, probe, at int64
	reading        reading.Reading // Probe is not filled in
}

// negativeZero marks, among the flags, a value that SQLite would give back
// without its sign.
const negativeZero = 1 << 16

const rowColumns = `seq, probe, at, value, device_at, arrived_at, flags, mid`

// rowScanner returns a function that reads rowColumns. Scanning into any is the
// one way in which database/sql just hands over the value; the strict columns
// vouch for the types.
func rowScanner() func(*sql.Rows) (row, error) {
	var v [8]any
	var dest [8]any
	for i := range v {
		dest[i] = &v[i]
	}
	number := func(i int) int64 {
		n, _ := v[i].(int64)
		return n
	}
	return func(rows *sql.Rows) (r row, err error) {
		if err := rows.Scan(dest[:]...); err != nil {
			return r, err
		}
		r.seq, r.probe, r.at = number(0), number(1), number(2)
		r.reading.At = time.UnixMicro(r.at).UTC()
		r.reading.Value, _ = v[3].(float64)
		if number(6)&negativeZero != 0 {
			r.reading.Value = math.Copysign(0, -1)
		}
		if v[4] != nil {
			r.reading.DeviceAt = time.UnixMicro(number(4)).UTC()
		}
		r.reading.ArrivedAt = time.UnixMicro(number(5)).UTC()
		r.reading.Flags, r.reading.MID = reading.Flags(number(6)), uint16(number(7))
		return r, nil
	}
}

// Readings yields the readings of a probe with from <= At < to, in order of At,
// and among equal ones in order of commit. An error ends it. What is committed
// meanwhile may or may not be among them.
func (l *Ledger) Readings(ctx context.Context, probe reading.ProbeID, from, to time.Time) iter.Seq2[reading.Reading, error] {
	return l.PeriodReadings(ctx, probe, from, to, math.MaxInt64)
}

// ReadingsByArrival yields the readings of all probes with ArrivedAt >= since,
// in the order in which they were committed. An error ends it. What is committed
// meanwhile comes last.
func (l *Ledger) ReadingsByArrival(ctx context.Context, since time.Time) iter.Seq2[reading.Reading, error] {
	return func(yield func(reading.Reading, error) bool) {
		// Nothing that arrived so late lies before the first full block
		// that has some, or else before the block not yet full. A clock
		// that was set back makes no difference to that.
		starts, err := query(ctx, l, "find arrivals", func(rows *sql.Rows) (seq int64, err error) {
			err = rows.Scan(&seq)
			return seq, err
		}, `SELECT coalesce(
				(SELECT block * 1024 FROM arrival_blocks WHERE latest >= ? ORDER BY block LIMIT 1),
				(SELECT (max(block) + 1) * 1024 FROM arrival_blocks), 0)`, since.UnixMicro())
		if err != nil {
			yield(reading.Reading{}, err)
			return
		}
		l.pages(ctx, row{seq: starts[0] - 1}, func(last row) ([]row, error) {
			return query(ctx, l, "read arrivals", rowScanner(), `SELECT `+rowColumns+` FROM readings
				WHERE seq > ? AND arrived_at >= ? ORDER BY seq LIMIT ?`, last.seq, since.UnixMicro(), pageRows)
		})(yield)
	}
}

// pages yields the readings of page after page; next fetches what follows a row.
func (l *Ledger) pages(ctx context.Context, last row, next func(last row) ([]row, error)) iter.Seq2[reading.Reading, error] {
	names := make(map[int64]reading.ProbeID)
	return paged(last, func(last row) ([]row, error) {
		rows, err := next(last)
		if err == nil {
			err = l.named(ctx, rows, names)
		}
		return rows, err
	}, func(r row) reading.Reading { return r.reading })
}

// paged yields the values of rows in pages of pageRows; next fetches the page
// that follows a row.
func paged[R, T any](last R, next func(last R) ([]R, error), value func(R) T) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for last := last; ; {
			rows, err := next(last)
			if err != nil {
				var none T
				yield(none, err)
				return
			}
			for _, r := range rows {
				if !yield(value(r), nil) {
					return
				}
			}
			if len(rows) < pageRows {
				return
			}
			last = rows[len(rows)-1]
		}
	}
}

// gather collects what seq yields, up to the first error.
func gather[T any](seq iter.Seq2[T, error]) ([]T, error) {
	var all []T
	for v, err := range seq {
		if err != nil {
			return nil, err
		}
		all = append(all, v)
	}
	return all, nil
}

// named fills in the names of the probes; names holds those known so far.
func (l *Ledger) named(ctx context.Context, rows []row, names map[int64]reading.ProbeID) error {
	for i, r := range rows {
		name, known := names[r.probe]
		if !known {
			if err := l.probeNames(ctx, names); err != nil {
				return err
			}
			name = names[r.probe]
		}
		rows[i].reading.Probe = name
	}
	return nil
}

func (l *Ledger) probeNames(ctx context.Context, names map[int64]reading.ProbeID) error {
	_, err := query(ctx, l, "read probes", func(rows *sql.Rows) (struct{}, error) {
		var id int64
		var name reading.ProbeID
		err := rows.Scan(&id, &name)
		names[id] = name
		return struct{}{}, err
	}, `SELECT id, name FROM probes`)
	return err
}

// LatestArrival is the arrival of the reading committed last; false if there is
// none. After the clock was set back it is not the greatest one.
func (l *Ledger) LatestArrival(ctx context.Context) (time.Time, bool, error) {
	rows, err := query(ctx, l, "read latest arrival", rowScanner(), `SELECT `+rowColumns+` FROM readings ORDER BY seq DESC LIMIT 1`)
	if err != nil || len(rows) == 0 {
		return time.Time{}, false, err
	}
	return rows[0].reading.ArrivedAt, true, nil
}

// InFlight returns the last limit readings that came under an MQTT packet
// identifier, newest first. After a crash they tell which redelivered messages
// are in the record. It looks no further back than 65,536 rows: there are no
// more identifiers than that.
func (l *Ledger) InFlight(ctx context.Context, limit int) ([]reading.Reading, error) {
	rows, err := query(ctx, l, "read in flight", rowScanner(), `SELECT `+rowColumns+` FROM readings
		WHERE mid <> 0 AND seq > (SELECT max(seq) FROM readings) - ? ORDER BY seq DESC LIMIT ?`, math.MaxUint16+1, limit)
	if err == nil {
		err = l.named(ctx, rows, make(map[int64]reading.ProbeID))
	}
	if err != nil {
		return nil, err
	}
	in := make([]reading.Reading, len(rows))
	for i, r := range rows {
		in[i] = r.reading
	}
	return in, nil
}

// CountReadings counts the readings of each probe that has any. It goes through
// all of them.
func (l *Ledger) CountReadings(ctx context.Context) (map[reading.ProbeID]int, error) {
	counts := make(map[reading.ProbeID]int)
	_, err := query(ctx, l, "count readings", func(rows *sql.Rows) (struct{}, error) {
		var name reading.ProbeID
		var n int
		err := rows.Scan(&name, &n)
		counts[name] = n
		return struct{}{}, err
	}, `SELECT p.name, c.n FROM (SELECT probe, count(*) AS n FROM readings GROUP BY probe) AS c JOIN probes AS p ON p.id = c.probe`)
	return counts, err
}
