package ledger

import "context"

// Exec runs a statement on the writing connection, to bring about faults.
func (l *Ledger) Exec(ctx context.Context, q string) error {
	_, err := l.write.ExecContext(ctx, q)
	return err
}

// Settings returns the values of pragmas on the writing and on a reading
// connection.
func (l *Ledger) Settings(ctx context.Context, pragma string) (writer, reader int, err error) {
	if err := l.write.QueryRowContext(ctx, "PRAGMA "+pragma).Scan(&writer); err != nil {
		return 0, 0, err
	}
	err = l.read.QueryRowContext(ctx, "PRAGMA "+pragma).Scan(&reader)
	return writer, reader, err
}

// Apply applies a migration that is not among the embedded ones.
func (l *Ledger) Apply(ctx context.Context, name, text string) error {
	return l.apply(ctx, name, "", text)
}
