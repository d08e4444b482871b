package sim

import (
	"fmt"
	"math"
	"slices"
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
	"weirkeeper/rules/water"
)

// Options is what a Model may be told besides its site.
type Options struct {
	// Seed chooses the noise.
	Seed int64
	// Start is the simulated time it begins at.
	Start time.Time
	// Troubles are what goes wrong.
	Troubles []Trouble
}

// Model is the simulated hatchery at one moment. It is not safe for concurrent
// use.
type Model struct {
	site     *site.Site
	seed     uint64
	start    time.Time
	troubles []Trouble

	spring string // name of the spring, "" when the site has none
	units  []*unit
	steps  int64 // done since start

	springLPM, springC, springMgL float64
	headLPM, headC, headMgL       float64
	overflowLPM                   float64

	topics []*topic
	until  time.Time // Due has given everything up to here
}

// step is the time between two states of the water. States lie on multiples of
// it from the start, so that it does not matter how time is cut up.
const step = 10 * time.Second

// unit is the water of one unit that holds stock.
type unit struct {
	site.Unit
	volumeL, designLPM float64
	// demand is what the stock takes at 8 degC on the day's mean, mg/min.
	demand float64
	// exchange is the share of the difference to the surroundings that the
	// water takes on in a minute.
	exchange float64
	outdoors bool

	flowLPM, tempC, oxygenMgL float64
}

// UnitWater is the water of one unit.
type UnitWater struct {
	Flow   measure.FlowLPM
	Temp   measure.TempC
	Oxygen measure.OxygenMgL
}

// Water is the true state of all the water.
type Water struct {
	// At is when it was so: the latest step not after the time asked for.
	At time.Time
	// Spring is where it rises, HeadBox what of it arrives, before it is split.
	Spring, HeadBox UnitWater
	// Overflow is what the head box spills, L/min, 0 or more.
	Overflow measure.FlowLPM
	// Units is every unit that holds stock, by name.
	Units map[string]UnitWater
}

func holdsStock(k site.Kind) bool { return k != site.Spring && k != site.HeadBox }

// What a unit is like when the site file does not say: common practice, no
// source. A stack commonly runs 4 to 4.5 US gal/min, a trough 10.
var typical = map[site.Kind]struct {
	designLPM float64
	turnover  float64 // minutes of the design flow in the volume
	stockKg   float64 // fish for each L/min of the design flow
	exchange  float64 // share of the difference to the surroundings at design flow
	outdoors  bool
}{
	site.Stack:      {16, 4, 0, 0.02, false},
	site.Trough:     {38, 8, 0.15, 0.02, false},
	site.DeepTrough: {75, 15, 0.7, 0.02, true},
	site.Raceway:    {400, 45, 0.9, 0.03, true},
}

// What the stock takes at 8 degC: common practice, no source.
const (
	fishMgPerKgHour  = 200
	eggMgPerHour     = 0.004
	demandDoublesPer = 10 // degC
)

// Share of saturation of the water as it springs and after the head box:
// common practice, no source.
const (
	springSaturation  = 0.90
	headBoxSaturation = 0.97
)

// New builds the hatchery as it is after a long quiet time; a trouble of the
// water that starts at once shows a step later. Every unit that holds stock
// draws from the spring.
//
// Errors: a trouble that is not sound or whose place is not there; a probe at
// an unknown unit; probes of one topic whose payloads cannot be one; a pressure
// outside the domain of the oxygen equations.
func New(s *site.Site, opt Options) (*Model, error) {
	m := &Model{site: s, seed: uint64(opt.Seed), start: opt.Start, until: opt.Start}
	var troubles []Trouble
	if _, err := water.SaturationMgL(8, s.PressureHPa); err != nil {
		return nil, fmt.Errorf("sim: site %q: %w", s.Name, err)
	}
	for _, t := range opt.Troubles {
		full, err := t.filled()
		if err != nil {
			return nil, fmt.Errorf("sim: trouble %q: %w", t, err)
		}
		if err := full.placed(s); err != nil {
			return nil, err
		}
		troubles = append(troubles, full)
	}
	for _, u := range s.Units {
		if u.Kind == site.Spring && m.spring == "" {
			m.spring = u.Name
		}
		if holdsStock(u.Kind) {
			m.units = append(m.units, newUnit(u, s.Lots))
		}
	}
	if err := m.newTopics(); err != nil {
		return nil, err
	}
	m.flows(m.start)
	for _, u := range m.units {
		u.tempC, u.oxygenMgL = m.headC, m.headMgL
		// Ten turnovers of a hundredth-wise settling are a long quiet time.
		for range 1000 {
			m.settle(u, m.start, u.volumeL/u.flowLPM/100)
		}
	}
	m.troubles = troubles
	return m, nil
}

