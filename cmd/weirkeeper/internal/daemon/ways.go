package daemon

import (
	"context"
	"log/slog"
	"strings"
	"sync/atomic"
	"time"

	"weirkeeper/notify"
	"weirkeeper/notify/command"
	"weirkeeper/notify/hook"
	"weirkeeper/notify/smtp"
	"weirkeeper/rules"
	"weirkeeper/rules/callout"
)

// way is one way that messages go.
type way struct {
	deliverer notify.Deliverer
	timeout   time.Duration // of one delivery
	perHour   int           // messages at most; 0: any number
	part      rules.Part    // whose health it is
	// run is what the way does besides while the daemon runs, until ctx ends;
	// nil for nothing. It may say more of its part with keeper.parts.say.
	run  func(ctx context.Context) error
	down atomic.Bool
	// told: there was news of it since the start. A first success is some.
	told atomic.Bool
}

// openWays makes what delivers, for each way that the site file sets up.
func (d *Daemon) openWays(log *slog.Logger) (map[callout.Way]*way, error) {
	ways := map[callout.Way]*way{}
	for _, w := range []struct {
		way  callout.Way
		open func(log *slog.Logger) (*way, error) // nil when it is not set up
	}{
		{callout.Email, d.openMail},
		{callout.SMS, d.openTexts},
		{callout.Hook, d.openHooks},
	} {
		opened, err := w.open(log)
		if err != nil {
			return nil, err
		}
		if opened != nil {
			ways[w.way] = opened
		}
	}
	return ways, nil
}

func (d *Daemon) openMail(log *slog.Logger) (*way, error) {
	m := d.opt.Config.Mail
	if m == nil {
		return nil, nil
	}
	password, err := m.Password.Resolve(d.opt.Getenv, d.opt.ReadFile)
	if err != nil {
		return nil, err
	}
	draw := &artist{site: d.opt.Config.Site, standing: d.ledger.Standing, readings: d.history.Readings, now: d.keeper.now, log: log.With("component", "picture")}
	mailer, err := smtp.New(smtp.Options{
		Host: m.Host, Port: m.Port, Mode: smtp.Mode(m.TLS), User: m.User, Password: password, From: m.From, Timeout: m.Timeout, Now: d.keeper.now,
		Attach: draw.attach, Log: log,
	})
	return &way{deliverer: mailer, timeout: 2 * m.Timeout, part: rules.Mail}, err
}

func (d *Daemon) openTexts(log *slog.Logger) (*way, error) {
	s := d.opt.Config.SMS
	switch {
	case s == nil:
		return nil, nil
	case len(s.Run) == 0:
		return d.openModem(s, log)
	}
	runner, err := command.New(command.Options{Run: s.Run, Timeout: s.Timeout})
	return &way{deliverer: runner, timeout: 2 * s.Timeout, perHour: s.PerHour, part: rules.Texts}, err
}

func (d *Daemon) openHooks(*slog.Logger) (*way, error) {
	c := d.opt.Config
	if len(c.Hooks) == 0 {
		return nil, nil
	}
	opt := hook.Options{Site: c.Site.Name, Location: c.Site.Location}
	longest := time.Duration(0)
	for _, h := range c.Hooks {
		token, err := h.Token.Resolve(d.opt.Getenv, d.opt.ReadFile)
		if err != nil {
			return nil, err
		}
		opt.Hooks = append(opt.Hooks, hook.Hook{
			Name: h.Name, URL: h.URL, Method: h.Method, ContentType: h.ContentType, Body: h.Body, Token: token, Timeout: h.Timeout,
		})
		longest = max(longest, h.Timeout)
	}
	caller, err := hook.New(opt)
	return &way{deliverer: caller, timeout: 2 * longest, part: rules.Hooks}, err
}

// openSender makes the sender for the ways there are; without any there is none.
func (d *Daemon) openSender(log *slog.Logger) (err error) {
	if d.ways, err = d.openWays(log); err != nil || len(d.ways) == 0 {
		return err
	}
	opt := notify.SenderOptions{
		Outbox: d.keeper.outbox, Now: d.keeper.now, Log: log, Location: d.opt.Config.Site.Location,
		Deliverers: map[callout.Way]notify.Deliverer{}, Timeouts: map[callout.Way]time.Duration{}, Quota: map[callout.Way]int{},
		OnHealth: func(name callout.Way, ok bool, detail string) {
			w := d.ways[name]
			w.told.Store(true)
			w.down.Store(!ok)
			d.keeper.parts.say(w.part, "sender", ok, detail)
		},
		OnPerson: func(ok bool, detail string) { d.keeper.parts.say(rules.Person, "sender", ok, detail) },
		OnQuota:  func(reached bool, detail string) { d.keeper.parts.say(rules.Quota, "sender", !reached, detail) },
		Count: func(name callout.Way, o notify.Outcome, n int) {
			d.keeper.metrics.mail.WithLabelValues(string(name), string(o)).Add(float64(n))
			if w := d.ways[name]; w != nil && o == notify.Sent && n > 0 && w.told.CompareAndSwap(false, true) {
				d.keeper.parts.say(w.part, "sender", true, notify.GoesOut(name))
			}
		},
	}
	for name, w := range d.ways {
		for _, o := range notify.Outcomes() {
			d.keeper.metrics.mail.WithLabelValues(string(name), string(o))
		}
		opt.Deliverers[name], opt.Timeouts[name], opt.Quota[name] = w.deliverer, w.timeout, w.perHour
	}
	d.sender = notify.NewSender(opt)
	return nil
}

// waysDown is "" while messages go out by every way, else which do not, and whether
// those are all there are.
func (d *Daemon) waysDown() (s string, all bool) {
	var down []string
	for _, name := range callout.Ways() {
		if w := d.ways[name]; w != nil && w.down.Load() {
			down = append(down, notify.Stuck(name))
		}
	}
	s = strings.Join(down, ", ")
	if all = len(down) == len(d.ways) && s != ""; all {
		s += ": call-outs reach nobody"
	}
	return s, all
}
