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
}

const selectMessages = `SELECT id, reason, person, address, subject, body, alarms, created_at, expires_at, attempts,
	state, next_attempt_at, attempted_at, last_error, failed_at, sent_at, detail FROM outbox `

func scanRecord(rows *sql.Rows) (m MessageRecord, err error) {
	var alarms []byte
	var created, expires, next, attempted, failed, sent sql.NullInt64
	if err := rows.Scan(&m.ID, &m.Reason, &m.Person, &m.Address, &m.Subject, &m.Text, &alarms, &created, &expires, &m.Attempts,
		&m.State, &next, &attempted, &m.LastError, &failed, &sent, &m.Detail); err != nil {
		return m, err
	}
	m.CreatedAt, m.ExpiresAt = fromMicros(created), fromMicros(expires)
	m.NextAttempt, m.AttemptedAt = fromMicros(next), fromMicros(attempted)
	m.FailedAt, m.SentAt = fromMicros(failed), fromMicros(sent)
	return m, json.Unmarshal(alarms, &m.Alarms)
}

// DueMessages returns at most limit pending messages whose next attempt is due
// and that have not expired, oldest first. Attempts counts those begun so far.
func (l *Ledger) DueMessages(ctx context.Context, now time.Time, limit int) ([]callout.Message, error) {
	return query(ctx, l, "read due messages", func(rows *sql.Rows) (callout.Message, error) {
		m, err := scanRecord(rows)
		return m.Message, err
	}, selectMessages+`WHERE state = 'pending' AND next_attempt_at <= ?1 AND (expires_at IS NULL OR expires_at > ?1)
		ORDER BY created_at, seq LIMIT ?2`, now.UnixMicro(), limit)
}

// Messages returns the messages created at or after since, oldest first, with
// what has become of them.
func (l *Ledger) Messages(ctx context.Context, since time.Time) ([]MessageRecord, error) {
	return query(ctx, l, "read messages", scanRecord, selectMessages+`WHERE created_at >= ? ORDER BY created_at, seq`, since.UnixMicro())
}

// OutboxDepth counts the pending messages and tells when the oldest was
// created; zero if there is none.
func (l *Ledger) OutboxDepth(ctx context.Context) (pending int, oldest time.Time, err error) {
	_, err = query(ctx, l, "read outbox depth", func(rows *sql.Rows) (struct{}, error) {
		var at sql.NullInt64
		err := rows.Scan(&pending, &at)
		oldest = fromMicros(at)
		return struct{}{}, err
	}, `SELECT count(*), min(created_at) FROM outbox WHERE state = 'pending'`)
	return pending, oldest, err
}

// BeginAttempt counts an attempt to deliver a pending message, from 1. When it
// returns nil that is on the disk, so a crash during the delivery shows
// afterwards as an attempt without an outcome.
// Errors: ErrNotFound if no such message is pending; ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) BeginAttempt(ctx context.Context, id string, now time.Time) (attempt int, err error) {
	err = l.update(ctx, "begin attempt", func(ctx context.Context) error {
		if err := l.one(ctx, id, `UPDATE outbox SET attempts = attempts + 1, attempted_at = ? WHERE id = ? AND state = 'pending'`,
			now.UnixMicro(), id); err != nil {
			return err
		}
		return l.write.QueryRowContext(ctx, `SELECT attempts FROM outbox WHERE id = ?`, id).Scan(&attempt)
	})
	return attempt, err
}

// MarkSent records that a message was handed over; detail is what the receiver
// answered. It holds even if the message has expired meanwhile.
// Errors: ErrNotFound, ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) MarkSent(ctx context.Context, id string, now time.Time, detail string) error {
	return l.update(ctx, "mark sent", func(ctx context.Context) error {
		return l.one(ctx, id, `UPDATE outbox SET state = 'sent', sent_at = ?, detail = ? WHERE id = ?`, now.UnixMicro(), detail, id)
	})
}

// MarkFailed records why an attempt failed, and when the next is due or that
// there is none. The state of a message that is no longer pending stays.
// Errors: ErrNotFound, ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) MarkFailed(ctx context.Context, id string, now time.Time, cause string, next time.Time, giveUp bool) error {
	return l.update(ctx, "mark failed", func(ctx context.Context) error {
		return l.one(ctx, id, `UPDATE outbox SET last_error = ?, failed_at = ?, next_attempt_at = ?,
			state = CASE WHEN ? AND state = 'pending' THEN 'given up' ELSE state END WHERE id = ?`,
			cause, now.UnixMicro(), next.UnixMicro(), giveUp, id)
	})
}

// ShiftOutbox follows a step of the clock: what is pending expires and is tried
// again as much later as the clock was set forward, or sooner if back.
// Errors: ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) ShiftOutbox(ctx context.Context, by time.Duration) error {
	return l.update(ctx, "shift the outbox", func(ctx context.Context) error {
		_, err := l.write.ExecContext(ctx, `UPDATE outbox SET expires_at = expires_at + ?1, next_attempt_at = next_attempt_at + ?1 WHERE state = 'pending'`, by.Microseconds())
		return err
	})
}

// ExpireMessages takes the pending messages whose time is up, ExpiresAt <= now,
// out of the outbox and counts them.
// Errors: ErrBusy, ErrFull, ErrCorrupt.
func (l *Ledger) ExpireMessages(ctx context.Context, now time.Time) (int, error) {
	var n int64
	err := l.update(ctx, "expire messages", func(ctx context.Context) error {
		res, err := l.write.ExecContext(ctx, `UPDATE outbox SET state = 'expired' WHERE state = 'pending' AND expires_at <= ?`, now.UnixMicro())
		if err != nil {
			return err
		}
		n, err = res.RowsAffected()
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
