package daemon

import (
	"context"

	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
)

// nowPage is what the first page sees of the daemon.
type nowPage struct {
	*keeper
	d *Daemon
}

// Status is the state at the last tick.
func (p nowPage) Status() *status.Status { return p.d.Status() }

// Health is what is wrong with the daemon itself.
func (p nowPage) Health() string { return p.d.Health() }

// AcknowledgeOnPage records a human's answer; see keeper.Acknowledge.
func (p nowPage) AcknowledgeOnPage(ctx context.Context, key alarm.Key, by string) (string, error) {
	return p.acknowledgeBy(ctx, key, by, viaPage)
}

// ResetOnPage lets go a latched alarm; see keeper.Reset.
func (p nowPage) ResetOnPage(ctx context.Context, key alarm.Key, by string) (string, error) {
	return p.Reset(ctx, key, by)
}

// TakeAct records what somebody has done about alarms; see keeper.Act.
func (p nowPage) TakeAct(ctx context.Context, a act.Act) (string, error) {
	return p.Act(ctx, web.ActCommand{Act: a})
}
