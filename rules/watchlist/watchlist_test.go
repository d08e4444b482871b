package watchlist_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"weirkeeper/rules/watchlist"
)

// The changes of the clock are those of the time zone database; Sundays in 2026:
// Europe/London 29 March 01:00 to 02:00 and 25 October 02:00 to 01:00;
// America/New_York 8 March 02:00 to 03:00 and 1 November 02:00 to 01:00;
// Australia/Lord_Howe 4 October 02:00 to 02:30 and 5 April 02:00 to 01:30.
var zones = []string{"UTC", "Europe/London", "America/New_York", "Australia/Lord_Howe"}

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

func every() watchlist.Days {
	return watchlist.Days{Week: [7]bool{true, true, true, true, true, true, true}}
}

func on(days ...time.Weekday) (d watchlist.Days) {
	for _, w := range days {
		d.Week[w] = true
	}
	return d
}

func at(h, m int) int { return h*60 + m }

func utc(s string) time.Time {
	t, err := time.Parse("2006-01-02 15:04", s)
	if err != nil {
		panic(err)
	}
	return t
}

func TestOn(t *testing.T) {
	weekdays := on(time.Monday, time.Tuesday, time.Wednesday, time.Thursday, time.Friday)
	weekend := on(time.Saturday, time.Sunday)
	holiday := weekend
	holiday.Holiday = true
	house := []watchlist.Watch{
		{Name: "nights", Days: weekdays, From: at(18, 0), To: at(7, 0), People: []string{"kim", "rowan"}},
		{Name: "days", Days: weekdays, From: at(7, 0), To: at(18, 0), People: []string{"lee"}},
		{Name: "weekend", Days: holiday, From: at(7, 0), To: at(7, 0), People: []string{"rowan"}},
	}
	small := []watchlist.Watch{{Name: "small hours", Days: every(), From: at(2, 30), To: at(3, 30), People: []string{"kim"}}}
	swaps := func(off ...string) (out []watchlist.Swap) {
		for i := 0; i < len(off); i += 2 {
			out = append(out, watchlist.Swap{From: utc("2026-12-01 19:00"), To: utc("2026-12-02 06:00"), Off: off[i], On: off[i+1]})
		}
		return out
	}
	tests := []struct {
		name  string
		list  watchlist.List
		zone  string
		at    string // UTC
		want  string
		watch int
	}{
		{"nobody", watchlist.List{}, "UTC", "2026-12-01 12:00", "", 0},
		{"only the fallback", watchlist.List{Fallback: []string{"kim", "lee", "kim"}}, "UTC", "2026-12-01 12:00", "kim lee", 0},
		{"the last minute of a day's watch", watchlist.List{Watches: house}, "UTC", "2026-12-01 17:59", "lee", 1},
		{"a night begins", watchlist.List{Watches: house}, "UTC", "2026-12-01 18:00", "kim rowan", 2},
		{"past midnight it is still that night", watchlist.List{Watches: house}, "UTC", "2026-12-02 06:59", "kim rowan", 2},
		{"a night ends", watchlist.List{Watches: house}, "UTC", "2026-12-02 07:00", "lee", 1},
		{"Friday's night goes on into Saturday", watchlist.List{Watches: house}, "UTC", "2026-12-05 06:59", "kim rowan", 2},
		{"the weekend begins", watchlist.List{Watches: house}, "UTC", "2026-12-05 07:00", "rowan", 1},
		{"Sunday's watch goes on into Monday", watchlist.List{Watches: house}, "UTC", "2026-12-07 06:59", "rowan", 1},
		{"no night before Monday", watchlist.List{Watches: house}, "UTC", "2026-12-07 07:00", "lee", 1},
		{"the fallback comes after those on watch", watchlist.List{Watches: house, Fallback: []string{"lee", "rowan", "kim"}}, "UTC", "2026-12-01 20:00", "kim rowan lee", 2},
		{"in the order of the watches, each once", watchlist.List{Watches: []watchlist.Watch{
			{Days: every(), People: []string{"rowan", "kim"}}, {Days: every(), People: []string{"kim", "lee", "rowan"}},
		}}, "UTC", "2026-12-01 20:00", "rowan kim lee", 3},

		{"a holiday", watchlist.List{Watches: house, Holidays: []watchlist.Date{{Year: 2026, Month: 12, Day: 25}}}, "UTC", "2026-12-25 12:00", "rowan", 1},
		{"the night before a holiday", watchlist.List{Watches: house, Holidays: []watchlist.Date{{Year: 2026, Month: 12, Day: 25}}}, "UTC", "2026-12-25 06:00", "kim rowan", 2},
		{"no night begins on it", watchlist.List{Watches: house, Holidays: []watchlist.Date{{Year: 2026, Month: 12, Day: 22}}}, "UTC", "2026-12-23 06:00", "rowan", 1},
		{"the same day of another year", watchlist.List{Watches: house, Holidays: []watchlist.Date{{Year: 2025, Month: 12, Day: 25}}}, "UTC", "2026-12-25 12:00", "lee", 1},
		{"a holiday of every year", watchlist.List{Watches: house, Holidays: []watchlist.Date{{Month: 12, Day: 25}}}, "UTC", "2026-12-25 12:00", "rowan", 1},
		{"a holiday that no watch is for", watchlist.List{Watches: house[:2], Holidays: []watchlist.Date{{Year: 2026, Month: 12, Day: 25}}}, "UTC", "2026-12-25 12:00", "lee", 1},
		{"a holiday is a local day", watchlist.List{Watches: house, Holidays: []watchlist.Date{{Year: 2026, Month: 12, Day: 25}}}, "America/New_York", "2026-12-25 11:59", "kim rowan", 2},

		{"before a swap", watchlist.List{Watches: house, Swaps: swaps("kim", "lee")}, "UTC", "2026-12-01 18:59", "kim rowan", 2},
		{"a swap, in place", watchlist.List{Watches: house, Swaps: swaps("kim", "lee")}, "UTC", "2026-12-01 19:00", "lee rowan", 2},
		{"the last minute of a swap", watchlist.List{Watches: house, Swaps: swaps("kim", "lee")}, "UTC", "2026-12-02 05:59", "lee rowan", 2},
		{"after a swap", watchlist.List{Watches: house, Swaps: swaps("kim", "lee")}, "UTC", "2026-12-02 06:00", "kim rowan", 2},
		{"for one who is on watch too: the earlier place", watchlist.List{Watches: house, Swaps: swaps("kim", "rowan")}, "UTC", "2026-12-01 19:00", "rowan", 1},
		{"and the other way round", watchlist.List{Watches: house, Swaps: swaps("rowan", "kim")}, "UTC", "2026-12-01 19:00", "kim", 1},
		{"of one who is not on watch", watchlist.List{Watches: house, Swaps: swaps("lee", "sam")}, "UTC", "2026-12-01 19:00", "kim rowan", 2},
		{"who is off is not taken off the fallback", watchlist.List{Watches: house, Swaps: swaps("kim", "lee"), Fallback: []string{"kim"}}, "UTC", "2026-12-01 19:00", "lee rowan kim", 2},
		{"two for each other", watchlist.List{Watches: house, Swaps: swaps("kim", "rowan", "rowan", "kim")}, "UTC", "2026-12-01 19:00", "rowan kim", 2},
		{"one for one who is off as well", watchlist.List{Watches: house, Swaps: swaps("kim", "lee", "lee", "sam")}, "UTC", "2026-12-01 19:00", "sam rowan", 2},
		{"one for himself", watchlist.List{Watches: house, Swaps: swaps("kim", "kim")}, "UTC", "2026-12-01 19:00", "kim rowan", 2},

		// 8 March, New York: 01:59 EST is 06:59 UTC, then it is 03:00.
		{"the hour is left out: just before", watchlist.List{Watches: small}, "America/New_York", "2026-03-08 06:59", "", 0},
		{"the hour is left out: what is left of it", watchlist.List{Watches: small}, "America/New_York", "2026-03-08 07:00", "kim", 1},
		{"the hour is left out: its end", watchlist.List{Watches: small}, "America/New_York", "2026-03-08 07:29", "kim", 1},
		{"the hour is left out: over", watchlist.List{Watches: small}, "America/New_York", "2026-03-08 07:30", "", 0},
		// 1 November, New York: 01:30 comes at 05:30 and at 06:30 UTC.
		{"the hour comes twice: first", watchlist.List{Watches: []watchlist.Watch{{Days: every(), From: at(1, 30), To: at(2, 30), People: []string{"kim"}}}}, "America/New_York", "2026-11-01 05:30", "kim", 1},
		{"the hour comes twice: back before it", watchlist.List{Watches: []watchlist.Watch{{Days: every(), From: at(1, 30), To: at(2, 30), People: []string{"kim"}}}}, "America/New_York", "2026-11-01 06:00", "", 0},
		{"the hour comes twice: again", watchlist.List{Watches: []watchlist.Watch{{Days: every(), From: at(1, 30), To: at(2, 30), People: []string{"kim"}}}}, "America/New_York", "2026-11-01 07:29", "kim", 1},
		// 29 March, London: 01:00 UTC is 02:00 BST. 25 October: 01:00 UTC is 01:00 GMT again.
		{"London, hour left out", watchlist.List{Watches: small}, "Europe/London", "2026-03-29 01:30", "kim", 1},
		{"London, winter time", watchlist.List{Watches: small}, "Europe/London", "2026-10-25 02:30", "kim", 1},
		{"a whole night over it", watchlist.List{Watches: house}, "Europe/London", "2026-10-25 06:59", "rowan", 1},
		// 4 October, Lord Howe: 15:30 UTC of the day before is 02:30 (+11:00), not 02:00 (+10:30).
		{"half an hour left out: before", watchlist.List{Watches: small}, "Australia/Lord_Howe", "2026-10-03 15:29", "", 0},
		{"half an hour left out: at once there", watchlist.List{Watches: small}, "Australia/Lord_Howe", "2026-10-03 15:30", "kim", 1},
		// 5 April: 01:30 to 02:00 comes twice, from 14:30 UTC and from 15:00 UTC.
		{"half an hour twice", watchlist.List{Watches: []watchlist.Watch{{Days: every(), From: at(1, 45), To: at(2, 0), People: []string{"kim"}}}}, "Australia/Lord_Howe", "2026-04-04 15:15", "kim", 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tt.list.Location = zone(t, tt.zone)
			people, watch := tt.list.On(utc(tt.at))
			if got := strings.Join(people, " "); got != tt.want || watch != tt.watch {
				t.Errorf("at %s: %q, %d on watch; want %q, %d", tt.at, got, watch, tt.want, tt.watch)
			}
		})
	}
}

