package daemon

import (
	"context"
	"time"

	"weirkeeper/rules"
)

// lookBack gives the engine what the record holds of a probe's last days, one
// probe at a tick: 14 days are some ten thousands of readings. What cannot be read
// is logged: the trend then begins with what is heard.
func (k *keeper) lookBack(ctx context.Context, d rules.Days) {
	if err := k.engine.LookedBack(d, k.history.Readings(ctx, d.Probe, d.From, k.now().Add(24*time.Hour))); err != nil {
		k.log.Warn("readings of the last days not read, a slow drift may be told later", "probe", string(d.Probe), "err", err)
	}
}
