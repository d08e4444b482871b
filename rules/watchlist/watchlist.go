// Package watchlist owns who is on call when: weekly hours, holidays, dated swaps
// and who is called when nobody else is. It does no I/O.
//
// Hours go by the clock on the wall. When clocks change, an hour that comes twice
// belongs to its watch twice, and of one that is left out nobody is on watch
// either: a week without a gap has none in any week of the year.
package watchlist

import (
	"slices"
	"time"
)

// Date is a day of the local calendar, in every year when Year is 0.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// Days are the days on which a watch begins.
type Days struct {
	// Week has a day of the week at its number, Sunday 0.
	Week [7]bool
	// Holiday: on holidays. Where any watch has it, only those that have it
	// begin on a holiday; otherwise holidays are days like any other.
	Holiday bool
}

// Watch are hours that come back each week.
type Watch struct {
	Name string
	Days Days
	// From and To are minutes after local midnight, half-open. To at or before
	// From is the next day's; equal is a whole day.
	From, To int
	// People are called in this order.
	People []string
}

// Swap puts On in Off's place on watch for a while. Where On is off as well, it is
// who stands in for On; two who are off for each other change places.
type Swap struct {
	From, To time.Time // half-open
	Off, On  string
}

// List is a watch list. The zero List has nobody.
type List struct {
	Watches  []Watch
	Holidays []Date
	Swaps    []Swap
	// Fallback are called where no watch has anybody, in this order, and after
	// those who are on watch where there is somebody.
	Fallback []string
	Location *time.Location // nil means UTC
}

func (l *List) location() *time.Location {
	if l.Location == nil {
		return time.UTC
	}
	return l.Location
}

// day is what decides who begins on it.
type day struct {
	week    time.Weekday
	holiday bool // and some watch is for holidays
}

// day looks a day of the calendar up; d may be 0, the day before the month's first.
func (l *List) day(y int, m time.Month, d int) day {
	noon := time.Date(y, m, d, 12, 0, 0, 0, time.UTC)
	y, m, d = noon.Date()
	return day{
		week: noon.Weekday(),
		holiday: slices.ContainsFunc(l.Holidays, func(h Date) bool { return h.Day == d && h.Month == m && (h.Year == y || h.Year == 0) }) &&
			slices.ContainsFunc(l.Watches, func(w Watch) bool { return w.Days.Holiday }),
	}
}

func (w *Watch) begins(d day) bool {
	if d.holiday {
		return w.Days.Holiday
	}
	return w.Days.Week[d.week]
}

// goes reports whether the watch goes on at a minute of today.
func (w *Watch) goes(yesterday, today day, minute int) bool {
	if w.From < w.To {
		return w.From <= minute && minute < w.To && w.begins(today)
	}
	return w.From <= minute && w.begins(today) || minute < w.To && w.begins(yesterday)
}

// On gives who is called at t, in order and each once: those of the watches that
// go on, in the order of Watches, with swaps made; then the rest of Fallback, as it
// is written. watch counts those who are on watch; 0 means that only the fallback
// is left.
func (l *List) On(t time.Time) (people []string, watch int) {
	local := t.In(l.location())
	y, m, d := local.Date()
	yesterday, today := l.day(y, m, d-1), l.day(y, m, d)
	minute := local.Hour()*60 + local.Minute()
	add := func(who string) {
		if !slices.Contains(people, who) {
			people = append(people, who)
		}
	}
	for i := range l.Watches {
		if w := &l.Watches[i]; w.goes(yesterday, today, minute) {
			for _, who := range w.People {
				add(l.standIn(who, t))
			}
		}
	}
	watch = len(people)
	for _, who := range l.Fallback {
		add(who)
	}
	return people, watch
}

// standIn is who has a person's place on watch at t.
func (l *List) standIn(who string, t time.Time) string {
	step := func(who string) string {
		for _, s := range l.Swaps {
			if s.Off == who && !t.Before(s.From) && t.Before(s.To) {
				return s.On
			}
		}
		return who
	}
	first := step(who)
	at := first
	for range l.Swaps { // a longer chain is a ring
		next := step(at)
		if next == at {
			return at
		}
		at = next
	}
	return first
}

// minutes is how many a day has by the clock on the wall.
const minutes = 24 * 60

// Gap is a stretch of time in which nobody is on watch. UTC, half-open.
type Gap struct{ From, To time.Time }

// FirstGap finds the first gap in [from, to), by each minute: the whole of it, up
// to to. No watches at all are one gap. Swaps make none and mend none.
func (l *List) FirstGap(from, to time.Time) (Gap, bool) {
	var gap Gap
	var open bool
	days := make(map[[2]day]cover) // by yesterday and today
	for t := from; t.Before(to); {
		local := t.In(l.location())
		y, m, d := local.Date()
		yesterday, today := l.day(y, m, d-1), l.day(y, m, d)
		second := (local.Hour()*60+local.Minute())*60 + local.Second()
		c, known := days[[2]day{yesterday, today}]
		if !known {
			c = l.cover(yesterday, today)
			days[[2]day{yesterday, today}] = c
		}
		if c == whole && !open || c == none && open {
			// Midnight, unless clocks change before. ZoneBounds does not help: it is
			// wrong at the end of leap years from 2040 (go1.26).
			midnight := t.Add(time.Duration(24*3600-second)*time.Second - time.Duration(t.Nanosecond()))
			_, now := local.Zone()
			if _, then := midnight.In(l.location()).Zone(); now == then {
				t = midnight
				continue
			}
		}
		switch on := l.watched(yesterday, today, second/60); {
		case on && open:
			gap.To = t.UTC()
			return gap, true
		case !on && !open:
			gap.From, open = t.UTC(), true
		}
		t = t.Add(time.Duration(60-second%60)*time.Second - time.Duration(t.Nanosecond()))
	}
	if !open {
		return Gap{}, false
	}
	gap.To = to.UTC()
	return gap, true
}

// cover is how much of a day somebody is on watch.
type cover int

const (
	partly cover = iota
	whole
	none
)

func (l *List) cover(yesterday, today day) cover {
	on := 0
	for m := range minutes {
		if l.watched(yesterday, today, m) {
			on++
		}
	}
	switch on {
	case minutes:
		return whole
	case 0:
		return none
	}
	return partly
}

// watched reports whether anybody is on watch at a minute of today.
func (l *List) watched(yesterday, today day, minute int) bool {
	for i := range l.Watches {
		if w := &l.Watches[i]; len(w.People) > 0 && w.goes(yesterday, today, minute) {
			return true
		}
	}
	return false
}