func TestNilLocationIsUTC(t *testing.T) {
	l := watchlist.List{Watches: []watchlist.Watch{{Days: every(), From: at(7, 0), To: at(8, 0), People: []string{"kim"}}}}
	people, _ := l.On(utc("2026-12-01 07:30").In(zone(t, "America/New_York")))
	if d := gocmp.Diff([]string{"kim"}, people); d != "" {
		t.Error(d)
	}
}

func TestFirstGap(t *testing.T) {
	days := []watchlist.Watch{
		{Days: every(), From: at(18, 0), To: at(7, 0), People: []string{"kim"}},
		{Days: every(), From: at(7, 0), To: at(18, 0), People: []string{"lee"}},
	}
	tests := []struct {
		name     string
		list     watchlist.List
		zone     string
		from, to string // UTC
		want     string // UTC, "" for none
	}{
		{"no watches", watchlist.List{Fallback: []string{"kim"}}, "UTC", "2026-12-01 12:10", "2026-12-08 12:00", "2026-12-01 12:10 to 2026-12-08 12:00"},
		{"nothing to look at", watchlist.List{}, "UTC", "2026-12-01 12:00", "2026-12-01 12:00", ""},
		{"a watch of nobody", watchlist.List{Watches: []watchlist.Watch{{Days: every()}}}, "UTC", "2026-12-01 12:00", "2026-12-01 13:00", "2026-12-01 12:00 to 2026-12-01 13:00"},
		{"a whole year", watchlist.List{Watches: days}, "UTC", "2026-12-01 12:00", "2027-12-02 12:00", ""},
		{"over both changes", watchlist.List{Watches: days}, "Australia/Lord_Howe", "2026-12-01 12:00", "2027-12-02 12:00", ""},
		{"one minute", watchlist.List{Watches: []watchlist.Watch{{Days: every(), From: at(7, 0), To: at(6, 59), People: []string{"kim"}}}}, "UTC", "2026-12-01 12:00", "2027-12-02 12:00", "2026-12-02 06:59 to 2026-12-02 07:00"},
		{"already in it", watchlist.List{Watches: days[:1]}, "UTC", "2026-12-01 12:00", "2027-12-02 12:00", "2026-12-01 12:00 to 2026-12-01 18:00"},
		{"the end of what is looked at", watchlist.List{Watches: days[1:]}, "UTC", "2026-12-01 12:00", "2026-12-01 20:00", "2026-12-01 18:00 to 2026-12-01 20:00"},
		{"Sunday", watchlist.List{Watches: []watchlist.Watch{{Days: on(1, 2, 3, 4, 5, 6), People: []string{"kim"}}}}, "America/New_York", "2026-12-01 12:00", "2027-12-02 12:00", "2026-12-06 05:00 to 2026-12-07 05:00"},
		{"a holiday without its own", watchlist.List{
			Holidays: []watchlist.Date{{Year: 2026, Month: 12, Day: 25}},
			Watches: []watchlist.Watch{
				{Days: every(), People: []string{"kim"}},
				{Days: watchlist.Days{Holiday: true}, From: at(8, 0), To: at(18, 0), People: []string{"lee"}},
			},
		}, "UTC", "2026-12-01 12:00", "2027-12-02 12:00", "2026-12-25 00:00 to 2026-12-25 08:00"},
		// A minute that is left out is no gap; one that comes twice is the first time.
		{"the hour that is left out", watchlist.List{Watches: []watchlist.Watch{{Days: every(), From: at(3, 0), To: at(2, 0), People: []string{"kim"}}}}, "America/New_York", "2026-03-07 12:00", "2026-03-08 12:00", ""},
		{"the night after a day of 23 hours", watchlist.List{Watches: []watchlist.Watch{{Days: on(0, 2, 3, 4, 5, 6), People: []string{"kim"}}, {Days: on(1), From: at(0, 30), To: at(0, 0), People: []string{"kim"}}}}, "America/New_York", "2026-03-08 05:00", "2026-03-10 05:00", "2026-03-09 04:00 to 2026-03-09 04:30"},
		{"the half hour that is left out", watchlist.List{Watches: []watchlist.Watch{{Days: every(), From: at(2, 30), To: at(2, 0), People: []string{"kim"}}}}, "Australia/Lord_Howe", "2026-10-03 10:00", "2026-10-04 10:00", ""},
		{"the hour that comes twice", watchlist.List{Watches: []watchlist.Watch{{Days: every(), From: at(1, 30), To: at(1, 0), People: []string{"kim"}}}}, "America/New_York", "2026-10-31 12:00", "2026-11-01 12:00", "2026-11-01 05:00 to 2026-11-01 05:30"},
		{"and its second time", watchlist.List{Watches: []watchlist.Watch{{Days: every(), From: at(1, 30), To: at(1, 0), People: []string{"kim"}}}}, "America/New_York", "2026-11-01 05:30", "2026-11-01 12:00", "2026-11-01 06:00 to 2026-11-01 06:30"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tt.list.Location = zone(t, tt.zone)
			got, ok := tt.list.FirstGap(utc(tt.from), utc(tt.to))
			said := ""
			if ok {
				said = span(got)
			}
			if said != tt.want {
				t.Errorf("got %q, want %q", said, tt.want)
			}
		})
	}
}

