package rules

import (
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
)

// high judges high_flow and high_oxygen: the newest value must not exceed the
// setpoint. It remembers nothing.
type high struct {
	atReadings
	c *check
}

func newHigh(_ *Engine, c *check) detector { return high{c: c} }

func (h high) look(e *Engine, now time.Time) verdict {
	v := h.c.probe.last.Value
	if h.c.rule.Kind == alarm.HighOxygen {
		var ok bool
		if v, ok = h.c.oxygen(e, now); !ok {
			return unknown
		}
	}
	return h.judge(v)
}

func (h high) judge(v float64) verdict { return h.c.floor(-v, -h.c.watch.Setpoint) }

func (h high) trouble() string {
	if h.c.rule.Kind == alarm.HighOxygen {
		return measure.Capital(h.c.watch.Unit) + ": too much oxygen"
	}
	return measure.Capital(h.c.watch.Unit) + ": too much flow"
}

func (h high) words(e *Engine, now time.Time, _ bool) (trouble, detail string) {
	if h.c.rule.Kind == alarm.HighOxygen {
		return h.trouble(), h.c.oxygenWords(e, now)
	}
	return h.trouble(), h.c.against(e, h.c.probe.last.Value, h.c.watch.Setpoint)
}

// past judges what needs no temperature.
func (h high) past(e *Engine, v float64) (_ verdict, trouble, detail string) {
	if h.c.rule.Kind != alarm.HighOxygen {
		return h.judge(v), h.trouble(), h.c.against(e, v, h.c.watch.Setpoint)
	}
	if (h.c.probe.def.Quantity == reading.Saturation) != h.c.rule.InSaturation {
		return unknown, "", ""
	}
	u := e.site.Show.Oxygen
	if h.c.rule.InSaturation {
		u = measure.PercentSat
	}
	return h.judge(v), h.trouble(), beside(u, v, h.c.watch.Setpoint) + ", setpoint " + u.Format(h.c.watch.Setpoint)
}
