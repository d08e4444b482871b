package ledger

import (
	"context"
	"database/sql"
	"time"
)

// Since is when the record began: when the file was made, by the clock of then.
func (l *Ledger) Since(ctx context.Context) (time.Time, error) {
	all, err := query(ctx, l, "read when the record began", func(rows *sql.Rows) (t time.Time, err error) {
		var at sql.NullInt64
		err = rows.Scan(&at)
		return fromMicros(at), err
	}, `SELECT min(applied_at) FROM migrations`)
	if err != nil {
		return time.Time{}, err
	}
	return all[0], nil
}