// Time.ZoneBounds ends before it begins on 31 December 2040 (go1.26, all zones with
// summer time).
func TestFirstGapFarAhead(t *testing.T) {
	for _, name := range zones {
		l := watchlist.List{Location: zone(t, name), Watches: []watchlist.Watch{{Days: every(), People: []string{"kim"}}}}
		if g, ok := l.FirstGap(utc("2026-11-25 08:00"), utc("2055-01-01 00:00")); ok {
			t.Errorf("%s: gap %s", name, span(g))
		}
		l.Watches = nil
		from, to := utc("2026-11-25 08:00"), utc("2055-01-01 00:00")
		if g, ok := l.FirstGap(from, to); !ok || g != (watchlist.Gap{From: from, To: to}) {
			t.Errorf("%s without a watch: gap %s, %v", name, span(g), ok)
		}
	}
}

func span(g watchlist.Gap) string {
	const layout = "2006-01-02 15:04"
	return g.From.Format(layout) + " to " + g.To.Format(layout)
}

// A start within a minute counts from there on.
func TestFirstGapWithinAMinute(t *testing.T) {
	l := watchlist.List{Watches: []watchlist.Watch{{Days: every(), From: at(12, 1), To: at(12, 0), People: []string{"kim"}}}}
	from := time.Date(2026, 12, 1, 12, 0, 20, 5, time.UTC)
	got, ok := l.FirstGap(from, from.Add(time.Hour))
	want := watchlist.Gap{From: from, To: utc("2026-12-01 12:01")}
	if d := gocmp.Diff(want, got); !ok || d != "" {
		t.Errorf("%v\n%s", ok, d)
	}
}

