package ledger

import (
	"context"
	"database/sql"
	"iter"
	"time"

	"weirkeeper/rules/reading"
)

// Span is the earliest and the latest At of the readings held; false if there
// are none.
func (l *Ledger) Span(ctx context.Context) (first, last time.Time, ok bool, err error) {
	// One look at either end of each probe, not at every reading.
	_, err = query(ctx, l, "read span", func(rows *sql.Rows) (struct{}, error) {
		var low, high sql.NullInt64
		err := rows.Scan(&low, &high)
		first, last, ok = fromMicros(low), fromMicros(high), low.Valid
		return struct{}{}, err
	}, `SELECT min(low), max(high) FROM (SELECT
		(SELECT at FROM readings WHERE probe = id ORDER BY at LIMIT 1) AS low,
		(SELECT at FROM readings WHERE probe = id ORDER BY at DESC LIMIT 1) AS high FROM probes)`)
	return first, last, ok, err
}

// Snapshot is the seq of the reading committed last, whether it is still held
// or has been dropped; 0 before the first. Readings committed later have a
// higher one.
func (l *Ledger) Snapshot(ctx context.Context) (int64, error) {
	all, err := query(ctx, l, "read snapshot", func(rows *sql.Rows) (seq int64, err error) {
		err = rows.Scan(&seq)
		return seq, err
	}, selectLastSeq)
	if err != nil {
		return 0, err
	}
	return all[0], nil
}

// PeriodProbes returns the probes with readings of from <= At < to among those
// of a snapshot, by name.
func (l *Ledger) PeriodProbes(ctx context.Context, from, to time.Time, snapshot int64) ([]reading.ProbeID, error) {
	return query(ctx, l, "read probes of a period", func(rows *sql.Rows) (name reading.ProbeID, err error) {
		err = rows.Scan(&name)
		return name, err
	}, `SELECT name FROM probes WHERE EXISTS (SELECT 1 FROM readings WHERE probe = id AND at >= ? AND at < ? AND seq <= ?) ORDER BY name`,
		from.UnixMicro(), to.UnixMicro(), snapshot)
}

// PeriodReadings yields the readings of a probe with from <= At < to among
// those of a snapshot, in order of At, and among equal ones in order of commit.
// An error ends it.
func (l *Ledger) PeriodReadings(ctx context.Context, probe reading.ProbeID, from, to time.Time, snapshot int64) iter.Seq2[reading.Reading, error] {
	return l.pages(ctx, row{at: from.UnixMicro()}, func(last row) ([]row, error) {
		return query(ctx, l, "read readings", rowScanner(), `SELECT `+rowColumns+` FROM readings
			WHERE probe = (SELECT id FROM probes WHERE name = ?) AND (at, seq) > (?, ?) AND at < ? AND seq <= ?
			ORDER BY at, seq LIMIT ?`, string(probe), last.at, last.seq, to.UnixMicro(), snapshot, pageRows)
	})
}

// dropRows is how many readings are dropped in one transaction.
const dropRows = 4096

// DropPeriod deletes the readings with from <= At < to among those of a
// snapshot and counts them. It does so in many transactions, between which
// others write; what is gone is gone for good even if it fails later, and
// calling it again goes on. A dropped reading that is committed again is stored
// as a new one.
// Errors: ErrBusy, ErrFull, ErrCorrupt, ctx's.
func (l *Ledger) DropPeriod(ctx context.Context, from, to time.Time, snapshot int64) (int, error) {
	const what = "drop a period"
	type part struct{ first, last int64 }
	dropped, at := 0, part{}
	for {
		// In order of commit: readings that came together lie in a page or
		// so of each probe, while those of one probe are strewn all over the
		// index by commit. That index holds At, so it alone is searched, and
		// before the write lock is taken.
		parts, err := query(ctx, l, what, func(rows *sql.Rows) (p part, err error) {
			err = rows.Scan(&p.first, &p.last)
			return p, err
		}, `SELECT coalesce(min(seq), 0), coalesce(max(seq), 0) FROM (SELECT seq FROM readings INDEXED BY readings_by_seq
			WHERE seq > ? AND seq <= ? AND at >= ? AND at < ? ORDER BY seq LIMIT ?)`,
			at.last, snapshot, from.UnixMicro(), to.UnixMicro(), dropRows)
		if err != nil {
			return dropped, err
		}
		if at = parts[0]; at.last == 0 {
			return dropped, nil
		}
		var n int64
		err = l.update(ctx, what, func(ctx context.Context) error {
			if _, err := l.write.ExecContext(ctx, `UPDATE dropped SET seq = (`+selectLastSeq+`)`); err != nil {
				return err
			}
			res, err := l.write.ExecContext(ctx, `DELETE FROM readings INDEXED BY readings_by_seq WHERE seq BETWEEN ? AND ? AND at >= ? AND at < ?`,
				at.first, at.last, from.UnixMicro(), to.UnixMicro())
			if err != nil {
				return err
			}
			n, err = res.RowsAffected()
			return err
		})
		if err != nil {
			return dropped, err
		}
		dropped += int(n)
	}
}

// CorrectClock moves the readings committed after sinceSeq that are flagged
// ClockUntrusted and not DeviceTimed, those that stand at the time of our own
// clock while it was wrong: At and ArrivedAt by so much, which may be negative.
// They are flagged ClockCorrected and no longer ClockUntrusted, and counted. All
// are moved or none. A reading is corrected once only, so repeating the call does
// nothing. Whatever else was committed after sinceSeq stays where it is.
//
// Where the probe has a reading of the same value at that very time already,
// the moved one comes the first free microsecond after it: none is lost.
//
// Readings that are being sealed, or have been, must not be among them: their
// wrong copy would stay in the sealed period.
// Errors: ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) CorrectClock(ctx context.Context, sinceSeq int64, by time.Duration) (int, error) {
	// Moved at once, a reading could meet one that has yet to move away. So
	// all first go where no time is, and from there to their places.
	const away = int64(1) << 61
	var moved int64
	err := l.update(ctx, "correct the clock", func(ctx context.Context) error {
		res, err := l.write.ExecContext(ctx, `UPDATE readings INDEXED BY readings_by_seq
			SET at = at + ?, arrived_at = arrived_at + ?, flags = (flags | ?) & ~?
			WHERE seq > ? AND flags & ? = ?`,
			away, by.Microseconds(), int64(reading.ClockCorrected), int64(reading.ClockUntrusted),
			sinceSeq, int64(reading.DeviceTimed|reading.ClockUntrusted), int64(reading.ClockUntrusted))
		if err != nil {
			return err
		}
		if moved, err = res.RowsAffected(); err != nil {
			return err
		}
		for shift, left := by.Microseconds(), moved; left > 0; shift++ {
			res, err := l.write.ExecContext(ctx, `UPDATE OR IGNORE readings INDEXED BY readings_by_seq SET at = at - ? + ?
				WHERE seq > ? AND at > ?`, away, shift, sinceSeq, away/2)
			if err != nil {
				return err
			}
			n, err := res.RowsAffected()
			if err != nil {
				return err
			}
			left -= n
		}
		// The order of commit stays, but the arrivals it leads to are others.
		_, err = l.write.ExecContext(ctx, `UPDATE arrival_blocks SET latest = coalesce(
			(SELECT max(arrived_at) FROM readings WHERE seq BETWEEN block * 1024 AND block * 1024 + 1023), latest)
			WHERE block >= ?`, sinceSeq/1024)
		return err
	})
	if err != nil {
		return 0, err
	}
	return int(moved), nil
}
