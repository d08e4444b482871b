package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"weirkeeper/rules/callout"
)

// MessageState is what has become of a message.
type MessageState string

// The states of a message. Only a pending one is ever sent.
const (
	Pending MessageState = "pending"
	Sent    MessageState = "sent"
	GivenUp MessageState = "given up"
	Expired MessageState = "expired"
	// NotNeeded: it was the spare of a message that was handed over.
	NotNeeded MessageState = "not needed"
)

// Report is what was said later of whether a message arrived.
type Report string

// The reports.
const (
	NoReport  Report = ""
	Delivered Report = "delivered"
	Failed    Report = "failed"
)

// MessageRecord is a message and what has become of it.
type MessageRecord struct {
	callout.Message
	State MessageState
	// NextAttempt is when a pending message is due.
	NextAttempt time.Time
	// AttemptedAt is when the last attempt began, zero if none has.
	AttemptedAt time.Time
	// LastError is why the last failed attempt failed, at FailedAt; "" and
	// zero if none has.
	LastError string
	FailedAt  time.Time
	SentAt    time.Time // zero unless sent
	Detail    string    // what the receiver answered
	// Report is what was said of it last, in ReportWords, at ReportedAt.
	Report      Report
	ReportWords string
	ReportedAt  time.Time
}

const selectMessages = `SELECT m.id, m.reason, m.person, m.way, m.address, m.subject, m.body, m.short, m.code, m.unless, m.not_before,
	m.alarms, m.created_at, m.expires_at, m.attempts, m.state, m.next_attempt_at, m.attempted_at, m.last_error, m.failed_at, m.sent_at, m.detail,
	m.report, m.report_words, m.reported_at FROM outbox AS m `

func scanRecord(rows *sql.Rows) (m MessageRecord, err error) {
	var alarms []byte
	var notBefore, created, expires, next, attempted, failed, sent, reported sql.NullInt64
	if err := rows.Scan(&m.ID, &m.Reason, &m.Person, &m.Way, &m.Address, &m.Subject, &m.Text, &m.Short, &m.Code, &m.Unless, &notBefore,
		&alarms, &created, &expires, &m.Attempts, &m.State, &next, &attempted, &m.LastError, &failed, &sent, &m.Detail,
		&m.Report, &m.ReportWords, &reported); err != nil {
		return m, err
	}
	m.NotBefore, m.ReportedAt = fromMicros(notBefore), fromMicros(reported)
	m.CreatedAt, m.ExpiresAt = fromMicros(created), fromMicros(expires)
	m.NextAttempt, m.AttemptedAt = fromMicros(next), fromMicros(attempted)
	m.FailedAt, m.SentAt = fromMicros(failed), fromMicros(sent)
	return m, json.Unmarshal(alarms, &m.Alarms)
}

// DueMessages returns at most limit pending messages whose next attempt is due
// and that have not expired, oldest first. Attempts counts those begun so far. A
// spare is due at its NotBefore, unless its first was handed over by then, and at
// once when its first was given up, ran out of time or did not arrive.
func (l *Ledger) DueMessages(ctx context.Context, now time.Time, limit int) ([]callout.Message, error) {
	return query(ctx, l, "read due messages", func(rows *sql.Rows) (callout.Message, error) {
		m, err := scanRecord(rows)
		return m.Message, err
	}, selectMessages+`WHERE m.state = 'pending' AND (m.expires_at IS NULL OR m.expires_at > ?1) AND m.next_attempt_at <= ?1
		ORDER BY m.created_at, m.seq LIMIT ?2`, now.UnixMicro(), limit)
}

// Messages returns the messages created at or after since, oldest first, with
// what has become of them.
func (l *Ledger) Messages(ctx context.Context, since time.Time) ([]MessageRecord, error) {
	return query(ctx, l, "read messages", scanRecord, selectMessages+`WHERE m.created_at >= ? ORDER BY m.created_at, m.seq`, since.UnixMicro())
}

// OutboxDepth counts the pending messages and tells when the oldest was
// created; zero if there is none. A spare does not count beside its first.
func (l *Ledger) OutboxDepth(ctx context.Context) (pending int, oldest time.Time, err error) {
	_, err = query(ctx, l, "read outbox depth", func(rows *sql.Rows) (struct{}, error) {
		var at sql.NullInt64
		err := rows.Scan(&pending, &at)
		oldest = fromMicros(at)
		return struct{}{}, err
	}, `SELECT count(*), min(m.created_at) FROM outbox AS m WHERE m.state = 'pending' AND NOT EXISTS
		(SELECT 1 FROM outbox AS f WHERE f.id = m.unless AND m.unless <> '' AND f.state = 'pending')`)
	return pending, oldest, err
}

