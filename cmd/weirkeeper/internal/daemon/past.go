package daemon

import (
	"context"
	"iter"
	"time"

	"weirkeeper/rules/reading"
)

// historyOf gives the engine what the record holds of a probe. What cannot be read
// is left out and logged: a trend over days is not worth a daemon that does not
// start.
func (k *keeper) historyOf(ctx context.Context) func(id reading.ProbeID, from, to time.Time) iter.Seq[reading.Reading] {
	return func(id reading.ProbeID, from, to time.Time) iter.Seq[reading.Reading] {
		return func(yield func(reading.Reading) bool) {
			for r, err := range k.history.Readings(ctx, id, from, to) {
				if err != nil {
					k.log.Warn("readings of the last days not read, a slow drift may be told later", "probe", string(id), "err", err)
					return
				}
				if !yield(r) {
					return
				}
			}
		}
	}
}
