package ledger

import (
	"context"
	"database/sql"
	"time"

	"weirkeeper/rules/alarm"
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

// JournalSince returns the transitions with At >= since in order of commit,
// which is the order they happened in even where the clock was set back.
func (l *Ledger) JournalSince(ctx context.Context, since time.Time) ([]alarm.Transition, error) {
	rows, err := query(ctx, l, "read journal", scanTransition, selectTransitions+`WHERE t.at >= ? ORDER BY t.seq`, since.UnixMicro())
	if err != nil {
		return nil, err
	}
	all := make([]alarm.Transition, len(rows))
	for i, r := range rows {
		all[i] = r.Transition
	}
	return all, nil
}