// naive says by labels of local minutes alone who is on watch: each watch is
// written out day by day, each minute as "2026-11-01 01:30".
type naive struct {
	list   *watchlist.List
	people map[string][]string
}

func write(l *watchlist.List, from, to time.Time) naive {
	n := naive{list: l, people: make(map[string][]string)}
	for _, w := range l.Watches {
		for d := from.AddDate(0, 0, -3).Truncate(24 * time.Hour); d.Before(to.AddDate(0, 0, 3)); d = d.AddDate(0, 0, 1) {
			isHoliday, anyFor := false, false
			for _, h := range l.Holidays {
				if d.Format("2006-1-2") == fmt.Sprintf("%d-%d-%d", h.Year, h.Month, h.Day) || h.Year == 0 && d.Format("1-2") == fmt.Sprintf("%d-%d", h.Month, h.Day) {
					isHoliday = true
				}
			}
			for _, o := range l.Watches {
				anyFor = anyFor || o.Days.Holiday
			}
			begins := w.Days.Week[d.Weekday()]
			if isHoliday && anyFor {
				begins = w.Days.Holiday
			}
			if !begins {
				continue
			}
			long := w.To - w.From
			if long <= 0 {
				long += 24 * 60
			}
			for m := range long { // d is a day of the calendar without a zone
				label := d.Add(time.Duration(w.From+m) * time.Minute).Format("2006-01-02 15:04")
				n.people[label] = append(n.people[label], w.People...)
			}
		}
	}
	return n
}

