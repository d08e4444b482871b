package daemon

import (
	"context"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/replay"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/tally"
)

// tallyBack is how far before a span the journal is read, to know what stood when
// it began.
const tallyBack = 90 * 24 * time.Hour

// Program is the rules that run.
func (k *keeper) Program() *lang.Program { return k.program.Load() }

// Tally is the statistics of alarms, as the command tells them.
func (k *keeper) Tally(ctx context.Context, from, to time.Time) (tally.Tally, error) {
	journal, err := k.ledger.Journal(ctx, from.Add(-tallyBack), to)
	if err != nil {
		return tally.Tally{}, err
	}
	acts, err := k.ledger.Acts(ctx, from)
	return tally.Of(journal, acts, from, to), err
}

// Past is what was, from the record, to be replayed.
func (k *keeper) Past(ctx context.Context, from, to time.Time) (in replay.Input, err error) {
	in = replay.Input{Site: k.site, From: from, To: to}
	if in.Since, err = k.ledger.Since(ctx); err != nil {
		return in, err
	}
	before := time.Time{} // all of them: what lies before counts as known
	if in.Chores, err = k.ledger.ChoresDone(ctx, before); err != nil {
		return in, err
	}
	if in.Acts, err = k.ledger.Acts(ctx, before); err != nil {
		return in, err
	}
	if in.Answers, err = k.ledger.JournalSince(ctx, from); err != nil {
		return in, err
	}
	written, err := k.ledger.LotEntries(ctx)
	if err != nil {
		return in, err
	}
	for _, l := range k.site.Lots {
		in.Entries = append(in.Entries, book.FromSite(l)...)
	}
	in.Entries = append(in.Entries, written...)
	in.Streams = func(from, to time.Time) []replay.Stream {
		var all []replay.Stream
		for i := range k.site.Probes {
			all = append(all, k.history.Readings(ctx, k.site.Probes[i].ID, from, to))
		}
		return all
	}
	if !in.Since.After(from) {
		return in, nil
	}
	// The record is younger than that, but for what was imported: every probe would
	// be silent until its first reading.
	in.From = to
	for _, rows := range in.Streams(from, to) {
		for r, err := range rows {
			if err != nil {
				return in, err
			}
			if r.At.Before(in.From) {
				in.From = r.At.Truncate(time.Second)
			}
			break
		}
	}
	in.Since = in.From
	return in, nil
}