func newUnit(u site.Unit, lots []lot.Lot) *unit {
	k := typical[u.Kind]
	w := &unit{Unit: u, volumeL: float64(u.VolumeL), designLPM: float64(u.DesignFlowLPM), outdoors: k.outdoors}
	if w.designLPM == 0 {
		w.designLPM = k.designLPM
	}
	if w.volumeL == 0 {
		w.volumeL = k.turnover * w.designLPM
	}
	w.exchange = k.exchange * w.designLPM / w.volumeL
	w.demand = k.stockKg * w.designLPM * fishMgPerKgHour / 60
	for _, l := range lots {
		if l.Unit() == u.Name {
			w.demand += float64(l.Eggs) * eggMgPerHour / 60
		}
	}
	return w
}

// Water is the water at the time Due has come to.
func (m *Model) Water() Water {
	w := Water{
		At:       m.start.Add(time.Duration(m.steps) * step),
		Spring:   UnitWater{measure.FlowLPM(m.springLPM), measure.TempC(m.springC), measure.OxygenMgL(m.springMgL)},
		HeadBox:  UnitWater{measure.FlowLPM(m.headLPM), measure.TempC(m.headC), measure.OxygenMgL(m.headMgL)},
		Overflow: measure.FlowLPM(m.overflowLPM),
		Units:    make(map[string]UnitWater, len(m.units)),
	}
	for _, u := range m.units {
		w.Units[u.Name] = UnitWater{measure.FlowLPM(u.flowLPM), measure.TempC(u.tempC), measure.OxygenMgL(u.oxygenMgL)}
	}
	return w
}

// advance moves the water on to the latest step not after a time.
func (m *Model) advance(to time.Time) {
	for last := int64(to.Sub(m.start) / step); m.steps < last; {
		m.steps++
		at := m.start.Add(time.Duration(m.steps) * step)
		m.flows(at)
		for _, u := range m.units {
			m.settle(u, at, step.Minutes())
		}
	}
}

// flows works out the spring, the head box and the flow of every unit.
func (m *Model) flows(at time.Time) {
	since := at.Sub(m.start)
	local := at.In(m.site.Location)
	day := float64(local.YearDay()) + hour(local)/24

	m.springC = 8.25 + 0.75*wave(day-245, 365.25) + 0.08*wave(hour(local)-16, 24) +
		0.03*m.smooth("spring temperature", at, 3*time.Hour) + 0.004*m.smooth("spring eddies", at, 2*time.Minute)
	m.springC += m.surfaceWater(since)
	m.springMgL = springSaturation * m.saturation(m.springC)
	m.headC = m.springC + 0.02
	m.headMgL = headBoxSaturation * m.saturation(m.headC)

	var wanted float64
	for _, u := range m.units {
		u.flowLPM = u.designLPM * (1 + 0.008*m.smooth(u.Name+" valve", at, 4*time.Hour) + 0.003*m.smooth(u.Name+" surge", at, 3*time.Minute))
		for _, t := range m.troubles {
			if t.Kind == StandpipeUp && t.Where == u.Name {
				u.flowLPM *= 1 - t.Severity*t.share(since)
			}
			if t.Kind == SectionBlocked && t.Where == u.Section {
				u.flowLPM *= 1 - t.Severity*t.share(since)
			}
		}
		wanted += u.flowLPM
	}

	m.springLPM = m.designLPM() * (1 + 0.02*wave(day-135, 365.25) + 0.008*m.smooth("spring flow", at, 6*time.Hour) + 0.002*m.smooth("spring surge", at, 4*time.Minute))
	for _, t := range m.troubles {
		if t.Kind == ScreenClog || t.Kind == SpringFail {
			m.springLPM *= 1 - t.Severity*t.share(since)
		}
	}
	m.headLPM = m.springLPM * (1 - m.leak(since))
	m.overflowLPM = m.headLPM - wanted
	if m.overflowLPM >= 0 {
		return
	}
	m.overflowLPM = 0
	for _, u := range m.units {
		u.flowLPM *= m.headLPM / wanted
	}
}

// designLPM is the yield of the spring in an ordinary year.
func (m *Model) designLPM() float64 {
	if u, ok := m.site.Unit(m.spring); ok && u.DesignFlowLPM > 0 {
		return float64(u.DesignFlowLPM)
	}
	var sum float64
	for _, u := range m.units {
		sum += u.designLPM
	}
	return 1.08 * sum
}

