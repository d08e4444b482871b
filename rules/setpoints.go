package rules

import (
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
)

// Setpoint is a value that a probe's readings are judged by.
type Setpoint struct {
	// Value is in the base unit of Quantity, which is not the probe's own where
	// oxygen is judged as saturation.
	Value    float64
	Quantity reading.Quantity
	// Least: it is the lowest value that is still right, else the highest.
	Least bool
	// Rule is the name of the rule that says so.
	Rule string
}

// setpoints are those of the probe that hold now, in the order of the rules.
// Rules that judge by more than one value, such as a drift, have none.
func (p *probe) setpoints() (list []Setpoint) {
	for _, c := range p.checks {
		if c.off {
			continue
		}
		r, q := c.rule, p.def.Quantity
		put := func(v float64, least bool) { list = append(list, Setpoint{v, q, least, r.Name}) }
		switch r.Kind { //nolint:exhaustive // the others have no such value
		case alarm.LowFlow:
			put(c.watch.Setpoint, true)
		case alarm.HighFlow:
			put(c.watch.Setpoint, false)
		case alarm.LowOxygen, alarm.HighOxygen:
			if q = reading.Oxygen; r.InSaturation {
				q = reading.Saturation
			}
			put(c.watch.Setpoint, r.Kind == alarm.LowOxygen)
		case alarm.TemperatureBand:
			if r.HasLow {
				put(float64(r.Low), true)
			}
			if r.HasHigh {
				put(float64(r.High), false)
			}
		}
	}
	return list
}
