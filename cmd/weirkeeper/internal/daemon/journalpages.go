package daemon

import (
	"context"
	"slices"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/calls"
	pages "weirkeeper/cmd/weirkeeper/internal/page"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot/book"
)

// standingBack is how far back the journal looks for what stood when a day began.
const standingBack = 60 * 24 * time.Hour

// JournalDay is what came about with from <= its time < to.
func (k *keeper) JournalDay(ctx context.Context, from, to time.Time) (*pages.JournalDay, error) {
	d := new(pages.JournalDay)
	last := make(map[alarm.Key]alarm.Transition)
	for t, err := range k.ledger.Transitions(ctx, from.Add(-standingBack), to) {
		if err != nil {
			return nil, err
		}
		if t.At.Before(from) {
			last[t.Key] = t
		} else {
			d.Transitions = append(d.Transitions, t)
		}
	}
	for _, t := range last {
		if t.To != alarm.Normal {
			d.Standing = append(d.Standing, t)
		}
	}
	slices.SortFunc(d.Standing, func(a, b alarm.Transition) int {
		if c := a.Since.Compare(b.Since); c != 0 {
			return c
		}
		if a.Key < b.Key {
			return -1
		}
		return 1
	})
	acts, err := k.ledger.Acts(ctx, from)
	if err != nil {
		return nil, err
	}
	for _, a := range acts {
		if a.At.Before(to) {
			d.Acts = append(d.Acts, a)
		}
	}
	for c, err := range k.ledger.Chores(ctx, from, to) {
		if err != nil {
			return nil, err
		}
		d.Chores = append(d.Chores, c)
	}
	said, err := calls.Read(ctx, k.ledger, from, to, k.site.Location)
	if err != nil {
		return nil, err
	}
	d.Calls, d.Messages, d.Missed = said.Lines(), said.Messages(), said.Missed()
	err = k.ask(ctx, func(time.Time) error {
		d.Lots = linesOf(k.engine.Book(), from, to)
		return nil
	})
	return d, err
}

// linesOf are the entries of all lots with from <= At < to, each once, by time.
func linesOf(b *book.Book, from, to time.Time) []book.Line {
	var out []book.Line
	for _, l := range b.Lots() {
		for _, x := range b.Lines(l.ID) {
			// Of another lot's page it is a line too: once is enough.
			if x.Lot == l.ID && !x.At.Before(from) && x.At.Before(to) {
				out = append(out, x)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b book.Line) int { return a.At.Compare(b.At) })
	return out
}

// Water sums up what each probe said with from <= its time < to.
func (k *keeper) Water(ctx context.Context, from, to time.Time) ([]pages.Water, error) {
	var out []pages.Water
	// Hours are counted whole: the last one may not be over yet.
	n := max(1, int((to.Sub(from)+time.Hour-1)/time.Hour))
	for i := range k.site.Probes {
		w := pages.Water{Probe: &k.site.Probes[i]}
		hours, err := k.history.Buckets(ctx, w.Probe.ID, from, from.Add(time.Duration(n)*time.Hour), n)
		if err != nil {
			return nil, err
		}
		for _, h := range hours {
			switch {
			case h.Count == 0:
				w.Without++
				continue
			case w.Count == 0:
				w.Min, w.Max = h.Min, h.Max
			default:
				w.Min, w.Max = min(w.Min, h.Min), max(w.Max, h.Max)
			}
			w.Count += h.Count
			w.Mean += (h.Mean - w.Mean) * float64(h.Count) / float64(w.Count)
		}
		out = append(out, w)
	}
	return out, nil
}
