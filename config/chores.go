package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/act"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/site"
)

// weekdays are the days of the week by the names they are written with.
var weekdays = []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// choreDays reads on which days and at which units a chore is to be done, and what
// it upsets.
func (p *parser) choreDays(b *hclread.Block, c *site.Chore) {
	if names, ok := b.KnownNames("weekdays", "day of the week", weekdays); ok {
		for _, n := range names {
			c.Weekdays = append(c.Weekdays, time.Weekday(slices.Index(weekdays, n.Value)))
		}
		if len(names) == 0 {
			b.Fault(b.Rng("weekdays"), "No day", `Write the days on which it is done, such as weekdays = ["mon", "thu"], or delete the line for every day.`)
		}
	}
	if names, ok := b.Names("holidays"); ok {
		for _, n := range names {
			d, ok := parseDate(n.Value)
			if !ok {
				b.Fault(n.Range, "Not a day", fmt.Sprintf(`%q is no day of the calendar. Write it like "2026-12-25", or "12-25" for every year.`, n.Value))
				continue
			}
			c.Holidays = append(c.Holidays, d)
		}
	}
	c.EvenEmpty, _ = b.Bool("even_empty")
	if b.Has("even_empty") && len(c.Units) == 0 && !b.Has("units") && !b.Has("kinds") && !b.Has("sections") {
		b.Fault(b.Rng("even_empty"), "No unit to be empty", "It is done once for the whole site, whatever lies where. Delete the line.")
	}
	c.SuppressFor = span(b, "suppress_for", 0, time.Minute, act.MaxCleaning)
	if b.Has("suppress_for") && len(c.Units) == 0 && !b.Has("units") && !b.Has("kinds") && !b.Has("sections") {
		b.Fault(b.Rng("suppress_for"), "No unit to suppress", "Alarms are suppressed at the unit that is cleaned, and this chore has none. Write its units or kinds, or delete the line.")
	}
}

// parseDate reads "2026-12-25" or "12-25".
func parseDate(s string) (site.Date, bool) {
	year := strings.Count(s, "-") == 2
	if !year {
		s = "2024-" + s // a leap year
	}
	t, err := time.Parse(time.DateOnly, s)
	d := site.Date{Month: t.Month(), Day: t.Day()}
	if year {
		d.Year = t.Year()
	}
	return d, err == nil
}
