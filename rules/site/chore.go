package site

import (
	"slices"
	"time"
)

// DefaultSuppress is how long cleaning suppresses alarms of its unit when the site
// file does not say (common practice, no source).
const DefaultSuppress = 30 * time.Minute

// Chore is recurring work with hours by which it must be done each day.
type Chore struct {
	Name string
	// Units it is done at, by name; empty means once for the whole site.
	Units []string
	// By are the minutes after local midnight by which it must be done,
	// ascending, at least one.
	By []int
	// Weekdays are the days of the week on which it is done; empty means all.
	Weekdays []time.Weekday
	// Holidays are the days on which it need not be done.
	Holidays []Date
	// EvenEmpty: it is done also at units in which no lot lies.
	EvenEmpty bool
	// SuppressFor is how long starting it suppresses the alarms of its unit that
	// it upsets; 0 when it upsets none.
	SuppressFor time.Duration
}

// Date is a day of the calendar, in every year when Year is 0.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// DoneAt reports whether the chore is done at a unit; "" means the whole site.
func (c *Chore) DoneAt(unit string) bool {
	if len(c.Units) == 0 {
		return unit == ""
	}
	return slices.Contains(c.Units, unit)
}

// On reports whether the chore is to be done on the day of a local time.
func (c *Chore) On(local time.Time) bool {
	if len(c.Weekdays) > 0 && !slices.Contains(c.Weekdays, local.Weekday()) {
		return false
	}
	y, m, d := local.Date()
	return !slices.ContainsFunc(c.Holidays, func(h Date) bool {
		return h.Month == m && h.Day == d && (h.Year == 0 || h.Year == y)
	})
}

// longestRest is for how many days a chore is looked for before and after a time.
const longestRest = 400

// Dues gives the newest hour up to now by which the chore was to be done, and the
// next one after it, by the clock on the wall of loc. Where there is none within
// 400 days, the first lies so far back and the other so far ahead.
func (c *Chore) Dues(now time.Time, loc *time.Location) (last, next time.Time) {
	local := now.In(loc)
	last, next = now.AddDate(0, 0, -longestRest), now.AddDate(0, 0, longestRest)
	at := func(day, minute int) (time.Time, bool) {
		t := time.Date(local.Year(), local.Month(), local.Day()+day, 0, minute, 0, 0, loc)
		return t, c.On(time.Date(local.Year(), local.Month(), local.Day()+day, 12, 0, 0, 0, loc))
	}
	for day := 0; day > -longestRest && !last.After(now.AddDate(0, 0, 1-longestRest)); day-- {
		for _, m := range c.By {
			if t, ok := at(day, m); ok && !t.After(now) && t.After(last) {
				last = t
			}
		}
	}
	for day := 0; day < longestRest && !next.Before(now.AddDate(0, 0, longestRest-1)); day++ {
		for _, m := range c.By {
			if t, ok := at(day, m); ok && t.After(now) && t.Before(next) {
				next = t
			}
		}
	}
	return last, next
}

// Cleaning is the chore that upsets a unit's alarms: the first there that says so,
// else one named "cleaning".
func (s *Site) Cleaning(unit string) (*Chore, bool) {
	var named *Chore
	for i := range s.Chores {
		c := &s.Chores[i]
		switch {
		case !c.DoneAt(unit):
		case c.SuppressFor > 0:
			return c, true
		case c.Name == "cleaning" && named == nil:
			named = c
		}
	}
	return named, named != nil
}

// SuppressFor is how long cleaning a unit suppresses its alarms.
func (s *Site) SuppressFor(unit string) time.Duration {
	if c, ok := s.Cleaning(unit); ok && c.SuppressFor > 0 {
		return c.SuppressFor
	}
	return DefaultSuppress
}

// HoldsFish reports whether eggs or fish are kept in units of a kind.
func (k Kind) HoldsFish() bool {
	switch k {
	case Stack, Trough, DeepTrough, Raceway:
		return true
	case Spring, HeadBox:
	}
	return false
}

// Button is a push button at a unit, which publishes when it is pressed.
type Button struct {
	Name string
	// Topic is the exact MQTT topic; several buttons may share one when their
	// payloads differ.
	Topic string
	// Payload is what a press publishes; "" for anything.
	Payload string
	// At is the unit; "" for the whole site, with Done only.
	At string
	// Chore is what it tells of; "" for the one that is the unit's cleaning.
	Chore string
	// Done: each press says that the chore is done. Else one press starts it and
	// the next finishes it.
	Done bool
	// Silences is the horn that a press silences; "" for none. Then At, Chore and
	// Done are zero.
	Silences string
}
