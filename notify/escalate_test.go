package notify_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/notify"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/watchlist"
)

// reach is a person with ways in order: "sms", "email", "hook". The numbers are
// from those reserved for drama.
func reach(name, ways string) notify.Person {
	p := notify.Person{Name: name}
	for _, w := range strings.Fields(ways) {
		r := callout.Reach{Way: callout.Way(w)}
		switch r.Way {
		case callout.Email:
			r.Address = name + "@alderfork.example"
		case callout.SMS:
			r.Address = fmt.Sprintf("+447700900%03d", len(name))
		case callout.Hook:
			r.Address = "pager"
		}
		p.Reach = append(p.Reach, r)
	}
	return p
}

var crew = []notify.Person{reach("kim", "sms"), reach("rowan", "sms"), reach("lee", "sms")}

func everyDay() watchlist.Days {
	return watchlist.Days{Week: [7]bool{true, true, true, true, true, true, true}}
}

// onDays are the days of the week from one to another.
func onDays(from, to time.Weekday) (d watchlist.Days) {
	for w := from; ; w = (w + 1) % 7 {
		d.Week[w] = true
		if w == to {
			return d
		}
	}
}

func london(t *testing.T) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// vigil is a stretch of time in which things happen. Times are local; "01:25+" is
// the second one of an hour that comes twice.
type vigil struct {
	name   string
	people []notify.Person // nil is the crew
	watch  watchlist.List
	policy func(*notify.Policy)
	from   string // "2026-10-16 22:00"
	hours  int
	tail   bool    // Restore is given no more of the journal than the daemon gives it
	events []event // at: "16 02:00", the day of the month and the time
	want   []string
}

// at is a local time of a vigil, "16 02:00", with "+" the second of its kind.
func (v *vigil) at(t *testing.T, zone *time.Location, s string) time.Time {
	t.Helper()
	s, second := strings.CutSuffix(s, "+")
	at, err := time.ParseInLocation("2006-01 2 15:04", v.from[:7]+" "+s, zone)
	if err != nil {
		t.Fatal(err)
	}
	for _, other := range []time.Time{at.Add(-time.Hour), at.Add(time.Hour)} {
		if other.Format("15:04") == at.Format("15:04") && other.After(at) == second {
			at = other
		}
	}
	return at.UTC()
}

// run gives the messages of a vigil, minute by minute. restart says when router
// and all that it knows are made anew from the record.
func (v *vigil) run(t *testing.T, restart func(time.Time) bool) []callout.Message {
	t.Helper()
	zone := london(t)
	who := v.people
	if who == nil {
		who = crew
	}
	p := policy()
	p.Location, p.Climb, p.Expire = zone, 10*time.Minute, 24*time.Hour
	list := v.watch
	list.Location = zone
	p.Watch = &list
	if v.policy != nil {
		v.policy(&p)
	}
	src := numbered()
	r := notify.NewRouter(p, who, src)
	l := life{state: map[alarm.Key]alarm.Transition{}}
	var journal []alarm.Transition
	var acts []act.Act
	var out []callout.Message
	from, err := time.ParseInLocation("2006-01-02 15:04", v.from, zone)
	if err != nil {
		t.Fatal(err)
	}
	from = from.UTC()
	done, at := make([]bool, len(v.events)), make([]time.Time, len(v.events))
	for i, e := range v.events {
		at[i] = v.at(t, zone, e.at)
	}
	for now := from; !now.After(from.Add(time.Duration(v.hours) * time.Hour)); now = now.Add(time.Minute) {
		if restart(now) {
			r = notify.NewRouter(p, who, src)
			oldest := now
			for _, tr := range l.standing() {
				if tr.Since.Before(oldest) {
					oldest = tr.Since
				}
			}
			tail := slices.DeleteFunc(slices.Clone(journal), func(tr alarm.Transition) bool { return v.tail && tr.At.Before(oldest) })
			r.Restore(tail, l.standing(), out)
			r.RestoreClimb(journal, l.standing(), out)
			r.RestoreDrills(acts)
		}
		for i, e := range v.events {
			if !at[i].Equal(now) {
				continue
			}
			done[i] = true
			if what, ok := strings.CutPrefix(e.what, "drill "); ok {
				a := act.Act{ID: string(e.key), Kind: act.DrillStarted, At: now, By: what, Until: now.Add(time.Hour)}
				if e.key == "" {
					a.Kind, a.Until = act.DrillAnswered, time.Time{}
					r.DrillAnswered(a)
				} else {
					r.DrillStarted(a)
				}
				acts = append(acts, a)
				continue
			}
			tr := l.next(now, e.key, e.what)
			journal = append(journal, tr)
			r.Observe(tr)
		}
		out = append(out, r.Due(now, notify.Look{})...)
	}
	if i := slices.Index(done, false); i >= 0 {
		t.Fatalf("%s never came", v.events[i].at)
	}
	return out
}

