package ledger

import (
	"context"
	"encoding/json"
	"errors"
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
	return query(ctx, l, "read acts", scanBody[act.Act]("act"),
		`SELECT seq, body FROM acts WHERE at >= ? OR kind IN (SELECT value FROM json_each(?)) ORDER BY seq`, since.UnixMicro(), string(kinds))
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
