package ingest

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"weirkeeper/ingest/payload"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// Message is one MQTT message as it arrived.
type Message struct {
	Topic   string
	Payload []byte
	QoS     byte
	// Retained is set on what the broker kept from before the subscription.
	Retained bool
	// Dup is set on what the broker may have sent before.
	Dup bool
	// MID is the packet identifier, 0 for QoS 0.
	MID uint16
	// ArrivedAt is the daemon's clock when it came.
	ArrivedAt time.Time
	// Ack acknowledges it to the broker; nil where there is nothing to do. It
	// returns at once and may be called from any goroutine. See Acknowledge.
	Ack func()
}

// Acknowledge tells the broker that the message is safe. Call it once, after
// the commit.
func (m Message) Acknowledge() {
	if m.Ack != nil {
		m.Ack()
	}
}

// Result is what became of a reading or message: a bounded set, for metrics.
type Result string

// The results. Those from Stored to OutOfRange are kept; a reading to which
// several apply counts under the last of them.
const (
	Stored     Result = "stored"
	OutOfOrder Result = "out_of_order"
	Late       Result = "late"
	FutureTime Result = "future_time"
	OutOfRange Result = "out_of_range"
	// Duplicate is a reading with its own time, equal to the probe's newest.
	Duplicate Result = "duplicate"
	// Redelivered is a message the broker sent again after it was taken.
	Redelivered Result = "redelivered"
	// RetainedUntimed is an old state of unknown age.
	RetainedUntimed Result = "retained_untimed"
	// BadPayload is a fault of the payload; Outcome.Err describes it. A value
	// whose time alone is faulty gives a stored reading and a bad payload.
	BadPayload Result = "bad_payload"
	// UnknownTopic is a message on a topic no probe has.
	UnknownTopic Result = "unknown_topic"
)

// Results lists every result.
func Results() []Result {
	return []Result{Stored, OutOfOrder, Late, FutureTime, OutOfRange, Duplicate, Redelivered, RetainedUntimed, BadPayload, UnknownTopic}
}

// Outcome is what became of one reading of a message, or of the message.
type Outcome struct {
	Probe  reading.ProbeID // "" where the fault is not one probe's
	Result Result
	// Reading is set unless Result is BadPayload or UnknownTopic.
	Reading reading.Reading
	// Keep says that the reading goes to the ledger.
	Keep bool
	// Err is set for BadPayload and UnknownTopic; it is safe to log.
	Err error
}

// Options are the tolerances of an Intake.
type Options struct {
	// FutureTolerance is how far a device's clock may be ahead of ours before
	// it is not believed; 0 means 2 minutes (common practice, no source).
	FutureTolerance time.Duration
}

// notBefore is the earliest device time that is believed: clocks that lost
// their setting say 1970 or 2000.
var notBefore = time.Date(2010, 1, 1, 0, 0, 0, 0, time.UTC)

// notAfter is the latest device time that is believed while our own clock is
// not to be trusted.
var notAfter = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)

// lateAfter is the least age at which a sample is late; probes that report
// seldom are given three of their intervals (common practice, no source).
const lateAfter = 5 * time.Minute

// InFlightWindow is how many messages back a redelivery is recognised. A broker
// has fewer under way to one client.
const InFlightWindow = 8192

// Intake judges messages. It belongs to one goroutine.
type Intake struct {
	future time.Duration
	topics map[string]*payload.Decoder
	probes map[reading.ProbeID]*site.Probe
	newest map[reading.ProbeID]newest
	// The last messages by packet identifier, in two generations: young takes
	// new ones and becomes old when it holds InFlightWindow of them.
	young, old map[uint16]taken
	// untrusted: our own clock is known to be wrong.
	untrusted bool
	// lastFirst is when the last message came that was not marked as sent again.
	lastFirst time.Time
}

type newest struct {
	at    time.Time
	value float64
}

// taken is the latest message that came under a packet identifier.
type taken struct {
	arrived  time.Time
	readings []reading.Reading
}

