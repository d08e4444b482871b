package lang

import (
	"slices"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// WatchSilence returns the program with one rule more, where it is needed: every
// probe of the site that no silent_probe rule watches is watched for silence,
// after SilentAfter, at the highest priority of the rules that judge it and at
// least "morning". A probe that says nothing hides everything else, and nobody
// should have to remember to write that down.
func WatchSilence(p *Program, s *site.Site) *Program {
	covered := make(map[reading.ProbeID]bool)
	priority := make(map[reading.ProbeID]alarm.Priority)
	for _, r := range p.Rules {
		for _, w := range r.Watches {
			covered[w.Probe] = covered[w.Probe] || r.Kind == alarm.SilentProbe
			priority[w.Probe] = max(priority[w.Probe], r.Priority)
			if w.Condition != nil {
				for _, id := range w.Condition.Uses {
					priority[id] = max(priority[id], r.Priority)
				}
			}
		}
	}
	out := &Program{Rules: slices.Clone(p.Rules)}
	for _, level := range []alarm.Priority{alarm.Morning, alarm.CallOut} {
		r := Rule{
			Kind: alarm.SilentProbe, Name: "no rule needed, " + level.String(), Priority: level,
			CanHappen: "Nothing watches this water until the probe speaks again.",
			ToDo:      "Look at the water and the fish first, then at the probe and its cable. Leave anything on mains off until it is isolated and dry.",
		}
		if level == alarm.CallOut {
			r.ReAlarm = DefaultReAlarm
		}
		for _, pr := range s.Probes {
			if !covered[pr.ID] && max(priority[pr.ID], alarm.Morning) == level {
				r.Watches = append(r.Watches, Watch{Unit: pr.At, Probe: pr.ID, After: SilentAfter(pr.Every)})
			}
		}
		if len(r.Watches) > 0 {
			out.Rules = append(out.Rules, r)
		}
	}
	return out
}
