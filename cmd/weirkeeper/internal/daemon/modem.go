package daemon

import (
	"context"
	"log/slog"
	"path/filepath"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"weirkeeper/config"
	"weirkeeper/notify/sms/modem"
	"weirkeeper/rules"
)

// openModem prepares the modem that texts go and come by. It opens nothing: the
// port may not be there yet.
func (d *Daemon) openModem(s *config.SMS, log *slog.Logger) (*way, error) {
	pin, err := s.PIN.Resolve(d.opt.Getenv, d.opt.ReadFile)
	if err != nil {
		return nil, err
	}
	open := d.opt.OpenPort
	if open == nil {
		open = modem.Serial
	}
	m := newModemMetrics(d.registry)
	box := modem.New(modem.Options{
		Open: open(s.Device, s.Baud), PIN: pin, PINFile: filepath.Join(d.opt.Config.Paths.Data, "sim-pin-refused"), Now: d.keeper.now, Wait: waitReal, Zone: d.opt.Config.Site.Location,
		Log: log, SendLimit: s.Timeout,
		OnText: func(ctx context.Context, t modem.Text) error {
			from := t.From
			if from == "" {
				from = strconv.Quote(t.Name) // never to be taken for a number
			}
			_, _, err := d.keeper.Answer(ctx, AnswerIn{ID: t.ID, At: t.At, From: from, Text: t.Body})
			return err
		},
		OnReport: d.reported,
		OnState: func(s modem.State) {
			m.state(s)
			words := s.Trouble()
			if words == "" && !s.Network.Registered() {
				return // nothing is known yet
			}
			if words == "" {
				words = "the modem is in the network"
			}
			d.keeper.parts.say(rules.Texts, "modem", s.Trouble() == "", words)
		},
		Count: func(e modem.Event) { m.events.WithLabelValues(string(e)).Inc() },
	})
	return &way{deliverer: box, timeout: 2 * s.Timeout, perHour: s.PerHour, part: rules.Texts, run: box.Run}, nil
}

// reported notes what became of a text after it was handed over. One that did not
// arrive goes by the next way at once.
func (d *Daemon) reported(r modem.Report) {
	ctx, cancel := context.WithTimeout(context.Background(), reportTime)
	defer cancel()
	if err := d.keeper.outbox.MarkReport(ctx, r.ID, r.Delivered, r.Words, d.keeper.now()); err != nil {
		d.opt.Log.Warn("delivery report not written down", "component", "modem", "message", r.ID, "delivered", r.Delivered, "err", err)
		return
	}
	if !r.Delivered {
		d.keeper.wakeSender()
	}
}

// reportTime bounds the record of a delivery report.
const reportTime = 10 * time.Second

// waitReal waits by the machine's steady clock.
func waitReal(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// modemMetrics are those of the modem.
type modemMetrics struct {
	events                                 *prometheus.CounterVec
	port, registered, signal, used, places prometheus.Gauge
}

func newModemMetrics(reg prometheus.Registerer) *modemMetrics {
	gauge := func(name, help string) prometheus.Gauge {
		g := prometheus.NewGauge(prometheus.GaugeOpts{Name: name, Help: help})
		reg.MustRegister(g)
		return g
	}
	m := &modemMetrics{
		events:     prometheus.NewCounterVec(prometheus.CounterOpts{Name: "weirkeeper_modem_events_total", Help: "What happened at the modem."}, []string{"event"}),
		port:       gauge("weirkeeper_modem_port_open", "1 while the modem answers on its port."),
		registered: gauge("weirkeeper_modem_registered", "1 while the modem is in a network."),
		signal:     gauge("weirkeeper_modem_signal_dbm", "Received signal strength in dBm; 0 when not known."),
		used:       gauge("weirkeeper_modem_texts_stored", "Received texts in the modem's memory."),
		places:     gauge("weirkeeper_modem_texts_capacity", "Places in the modem's memory for received texts; 0 when not known."),
	}
	reg.MustRegister(m.events)
	for _, e := range modem.Events() {
		m.events.WithLabelValues(string(e))
	}
	return m
}

func (m *modemMetrics) state(s modem.State) {
	yes := map[bool]float64{true: 1}
	m.port.Set(yes[s.Port])
	m.registered.Set(yes[s.Network.Registered()])
	m.signal.Set(float64(s.SignalDBm))
	m.used.Set(float64(s.StoreUsed))
	m.places.Set(float64(s.StoreTotal))
}