// NewIntake makes an Intake for the probes of a site. It fails when probes that
// share a topic cannot be told apart in its payloads.
func NewIntake(s *site.Site, opt Options) (*Intake, error) {
	if opt.FutureTolerance == 0 {
		opt.FutureTolerance = 2 * time.Minute
	}
	in := &Intake{
		future: opt.FutureTolerance,
		topics: make(map[string]*payload.Decoder),
		probes: make(map[reading.ProbeID]*site.Probe),
		newest: make(map[reading.ProbeID]newest),
		young:  make(map[uint16]taken),
	}
	sharing := make(map[string][]site.Probe)
	for i := range s.Probes {
		p := &s.Probes[i]
		in.probes[p.ID] = p
		sharing[p.Topic] = append(sharing[p.Topic], *p)
	}
	for topic, probes := range sharing {
		d, err := payload.NewDecoder(probes)
		if err != nil {
			return nil, fmt.Errorf("ingest: %w", err)
		}
		in.topics[topic] = d
	}
	return in, nil
}

// Topics are the topics of the site's probes, sorted.
func (in *Intake) Topics() []string { return slices.Sorted(maps.Keys(in.topics)) }

// Seen tells what the ledger holds, in any order, so that after a restart
// redelivered and duplicate readings are still recognised: the last
// InFlightWindow readings, and the newest of each probe.
func (in *Intake) Seen(r reading.Reading) {
	in.advance(r)
	if r.MID == 0 {
		return
	}
	t, _ := in.under(r.MID)
	switch {
	case t.arrived.Equal(r.ArrivedAt):
		t.readings = append(t.readings, r)
	case r.ArrivedAt.After(t.arrived):
		t = taken{r.ArrivedAt, []reading.Reading{r}}
	default:
		return
	}
	in.remember(r.MID, t)
}

// TrustClock says whether our own clock is right. While it is not, readings
// that stand at its time are flagged ClockUntrusted, and a probe's own time is
// believed even if it is ahead.
func (in *Intake) TrustClock(ok bool) { in.untrusted = !ok }

// ClockStepped says that our own clock was set: what came before is no measure
// for the order of what comes now.
func (in *Intake) ClockStepped() { clear(in.newest) }

// Take judges a message. A payload may hold several readings, so there may be
// several outcomes; there is always at least one.
func (in *Intake) Take(m Message) []Outcome {
	d, ok := in.topics[m.Topic]
	if !ok {
		return []Outcome{{Result: UnknownTopic, Err: fmt.Errorf("ingest: no probe has the topic %s; add one to the site file or stop sending it", payload.Excerpt([]byte(m.Topic)))}}
	}
	// Microseconds are what the ledger keeps, so that a reading compares equal
	// to its row.
	m.ArrivedAt = m.ArrivedAt.UTC().Truncate(time.Microsecond)
	samples, errs := d.Decode(m.Payload, m.ArrivedAt)
	out := make([]Outcome, 0, len(samples)+len(errs))
	var readings []reading.Reading
	repeated := 0
	for _, s := range samples {
		o := in.judge(m, s)
		out = append(out, o)
		if o.Result == Redelivered {
			repeated++
		} else if o.Result != RetainedUntimed {
			readings = append(readings, o.Reading)
		}
	}
	if m.MID != 0 && len(readings) > 0 && repeated == 0 {
		in.remember(m.MID, taken{m.ArrivedAt, readings})
	}
	for _, err := range errs {
		o := Outcome{Result: BadPayload, Err: fmt.Errorf("ingest: topic %q: %w (payload %s)", m.Topic, err, payload.Excerpt(m.Payload))}
		if pe, ok := errors.AsType[*payload.Error](err); ok {
			o.Probe = pe.Probe
		}
		out = append(out, o)
	}
	return out
}

