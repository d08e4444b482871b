package daemon

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/ingest"
	"weirkeeper/rules/alarm"
)

// metrics are the counters the keeper moves. Labels come from the code and the
// site file only, never off the wire.
type metrics struct {
	readings     *prometheus.CounterVec
	stored       prometheus.Counter
	duplicates   prometheus.Counter
	commit       prometheus.Histogram
	commitErrors prometheus.Counter
	transitions  *prometheus.CounterVec
	mail         *prometheus.CounterVec
	answers      *prometheus.CounterVec
	link         prometheus.Gauge
	steps        prometheus.Counter
	reloads      *prometheus.CounterVec
	unsafe, lost prometheus.Counter
	heartbeats   *prometheus.CounterVec
	horns, peers *prometheus.GaugeVec
	diskFree     prometheus.Gauge
	diskSize     prometheus.Gauge
}

func newMetrics(reg prometheus.Registerer) *metrics {
	m := &metrics{
		readings: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "weirkeeper_readings_total", Help: "Readings by what became of them.",
		}, []string{"result"}),
		stored: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "weirkeeper_readings_stored_total", Help: "Readings committed to the ledger.",
		}),
		duplicates: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "weirkeeper_readings_already_stored_total", Help: "Readings that the ledger held already.",
		}),
		commit: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "weirkeeper_commit_seconds", Help: "Time of one group commit, fsync included.",
			Buckets: prometheus.ExponentialBuckets(0.0005, 2, 14),
		}),
		commitErrors: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "weirkeeper_commit_errors_total", Help: "Group commits that failed and were tried again.",
		}),
		transitions: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "weirkeeper_alarm_transitions_total", Help: "Alarm transitions by kind of alarm and new state.",
		}, []string{"kind", "to"}),
		mail: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "weirkeeper_deliveries_total", Help: "Deliveries of messages to people by way and result.",
		}, []string{"way", "result"}),
		link: prometheus.NewGauge(prometheus.GaugeOpts{
			Name: "weirkeeper_broker_connected", Help: "1 while connected to the MQTT broker.",
		}),
	}
	m.steps = prometheus.NewCounter(prometheus.CounterOpts{
		Name: "weirkeeper_clock_steps_total", Help: "Times the computer's clock was set.",
	})
	m.reloads = prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "weirkeeper_rules_reloads_total", Help: "Times the rules files were read anew, by what became of it.",
	}, []string{"result"})
	m.heartbeats = prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "weirkeeper_heartbeats_total", Help: "Times an outside watcher was to be told that the daemon lives.",
	}, []string{"watcher", "result"})
	m.horns = prometheus.NewGaugeVec(prometheus.GaugeOpts{
		Name: "weirkeeper_horn_sounding", Help: "1 while the horn is told to sound.",
	}, []string{"horn"})
	m.peers = prometheus.NewGaugeVec(prometheus.GaugeOpts{
		Name: "weirkeeper_peer_silence_seconds", Help: "Time since another daemon last said that it lives; since the start where it never did.",
	}, []string{"peer"})
	m.unsafe = prometheus.NewCounter(prometheus.CounterOpts{
		Name: "weirkeeper_messages_acknowledged_unstored_total", Help: "Messages acknowledged while the ledger could not be written.",
	})
	m.lost = prometheus.NewCounter(prometheus.CounterOpts{
		Name: "weirkeeper_readings_lost_total", Help: "Readings dropped because the ledger could not be written for too long.",
	})
	m.diskFree = prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "weirkeeper_disk_free_bytes", Help: "Free room where the record is kept.",
	})
	m.diskSize = prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "weirkeeper_disk_size_bytes", Help: "Size of the file system where the record is kept.",
	})
	m.answers = prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "weirkeeper_answers_total", Help: "What people answered to call-outs, by how it came and what became of it.",
	}, []string{"via", "outcome"})
	for _, r := range ingest.Results() {
		m.readings.WithLabelValues(string(r))
	}
	for _, o := range web.LinkOutcomes() {
		m.answers.WithLabelValues("link", string(o))
	}
	reg.MustRegister(m.horns, m.peers, m.answers, m.heartbeats, m.steps, m.reloads, m.unsafe, m.lost, m.diskFree, m.diskSize, m.readings, m.stored, m.duplicates, m.commit, m.commitErrors, m.transitions, m.mail, m.link)
	return m
}

// stateCollector reports the keeper's last status at each scrape.
type stateCollector struct {
	status func() *status.Status
	now    func() time.Time
	outbox func(context.Context) (pending int, oldest time.Time, err error)
}

var (
	ageDesc    = prometheus.NewDesc("weirkeeper_probe_reading_age_seconds", "Time since the newest usable reading arrived.", []string{"probe"}, nil)
	activeDesc = prometheus.NewDesc("weirkeeper_alarms_active", "Alarms whose trouble is there now.", []string{"priority"}, nil)
	unitsDesc  = prometheus.NewDesc("weirkeeper_lot_thermal_units", "Thermal units of the lot, degC above its base times days.", []string{"lot"}, nil)
	estDesc    = prometheus.NewDesc("weirkeeper_lot_estimated_seconds", "Time of the lot that was not measured by its own probe.", []string{"lot"}, nil)
	outboxDesc = prometheus.NewDesc("weirkeeper_outbox_depth", "Messages to people not yet handed over.", nil, nil)
	oldestDesc = prometheus.NewDesc("weirkeeper_outbox_oldest_age_seconds", "Age of the oldest message not yet handed over; 0 when none waits.", nil, nil)
)

func (c *stateCollector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{ageDesc, activeDesc, unitsDesc, estDesc, outboxDesc, oldestDesc} {
		ch <- d
	}
}

// scrapeTimeout bounds the question to the ledger.
const scrapeTimeout = 2 * time.Second

func (c *stateCollector) Collect(ch chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	now := c.now()
	if s := c.status(); s != nil {
		for _, p := range s.Probes {
			if p.Heard {
				gauge(ageDesc, (p.Age + now.Sub(s.Now)).Seconds(), string(p.Probe.ID))
			}
		}
		active := s.Active()
		for _, p := range alarm.Priorities() {
			gauge(activeDesc, float64(active[p]), p.String())
		}
		for _, l := range s.Lots {
			gauge(unitsDesc, float64(l.Units.DegreeDays), l.Lot.ID)
			gauge(estDesc, l.Units.Estimated().Seconds(), l.Lot.ID)
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(), scrapeTimeout)
	defer cancel()
	pending, oldest, err := c.outbox(ctx)
	if err != nil {
		return // the scrape goes on without it; commit errors tell the rest
	}
	gauge(outboxDesc, float64(pending))
	age := 0.0
	if pending > 0 {
		age = now.Sub(oldest).Seconds()
	}
	gauge(oldestDesc, age)
}