// settle moves one unit's temperature and oxygen on by some minutes, during
// which flow and inflow stay as they are: the exact solution for a well-mixed
// volume.
func (m *Model) settle(u *unit, at time.Time, minutes float64) {
	local := at.In(m.site.Location)
	around := 12.0 // the hatch house
	if u.outdoors {
		around = 6 + 10*wave(float64(local.YearDay())-205, 365.25) + 4*wave(hour(local)-15, 24)
	}
	turn := u.flowLPM / u.volumeL // a minute
	rate := turn + u.exchange
	target := (turn*m.headC + u.exchange*around) / rate
	u.tempC += (target - u.tempC) * -math.Expm1(-rate*minutes)
	u.tempC = min(max(u.tempC, 0), 40) // ice; and where the oxygen equations end

	demand := u.demand * math.Exp2((u.tempC-8)/demandDoublesPer) * (1 + 0.2*wave(hour(local)-14, 24))
	for _, t := range m.troubles {
		if (t.Kind == OxygenLow || t.Kind == OxygenFade) && t.Where == u.Name {
			demand += t.Severity * t.share(at.Sub(m.start)) * max(0, m.headMgL*u.designLPM-demand)
		}
	}
	fresh, held := -math.Expm1(-turn*minutes), minutes
	if turn > 0 {
		held = fresh / turn
	}
	u.oxygenMgL += (m.headMgL-u.oxygenMgL)*fresh - demand/u.volumeL*held
	u.oxygenMgL = min(max(u.oxygenMgL, 0), m.saturation(u.tempC))
}

// saturation is the oxygen water of 0 to 40 degC can hold here, mg/L.
func (m *Model) saturation(tempC float64) float64 {
	o, err := water.SaturationMgL(measure.TempC(tempC), m.site.PressureHPa)
	if err != nil {
		panic(err) // New has checked the pressure, settle the temperature
	}
	return float64(o)
}

// truth is what a probe without a fault would find, in the base unit.
func (m *Model) truth(p site.Probe) float64 {
	flow, temp, oxygen := m.springLPM, m.springC, m.springMgL
	if p.At != m.spring {
		flow, temp, oxygen = m.headLPM, m.headC, m.headMgL
	}
	for _, u := range m.units {
		if u.Name == p.At {
			flow, temp, oxygen = u.flowLPM, u.tempC, u.oxygenMgL
		}
	}
	switch p.Quantity {
	case reading.Temperature:
		return temp
	case reading.Flow:
		return flow
	case reading.Oxygen:
		return oxygen
	case reading.Saturation:
		return 100 * oxygen / m.saturation(temp)
	case reading.Contact:
		return reading.Closed // of the mains: there is power
	}
	return math.NaN()
}

func hour(local time.Time) float64 {
	return float64(local.Hour()) + float64(local.Minute())/60 + float64(local.Second())/3600
}

// wave is a cosine with its crest at 0.
func wave(x, period float64) float64 { return math.Cos(2 * math.Pi * x / period) }

// Noise is drawn from a hash of seed, stream and index and not from a
// generator, so that one draw more somewhere changes nothing elsewhere.

// smooth is noise of about unit spread that changes over a period.
func (m *Model) smooth(stream string, at time.Time, period time.Duration) float64 {
	n := int64(at.Sub(m.start) / period)
	part := float64(at.Sub(m.start)%period) / float64(period)
	part = part * part * (3 - 2*part)
	return (1-part)*m.normal(stream, n) + part*m.normal(stream, n+1)
}

// normal is the n-th draw of a stream, with mean 0 and standard deviation 1,
// within 3.5 of it.
func (m *Model) normal(stream string, n int64) float64 {
	r := math.Sqrt(-2 * math.Log(1-m.uniform(stream, 2*n)))
	return min(max(r*math.Cos(2*math.Pi*m.uniform(stream, 2*n+1)), -3.5), 3.5)
}

// uniform is the n-th draw of a stream, at least 0 and below 1.
func (m *Model) uniform(stream string, n int64) float64 {
	h := uint64(14695981039346656037) // FNV-1a over the name, then a finaliser
	for i := range len(stream) {
		h = (h ^ uint64(stream[i])) * 1099511628211
	}
	h = mix(h + mix(m.seed))
	return float64(mix(h+uint64(n)*0x9e3779b97f4a7c15)>>11) / (1 << 53)
}