// numbered is a Source whose codes are 1001, 1002 and so on.
func numbered() notify.Source {
	src, n := counter(), 1000
	src.Code = func(time.Time) string { n++; return fmt.Sprint(n) }
	return src
}

// table words messages, those of one person and time in a line: "16 02:00 kim
// first by sms, spare email: t3".
func table(zone *time.Location, msgs []callout.Message) []string {
	var out []string
	for i := 0; i < len(msgs); {
		m := msgs[i]
		var ways, spares []string
		j := i
		for ; j < len(msgs) && msgs[j].Person == m.Person && msgs[j].Reason == m.Reason && msgs[j].CreatedAt.Equal(m.CreatedAt) && (j == i || msgs[j].Unless != "" || msgs[j].Way != m.Way); j++ {
			if msgs[j].Unless != "" {
				spares = append(spares, string(msgs[j].Way))
			} else {
				ways = append(ways, string(msgs[j].Way))
			}
		}
		s := fmt.Sprintf("%s %s %s by %s", m.CreatedAt.In(zone).Format("2 15:04"), m.Person, m.Reason, strings.Join(ways, "+"))
		if len(spares) > 0 {
			s += ", spare " + strings.Join(spares, ", ")
		}
		var keys []string
		for _, k := range m.Alarms {
			keys = append(keys, string(k))
		}
		if len(keys) > 0 {
			s += ": " + strings.Join(keys, ", ")
		}
		out = append(out, s)
		i = j
	}
	return out
}

// nightly: kim and then rowan in the night of every day, lee when neither helps.
var nightly = watchlist.List{
	Watches:  []watchlist.Watch{{Name: "nights", Days: everyDay(), From: 19 * 60, To: 7 * 60, People: []string{"kim", "rowan"}}, {Name: "days", Days: everyDay(), From: 7 * 60, To: 19 * 60, People: []string{"lee"}}},
	Fallback: []string{"lee"},
}