// BeginAttempt counts an attempt to deliver a pending message, from 1. When it
// returns nil that is on the disk, so a crash during the delivery shows
// afterwards as an attempt without an outcome.
// Errors: ErrNotFound if no such message is pending; ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) BeginAttempt(ctx context.Context, id string, now time.Time) (attempt int, err error) {
	err = l.update(ctx, "begin attempt", func(ctx context.Context) error {
		if err := l.one(ctx, id, `UPDATE outbox SET attempts = attempts + 1, attempted_at = ? WHERE id = ? AND state = 'pending'`, now.UnixMicro(), id); err != nil {
			return err
		}
		var seq int64
		if err := l.write.QueryRowContext(ctx, `SELECT seq, attempts FROM outbox WHERE id = ?`, id).Scan(&seq, &attempt); err != nil {
			return err
		}
		_, err := l.write.ExecContext(ctx, `INSERT INTO attempts (message, n, began_at) VALUES (?, ?, ?)`, seq, attempt, now.UnixMicro())
		return err
	})
	return attempt, err
}

// endAttempt writes down how the newest attempt at a message ended, if there is
// one whose end is not known.
const endAttempt = `UPDATE attempts SET ended_at = ?2, outcome = ?3, detail = ?4
	WHERE ended_at IS NULL AND (message, n) = (SELECT seq, attempts FROM outbox WHERE id = ?1)`

// drop takes out the spares of a message that was handed over, and those of
// theirs.
const drop = `WITH RECURSIVE chain (id) AS (
	SELECT id FROM outbox WHERE id = ?1 AND report <> 'failed'
	UNION SELECT m.id FROM chain JOIN outbox AS m ON m.unless = chain.id AND m.unless <> ''
)
UPDATE outbox SET state = 'not needed' FROM chain WHERE outbox.id = chain.id AND state = 'pending'`

// MarkSent records that a message was handed over; detail is what the receiver
// answered. Its spares are not needed then. It holds even if the message has
// expired meanwhile.
// Errors: ErrNotFound, ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) MarkSent(ctx context.Context, id string, now time.Time, detail string) error {
	return l.update(ctx, "mark sent", func(ctx context.Context) error {
		if _, err := l.write.ExecContext(ctx, endAttempt, id, now.UnixMicro(), "sent", detail); err != nil {
			return err
		}
		if err := l.one(ctx, id, `UPDATE outbox SET state = 'sent', sent_at = ?, detail = ? WHERE id = ?`, now.UnixMicro(), detail, id); err != nil {
			return err
		}
		_, err := l.write.ExecContext(ctx, drop, id)
		return err
	})
}

// MarkFailed records why an attempt failed, or why there is none, and when the
// next is due or that there is none. unknown says that the message may have
// arrived all the same. The state of a message that is no longer pending stays.
// Errors: ErrNotFound, ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) MarkFailed(ctx context.Context, id string, now time.Time, cause string, next time.Time, unknown, giveUp bool) error {
	outcome := "failed"
	if unknown {
		outcome = "unknown"
	}
	return l.update(ctx, "mark failed", func(ctx context.Context) error {
		if _, err := l.write.ExecContext(ctx, endAttempt, id, now.UnixMicro(), outcome, cause); err != nil {
			return err
		}
		if err := l.one(ctx, id, `UPDATE outbox SET last_error = ?, failed_at = ?, next_attempt_at = ?,
			state = CASE WHEN ? AND state = 'pending' THEN 'given up' ELSE state END WHERE id = ?`,
			cause, now.UnixMicro(), next.UnixMicro(), giveUp, id); err != nil || !giveUp {
			return err
		}
		_, err := l.write.ExecContext(ctx, want, id, now.UnixMicro())
		return err
	})
}

// want makes the spare of a message that did not arrive due now, also one that
// was not needed before, and the spares of that one as much later as they were.
const want = `WITH RECURSIVE chain (id, state, next, planned) AS (
	SELECT id, state, ?2, coalesce(not_before, created_at) FROM outbox WHERE unless = ?1 AND unless <> ''
	UNION
	SELECT m.id, m.state, CASE chain.state WHEN 'not needed' THEN chain.next + max(0, coalesce(m.not_before, m.created_at) - planned) ELSE chain.next END,
		coalesce(m.not_before, m.created_at)
	FROM chain JOIN outbox AS m ON m.unless = chain.id AND m.unless <> '' WHERE chain.state IN ('not needed', 'given up', 'expired')
)
UPDATE outbox SET state = 'pending', next_attempt_at = iif(outbox.state = 'pending', min(next_attempt_at, chain.next), chain.next)
FROM chain WHERE outbox.id = chain.id AND (outbox.state = 'not needed' OR outbox.state = 'pending' AND attempts = 0)`