func (n naive) on(t time.Time) (people []string, watch int) {
	for _, who := range n.people[t.In(n.list.Location).Format("2006-01-02 15:04")] {
		path := []string{who}
		for {
			next := ""
			for _, s := range n.list.Swaps {
				if s.Off == path[len(path)-1] && s.From.UnixNano() <= t.UnixNano() && t.UnixNano() < s.To.UnixNano() {
					next = s.On
					break
				}
			}
			if next == "" || next == path[len(path)-1] {
				break
			}
			if slices.Contains(path, next) {
				path = path[:2]
				break
			}
			path = append(path, next)
		}
		people = append(people, path[len(path)-1])
	}
	people = once(people)
	return once(append(slices.Clone(people), n.list.Fallback...)), len(people)
}

func once(names []string) (out []string) {
	seen := make(map[string]bool)
	for _, n := range names {
		if !seen[n] {
			out = append(out, n)
		}
		seen[n] = true
	}
	return out
}

// changes are about when clocks change in one of zones.
var changes = []time.Time{
	utc("2026-03-08 07:00"), utc("2026-03-29 01:00"), utc("2026-04-04 15:00"),
	utc("2026-10-03 15:30"), utc("2026-10-25 01:00"), utc("2026-11-01 06:00"), utc("2040-12-31 12:00"),
}

// compare holds a list against naive at each minute of a few days.
func compare(t *testing.T, l *watchlist.List, from, to time.Time) {
	t.Helper()
	n := write(l, from, to)
	var gap watchlist.Gap
	var found, over bool
	for m := from; m.Before(to); m = m.Add(time.Minute) {
		people, watch := l.On(m)
		wantPeople, wantWatch := n.on(m)
		if !slices.Equal(people, wantPeople) || watch != wantWatch {
			t.Fatalf("%+v\nat %s: %q, %d on watch; want %q, %d", *l, m.In(l.Location), people, watch, wantPeople, wantWatch)
		}
		switch {
		case wantWatch == 0 && !found:
			gap, found = watchlist.Gap{From: m, To: to}, true
		case wantWatch > 0 && found && !over:
			gap.To, over = m, true
		}
	}
	if got, ok := l.FirstGap(from, to); ok != found || got != gap {
		t.Fatalf("%+v\nfirst gap %s, %v; want %s, %v", *l, span(got), ok, span(gap), found)
	}
}

