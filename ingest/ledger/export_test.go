package ledger

import "context"

// Exec runs a statement on the writing connection, to bring about faults.
func (l *Ledger) Exec(ctx context.Context, q string) error {
	_, err := l.write.ExecContext(ctx, q)
	return err
}
