package ledger

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"modernc.org/sqlite"

	"weirkeeper/rules/reading"
)

// Options says where the ledger is.
type Options struct {
	// Path is the database file. It and its folder are created if missing,
	// for the owner alone.
	Path string
	// Now stamps migrations and changes of lots. Required.
	Now func() time.Time
	// Log hears of migrations. Required.
	Log *slog.Logger
}

// Ledger is an open ledger file.
type Ledger struct {
	path string
	now  func() time.Time

	// One connection writes, so that writers queue here and not on
	// SQLite's lock; turn holds one token, owned by who may use it.
	turn    chan struct{}
	writeDB *sql.DB
	write   *sql.Conn
	stmts   statements
	probes  map[reading.ProbeID]int64 // guarded by turn

	read *sql.DB
}

// Settings of every connection.
var pragmas = []string{
	// Another program may look at the file; 5 s outlasts its queries and
	// is short enough that the daemon notices one that never lets go.
	"busy_timeout(5000)",
	// A log beside the file: a commit is one sequential write and one
	// sync, and readers never hold up the writer.
	"journal_mode(WAL)",
	// FULL syncs the log at every commit. With NORMAL a power cut loses
	// commits that were reported done.
	"synchronous(FULL)",
	// SQLite checks references only when asked to.
	"foreign_keys(1)",
	// A long read or a large commit leaves a larger log; cut it back to 32 MB,
	// and to nothing when the last connection closes.
	logLimit,
}

const logLimit = "journal_size_limit(33554432)"

// Settings of the writing connection.
var writerPragmas = append([]string{
	// Fold the log into the file every 16 MB, not every 4: pages that many
	// commits touched are then written once. With 1,000 probes this writes
	// 25 % less. It costs the time to read 16 MB on start after a crash.
	"wal_autocheckpoint(4000)",
}, pragmas...)

// Settings of the reading connections: whatever they run, they cannot write.
var readerPragmas = append([]string{"query_only(1)"}, pragmas...)

// Settings of a reader alone: those above that would not write to the file.
var onlyReaderPragmas = []string{"query_only(1)", "busy_timeout(5000)", logLimit}

// Two readers: one for the page, one for a long history; each costs some 2 MB.
const readers = 2

// Open opens the ledger, creating or migrating it as needed. It does not look
// through the whole file; that is what Check is for. One that was open before
// opens on a full disk too, and can be read; only commits fail then.
// Errors: ErrNewer, ErrCorrupt, ErrBusy, ErrFull.
func Open(ctx context.Context, opt Options) (*Ledger, error) {
	// fdatasync syncs the data and the size, which is all that a commit
	// needs; fsync also forces the time stamps through the file system's
	// own journal (measured: 0.7 against 0.2 ms a commit, ext4 on a virtual
	// disk). It is a setting of the whole process.
	if _, err := sqlite.Fdatasync(true); err != nil && !errors.Is(err, sqlite.ErrFdatasyncUnavailable) {
		return nil, fmt.Errorf("ledger: choose fdatasync: %w", err)
	}
	path, err := filepath.Abs(opt.Path)
	if err != nil {
		return nil, fmt.Errorf("ledger: find %q: %w", opt.Path, err)
	}
	l := &Ledger{path: path, now: opt.Now, turn: make(chan struct{}, 1), probes: make(map[reading.ProbeID]int64)}
	if err := create(path); err != nil {
		return nil, l.fail("create", err)
	}
	if err := l.open(ctx, opt.Log); err != nil {
		return nil, errors.Join(err, l.close())
	}
	l.turn <- struct{}{}
	return l, nil
}

// OpenReader opens a ledger that is there, for reading: also while a daemon
// writes it, which goes on undisturbed. Whatever writes fails.
// Errors: os.ErrNotExist, ErrNewer, ErrOlder, ErrCorrupt, ErrBusy.
func OpenReader(ctx context.Context, file string) (*Ledger, error) {
	path, err := filepath.Abs(file)
	if err != nil {
		return nil, fmt.Errorf("ledger: find %q: %w", file, err)
	}
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("ledger: open: %w; name the data folder of a weirkeeper that has run", err)
	}
	l := &Ledger{path: path, turn: make(chan struct{}, 1)}
	if err := l.openReader(ctx); err != nil {
		return nil, errors.Join(err, l.close())
	}
	l.turn <- struct{}{}
	return l, nil
}

