package ledger

import "context"

// Exec runs a statement on the writing connection, to bring about faults.
func (l *Ledger) Exec(ctx context.Context, q string) error {
	_, err := l.write.ExecContext(ctx, q)
	return err
}

// Apply applies a migration that is not among the embedded ones.
func (l *Ledger) Apply(ctx context.Context, name, text string) error {
	return l.apply(ctx, name, "", text)
}