// mix is the finaliser of SplitMix64 (from memory).
func mix(z uint64) uint64 {
	z += 0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// topic is one stream of messages and the probes whose values it carries.
type topic struct {
	name   string
	probes []site.Probe
	held   []float64 // the last value each probe found, base unit
	every  time.Duration
	phase  time.Duration
	next   int64 // index of the next message
}

// Due is one message.
type Due struct {
	Topic   string
	Payload []byte
	// At is when it is sent, which is also the device time in it.
	At time.Time
	// Probes are those whose values it carries.
	Probes []reading.ProbeID
}

func (m *Model) newTopics() error {
	byName := make(map[string]*topic)
	for _, p := range m.site.Probes {
		if _, ok := m.site.Unit(p.At); !ok && (p.At != "" || p.Quantity != reading.Contact) {
			return fmt.Errorf("sim: probe %q is at %q, which is no unit of the site", p.ID, p.At)
		}
		t := byName[p.Topic]
		if t == nil {
			t = &topic{name: p.Topic, every: max(p.Every, time.Second)}
			byName[p.Topic] = t
			m.topics = append(m.topics, t)
		}
		t.probes = append(t.probes, p)
		t.held = append(t.held, math.NaN())
		t.every = min(t.every, max(p.Every, time.Second))
	}
	for _, t := range m.topics {
		t.phase = time.Duration((0.1 + 0.8*m.uniform(t.name+" phase", 0)) * float64(t.every))
		samples := make([]Sample, len(t.probes))
		for i, p := range t.probes {
			samples[i] = Sample{Probe: p}
		}
		if _, err := Encode(m.start, samples...); err != nil {
			return fmt.Errorf("sim: topic %q: %w", t.name, err)
		}
	}
	return nil
}

// time is when the topic's n-th message is sent: on its interval, give or take
// a twentieth of it.
func (m *Model) time(t *topic, n int64) time.Time {
	jitter := time.Duration((m.uniform(t.name+" jitter", n) - 0.5) / 10 * float64(t.every))
	return m.start.Add(time.Duration(n)*t.every + t.phase + jitter).Truncate(time.Millisecond)
}

// Due moves the hatchery on and returns the messages sent after the last call
// up to and including until, in order of time.
func (m *Model) Due(until time.Time) []Due {
	if until.Before(m.until) {
		return nil
	}
	m.until = until
	type slot struct {
		at time.Time
		t  *topic
		n  int64
	}
	var slots []slot
	for _, t := range m.topics {
		for at := m.time(t, t.next); !at.After(until); at = m.time(t, t.next) {
			slots = append(slots, slot{at, t, t.next})
			t.next++
		}
	}
	slices.SortStableFunc(slots, func(a, b slot) int { return a.at.Compare(b.at) })
	var due []Due
	for _, s := range slots {
		m.advance(s.at)
		d := Due{Topic: s.t.name, At: s.at}
		var samples []Sample
		for i, p := range s.t.probes {
			if v, ok := m.sense(s.t, i, s.n, s.at); ok {
				samples = append(samples, Sample{p, v})
				d.Probes = append(d.Probes, p.ID)
			}
		}
		if len(samples) == 0 {
			continue
		}
		var err error
		if d.Payload, err = Encode(s.at, samples...); err != nil {
			panic(err) // New has encoded all of them together once
		}
		due = append(due, d)
	}
	m.advance(until)
	return due
}

// sense is what a probe finds for its n-th message, in the base unit; false
// when it says nothing.
func (m *Model) sense(t *topic, i int, n int64, at time.Time) (float64, bool) {
	p, since := t.probes[i], at.Sub(m.start)
	v := m.truth(p)
	made := makes[p.Quantity]
	v += max(made.noise, made.noiseShare*v) * m.normal(string(p.ID)+" noise", n)
	frozen := false
	for _, tr := range m.troubles {
		share := tr.share(since)
		if share == 0 || tr.Kind != PowerCut && tr.Kind != BrokerGone && tr.Where != string(p.ID) {
			continue
		}
		switch tr.Kind {
		case PowerCut:
			if p.Quantity != reading.Contact {
				return 0, false
			}
			v = reading.Open // it is on the battery, and says so
		case ProbeSilent, BrokerGone:
			return 0, false
		case ProbeJumping:
			v += tr.Severity * 2 * (m.uniform(string(p.ID)+" jump", n) - 0.5) * (made.drift + made.driftShare*v)
		case ProbeInAir:
			v = m.inAir(p, n, at)
		case ProbeFrozen:
			frozen = true
		case ProbeDrift:
			v += tr.Severity * share * (made.drift + made.driftShare*v)
		case ScreenClog, SpringFail, StandpipeUp, OxygenLow, PipeLeak, SectionBlocked, OxygenFade, WarmWater, ColdWater: // of the water
		}
	}
	if p.Quantity != reading.Temperature {
		v = max(v, 0)
	}
	if !frozen || math.IsNaN(t.held[i]) {
		t.held[i] = v
	}
	return t.held[i], true
}
