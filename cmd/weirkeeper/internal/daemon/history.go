package daemon

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"weirkeeper/ingest/series"
	"weirkeeper/rules"
)

// SeriesFolder is the folder of sealed history in the data folder.
const SeriesFolder = "series"

// VerifyCommand is the hidden command that compares a sealed period with the
// ledger in a process of its own.
const VerifyCommand = "verify-period"

// maintainEvery is how often the daemon looks for periods to seal. It also looks
// soon after the start.
const maintainEvery = 24 * time.Hour

// dropEvery is how often a month may be dropped to make room.
const dropEvery = time.Hour

// openHistory opens sealed history; memory is how far a restart looks back. A
// damaged period is set aside and said; it does not keep the daemon from
// watching.
func (d *Daemon) openHistory(ctx context.Context, memory time.Duration) error {
	self, err := os.Executable()
	if err != nil {
		return fmt.Errorf("daemon: find this program for the check of sealed history: %w", err)
	}
	d.history, err = series.Open(ctx, series.Options{
		Dir: filepath.Join(d.opt.Config.Paths.Data, SeriesFolder), Keep: d.opt.Config.History.Keep,
		Grace:  max(2*24*time.Hour, memory+24*time.Hour), // what a restart looks back at is not sealed yet
		Ledger: d.ledger, Verify: series.Child(self, VerifyCommand), Now: d.opt.Clock.Now, Log: d.opt.Log,
		OnDamaged: func(period string, cause error) {
			d.damage.Store(&partNews{false, fmt.Sprintf("period %s cannot be read and is set aside: %v", period, cause)})
		},
	})
	return err
}

// runHistory seals what is due, soon after the start and then daily, and makes
// room on a full disk where the site file allows it.
func (d *Daemon) runHistory(ctx context.Context) error {
	tick := d.opt.Clock.Ticker(time.Hour)
	defer tick.Stop()
	d.sayDamage(ctx)
	var last, dropped time.Time
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C():
			now := d.keeper.now()
			if now.Sub(last).Abs() < maintainEvery || !d.keeper.timesAreSure() {
				continue
			}
			last = now
			d.maintain(ctx, now)
			d.readLastYear(ctx, true)
		case <-d.keeper.needYear:
			if d.keeper.timesAreSure() { // else it is asked for again when they are
				d.readLastYear(ctx, false)
			}
		case <-d.keeper.needRoom:
			if now := d.keeper.now(); now.Sub(dropped).Abs() >= dropEvery {
				dropped = now
				d.makeRoom(ctx)
			}
		}
		d.sayDamage(ctx)
	}
}

func (d *Daemon) readLastYear(ctx context.Context, all bool) {
	if err := d.lastYear(ctx, all); err != nil && ctx.Err() == nil {
		d.opt.Log.Warn("last year's temperatures not read; forecasts go on with the recent mean", "err", err)
	}
}

func (d *Daemon) maintain(ctx context.Context, now time.Time) {
	rep, err := d.history.Maintain(ctx, now)
	log := d.opt.Log.With("component", "history")
	if len(rep.Sealed)+len(rep.Rebuilt)+len(rep.Retired) > 0 {
		log.Info("history kept", "sealed", rep.Sealed, "rebuilt", rep.Rebuilt, "retired", rep.Retired, "dropped_from_ledger", rep.Dropped)
	}
	switch {
	case err != nil && !errors.Is(err, context.Canceled):
		log.Error("history not sealed, trying again tomorrow", "err", err)
		d.keeper.tell(ctx, rules.History, false, err.Error())
	case err == nil && !d.damaged():
		d.keeper.tell(ctx, rules.History, true, "sealed and checked")
	}
}

// makeRoom drops the oldest sealed month, if that is allowed, would help, and no
// living lot is counted from it.
func (d *Daemon) makeRoom(ctx context.Context) {
	if !d.opt.Config.History.DropOldest {
		return
	}
	free, size, err := diskRoom(d.opt.Config.Paths.Data)
	if err != nil {
		return // said by the keeper
	}
	var sealed uint64
	oldest := time.Time{}
	for _, p := range d.history.Periods() {
		if p.Damaged == "" {
			if oldest.IsZero() {
				oldest = p.To
			}
			sealed += uint64(p.Bytes) //nolint:gosec // a size is never negative
		}
	}
	switch {
	case oldest.IsZero():
		return
	case free+sealed < nearlyFull(size):
		d.keeper.tell(ctx, rules.History, false, "the disk is nearly full and dropping old history would not help: something else fills it")
		return
	case d.lotsReachBack(ctx, oldest):
		d.keeper.tell(ctx, rules.History, false, "the disk is nearly full and the oldest history is still needed by a lot")
		return
	}
	name, err := d.history.DropOldest(ctx)
	switch {
	case err != nil:
		d.opt.Log.Error("no room made", "err", err)
	case name != "":
		d.opt.Log.Warn("oldest history dropped to make room", "period", name)
		d.keeper.tell(ctx, rules.History, false, "the disk is nearly full: "+name+" was dropped to make room")
	}
}

func (d *Daemon) damaged() bool {
	for _, p := range d.history.Periods() {
		if p.Damaged != "" {
			return true
		}
	}
	return false
}

// sayDamage tells the keeper of a period that was found damaged, by whoever.
func (d *Daemon) sayDamage(ctx context.Context) {
	if n := d.damage.Swap(nil); n != nil {
		d.keeper.tell(ctx, rules.History, n.ok, n.detail)
	}
}

// historyCollector reports what is sealed at each scrape.
type historyCollector struct{ store *series.Store }

var (
	periodsDesc  = prometheus.NewDesc("weirkeeper_history_periods", "Sealed periods that can be read.", nil, nil)
	damagedDesc  = prometheus.NewDesc("weirkeeper_history_damaged_periods", "Sealed periods that cannot be read and are set aside.", nil, nil)
	readingsDesc = prometheus.NewDesc("weirkeeper_history_readings", "Readings in sealed periods.", nil, nil)
	bytesDesc    = prometheus.NewDesc("weirkeeper_history_bytes", "Size of sealed periods on the disk.", nil, nil)
)

func (c historyCollector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{periodsDesc, damagedDesc, readingsDesc, bytesDesc} {
		ch <- d
	}
}

func (c historyCollector) Collect(ch chan<- prometheus.Metric) {
	var good, bad, readings, bytes float64
	for _, p := range c.store.Periods() {
		if p.Damaged != "" {
			bad++
			continue
		}
		good++
		readings += float64(p.Readings)
		bytes += float64(p.Bytes)
	}
	for d, v := range map[*prometheus.Desc]float64{periodsDesc: good, damagedDesc: bad, readingsDesc: readings, bytesDesc: bytes} {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v)
	}
}
