package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"weirkeeper/rules/lot"
)

// PutLots records the lots of the site file. One that was there before and is
// not in lots stays in the record, marked withdrawn; one that comes back is
// unmarked.
// Errors: ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) PutLots(ctx context.Context, lots []lot.Lot) error {
	return l.update(ctx, "put lots", func(ctx context.Context) error {
		now := micros(l.now())
		ids := make([]string, len(lots))
		for i, lt := range lots {
			ids[i] = lt.ID
			spec, err := json.Marshal(lt)
			if err != nil {
				return fmt.Errorf("lot %q: %w", lt.ID, err)
			}
			if _, err := l.write.ExecContext(ctx, `INSERT INTO lots (id, spec, updated_at) VALUES (?, ?, ?)
				ON CONFLICT (id) DO UPDATE SET spec = excluded.spec, updated_at = excluded.updated_at, withdrawn_at = NULL
				WHERE spec <> excluded.spec OR withdrawn_at IS NOT NULL`, lt.ID, string(spec), now); err != nil {
				return fmt.Errorf("lot %q: %w", lt.ID, err)
			}
		}
		kept, err := json.Marshal(ids)
		if err != nil {
			return err
		}
		_, err = l.write.ExecContext(ctx, `UPDATE lots SET withdrawn_at = ?
			WHERE withdrawn_at IS NULL AND id NOT IN (SELECT value FROM json_each(?))`, now, string(kept))
		return err
	})
}

// Lots returns the lots of the site file last put, by ID.
func (l *Ledger) Lots(ctx context.Context) ([]lot.Lot, error) {
	return query(ctx, l, "read lots", scanLot, `SELECT spec FROM lots WHERE withdrawn_at IS NULL ORDER BY id`)
}

// WithdrawnLots returns the lots that have vanished from the site file, as they
// last were, by ID.
func (l *Ledger) WithdrawnLots(ctx context.Context) ([]lot.Lot, error) {
	return query(ctx, l, "read withdrawn lots", scanLot, `SELECT spec FROM lots WHERE withdrawn_at IS NOT NULL ORDER BY id`)
}

func scanLot(rows *sql.Rows) (lt lot.Lot, err error) {
	var spec []byte
	if err := rows.Scan(&spec); err != nil {
		return lt, err
	}
	return lt, json.Unmarshal(spec, &lt)
}