// The dates are those of 2026; the changes of the clocks in Europe/London are
// 29 March and 25 October (tz database).
var vigils = []vigil{
	{
		name: "a night in which nobody answers", watch: nightly, from: "2026-10-13 19:00", hours: 8,
		events: []event{{"14 02:00", "t3", "raise"}},
		want: []string{
			"14 02:00 kim first by sms: t3",
			"14 02:10 rowan first by sms: t3",
			"14 02:15 kim repeat by sms: t3",
			"14 02:20 lee first by sms: t3",
			"14 02:25 rowan repeat by sms: t3",
			"14 02:30 kim repeat by sms: t3",
			"14 02:35 lee repeat by sms: t3",
			"14 02:40 rowan repeat by sms: t3",
			"14 02:45 kim repeat by sms: t3",
			"14 02:50 lee repeat by sms: t3",
			"14 02:55 rowan repeat by sms: t3",
			"14 03:00 kim repeat by sms: t3",
		},
	},
	{
		name: "beyond the last of the watch list everybody", from: "2026-10-13 19:00", hours: 8,
		watch:  watchlist.List{Watches: []watchlist.Watch{{Name: "nights", Days: everyDay(), From: 19 * 60, To: 7 * 60, People: []string{"kim"}}}, Fallback: []string{"kim"}},
		events: []event{{"14 02:00", "t3", "raise"}, {"14 02:12", "t3", "rowan"}, {"14 02:40", "t3", "return"}},
		want: []string{
			"14 02:00 kim first by sms: t3",
			"14 02:10 rowan first by sms: t3",
			"14 02:10 lee first by sms: t3",
			"14 02:12 kim answered by sms: t3",
			"14 02:12 lee answered by sms: t3",
			"14 02:40 kim returned by sms: t3",
			"14 02:40 rowan returned by sms: t3",
			"14 02:40 lee returned by sms: t3",
		},
	},
	{
		name: "the first answers: nobody else is woken", watch: nightly, from: "2026-10-13 19:00", hours: 8,
		events: []event{{"14 02:00", "t3", "raise"}, {"14 02:06", "t3", "kim"}, {"14 02:40", "t3", "return"}},
		want: []string{
			"14 02:00 kim first by sms: t3",
			"14 02:40 kim returned by sms: t3",
		},
	},
	{
		name: "new trouble goes to all that it has climbed to, and begins anew once that is answered", watch: nightly, from: "2026-10-13 19:00", hours: 9,
		events: []event{
			{"14 02:00", "t3", "raise"},
			{"14 02:12", "t4", "raise"},
			{"14 02:14", "t3", "rowan"},
			{"14 02:14", "t4", "rowan"},
			{"14 03:00", "warm", "raise"},
			{"14 03:05", "warm", "kim"},
			{"14 03:30", "t3", "return"},
			{"14 03:30", "t4", "return"},
			{"14 03:40", "warm", "return"},
		},
		want: []string{
			"14 02:00 kim first by sms: t3",
			"14 02:10 rowan first by sms: t3",
			"14 02:12 kim first by sms: t3, t4",
			"14 02:12 rowan first by sms: t3, t4",
			"14 02:14 kim answered by sms: t3, t4",
			"14 03:00 kim first by sms: warm",
			"14 03:30 rowan returned by sms: t3, t4", // not told of the third
			"14 03:40 kim returned by sms: t3, t4, warm",
		},
	},
	{
		name: "one is answered, the other is not and goes on climbing", watch: nightly, from: "2026-10-13 19:00", hours: 8,
		events: []event{{"14 02:00", "t3", "raise"}, {"14 02:05", "t4", "raise"}, {"14 02:07", "t3", "kim"}, {"14 02:30", "t4", "lee"}},
		want: []string{
			"14 02:00 kim first by sms: t3",
			"14 02:05 kim first by sms: t3, t4",
			"14 02:15 rowan first by sms: t4", // ten minutes after it was told
			"14 02:20 kim repeat by sms: t4",
			"14 02:25 lee first by sms: t4",
			"14 02:30 kim answered by sms: t4",
			"14 02:30 rowan answered by sms: t4",
		},
	},
	{
		name: "an answer does not help: it begins again with whoever gave it", watch: nightly, from: "2026-10-13 19:00", hours: 10,
		events: []event{{"14 02:00", "t3", "raise"}, {"14 02:12", "t3", "rowan"}, {"14 03:12", "t3", "again"}, {"14 03:34", "t3", "kim"}, {"14 04:00", "t3", "return"}},
		want: []string{
			"14 02:00 kim first by sms: t3",
			"14 02:10 rowan first by sms: t3",
			"14 02:12 kim answered by sms: t3",
			"14 03:12 rowan first by sms: t3",
			"14 03:22 kim first by sms: t3",
			"14 03:27 rowan repeat by sms: t3",
			"14 03:32 lee first by sms: t3",
			"14 03:34 rowan answered by sms: t3",
			"14 03:34 lee answered by sms: t3",
			"14 04:00 kim returned by sms: t3",
			"14 04:00 rowan returned by sms: t3",
			"14 04:00 lee returned by sms: t3",
		},
	},
	{
		name: "an answer does not help, and the watch is another's by then", watch: nightly, from: "2026-10-13 19:00", hours: 14,
		events: []event{{"14 06:30", "t3", "raise"}, {"14 06:35", "t3", "kim"}, {"14 07:35", "t3", "again"}, {"14 07:50", "t3", "lee"}},
		want: []string{
			"14 06:30 kim first by sms: t3",
			"14 07:35 kim first by sms: t3",
			"14 07:45 lee first by sms: t3",
			"14 07:50 kim answered by sms: t3",
		},
	},
	{
		name: "the watch changes at seven in the middle of it", watch: nightly, from: "2026-10-13 19:00", hours: 13,
		events: []event{{"14 06:52", "t3", "raise"}, {"14 07:20", "t3", "lee"}},
		want: []string{
			"14 06:52 kim first by sms: t3",
			"14 07:00 lee first by sms: t3",   // whose watch begins
			"14 07:02 rowan first by sms: t3", // beyond the last: everybody
			"14 07:07 kim repeat by sms: t3",  // whose watch is over goes on being told
			"14 07:15 lee repeat by sms: t3",
			"14 07:17 rowan repeat by sms: t3",
			"14 07:20 kim answered by sms: t3",
			"14 07:20 rowan answered by sms: t3",
		},
	},
	{
		name: "a weekend: another's", from: "2026-10-16 12:00", hours: 72,
		watch: watchlist.List{
			Watches: []watchlist.Watch{
				{Name: "week", Days: onDays(time.Monday, time.Friday), From: 18 * 60, To: 18 * 60, People: []string{"kim"}},
				{Name: "weekend", Days: onDays(time.Saturday, time.Sunday), From: 18 * 60, To: 18 * 60, People: []string{"rowan", "lee"}},
			},
			Fallback: []string{"kim"},
		},
		events: []event{
			{"16 23:00", "t3", "raise"},
			{"16 23:04", "t3", "kim"},
			{"16 23:30", "t3", "return"},
			{"17 17:59", "t3", "raise"},
			{"17 18:05", "t3", "rowan"},
			{"17 18:30", "t3", "return"},
			{"18 23:00", "t4", "raise"},
			{"18 23:21", "t4", "lee"},
			{"19 00:00", "t4", "return"},
			{"19 11:00", "t3", "raise"},
			{"19 11:01", "t3", "rowan"},
		},
		want: []string{
			"16 23:00 kim first by sms: t3",
			"16 23:30 kim returned by sms: t3",
			"17 17:59 kim first by sms: t3",
			"17 18:00 rowan first by sms: t3",
			"17 18:05 kim answered by sms: t3",
			"17 18:30 kim returned by sms: t3",
			"17 18:30 rowan returned by sms: t3",
			"18 23:00 rowan first by sms: t4",
			"18 23:10 lee first by sms: t4",
			"18 23:15 rowan repeat by sms: t4",
			"18 23:20 kim first by sms: t4",
			"18 23:21 kim answered by sms: t4",
			"18 23:21 rowan answered by sms: t4",
			"19 00:00 kim returned by sms: t4",
			"19 00:00 rowan returned by sms: t4",
			"19 00:00 lee returned by sms: t4",
			"19 11:00 rowan first by sms: t3",
		},
	},
	{
		name: "a holiday is like a Sunday", from: "2026-12-24 12:00", hours: 36,
		watch: watchlist.List{
			Watches: []watchlist.Watch{
				{Name: "week", Days: onDays(time.Monday, time.Friday), From: 8 * 60, To: 8 * 60, People: []string{"kim"}},
				{Name: "weekend", Days: func() watchlist.Days { d := onDays(time.Saturday, time.Sunday); d.Holiday = true; return d }(), From: 8 * 60, To: 8 * 60, People: []string{"rowan"}},
			},
			Holidays: []watchlist.Date{{Year: 2026, Month: time.December, Day: 25}},
			Fallback: []string{"kim"},
		},
		events: []event{{"25 07:00", "t3", "raise"}, {"25 07:01", "t3", "kim"}, {"25 07:30", "t3", "return"}, {"25 12:00", "t3", "raise"}, {"25 12:11", "t3", "kim"}, {"25 12:30", "t3", "return"}},
		want: []string{
			"25 07:00 kim first by sms: t3", // the watch of the 24th goes on
			"25 07:30 kim returned by sms: t3",
			"25 12:00 rowan first by sms: t3",
			"25 12:10 kim first by sms: t3",
			"25 12:11 rowan answered by sms: t3",
			"25 12:30 kim returned by sms: t3",
			"25 12:30 rowan returned by sms: t3",
		},
	},
	{
		// 01:00 becomes 02:00: ten minutes are ten minutes.
		name: "the clocks go forward in the middle of it", watch: nightly, from: "2026-03-28 20:00", hours: 12,
		events: []event{{"29 00:55", "t3", "raise"}, {"29 02:17", "t3", "lee"}},
		want: []string{
			"29 00:55 kim first by sms: t3",
			"29 02:05 rowan first by sms: t3",
			"29 02:10 kim repeat by sms: t3",
			"29 02:15 lee first by sms: t3",
			"29 02:17 kim answered by sms: t3",
			"29 02:17 rowan answered by sms: t3",
		},
	},
	{
		// 02:00 becomes 01:00: the watch goes by the clock on the wall, what it has
		// climbed by the time that has passed.
		name: "the clocks go back in the middle of it", from: "2026-10-24 20:00", hours: 12,
		watch: watchlist.List{
			Watches: []watchlist.Watch{
				{Name: "evening", Days: everyDay(), From: 19 * 60, To: 90, People: []string{"kim"}},
				{Name: "late", Days: everyDay(), From: 90, To: 19 * 60, People: []string{"rowan"}},
			},
			Fallback: []string{"lee"},
		},
		events: []event{{"25 01:25", "t3", "raise"}, {"25 01:35", "t3", "kim"}, {"25 01:40", "t3", "return"}, {"25 01:25+", "t4", "raise"}, {"25 01:50+", "t4", "lee"}},
		want: []string{
			"25 01:25 kim first by sms: t3",
			"25 01:30 rowan first by sms: t3",
			"25 01:35 rowan answered by sms: t3",
			"25 01:40 kim returned by sms: t3",
			"25 01:40 rowan returned by sms: t3",
			"25 01:25 kim first by sms: t4",
			"25 01:30 rowan first by sms: t4",
			"25 01:35 lee first by sms: t4",
			"25 01:40 kim repeat by sms: t4",
			"25 01:45 rowan repeat by sms: t4",
			"25 01:50 kim answered by sms: t4",
			"25 01:50 rowan answered by sms: t4",
		},
	},
	{
		name: "a swap in the middle of it", from: "2026-10-13 19:00", hours: 10,
		watch: func() watchlist.List {
			l := nightly
			l.Swaps = []watchlist.Swap{{From: time.Date(2026, 10, 14, 1, 5, 0, 0, time.UTC), To: time.Date(2026, 10, 15, 6, 0, 0, 0, time.UTC), Off: "kim", On: "lee"}}
			return l
		}(),
		events: []event{{"14 02:00", "t3", "raise"}, {"14 02:12", "t3", "lee"}, {"14 02:30", "t3", "return"}, {"14 03:00", "t4", "raise"}, {"14 03:11", "t4", "rowan"}},
		want: []string{
			"14 02:00 kim first by sms: t3",
			"14 02:05 lee first by sms: t3", // in kim's place
			"14 02:10 rowan first by sms: t3",
			"14 02:12 kim answered by sms: t3",
			"14 02:12 rowan answered by sms: t3",
			"14 02:30 kim returned by sms: t3",
			"14 02:30 rowan returned by sms: t3",
			"14 02:30 lee returned by sms: t3",
			"14 03:00 lee first by sms: t4",
			"14 03:10 rowan first by sms: t4",
			"14 03:11 lee answered by sms: t4",
		},
	},
	{
		name: "ways: one more with each repeat, the others stand by", from: "2026-10-13 19:00", hours: 8,
		people: []notify.Person{reach("kim", "sms email hook"), reach("rowan", "email")},
		watch:  nightly,
		events: []event{{"14 02:00", "t3", "raise"}, {"14 02:40", "t4", "raise"}, {"14 02:41", "t3", "rowan"}, {"14 02:41", "t4", "rowan"}, {"14 02:50", "t3", "return"}, {"14 02:50", "t4", "return"}, {"14 02:55", "t3", "raise"}},
		want: []string{
			"14 02:00 kim first by sms, spare email, hook: t3",
			"14 02:10 rowan first by email: t3",
			"14 02:15 kim repeat by sms+email, spare hook: t3",
			"14 02:25 rowan repeat by email: t3",
			"14 02:30 kim repeat by sms+email+hook: t3",
			"14 02:40 kim first by sms+email+hook: t3, t4", // never fewer while it lasts
			"14 02:40 rowan first by email: t3, t4",
			"14 02:41 kim answered by sms, spare email, hook: t3, t4",
			"14 02:50 kim returned by sms: t3, t4",
			"14 02:50 rowan returned by email: t3, t4",
			"14 02:55 kim first by sms, spare email, hook: t3",
		},
	},
	{
		name: "nobody is on watch: everybody", from: "2026-10-13 19:00", hours: 8,
		events: []event{{"14 02:00", "t3", "raise"}, {"14 02:01", "t3", "lee"}},
		want: []string{
			"14 02:00 kim first by sms: t3", "14 02:00 rowan first by sms: t3", "14 02:00 lee first by sms: t3",
			"14 02:01 kim answered by sms: t3", "14 02:01 rowan answered by sms: t3",
		},
	},
	{
		name: "no watch list: in the order of the people", from: "2026-10-13 19:00", hours: 8,
		policy: func(p *notify.Policy) { p.Watch = nil },
		events: []event{{"14 02:00", "t3", "raise"}, {"14 02:21", "t3", "rowan"}},
		want: []string{
			"14 02:00 kim first by sms: t3",
			"14 02:10 rowan first by sms: t3",
			"14 02:15 kim repeat by sms: t3",
			"14 02:20 lee first by sms: t3",
			"14 02:21 kim answered by sms: t3",
			"14 02:21 lee answered by sms: t3",
		},
	},
	{
		name: "who was never called hears nothing of its end", watch: nightly, from: "2026-10-13 19:00", hours: 9,
		events: []event{{"14 02:00", "t3", "raise"}, {"14 02:12", "t3", "return"}},
		want: []string{
			"14 02:00 kim first by sms: t3",
			"14 02:10 rowan first by sms: t3",
			"14 02:12 kim returned by sms: t3",
			"14 02:12 rowan returned by sms: t3",
		},
	},
	{
		// Told for 8, 16 and 24 minutes by the end of each time.
		name: "it comes and goes and the first sleeps: the others are called", watch: nightly, from: "2026-10-13 19:00", hours: 10, tail: true,
		events: []event{
			{"14 02:00", "t3", "raise"},
			{"14 02:08", "t3", "return"},
			{"14 02:20", "t3", "raise"},
			{"14 02:28", "t3", "return"},
			{"14 02:40", "t3", "raise"},
			{"14 02:48", "t3", "return"},
			{"14 03:00", "t3", "raise"},
			{"14 03:03", "t3", "rowan"},
			{"14 03:08", "t3", "return"},
			{"14 03:20", "t3", "raise"},
			{"14 03:28", "t3", "return"}, // rowan is awake: from the first again
		},
		want: []string{
			"14 02:00 kim first by sms: t3", "14 02:08 kim returned by sms: t3",
			"14 02:20 kim first by sms: t3", "14 02:22 rowan first by sms: t3", "14 02:28 kim returned by sms: t3", "14 02:28 rowan returned by sms: t3",
			"14 02:40 kim first by sms: t3", "14 02:40 rowan first by sms: t3", "14 02:44 lee first by sms: t3",
			"14 02:48 kim returned by sms: t3", "14 02:48 rowan returned by sms: t3", "14 02:48 lee returned by sms: t3",
			"14 03:00 kim first by sms: t3", "14 03:00 rowan first by sms: t3", "14 03:00 lee first by sms: t3",
			"14 03:03 kim answered by sms: t3", "14 03:03 lee answered by sms: t3",
			"14 03:08 kim returned by sms: t3", "14 03:08 rowan returned by sms: t3", "14 03:08 lee returned by sms: t3",
			"14 03:20 kim first by sms: t3", "14 03:28 kim returned by sms: t3",
		},
	},
	{
		name: "other trouble soon after goes on climbing, an hour after it begins anew", watch: nightly, from: "2026-10-13 19:00", hours: 12, tail: true,
		events: []event{
			{"14 02:00", "t3", "raise"},
			{"14 02:08", "t3", "return"},
			{"14 03:07", "t4", "raise"},
			{"14 03:12", "t4", "return"},
			{"14 04:12", "t3", "raise"},
			{"14 04:17", "t3", "return"},
		},
		want: []string{
			"14 02:00 kim first by sms: t3", "14 02:08 kim returned by sms: t3",
			"14 03:07 kim first by sms: t4", "14 03:09 rowan first by sms: t4", "14 03:12 kim returned by sms: t4", "14 03:12 rowan returned by sms: t4",
			"14 04:12 kim first by sms: t3", "14 04:17 kim returned by sms: t3",
		},
	},
	{
		// Two at once count once.
		name: "one ends while the other stands", watch: nightly, from: "2026-10-13 19:00", hours: 9, tail: true,
		events: []event{
			{"14 02:00", "t3", "raise"},
			{"14 02:06", "t4", "raise"},
			{"14 02:08", "t3", "return"},
			{"14 02:12", "t4", "return"},
			{"14 02:40", "t3", "raise"},
			{"14 02:50", "t3", "return"},
		},
		want: []string{
			"14 02:00 kim first by sms: t3", "14 02:06 kim first by sms: t3, t4",
			"14 02:10 rowan first by sms: t4", "14 02:12 kim returned by sms: t3, t4", "14 02:12 rowan returned by sms: t4",
			"14 02:40 kim first by sms: t3", "14 02:40 rowan first by sms: t3", "14 02:48 lee first by sms: t3",
			"14 02:50 kim returned by sms: t3", "14 02:50 rowan returned by sms: t3", "14 02:50 lee returned by sms: t3",
		},
	},
	{
		name: "an answer after it was over, and holding it back, begin it anew", watch: nightly, from: "2026-10-13 19:00", hours: 12, tail: true,
		events: []event{
			{"14 02:00", "t3", "raise"},
			{"14 02:09", "t3", "return"},
			{"14 02:15", "t3", "kim"},
			{"14 02:30", "t3", "raise"},
			{"14 02:39", "t3", "return"},
			{"14 02:50", "t4", "raise"},
			{"14 02:50", "t4", "hide"},
			{"14 03:10", "t3", "raise"},
			{"14 03:18", "t3", "return"},
		},
		want: []string{
			"14 02:00 kim first by sms: t3", "14 02:09 kim returned by sms: t3",
			"14 02:30 kim first by sms: t3", "14 02:39 kim returned by sms: t3",
			"14 03:10 kim first by sms: t3", "14 03:18 kim returned by sms: t3",
		},
	},
	{
		name: "the cause is told with what follows from it, to each who is called", watch: nightly, from: "2026-10-13 19:00", hours: 9,
		events: []event{{"14 02:00", "spring", "raise"}, {"14 02:05", "t3", "raise < spring"}, {"14 02:21", "spring", "lee"}, {"14 02:21", "t3", "lee"}, {"14 03:00", "spring", "return"}, {"14 03:00", "t3", "return"}},
		want: []string{
			"14 02:00 kim first by sms: spring",
			"14 02:10 rowan first by sms: spring, t3",
			"14 02:15 kim repeat by sms: spring, t3",
			"14 02:20 lee first by sms: spring, t3",
			"14 02:21 kim answered by sms: spring, t3",
			"14 02:21 rowan answered by sms: spring, t3",
			"14 03:00 kim returned by sms: spring, t3",
			"14 03:00 rowan returned by sms: spring, t3",
			"14 03:00 lee returned by sms: spring, t3",
		},
	},
	{
		name: "a drill that nobody answers", watch: nightly, from: "2026-10-14 09:00", hours: 4,
		people: []notify.Person{reach("kim", "sms email"), reach("rowan", "sms"), reach("lee", "sms")},
		events: []event{{"14 10:00", "d1", "drill kim"}},
		want: []string{
			"14 10:00 lee drill by sms",
			"14 10:10 kim drill by sms, spare email",
			"14 10:10 rowan drill by sms",
			"14 10:15 lee drill by sms",
			"14 10:25 kim drill by sms+email",
			"14 10:25 rowan drill by sms",
			"14 10:30 lee drill by sms",
			"14 10:40 kim drill by sms+email",
			"14 10:40 rowan drill by sms",
			"14 10:45 lee drill by sms",
			"14 10:55 kim drill by sms+email",
			"14 10:55 rowan drill by sms",
		},
	},
	{
		name: "a drill is answered: those who were told hear of it", watch: nightly, from: "2026-10-14 01:00", hours: 4,
		events: []event{{"14 02:00", "d1", "drill lee"}, {"14 02:13", "", "drill rowan"}},
		want: []string{
			"14 02:00 kim drill by sms",
			"14 02:10 rowan drill by sms",
			"14 02:13 kim answered by sms",
		},
	},
	{
		name: "a drill gives way to trouble that nobody has answered", watch: nightly, from: "2026-10-14 01:00", hours: 4,
		events: []event{{"14 02:00", "d1", "drill lee"}, {"14 02:01", "t3", "raise"}, {"14 02:18", "t3", "kim"}, {"14 02:24", "", "drill kim"}},
		want: []string{
			"14 02:00 kim drill by sms",
			"14 02:01 kim first by sms: t3", // at once
			"14 02:11 rowan first by sms: t3",
			"14 02:16 kim repeat by sms: t3",
			"14 02:18 rowan answered by sms: t3",
			"14 02:18 kim drill by sms",
			"14 02:18 rowan drill by sms",
			"14 02:20 lee drill by sms",
			"14 02:24 rowan answered by sms",
			"14 02:24 lee answered by sms",
		},
	},
}