// MarkReport records what was said later of whether a message arrived, in the
// words of whoever said it. A message that did not arrive makes its spare due.
// Errors: ErrNotFound, ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) MarkReport(ctx context.Context, id string, arrived bool, words string, now time.Time) error {
	report := Failed
	if arrived {
		report = Delivered
	}
	return l.update(ctx, "mark report", func(ctx context.Context) error {
		if err := l.one(ctx, id, `UPDATE outbox SET report = ?, report_words = ?, reported_at = ? WHERE id = ?`, string(report), words, now.UnixMicro(), id); err != nil {
			return err
		}
		if arrived {
			return nil
		}
		_, err := l.write.ExecContext(ctx, want, id, now.UnixMicro())
		return err
	})
}

// Attempt is one attempt to hand a message over.
type Attempt struct {
	Message string // its ID
	N       int    // from 1
	BeganAt time.Time
	// EndedAt is zero while it goes on, or when the program stopped meanwhile.
	EndedAt time.Time
	// Outcome is "sent", "failed", "unknown" (it failed and may have arrived
	// all the same), or "" without an end.
	Outcome string
	Detail  string // what the other side said
}

// Attempts returns the attempts at the messages created at or after since, in
// the order of Messages. Those made before the ledger kept them are missing.
func (l *Ledger) Attempts(ctx context.Context, since time.Time) ([]Attempt, error) {
	return query(ctx, l, "read attempts", func(rows *sql.Rows) (a Attempt, err error) {
		var began, ended sql.NullInt64
		err = rows.Scan(&a.Message, &a.N, &began, &ended, &a.Outcome, &a.Detail)
		a.BeganAt, a.EndedAt = fromMicros(began), fromMicros(ended)
		return a, err
	}, `SELECT m.id, a.n, a.began_at, a.ended_at, a.outcome, a.detail FROM outbox AS m JOIN attempts AS a ON a.message = m.seq
		WHERE m.created_at >= ? ORDER BY m.created_at, m.seq, a.n`, since.UnixMicro())
}

// SentSince returns when the attempts by a way began that were handed over, or
// may have been, since a time, in order of time.
func (l *Ledger) SentSince(ctx context.Context, way callout.Way, since time.Time) ([]time.Time, error) {
	return query(ctx, l, "read what was sent", func(rows *sql.Rows) (time.Time, error) {
		var at sql.NullInt64
		err := rows.Scan(&at)
		return fromMicros(at), err
	}, `SELECT a.began_at FROM attempts AS a JOIN outbox AS m ON m.seq = a.message
		WHERE a.began_at >= ? AND m.way = ? AND a.outcome <> 'failed' ORDER BY a.began_at`, since.UnixMicro(), string(way))
}

// ShiftOutbox follows a step of the clock: what is pending expires and is tried
// again as much later as the clock was set forward, or sooner if back. So does a
// spare that may be needed again.
// Errors: ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) ShiftOutbox(ctx context.Context, by time.Duration) error {
	return l.update(ctx, "shift the outbox", func(ctx context.Context) error {
		_, err := l.write.ExecContext(ctx, `UPDATE outbox SET expires_at = expires_at + ?1, next_attempt_at = next_attempt_at + ?1 WHERE state IN ('pending', 'not needed')`, by.Microseconds())
		return err
	})
}

// ExpireMessages takes the pending messages whose time is up, ExpiresAt <= now,
// out of the outbox and counts them. Their spares are due at once.
// Errors: ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) ExpireMessages(ctx context.Context, now time.Time) (int, error) {
	var n int64
	err := l.update(ctx, "expire messages", func(ctx context.Context) error {
		res, err := l.write.ExecContext(ctx, `UPDATE outbox SET state = 'expired' WHERE state = 'pending' AND expires_at <= ?`, now.UnixMicro())
		if err != nil {
			return err
		}
		if n, err = res.RowsAffected(); err != nil || n == 0 {
			return err
		}
		_, err = l.write.ExecContext(ctx, `UPDATE outbox SET next_attempt_at = min(next_attempt_at, ?) WHERE state = 'pending' AND attempts = 0 AND unless <> ''
			AND EXISTS (SELECT 1 FROM outbox AS f WHERE f.id = outbox.unless AND f.state = 'expired')`, now.UnixMicro())
		return err
	})
	return int(n), err
}

// one runs an update that must change the one message.
func (l *Ledger) one(ctx context.Context, id, q string, args ...any) error {
	res, err := l.write.ExecContext(ctx, q, args...)
	if err != nil {
		return fmt.Errorf("message %q: %w", id, err)
	}
	n, err := res.RowsAffected()
	if err == nil && n == 0 {
		err = ErrNotFound
	}
	if err != nil {
		return fmt.Errorf("message %q: %w", id, err)
	}
	return nil
}
