package lang

import (
	"fmt"
	"strconv"
	"strings"

	"weirkeeper/rules/hclread"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
)

// share reads a share such as "15%", above low and below high percent, as 0.15.
func (p *parser) share(b *hclread.Block, attr string, low, high float64, example string) (float64, bool) {
	s, ok := b.Text(attr)
	if !ok {
		return 0, false
	}
	num, isPercent := strings.CutSuffix(strings.TrimSpace(s), "%")
	v, err := strconv.ParseFloat(strings.TrimSpace(num), 64)
	if !isPercent || err != nil || !(v > low && v < high) {
		b.Fault(b.Rng(attr), "Not a share", fmt.Sprintf("%s is a share: write more than %g%% and less than %g%%, such as %q.", attr, low, high, example))
		return 0, false
	}
	return v / 100, true
}

// ceiling reports a highest right value that the probe can never read beyond, or
// from which it can never come back.
func (p *parser) ceiling(b *hclread.Block, attr string, setpoint, deadband float64, id reading.ProbeID) bool {
	pr, ok := p.site.Probe(id)
	if !ok || (setpoint < pr.High && setpoint-deadband >= pr.Low) {
		return true
	}
	u := p.site.ShowUnit(pr.Quantity)
	b.Fault(b.Rng(attr), "Setpoint out of reach", fmt.Sprintf("Probe %q plausibly reads %s to %s; with this setpoint and deadband the alarm could never be raised or never return. Choose values inside that range.", pr.ID, u.Format(pr.Low), u.Format(pr.High)))
	return false
}

func (p *parser) highFlow(b *hclread.Block, r *Rule) bool {
	attr, share, byShare := "setpoint", 0.0, b.Has("share_of_design_flow")
	var ok bool
	switch {
	case byShare && b.Has("setpoint"):
		b.Fault(b.Rng("share_of_design_flow"), "Two setpoints", "Write either setpoint or share_of_design_flow, and delete the other.")
	case byShare:
		attr = "share_of_design_flow"
		share, ok = p.share(b, attr, 100, 1000, "140%")
	case b.Need("setpoint", `"60 L/min"`):
		var a measure.Amount
		if a, ok = b.Amount("setpoint", measure.Flow); ok {
			for i := range r.Watches {
				r.Watches[i].Setpoint = a.Base()
			}
			if a.Base() <= 0 {
				b.Fault(b.Rng("setpoint"), "Setpoint too low", `Any flow would be too much. Write the highest flow that is still right, such as "60 L/min".`)
				ok = false
			}
		}
	}
	given := b.Has("deadband")
	r.Deadband = p.deadband(b, 0, measure.Flow)
	if !ok {
		return false
	}
	least := 0.0
	for i := range r.Watches {
		w := &r.Watches[i]
		u, _ := p.site.Unit(w.Unit)
		if byShare && u.DesignFlowLPM == 0 {
			b.Fault(b.Rng(attr), "Design flow not known", fmt.Sprintf("Unit %q has no design_flow in the site file. Add it there, or cover the unit by a rule with a setpoint.", u.Name))
			return false
		}
		if byShare {
			w.Setpoint = share * float64(u.DesignFlowLPM)
		}
		if least == 0 || w.Setpoint < least {
			least = w.Setpoint
		}
	}
	if !given {
		r.Deadband = defaultFlowDeadband * least
	}
	for _, w := range r.Watches {
		if u, _ := p.site.Unit(w.Unit); float64(u.DesignFlowLPM) > w.Setpoint-r.Deadband {
			show := p.site.Show.Flow
			b.Fault(b.Rng(attr), "Setpoint below design flow", fmt.Sprintf("Unit %q is built for %s; with setpoint %s and deadband %s the alarm could stand in normal water. Choose a higher setpoint, or cover this unit by another rule.",
				u.Name, show.Format(float64(u.DesignFlowLPM)), show.Format(w.Setpoint), show.FormatDelta(r.Deadband)))
			return false
		}
		if !p.ceiling(b, attr, w.Setpoint, r.Deadband, w.Probe) {
			return false
		}
	}
	return true
}

func (p *parser) highOxygen(b *hclread.Block, r *Rule) bool {
	return p.oxygenSetpoint(b, r, `"110% saturation"`, `Any oxygen would be too much. Write the highest that is still right, such as "110% saturation".`, p.ceiling)
}

// temperatureKnown reports an oxygen setpoint in the other unit than the probe's
// where no temperature is measured to convert by.
func (p *parser) temperatureKnown(b *hclread.Block, id reading.ProbeID, q reading.Quantity, unit string) bool {
	_, own := p.site.ProbeAt(unit, reading.Temperature)
	_, spring := p.site.SpringProbe(reading.Temperature)
	if !own && !spring {
		b.Fault(b.Rng("setpoint"), "Temperature not known", fmt.Sprintf("Probe %q reads %s, and between mg/L and %% saturation stands the temperature, which nothing measures at %s or the spring. Add a temperature probe, or write the setpoint in the probe's own unit.", id, q.Dimension().Base(), unit))
	}
	return own || spring
}
