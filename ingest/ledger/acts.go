package ledger

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"weirkeeper/rules/act"
)

const insertAct = `INSERT INTO acts (id, body, kind, at, by_whom, alarm, unit)
VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING`

// Acts returns the acts with At >= since, and those of the kinds in always
// whenever they were, in order of commit. Times are UTC and cut off to
// microseconds.
func (l *Ledger) Acts(ctx context.Context, since time.Time, always ...act.Kind) ([]act.Act, error) {
	kinds, err := json.Marshal(append([]act.Kind{}, always...))
	if err != nil {
		return nil, err
	}
	return query(ctx, l, "read acts", func(rows *sql.Rows) (a act.Act, err error) {
		var seq int64
		var body []byte
		if err := rows.Scan(&seq, &body); err != nil {
			return a, err
		}
		d := json.NewDecoder(bytes.NewReader(body))
		d.DisallowUnknownFields() // what is not understood would be missing in the fold
		if err := d.Decode(&a); err != nil {
			return a, fmt.Errorf("act %d: %w; if a newer weirkeeper wrote it, run that version", seq, err)
		}
		return a, nil
	}, `SELECT seq, body FROM acts WHERE at >= ? OR kind IN (SELECT value FROM json_each(?)) ORDER BY seq`, since.UnixMicro(), string(kinds))
}

func (l *Ledger) storeAct(ctx context.Context, a act.Act) error {
	if a.ID == "" {
		return errors.New("it needs an ID")
	}
	a.At, a.Until = toMicros(a.At), toMicros(a.Until)
	body, err := json.Marshal(a)
	if err != nil {
		return err
	}
	_, err = l.stmts.act.ExecContext(ctx, a.ID, string(body), string(a.Kind), micros(a.At), a.By, string(a.Alarm), a.Unit)
	return err
}
