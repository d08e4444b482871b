package ledger

import (
	"context"
	"database/sql"
	"errors"
	"time"

	"weirkeeper/rules/callout"
)

// InboxEntry is a message that somebody sent us, and what became of it.
type InboxEntry struct {
	// ID is made of the message itself, so that the same one read twice counts
	// once.
	ID     string
	At     time.Time // UTC
	Way    callout.Way
	Sender string // the number or address it came from
	Person string // "" for nobody we know
	Body   string
	// Outcome is what became of it, in a word or two: "answered", "wrong code".
	Outcome string
	Said    string // what was answered, "" for nothing
}

const insertInbox = `INSERT INTO inbox (id, at, way, sender, person, body, outcome, said)
VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING`

func (l *Ledger) storeInbox(ctx context.Context, e InboxEntry) error {
	if e.ID == "" {
		return errors.New("it needs an ID")
	}
	_, err := l.stmts.inbox.ExecContext(ctx, e.ID, micros(e.At), string(e.Way), e.Sender, e.Person, e.Body, e.Outcome, e.Said)
	return err
}

// Inbox returns what people sent us with At >= since, in order of commit.
func (l *Ledger) Inbox(ctx context.Context, since time.Time) ([]InboxEntry, error) {
	return query(ctx, l, "read the inbox", func(rows *sql.Rows) (e InboxEntry, err error) {
		var at sql.NullInt64
		err = rows.Scan(&e.ID, &at, &e.Way, &e.Sender, &e.Person, &e.Body, &e.Outcome, &e.Said)
		e.At = fromMicros(at)
		return e, err
	}, `SELECT id, at, way, sender, person, body, outcome, said FROM inbox WHERE at >= ? ORDER BY seq`, since.UnixMicro())
}

// KnowsInbox reports whether a message that came in is in the record.
func (l *Ledger) KnowsInbox(ctx context.Context, id string) (bool, error) {
	all, err := query(ctx, l, "read the inbox", text, `SELECT id FROM inbox WHERE id = ?`, id)
	return len(all) > 0, err
}
