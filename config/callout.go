package config

import (
	"fmt"
	"time"

	"weirkeeper/rules/hclread"
)

// callOut reads how people are told; people are read before.
func (p *parser) callOut() {
	var names []string
	for _, pn := range p.c.People {
		names = append(names, pn.Name)
	}
	c := &p.c.CallOut
	*c = CallOut{People: names, Repeat: 15 * time.Minute, Gather: 2 * time.Minute, Morning: 7 * 60, Expire: 24 * time.Hour, Spare: 2 * time.Minute}
	b := p.file.One("call_out")
	if b == nil {
		c.Watch = p.watchList(nil)
	} else {
		if b.Has("people") {
			var ok bool
			if c.People, ok = p.known(b, "people", "person", names); ok && len(c.People) == 0 {
				b.Warn(b.Rng("people"), "Nobody to call out", "Alarms are shown and written down, but nobody is told. Write at least one name, or delete the line to tell everybody.")
			}
		}
		c.Repeat = span(b, "repeat", c.Repeat, time.Minute, 24*time.Hour)
		c.Gather = span(b, "gather", c.Gather, 0, time.Hour)
		c.Expire = span(b, "expire", c.Expire, 10*time.Minute, 30*24*time.Hour)
		c.Spare = span(b, "spare", c.Spare, 10*time.Second, time.Hour)
		c.AllWell, _ = b.Bool("all_well")
		if m, ok := b.HourOfDay("morning"); ok {
			c.Morning = m
		}
		c.Watch = p.watchList(b)
	}
	if c.Watch != nil {
		c.Climb = 10 * time.Minute
	}
	if b != nil {
		c.Climb = climb(b, c.Climb)
		b.Done()
	}
}

// climb is how long until the next person is called: nothing, or a minute and more.
func climb(b *hclread.Block, def time.Duration) time.Duration {
	d, ok := b.Duration("climb")
	switch {
	case !ok:
		return def
	case d != 0 && (d < time.Minute || d > 24*time.Hour):
		b.Fault(b.Rng("climb"), "Time out of sense", fmt.Sprintf("Write climb between %q and %q, or %q to call everybody at once.", "1 min", "24 h", "0 s"))
		return def
	}
	return d
}
