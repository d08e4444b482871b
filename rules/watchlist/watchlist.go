// Package watchlist owns who is on call when: weekly hours, holidays, dated swaps
// and who is called when nobody else is. It does no I/O.
package watchlist

import "time"

// Date is a day of the local calendar.
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

// Swap puts one person in another's place for a while.
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

// On gives who is called at t, in order and each once: those of the watches that
// go on, in the order of Watches, with swaps made; then the rest of Fallback.
// watch counts those who are on watch; 0 means that only the fallback is left.
func (l *List) On(t time.Time) (people []string, watch int) {
	panic("not yet")
}

// Gap is a stretch of time in which nobody is on watch. UTC, half-open.
type Gap struct{ From, To time.Time }

// FirstGap finds the first gap in [from, to), by each minute: the whole of it, up
// to to. No watches at all are one gap.
func (l *List) FirstGap(from, to time.Time) (Gap, bool) {
	panic("not yet")
}
