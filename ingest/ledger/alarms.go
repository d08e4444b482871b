package ledger

import (
	"context"
	"database/sql"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/site"
)

const selectTransitions = `SELECT t.key, t.kind, t.occurrence, t.from_state, t.to_state, t.at, t.since, t.priority,
	t.rule, t.rule_at, t.unit, t.probe, t.trouble, t.detail, t.can_happen, t.to_do, t.by_whom FROM transitions AS t `

func scanTransition(rows *sql.Rows) (t alarm.Transition, err error) {
	var from, to, priority []byte
	var at, since sql.NullInt64
	if err := rows.Scan(&t.Key, &t.Kind, &t.Occurrence, &from, &to, &at, &since, &priority,
		&t.Rule, &t.RuleAt, &t.Unit, &t.Probe, &t.Trouble, &t.Detail, &t.CanHappen, &t.ToDo, &t.By); err != nil {
		return t, err
	}
	t.At, t.Since = fromMicros(at), fromMicros(since)
	if err := t.From.UnmarshalText(from); err != nil {
		return t, err
	}
	if err := t.To.UnmarshalText(to); err != nil {
		return t, err
	}
	return t, t.Priority.UnmarshalText(priority)
}

// Standing returns the last transition of every alarm that is not normal, in
// the order in which they were committed.
func (l *Ledger) Standing(ctx context.Context) ([]alarm.Transition, error) {
	return query(ctx, l, "read standing alarms", scanTransition,
		selectTransitions+`JOIN alarms AS a ON a.latest = t.seq WHERE t.to_state <> ? ORDER BY t.seq`, alarm.Normal.String())
}

// LastOccurrences returns the highest occurrence of every alarm there ever was.
func (l *Ledger) LastOccurrences(ctx context.Context) (map[alarm.Key]uint64, error) {
	last := make(map[alarm.Key]uint64)
	_, err := query(ctx, l, "read occurrences", func(rows *sql.Rows) (struct{}, error) {
		var key alarm.Key
		var n uint64
		err := rows.Scan(&key, &n)
		last[key] = n
		return struct{}{}, err
	}, `SELECT key, occurrence FROM alarms`)
	return last, err
}

// Journal returns the transitions with from <= At < to, in order of At, and
// among equal ones in order of commit.
func (l *Ledger) Journal(ctx context.Context, from, to time.Time) ([]alarm.Transition, error) {
	return query(ctx, l, "read journal", scanTransition,
		selectTransitions+`WHERE t.at >= ? AND t.at < ? ORDER BY t.at, t.seq`, from.UnixMicro(), to.UnixMicro())
}

// ChoresDone returns the chores done at or after since, in order of time.
func (l *Ledger) ChoresDone(ctx context.Context, since time.Time) ([]site.ChoreDone, error) {
	return query(ctx, l, "read chores", func(rows *sql.Rows) (c site.ChoreDone, err error) {
		var at sql.NullInt64
		err = rows.Scan(&at, &c.Chore, &c.Unit, &c.By)
		c.At = fromMicros(at)
		return c, err
	}, `SELECT at, chore, unit, by_whom FROM chores_done WHERE at >= ? ORDER BY at, seq`, since.UnixMicro())
}
