package daemon

import (
	"context"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/lotform"
	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/rules"
)

// LotViews is every lot as it stands.
func (k *keeper) LotViews(ctx context.Context) (lots []rules.LotView, at time.Time, err error) {
	err = k.ask(ctx, func(now time.Time) error {
		lots, at = k.engine.Lots(now), now
		return nil
	})
	return lots, at, err
}

// LotView is a lot with its record; nil where there is none of that name.
func (k *keeper) LotView(ctx context.Context, id string) (s *rules.LotSheet, at time.Time, err error) {
	err = k.ask(ctx, func(now time.Time) error {
		s, _ = k.engine.Sheet(id, now)
		at = now
		return nil
	})
	return s, at, err
}

// EnterWritten writes what a form says into the lots' record, as EnterLot does.
func (k *keeper) EnterWritten(ctx context.Context, c lotform.Command) (string, error) {
	return k.EnterLot(ctx, web.LotCommand{Entry: c.Entry, When: c.When, EggTake: c.EggTake})
}