func (l *Ledger) openReader(ctx context.Context) (err error) {
	if err := l.openReaders(onlyReaderPragmas); err != nil {
		return err
	}
	conn, err := l.read.Conn(ctx)
	if err != nil {
		return l.fail("open", err)
	}
	applied, err := l.applied(ctx, conn)
	if err = errors.Join(err, conn.Close()); err != nil {
		return l.fail("read migrations", err)
	}
	files, err := migrations.ReadDir("migrations")
	if err == nil && len(applied) < len(files) {
		err = ErrOlder
	}
	if err != nil {
		return l.fail("open", err)
	}
	return nil
}

func (l *Ledger) openReaders(pragmas []string) (err error) {
	if l.read, err = openDB(l.path, pragmas); err != nil {
		return l.fail("open", err)
	}
	l.read.SetMaxOpenConns(readers)
	l.read.SetMaxIdleConns(readers)
	return nil
}

func (l *Ledger) open(ctx context.Context, log *slog.Logger) (err error) {
	if l.writeDB, err = openDB(l.path, writerPragmas); err != nil {
		return l.fail("open", err)
	}
	if l.write, err = l.writeDB.Conn(ctx); err != nil {
		return l.fail("open", err)
	}
	if err := l.migrate(ctx, log); err != nil {
		return err
	}
	if err := l.stmts.prepare(ctx, l.write); err != nil {
		return l.fail("prepare", err)
	}
	if err := l.openReaders(readerPragmas); err != nil {
		return err
	}
	names := make(map[int64]reading.ProbeID)
	if err := l.probeNames(ctx, names); err != nil {
		return err
	}
	for id, name := range names {
		l.probes[name] = id
	}
	return nil
}

// create makes the folder and the file, readable by their owner alone, and
// syncs the folders, so that a power cut does not take the new names away.
func create(path string) error {
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600)
	if errors.Is(err, os.ErrExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return errors.Join(syncPath(dir), syncPath(filepath.Dir(dir)))
}

