package site_test

import (
	"testing"
	"time"
	_ "time/tzdata"

	"weirkeeper/rules/site"
)

func TestDues(t *testing.T) {
	denver, err := time.LoadLocation("America/Denver")
	if err != nil {
		t.Fatal(err)
	}
	const layout = "Mon 2006-01-02 15:04 MST"
	daily := site.Chore{By: []int{8 * 60, 17 * 60}}
	weekly := site.Chore{By: []int{10 * 60}, Weekdays: []time.Weekday{time.Monday, time.Thursday}}
	feast := weekly
	feast.Holidays = []site.Date{{Month: 11, Day: 26}, {Year: 2026, Month: 11, Day: 30}, {Year: 2025, Month: 12, Day: 3}}
	night := site.Chore{By: []int{150}} // half past two, which the clocks skip once and pass twice
	never := site.Chore{By: []int{600}, Weekdays: []time.Weekday{time.Sunday}}
	for day := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC); day.Year() < 2029; day = day.AddDate(0, 0, 1) {
		never.Holidays = append(never.Holidays, site.Date{Year: day.Year(), Month: day.Month(), Day: day.Day()})
	}
	for _, tt := range []struct {
		name       string
		chore      site.Chore
		now        string
		last, next string
	}{
		{"between", daily, "2026-11-25 12:00", "Wed 2026-11-25 08:00 MST", "Wed 2026-11-25 17:00 MST"},
		{"at its hour", daily, "2026-11-25 17:00", "Wed 2026-11-25 17:00 MST", "Thu 2026-11-26 08:00 MST"},
		{"before the first", daily, "2026-11-25 07:59", "Tue 2026-11-24 17:00 MST", "Wed 2026-11-25 08:00 MST"},
		{"over the new year", daily, "2027-01-01 00:00", "Thu 2026-12-31 17:00 MST", "Fri 2027-01-01 08:00 MST"},
		{"days of the week", weekly, "2026-11-25 12:00", "Mon 2026-11-23 10:00 MST", "Thu 2026-11-26 10:00 MST"},
		{"days of the week, on one", weekly, "2026-11-26 09:59", "Mon 2026-11-23 10:00 MST", "Thu 2026-11-26 10:00 MST"},
		{"holidays of every year and of this one", feast, "2026-11-25 12:00", "Mon 2026-11-23 10:00 MST", "Thu 2026-12-03 10:00 MST"},
		{"on a holiday", feast, "2026-11-26 12:00", "Mon 2026-11-23 10:00 MST", "Thu 2026-12-03 10:00 MST"},
		{"a holiday of another year", feast, "2026-12-03 12:00", "Thu 2026-12-03 10:00 MST", "Mon 2026-12-07 10:00 MST"},
		{"an hour that the clocks skip", night, "2026-03-08 12:00", "Sun 2026-03-08 01:30 MST", "Mon 2026-03-09 02:30 MDT"},
		{"a day with an hour twice", night, "2026-11-01 12:00", "Sun 2026-11-01 02:30 MST", "Mon 2026-11-02 02:30 MST"},
		{"never", never, "2026-11-25 12:00", "Tue 2025-10-21 12:00 MDT", "Thu 2027-12-30 12:00 MST"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			now, err := time.ParseInLocation("2006-01-02 15:04", tt.now, denver)
			if err != nil {
				t.Fatal(err)
			}
			last, next := tt.chore.Dues(now, denver)
			if l, n := last.In(denver).Format(layout), next.In(denver).Format(layout); l != tt.last || n != tt.next {
				t.Errorf("last %s, next %s, want %s and %s", l, n, tt.last, tt.next)
			}
		})
	}
}

func TestCleaningChore(t *testing.T) {
	s := site.Site{Chores: []site.Chore{
		{Name: "feeding", Units: []string{"a", "b", "c"}},
		{Name: "cleaning", Units: []string{"a", "b"}},
		{Name: "brushing", Units: []string{"b"}, SuppressFor: 45 * time.Minute},
		{Name: "sweeping", SuppressFor: time.Hour},
	}}
	for unit, want := range map[string]struct {
		chore string
		bound time.Duration
	}{"a": {"cleaning", site.DefaultSuppress}, "b": {"brushing", 45 * time.Minute}, "c": {"", site.DefaultSuppress}} {
		c, ok := s.Cleaning(unit)
		name := ""
		if ok {
			name = c.Name
		}
		if bound := s.SuppressFor(unit); name != want.chore || bound != want.bound {
			t.Errorf("%s: %q for %v, want %q for %v", unit, name, bound, want.chore, want.bound)
		}
	}
}