func (in *Intake) judge(m Message, s payload.Sample) Outcome {
	p := in.probes[s.Probe]
	r := reading.Reading{
		Probe: s.Probe, At: m.ArrivedAt, ArrivedAt: m.ArrivedAt,
		DeviceAt: s.DeviceAt.Truncate(time.Microsecond), Value: s.Value, MID: m.MID,
	}
	result := Stored
	switch {
	case in.untrusted && r.DeviceAt.After(m.ArrivedAt) && r.DeviceAt.Before(notAfter):
		// The probe's clock may well be right and ours is not.
		r.At = r.DeviceAt
		r.Flags |= reading.DeviceTimed
	case r.DeviceAt.After(m.ArrivedAt.Add(in.future)):
		r.Flags |= reading.FutureTime
	case !r.DeviceAt.Before(notBefore):
		r.At = r.DeviceAt
		r.Flags |= reading.DeviceTimed
	}
	if in.untrusted && !r.Flags.Has(reading.DeviceTimed) {
		r.Flags |= reading.ClockUntrusted
	}
	if m.Retained {
		r.Flags |= reading.Retained
		// A retained value is as old as its time says; without one that can be
		// believed it may be of last year.
		if !r.Flags.Has(reading.DeviceTimed) || s.Relative {
			return Outcome{Probe: s.Probe, Result: RetainedUntimed, Reading: r}
		}
	}
	if m.Dup {
		r.Flags |= reading.Redelivered
		if m.MID != 0 && in.repeats(r, s.Relative) {
			return Outcome{Probe: s.Probe, Result: Redelivered, Reading: r}
		}
	}
	last, known := in.newest[s.Probe]
	if known && last.at.After(m.ArrivedAt.Add(in.future)) {
		// Our own clock was set back since. To go on comparing would leave the
		// probe out of order until the clock has caught up.
		delete(in.newest, s.Probe)
		known = false
	}
	if known && r.Flags.Has(reading.DeviceTimed) && r.At.Equal(last.at) && r.Value == last.value {
		return Outcome{Probe: s.Probe, Result: Duplicate, Reading: r}
	}
	if known && r.At.Before(last.at) {
		r.Flags |= reading.OutOfOrder
		result = OutOfOrder
	}
	if m.ArrivedAt.Sub(r.At) > max(3*p.Every, lateAfter) {
		r.Flags |= reading.Late
		result = Late
	}
	if r.Flags.Has(reading.FutureTime) {
		result = FutureTime
	}
	if r.Value < p.Low || r.Value > p.High {
		r.Flags |= reading.OutOfRange
		result = OutOfRange
	}
	in.advance(r)
	return Outcome{Probe: s.Probe, Result: result, Reading: r, Keep: true}
}

func (in *Intake) advance(r reading.Reading) {
	if last, ok := in.newest[r.Probe]; !ok || !r.At.Before(last.at) {
		in.newest[r.Probe] = newest{r.At, r.Value}
	}
}

// underWay is how long before the last new message one could have come whose
// acknowledgement the broker did not get. An older message under the same
// identifier is another one: a broker that was started anew counts from the
// beginning again.
const underWay = 10 * time.Minute

// repeats reports whether r came before under the same packet identifier. A
// broker cannot use an identifier again before it was acknowledged, so the
// latest message under it is the one it sends again.
func (in *Intake) repeats(r reading.Reading, relative bool) bool {
	t, ok := in.under(r.MID)
	if !ok || t.arrived.Before(in.lastFirst.Add(-underWay)) {
		return false
	}
	return slices.ContainsFunc(t.readings, func(o reading.Reading) bool {
		if o.Probe != r.Probe || o.Value != r.Value {
			return false
		}
		if relative && !o.DeviceAt.IsZero() {
			return o.ArrivedAt.Sub(o.DeviceAt) == r.ArrivedAt.Sub(r.DeviceAt)
		}
		return o.DeviceAt.Equal(r.DeviceAt)
	})
}

func (in *Intake) under(mid uint16) (taken, bool) {
	if t, ok := in.young[mid]; ok {
		return t, true
	}
	t, ok := in.old[mid]
	return t, ok
}

func (in *Intake) remember(mid uint16, t taken) {
	if t.arrived.After(in.lastFirst) {
		in.lastFirst = t.arrived
	}
	if len(in.young) >= InFlightWindow {
		in.young, in.old = make(map[uint16]taken), in.young
	}
	in.young[mid] = t
}