// syncPath brings a file, or the names in a folder, to the disk.
func syncPath(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

func openDB(path string, pragmas []string) (*sql.DB, error) {
	u := url.URL{Scheme: "file", Path: path, RawQuery: url.Values{"_pragma": pragmas}.Encode()}
	c, err := sqlite.NewConnector(u.String())
	if err != nil {
		return nil, err
	}
	return sql.OpenDB(keepFiles{c}), nil
}

// keepFiles makes connections that leave the log and its index beside the file,
// empty, when the last of them closes. SQLite would remove them, and could not
// make the index (32 kB) anew on a disk that has filled up since.
type keepFiles struct{ driver.Connector }

func (k keepFiles) Connect(ctx context.Context) (driver.Conn, error) {
	conn, err := k.Connector.Connect(ctx)
	if err != nil {
		return nil, err
	}
	fc, ok := conn.(sqlite.FileControl)
	if !ok {
		err = errors.New("the driver cannot keep the log")
	} else {
		_, err = fc.FileControlPersistWAL("main", 1)
	}
	if err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	return conn, nil
}

// Close waits for the write in progress and closes the file. Whatever is called
// afterwards fails, but for Close, which does nothing.
func (l *Ledger) Close() error {
	if _, open := <-l.turn; !open {
		return nil
	}
	close(l.turn)
	return l.close()
}

// close closes what was opened. The last connection to go, whoever has it, folds
// the log into the file.
func (l *Ledger) close() error {
	var errs []error
	if l.read != nil {
		errs = append(errs, l.read.Close())
	}
	errs = append(errs, l.stmts.close())
	if l.write != nil {
		errs = append(errs, l.write.Close())
	}
	if l.writeDB != nil {
		errs = append(errs, l.writeDB.Close())
	}
	if err := errors.Join(errs...); err != nil {
		return l.fail("close", err)
	}
	return nil
}

// Check reads the whole file and looks for damage. It takes seconds for each
// gigabyte and holds up no write.
// Errors: ErrCorrupt.
func (l *Ledger) Check(ctx context.Context) error {
	const what = "check"
	found, err := query(ctx, l, what, text, `PRAGMA integrity_check(5)`)
	if err != nil {
		return err
	}
	if len(found) != 1 || found[0] != "ok" {
		return fmt.Errorf("ledger: check %q: %s: %w", l.path, strings.Join(found, "; "), ErrCorrupt)
	}
	found, err = query(ctx, l, what, text, `SELECT "table" || ' refers to a missing ' || parent FROM pragma_foreign_key_check LIMIT 5`)
	if err != nil {
		return err
	}
	if len(found) > 0 {
		return fmt.Errorf("ledger: check %q: %s: %w", l.path, strings.Join(found, "; "), ErrCorrupt)
	}
	return nil
}

// takeTurn waits until this caller may write.
func (l *Ledger) takeTurn(ctx context.Context, what string) error {
	if err := ctx.Err(); err != nil {
		return l.fail(what, err)
	}
	select {
	case <-ctx.Done():
		return l.fail(what, ctx.Err())
	case _, open := <-l.turn:
		if !open {
			return l.fail(what, os.ErrClosed)
		}
		if l.write == nil {
			l.endTurn()
			return l.fail(what, errors.New("opened for reading only"))
		}
		return nil
	}
}

func (l *Ledger) endTurn() { l.turn <- struct{}{} }

// update runs fn in one transaction as soon as it is this caller's turn.
func (l *Ledger) update(ctx context.Context, what string, fn func(ctx context.Context) error) error {
	if err := l.takeTurn(ctx, what); err != nil {
		return err
	}
	defer l.endTurn()
	return l.transact(ctx, what, fn)
}

// transact runs fn in one transaction; the caller holds the turn. fn's context
// does not end: a write is all or nothing, and stopping in the middle of one
// would only throw its work away.
func (l *Ledger) transact(ctx context.Context, what string, fn func(ctx context.Context) error) error {
	ctx = context.WithoutCancel(ctx)
	// IMMEDIATE takes the write lock now, where waiting for it works; a
	// transaction that began as a reader could not wait.
	if _, err := l.write.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return l.fail(what, err)
	}
	err := fn(ctx)
	if err == nil {
		_, err = l.write.ExecContext(ctx, "COMMIT")
	}
	if err != nil {
		// After some errors, a full disk among them, SQLite has rolled
		// back already and this fails; err is what matters.
		_, _ = l.write.ExecContext(ctx, "ROLLBACK")
		return l.fail(what, err)
	}
	return nil
}

// query reads all rows of q.
func query[T any](ctx context.Context, l *Ledger, what string, scan func(*sql.Rows) (T, error), q string, args ...any) ([]T, error) {
	rows, err := l.read.QueryContext(ctx, q, args...)
	if err != nil {
		return nil, l.fail(what, err)
	}
	defer func() { _ = rows.Close() }() // rows.Err tells of every failure to read
	var all []T
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, l.fail(what, err)
		}
		all = append(all, v)
	}
	if err := rows.Err(); err != nil {
		return nil, l.fail(what, err)
	}
	return all, nil
}

func text(rows *sql.Rows) (s string, err error) {
	err = rows.Scan(&s)
	return s, err
}

// micros is how a time is stored: NULL for the zero time.
func micros(t time.Time) sql.NullInt64 {
	return sql.NullInt64{Int64: t.UnixMicro(), Valid: !t.IsZero()}
}

func fromMicros(n sql.NullInt64) time.Time {
	if !n.Valid {
		return time.Time{}
	}
	return time.UnixMicro(n.Int64).UTC()
}
