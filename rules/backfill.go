package rules

import "time"

// backfill feeds what looks back over days with what had come before the first
// reading that Rebuild takes.
func (e *Engine) backfill(past Past, before time.Time) {
	if past.History == nil {
		return
	}
	for _, c := range e.checks {
		b, ok := c.det.(backfiller)
		if !ok {
			continue
		}
		for r := range past.History(c.probe.def.ID, before.Add(-b.lookback()), before.Add(time.Hour)) {
			if r.Current() && r.ArrivedAt.Before(before) {
				b.took(&r)
			}
		}
	}
}
