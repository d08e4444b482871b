package series

import "time"

// Period is how much time one sealed folder holds. All bounds are UTC.
type Period uint8

// The periods. Folders of the other kind are left alone and not read.
const (
	// Month is a calendar month.
	Month Period = iota
	// Day is a calendar day; it keeps tests short.
	Day
)

func (p Period) layout() string {
	if p == Day {
		return time.DateOnly
	}
	return "2006-01"
}

// start is the start of the period that t lies in.
func (p Period) start(t time.Time) time.Time {
	y, m, d := t.UTC().Date()
	if p == Month {
		d = 1
	}
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// next is the start of the period after the one that starts at start.
func (p Period) next(start time.Time) time.Time {
	if p == Day {
		return start.AddDate(0, 0, 1)
	}
	return start.AddDate(0, 1, 0)
}

func (p Period) name(start time.Time) string { return start.Format(p.layout()) }

// parse is the start of the period of that name; false if it is no such name.
func (p Period) parse(name string) (time.Time, bool) {
	t, err := time.Parse(p.layout(), name)
	return t, err == nil
}
