package config

import "time"

// drill reads when test call-outs are held.
func (p *parser) drill() {
	b := p.file.One("drill")
	if b == nil {
		return
	}
	d := &Drill{Every: 1}
	p.c.CallOut.Drill = d
	if b.Need("days", `["wed"]`) {
		d.Days, _, _ = weekDays(b, "days", weekdays)
	}
	b.Need("at", `"10:00"`)
	d.Minute, _ = b.HourOfDay("at")
	if n, ok := b.Int("every_weeks", 1, 52); ok {
		d.Every = n
	}
	d.Within = span(b, "within", time.Hour, 5*time.Minute, 24*time.Hour)
	b.Done()
}