func TestEscalation(t *testing.T) {
	for i := range vigils {
		v := &vigils[i]
		t.Run(v.name, func(t *testing.T) {
			plain := v.run(t, never)
			if diff := cmp.Diff(v.want, table(london(t), plain)); diff != "" {
				t.Errorf("messages (-want +got):\n%s", diff)
			}
			n := 0
			restarted := v.run(t, func(time.Time) bool { n++; return *seeds >= 40 || n%3 == i%3 })
			if diff := cmp.Diff(plain, restarted); diff != "" {
				t.Errorf("messages with restarts (-without +with):\n%s", diff)
			}
		})
	}
}

// Eight hours in which nobody answers: each of the three is told at once when it
// is their turn, and every Repeat after that; then one answer ends it and tells
// the rest.
func TestEightHoursOfNobody(t *testing.T) {
	v := vigil{watch: nightly, from: "2026-10-13 21:00", hours: 10, events: []event{{"13 22:00", "t3", "raise"}, {"14 06:00", "t3", "lee"}}}
	got := table(london(t), v.run(t, never))
	var want []string
	begin := time.Date(2026, 10, 13, 22, 0, 0, 0, london(t))
	for m := range 8 * 60 {
		for i, p := range crew {
			since := m - 10*i
			if since < 0 || since%15 > 0 {
				continue
			}
			why := "repeat"
			if since == 0 {
				why = "first"
			}
			want = append(want, fmt.Sprintf("%s %s %s by sms: t3", begin.Add(time.Duration(m)*time.Minute).Format("2 15:04"), p.Name, why))
		}
	}
	want = append(want, "14 06:00 kim answered by sms: t3", "14 06:00 rowan answered by sms: t3")
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("messages (-want +got):\n%s", diff)
	}
	if n := len(got); n != 32+32+31+2 {
		t.Errorf("%d messages", n)
	}
}
