package sim

import (
	"time"

	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// More kinds of trouble.
const (
	PipeLeak       Kind = "pipe-leak"
	SectionBlocked Kind = "section-blocked"
	OxygenFade     Kind = "oxygen-fade"
	WarmWater      Kind = "warm-water"
	ColdWater      Kind = "cold-water"
	ProbeJumping   Kind = "probe-jumping"
	ProbeInAir     Kind = "probe-in-air"
	BrokerGone     Kind = "broker-gone"
)

// surfaceC is what surface water of severity 1 does to the spring, degC.
const surfaceC = 8

// surfaceWater is how much the trouble shifts the spring: it comes within a third
// of the time, stays, and goes as slowly after the end.
func (t Trouble) surfaceWater(since time.Duration) float64 {
	third := float64(t.Length) / 3
	if over := since - t.Start - t.Length; over > 0 {
		return max(0, 1-float64(over)/third)
	}
	return min(1, float64(since-t.Start)/third)
}

// surfaceWater is what surface water does to the spring's temperature, degC.
func (m *Model) surfaceWater(since time.Duration) (c float64) {
	for _, t := range m.troubles {
		switch t.Kind {
		case WarmWater:
			c += surfaceC * t.Severity * t.share(since)
		case ColdWater:
			c -= min(surfaceC*t.Severity*t.share(since), m.springC-0.3) // it does not freeze
		default:
		}
	}
	return c
}

// leak is the share of the spring's water that is lost on its way.
func (m *Model) leak(since time.Duration) float64 {
	arrives := 1.0
	for _, t := range m.troubles {
		if t.Kind == PipeLeak {
			arrives *= 1 - t.Severity*t.share(since)
		}
	}
	return 1 - arrives
}

// inAir is what a probe says out of the water: a thermometer the room's air, an
// oxygen probe about the saturation of water in balance with it, a flow meter
// nothing. Common practice, no source.
func (m *Model) inAir(p site.Probe, n int64, at time.Time) float64 {
	air := 13 + 2*wave(hour(at.In(m.site.Location))-15, 24) + 0.5*m.smooth(string(p.ID)+" draught", at, 5*time.Minute)
	noise := m.normal(string(p.ID)+" air", n)
	switch p.Quantity {
	case reading.Temperature:
		return air + 0.1*noise
	case reading.Oxygen:
		return m.saturation(air) * (1 + 0.005*noise)
	case reading.Saturation:
		return 100 + 0.5*noise
	default:
		return 0
	}
}

// StockKg is the fish that a unit is taken to hold, kg.
func (m *Model) StockKg(unit string) float64 {
	for _, u := range m.units {
		if u.Name == unit {
			return typical[u.Kind].stockKg * u.designLPM
		}
	}
	return 0
}
