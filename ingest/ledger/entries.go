package ledger

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"weirkeeper/rules/lot/book"
)

const insertLotEntry = `INSERT INTO lot_entries (seq, id, body, lot, kind, at, recorded_at, by_whom, corrects)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, nullif(?, 0)) ON CONFLICT DO NOTHING`

// LotEntries returns the whole record of the lots, in order of Seq. Times are
// UTC and cut off to microseconds; all else is as it was committed.
func (l *Ledger) LotEntries(ctx context.Context) ([]book.Entry, error) {
	return query(ctx, l, "read lot entries", scanBody[book.Entry]("entry"), `SELECT seq, body FROM lot_entries ORDER BY seq`)
}

// scanBody reads rows of a number and a JSON body. A field that this program does
// not know is an error: what is not understood would be missing in the fold.
func scanBody[T any](what string) func(*sql.Rows) (T, error) {
	return func(rows *sql.Rows) (v T, err error) {
		var seq int64
		var body []byte
		if err := rows.Scan(&seq, &body); err != nil {
			return v, err
		}
		d := json.NewDecoder(bytes.NewReader(body))
		d.DisallowUnknownFields()
		if err := d.Decode(&v); err != nil {
			return v, fmt.Errorf("%s %d: %w; if a newer weirkeeper wrote it, run that version", what, seq, err)
		}
		return v, nil
	}
}

// LastLotSeq is the highest Seq in the record of the lots, 0 before the first.
// The next entry's is one more.
func (l *Ledger) LastLotSeq(ctx context.Context) (int64, error) {
	all, err := query(ctx, l, "read the last lot entry", func(rows *sql.Rows) (seq int64, err error) {
		err = rows.Scan(&seq)
		return seq, err
	}, `SELECT coalesce(max(seq), 0) FROM lot_entries`)
	if err != nil {
		return 0, err
	}
	return all[0], nil
}

func (l *Ledger) storeLotEntry(ctx context.Context, e book.Entry) error {
	if e.Seq < 1 || e.ID == "" {
		return errors.New("it needs an ID and a number from 1")
	}
	e.At, e.RecordedAt = toMicros(e.At), toMicros(e.RecordedAt)
	if e.Open != nil {
		open := *e.Open
		open.EggTake = toMicros(open.EggTake)
		e.Open = &open
	}
	body, err := json.Marshal(e)
	if err != nil {
		return err
	}
	res, err := l.stmts.lotEntry.ExecContext(ctx, e.Seq, e.ID, string(body), e.Lot, string(e.Kind), micros(e.At), micros(e.RecordedAt), e.By, e.Corrects)
	if err != nil {
		return err
	}
	if n, err := res.RowsAffected(); err != nil || n > 0 {
		return err
	}
	// There is one with its ID, or with its number alone.
	var same bool
	err = l.write.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM lot_entries WHERE id = ?)`, e.ID).Scan(&same)
	if err == nil && !same {
		err = ErrNumberTaken
	}
	return err
}

// toMicros is a time as it is stored.
func toMicros(t time.Time) time.Time { return fromMicros(micros(t)) }