// random makes a list out of small numbers from next, which gives one below n.
func random(loc *time.Location, about time.Time, next func(n int) int) *watchlist.List {
	people := []string{"kim", "rowan", "lee", "sam"}
	some := func(least int) (out []string) {
		for range least + next(3) {
			out = append(out, people[next(len(people))])
		}
		return out
	}
	l := &watchlist.List{Location: loc, Fallback: some(0)}
	for range next(5) {
		w := watchlist.Watch{From: 15 * next(96), To: 15 * next(96), People: some(min(1, next(8))), Days: watchlist.Days{Holiday: next(4) == 0}}
		for d := range w.Days.Week {
			w.Days.Week[d] = next(4) > 0
		}
		l.Watches = append(l.Watches, w)
	}
	for range next(3) {
		d := about.AddDate(0, 0, next(5)-2)
		l.Holidays = append(l.Holidays, watchlist.Date{Year: next(2) * d.Year(), Month: d.Month(), Day: d.Day()})
	}
	for range next(4) {
		from := about.Add(time.Duration(next(96)-48) * 30 * time.Minute)
		l.Swaps = append(l.Swaps, watchlist.Swap{From: from, To: from.Add(time.Duration(next(96)) * time.Hour), Off: people[next(4)], On: people[next(4)]})
	}
	return l
}

func TestAgreesWithWrittenOutMinutes(t *testing.T) {
	for i := range 70 {
		r := rand.New(rand.NewPCG(uint64(i), 7))
		about := changes[i%len(changes)]
		loc := zone(t, zones[r.IntN(len(zones))])
		compare(t, random(loc, about, r.IntN), about.AddDate(0, 0, -1), about.AddDate(0, 0, 1))
	}
}

func FuzzList(f *testing.F) {
	f.Add([]byte{3, 0, 2, 1, 0, 1, 4, 72, 28, 1, 2, 0, 1, 1, 1, 1, 1, 1, 1, 1})
	f.Add([]byte{1, 5, 1, 0, 2, 6, 10, 1, 1, 3, 3, 3, 3, 3, 3, 3, 3, 0, 2, 40, 60, 0, 1, 40, 60, 1, 0})
	f.Add([]byte{2, 3, 0, 1, 6, 8, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 2, 2, 1, 3, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		next := func(n int) int {
			if len(b) == 0 {
				return 0
			}
			v := int(b[0]) % n
			b = b[1:]
			return v
		}
		loc := zone(t, zones[next(len(zones))])
		about := changes[next(len(changes))]
		compare(t, random(loc, about, next), about.Add(-18*time.Hour), about.Add(18*time.Hour))
	})
}

func year() *watchlist.List {
	loc, err := time.LoadLocation("Europe/London")
	if err != nil {
		panic(err)
	}
	l := &watchlist.List{Location: loc, Fallback: []string{"kim", "rowan", "lee"}}
	for h := 0; h < 24; h += 4 {
		l.Watches = append(l.Watches, watchlist.Watch{Days: every(), From: at(h, 0), To: at((h+4)%24, 0), People: []string{"kim", "rowan"}})
	}
	for d := range 12 {
		l.Holidays = append(l.Holidays, watchlist.Date{Year: 2026, Month: time.Month(d + 1), Day: 1})
		l.Swaps = append(l.Swaps, watchlist.Swap{From: time.Date(2026, time.Month(d+1), 3, 0, 0, 0, 0, loc), To: time.Date(2026, time.Month(d+1), 9, 0, 0, 0, 0, loc), Off: "kim", On: "lee"})
	}
	return l
}

func BenchmarkFirstGapYear(b *testing.B) {
	l := year()
	from := utc("2026-11-25 08:00")
	for b.Loop() {
		if g, ok := l.FirstGap(from, from.AddDate(0, 0, 366)); ok {
			b.Fatal(g)
		}
	}
}

func BenchmarkOn(b *testing.B) {
	l := year()
	t := utc("2026-12-05 03:00")
	b.ReportAllocs()
	for b.Loop() {
		if people, watch := l.On(t); len(people) != 3 || watch != 2 {
			b.Fatal(people, watch)
		}
	}
}
