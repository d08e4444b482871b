package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"sync"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"

	"weirkeeper/cmd/weirkeeper/internal/clock"
	"weirkeeper/config"
	"weirkeeper/rules"
	"weirkeeper/rules/callout"
)

// runHeartbeats tells the outside watchers that we live, while we do: a daemon
// that does not watch, or whose call-outs reach nobody, keeps silent, and so
// somebody is woken from outside.
func (d *Daemon) runHeartbeats(ctx context.Context) error {
	var wg sync.WaitGroup
	for h, tick := range d.beats {
		wg.Go(func() { d.heartbeat(ctx, h, tick) })
	}
	wg.Wait()
	<-ctx.Done()
	return nil
}

// openHeartbeats makes what the heartbeats and the watchdog go by.
func (d *Daemon) openHeartbeats() {
	d.beats = make(map[*config.Heartbeat]clock.Ticker)
	for i := range d.opt.Config.Heartbeats {
		if h := &d.opt.Config.Heartbeats[i]; h.URL != "" {
			d.beats[h] = d.opt.Clock.Ticker(h.Every)
		}
	}
	every, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		d.opt.Log.Warn("watchdog of the service manager not understood", "component", "watchdog", "err", err)
	}
	if every > 0 {
		d.watchdog = d.opt.Clock.Ticker(max(every/3, 10*time.Millisecond))
	}
}

func (d *Daemon) heartbeat(ctx context.Context, h *config.Heartbeat, tick clock.Ticker) {
	defer tick.Stop()
	log := d.opt.Log.With("component", "heartbeat", "watcher", h.Name)
	client := &http.Client{Timeout: h.Timeout, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	defer client.CloseIdleConnections()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C():
		}
		if d.lifeless() != "" {
			continue
		}
		err := beatOnce(ctx, client, h.URL)
		if ctx.Err() != nil {
			return
		}
		d.keeper.metrics.heartbeats.WithLabelValues(h.Name, map[bool]string{true: "told", false: "failed"}[err == nil]).Inc()
		if !d.outside.set(h.Name, err) {
			continue
		}
		if err != nil {
			log.Warn("outside watcher not told", "err", err)
		}
		d.keeper.tell(ctx, rules.Outside, d.outside.well(), d.outside.words())
	}
}

// beatOnce makes one request. The error does not hold the address, which may be a
// secret.
func beatOnce(ctx context.Context, client *http.Client, to string) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, to, nil)
	if err != nil {
		return errors.New("its address is not one")
	}
	resp, err := client.Do(req)
	if u := (*url.Error)(nil); errors.As(err, &u) {
		err = u.Err
	}
	if err != nil {
		return err
	}
	defer func() { _ = resp.Body.Close() }()
	_, _ = io.CopyN(io.Discard, resp.Body, 4096) // so that the connection is used again
	if resp.StatusCode/100 != 2 {
		return fmt.Errorf("it answered %s", resp.Status)
	}
	return nil
}

// outside is which outside watchers cannot be told.
type outside struct {
	mu     sync.Mutex
	failed map[string]string
	known  map[string]bool
}

// set notes how it went with one, and reports whether that is news.
func (o *outside) set(name string, err error) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.failed == nil {
		o.failed, o.known = make(map[string]string), make(map[string]bool)
	}
	_, was := o.failed[name]
	news := !o.known[name] || was != (err != nil)
	o.known[name] = true
	delete(o.failed, name)
	if err != nil {
		o.failed[name] = err.Error()
	}
	return news
}

func (o *outside) well() bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(o.failed) == 0
}

func (o *outside) words() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	for name, why := range o.failed {
		if len(o.failed) == 1 {
			return name + ": " + why
		}
		return fmt.Sprintf("%d outside watchers cannot be told", len(o.failed))
	}
	return "told"
}

// mailBeats writes the mails that must arrive, when they are due. The newest of
// each is found in the outbox after a restart.
type mailBeats struct {
	list []config.Heartbeat
	site string
	last map[string]time.Time
}

func newMailBeats(c *config.Config) *mailBeats {
	b := &mailBeats{site: c.Site.Name, last: make(map[string]time.Time)}
	for _, h := range c.Heartbeats {
		if h.Email != "" {
			b.list = append(b.list, h)
		}
	}
	return b
}

// longest is how far back the newest mails must be looked for.
func (b *mailBeats) longest() (d time.Duration) {
	for _, h := range b.list {
		d = max(d, h.Every)
	}
	return d
}

func (b *mailBeats) restore(messages []callout.Message) {
	for _, m := range messages {
		if m.Reason == callout.Heartbeat && m.CreatedAt.After(b.last[m.Person]) {
			b.last[m.Person] = m.CreatedAt
		}
	}
}

// due gives the mails to send now.
func (b *mailBeats) due(now time.Time) (out []callout.Message) {
	for _, h := range b.list {
		if at := b.last[h.Name]; !at.IsZero() && now.Sub(at).Abs() < h.Every {
			continue
		}
		b.last[h.Name] = now
		out = append(out, callout.Message{
			ID: newMessageID(now), Reason: callout.Heartbeat, Person: h.Name, Way: callout.Email, Address: h.Email,
			Subject:   b.site + ": weirkeeper is watching",
			Text:      b.site + " is being watched. This mail comes regularly: if it does not come, something is\nwrong with the computer, its power or its internet line. Look at the water then.\n",
			Short:     b.site + ": weirkeeper is watching.",
			CreatedAt: now.UTC(), ExpiresAt: now.UTC().Add(h.Every),
		})
	}
	return out
}

// runWatchdog tells the service manager (sd_notify(3)) that we are ready, and
// while the keeper ticks that we live, so that it restarts us when it does not.
// What is wrong outside this process is no reason: a restart would not help.
func (d *Daemon) runWatchdog(ctx context.Context) error {
	notify := func(state string) {
		if _, err := daemon.SdNotify(false, state); err != nil {
			d.opt.Log.Warn("service manager not told", "component", "watchdog", "state", state, "err", err)
		}
	}
	notify(daemon.SdNotifyReady)
	defer notify(daemon.SdNotifyStopping)
	if d.watchdog == nil {
		<-ctx.Done()
		return nil
	}
	defer d.watchdog.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-d.watchdog.C():
			if d.ticking() {
				notify(daemon.SdNotifyWatchdog)
			}
		}
	}
}

// ticking reports whether the keeper goes on.
func (d *Daemon) ticking() bool {
	beat := d.keeper.beat.Load()
	return beat != 0 && d.keeper.now().Sub(time.UnixMicro(beat)) <= 10*d.opt.TickEvery+5*time.Second
}
