package ledger

import (
	"context"
	"database/sql"
	"iter"
	"math"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/site"
)

const selectTransitions = `SELECT t.key, t.kind, t.occurrence, t.from_state, t.to_state, t.at, t.since, t.priority,
	t.rule, t.rule_at, t.unit, t.probe, t.trouble, t.detail, t.can_happen, t.to_do, t.by_whom, t.hidden, t.cause, t.left_words, t.via, t.seq FROM transitions AS t `

// journalRow is a transition as stored.
type journalRow struct {
	alarm.Transition
	seq int64
}

func scanTransition(rows *sql.Rows) (t journalRow, err error) {
	var from, to, priority []byte
	var at, since sql.NullInt64
	if err := rows.Scan(&t.Key, &t.Kind, &t.Occurrence, &from, &to, &at, &since, &priority,
		&t.Rule, &t.RuleAt, &t.Unit, &t.Probe, &t.Trouble, &t.Detail, &t.CanHappen, &t.ToDo, &t.By, &t.Hidden, &t.Cause, &t.Left, &t.Via, &t.seq); err != nil {
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
	return query(ctx, l, "read standing alarms", func(rows *sql.Rows) (alarm.Transition, error) {
		r, err := scanTransition(rows)
		return r.Transition, err
	}, selectTransitions+`JOIN alarms AS a ON a.latest = t.seq WHERE t.to_state <> ? ORDER BY t.seq`, alarm.Normal.String())
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

// Transitions yields the transitions with from <= At < to, in order of At, and
// among equal ones in order of commit. An error ends it.
func (l *Ledger) Transitions(ctx context.Context, from, to time.Time) iter.Seq2[alarm.Transition, error] {
	first := journalRow{Transition: alarm.Transition{At: from}}
	return paged(first, func(last journalRow) ([]journalRow, error) {
		return query(ctx, l, "read journal", scanTransition, selectTransitions+`WHERE (t.at, t.seq) > (?, ?) AND t.at < ? ORDER BY t.at, t.seq LIMIT ?`,
			last.At.UnixMicro(), last.seq, to.UnixMicro(), pageRows)
	}, func(r journalRow) alarm.Transition { return r.Transition })
}

// Journal returns what Transitions yields.
func (l *Ledger) Journal(ctx context.Context, from, to time.Time) ([]alarm.Transition, error) {
	return gather(l.Transitions(ctx, from, to))
}

// choreRow is a chore done as stored.
type choreRow struct {
	site.ChoreDone
	seq int64
}

// Chores yields the chores done with from <= At < to, in order of At, and among
// equal ones in order of commit. An error ends it.
func (l *Ledger) Chores(ctx context.Context, from, to time.Time) iter.Seq2[site.ChoreDone, error] {
	return paged(choreRow{ChoreDone: site.ChoreDone{At: from}}, func(last choreRow) ([]choreRow, error) {
		return query(ctx, l, "read chores", func(rows *sql.Rows) (c choreRow, err error) {
			var at sql.NullInt64
			err = rows.Scan(&at, &c.Chore, &c.Unit, &c.By, &c.Via, &c.seq)
			c.At = fromMicros(at)
			return c, err
		}, `SELECT at, chore, unit, by_whom, via, seq FROM chores_done WHERE (at, seq) > (?, ?) AND at < ? ORDER BY at, seq LIMIT ?`,
			last.At.UnixMicro(), last.seq, to.UnixMicro(), pageRows)
	}, func(c choreRow) site.ChoreDone { return c.ChoreDone })
}

// ChoresDone returns the chores done at or after since, in order of time.
func (l *Ledger) ChoresDone(ctx context.Context, since time.Time) ([]site.ChoreDone, error) {
	return gather(l.Chores(ctx, since, time.UnixMicro(math.MaxInt64)))
}
