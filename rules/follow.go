package rules

import (
	"reflect"

	"weirkeeper/rules/alarm"
)

// Follow takes over from an engine of the same site that judged by other rules,
// after SetBook and Rebuild from the record: the thermal units counted so far,
// what the daemon's parts have said, what a probe said last however long ago, and
// since when it watches. So a silence goes on counting, a contact that was shut
// yesterday is shut, and an alarm that both engines know stands as it stood.
func (e *Engine) Follow(old *Engine) {
	for span, c := range e.counters {
		if o := old.counters[span]; o != nil {
			c.count, c.live, c.behind = o.count, o.live, o.behind
		}
	}
	e.lastYear = old.lastYear
	e.acts = old.acts // the same, and moved along with the clock
	for part, c := range e.health {
		if o := old.health[part]; o != nil {
			c.told, c.healthy, c.said = o.told, o.healthy, o.said
			c.badSince, c.goodSince, c.judged = o.badSince, o.goodSince, o.judged
		}
	}
	for i := range e.probes {
		p := &e.probes[i]
		if o := old.probe(p.def.ID); o != nil && o.heard && !p.heard {
			p.heard, p.last, p.lastAt, p.any, p.anyTime = true, o.last, o.lastAt, o.any, o.anyTime
		}
	}
	byKey := make(map[alarm.Key]*check, len(old.checks))
	for _, o := range old.checks {
		byKey[o.key()] = o
	}
	for _, c := range e.checks {
		if o := byKey[c.key()]; o != nil && c.part == "" && c.state == o.state && c.judgesAs(o) {
			c.badSince, c.goodSince, c.spell, c.lastGood = o.badSince, o.goodSince, o.spell, o.lastGood
			c.judged, c.unsure, c.side = o.judged, o.unsure, o.side
		}
	}
	e.started = old.started
	e.recounted()
	e.wake(e.started)
}

// judgesAs reports whether two checks judge the same by the same, wherever that is
// written: then a delay under way goes on.
func (c *check) judgesAs(o *check) bool {
	a, b := *c.rule, *o.rule
	a.At, a.Watches, a.Whiles = "", nil, nil
	b.At, b.Watches, b.Whiles = "", nil, nil
	return c.off == o.off && reflect.DeepEqual(a, b) && reflect.DeepEqual(c.watch, o.watch)
}
