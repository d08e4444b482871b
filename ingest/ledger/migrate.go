package ledger

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"embed"
	"encoding/hex"
	"fmt"
	"log/slog"
)

// The migrations, named NNNN_words.sql and applied in that order. One that has
// been released is never edited: a ledger in the field remembers its checksum.
//
//go:embed migrations/*.sql
var migrations embed.FS

const createMigrations = `CREATE TABLE IF NOT EXISTS migrations (
    name       TEXT PRIMARY KEY,
    checksum   TEXT NOT NULL, -- SHA-256 of the file
    applied_at INTEGER NOT NULL
) STRICT`

// migrate brings the file to the newest schema, each step in its own
// transaction. A file that is up to date is not written to.
func (l *Ledger) migrate(ctx context.Context, log *slog.Logger) error {
	files, err := migrations.ReadDir("migrations")
	if err != nil {
		return l.fail("list migrations", err)
	}
	applied, err := l.applied(ctx, l.write)
	if err != nil {
		return l.fail("read migrations", err)
	}
	for _, f := range files {
		text, err := migrations.ReadFile("migrations/" + f.Name())
		if err != nil {
			return l.fail("read migration", err)
		}
		sum := sha256.Sum256(text)
		checksum := hex.EncodeToString(sum[:])
		if got, ok := applied[f.Name()]; ok {
			if got != checksum {
				return fmt.Errorf("ledger: open %q: its migration %s differs from this program's; run the weirkeeper that wrote it", l.path, f.Name())
			}
			continue
		}
		if err := l.apply(ctx, f.Name(), checksum, string(text)); err != nil {
			return l.fail("apply migration "+f.Name(), err)
		}
		log.InfoContext(ctx, "ledger migrated", slog.String("migration", f.Name()))
	}
	return nil
}

// applied returns the checksums of the migrations the file has had, by name.
func (l *Ledger) applied(ctx context.Context, conn *sql.Conn) (map[string]string, error) {
	applied := make(map[string]string)
	var n int
	if err := conn.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_schema WHERE name = 'migrations'`).Scan(&n); err != nil || n == 0 {
		return applied, err
	}
	rows, err := conn.QueryContext(ctx, `SELECT name, checksum FROM migrations`)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }() // rows.Err tells of every failure to read
	for rows.Next() {
		var name, checksum string
		if err := rows.Scan(&name, &checksum); err != nil {
			return nil, err
		}
		if _, err := migrations.ReadFile("migrations/" + name); err != nil {
			return nil, fmt.Errorf("unknown migration %s: %w", name, ErrNewer)
		}
		applied[name] = checksum
	}
	return applied, rows.Err()
}

func (l *Ledger) apply(ctx context.Context, name, checksum, text string) error {
	tx, err := l.write.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // does nothing after a commit
	for _, q := range []string{createMigrations, text} {
		if _, err := tx.ExecContext(ctx, q); err != nil {
			return err
		}
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO migrations (name, checksum, applied_at) VALUES (?, ?, ?)`,
		name, checksum, l.now().UnixMicro()); err != nil {
		return err
	}
	return tx.Commit()
}

// statements are prepared once on the writing connection. Their text must not
// end in white space: the driver would take it for a second statement and parse
// both anew at each use.
type statements struct {
	lastSeq, probe, reading, transition, chore, message, lotEntry, act, inbox *sql.Stmt
}

func (s *statements) all() map[**sql.Stmt]string {
	return map[**sql.Stmt]string{
		&s.lastSeq:    selectLastSeq,
		&s.probe:      insertProbe,
		&s.reading:    insertReading,
		&s.transition: insertTransition,
		&s.chore:      insertChore,
		&s.message:    insertMessage,
		&s.lotEntry:   insertLotEntry,
		&s.act:        insertAct,
		&s.inbox:      insertInbox,
	}
}

func (s *statements) prepare(ctx context.Context, c *sql.Conn) (err error) {
	for stmt, q := range s.all() {
		if *stmt, err = c.PrepareContext(ctx, q); err != nil { //nolint:sqlclosecheck // closed by statements.close
			return err
		}
	}
	return nil
}

func (s *statements) close() error {
	for stmt := range s.all() {
		if *stmt != nil {
			if err := (*stmt).Close(); err != nil {
				return err
			}
		}
	}
	return nil
}
