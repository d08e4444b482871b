package notify_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/notify"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

func containsLine(text, line string) bool { return slices.Contains(strings.Split(text, "\n"), line) }

// mornings gives the messages that are not call-outs of some days, ticked every
// ten minutes.
func mornings(t *testing.T, zone *time.Location, events []event, from time.Time, days int, restart func(time.Time) bool) []callout.Message {
	t.Helper()
	p := policy()
	p.AllWell, p.Location = true, zone
	who := []notify.Person{reach("kim", "sms email"), reach("rowan", "sms")}
	src := numbered()
	r := notify.NewRouter(p, who, src)
	l := life{state: map[alarm.Key]alarm.Transition{}}
	v := vigil{from: from.In(zone).Format("2006-01-02 15:04")}
	var journal []alarm.Transition
	var out, told []callout.Message
	for now := from.UTC(); now.Before(from.AddDate(0, 0, days)); now = now.Add(10 * time.Minute) {
		if restart(now) {
			r = notify.NewRouter(p, who, src)
			r.Restore(journal, l.standing(), out)
		}
		for _, e := range events {
			if v.at(t, zone, e.at).Equal(now) {
				tr := l.next(now, e.key, e.what)
				journal = append(journal, tr)
				r.Observe(tr)
			}
		}
		night := func(from, to time.Time) []notify.Extreme {
			return []notify.Extreme{{Unit: "spring", Probe: "spring/temp", Quantity: "temperature", Min: from.In(zone).Format("2 15:04"), Max: to.In(zone).Format("2 15:04"), MinAt: from, MaxAt: to}}
		}
		for _, m := range r.Due(now, notify.Look{Night: night}) {
			out = append(out, m)
			if m.Reason == callout.AllWell || m.Reason == callout.MorningRound {
				told = append(told, m)
			}
		}
	}
	return told
}

func TestAllWell(t *testing.T) {
	zone := london(t)
	tests := []struct {
		name   string
		from   time.Time
		events []event
		want   []string
	}{
		{
			name: "each morning once", from: time.Date(2026, 10, 12, 9, 0, 0, 0, zone),
			want: []string{"13 07:00 all well", "14 07:00 all well", "15 07:00 all well"},
		},
		{
			name: "started a little late", from: time.Date(2026, 10, 12, 7, 30, 0, 0, zone),
			want: []string{"12 07:30 all well", "13 07:00 all well", "14 07:00 all well", "15 07:00 all well"},
		},
		{
			name: "the clocks go back", from: time.Date(2026, 10, 24, 9, 0, 0, 0, zone),
			want: []string{"25 07:00 all well", "26 07:00 all well", "27 07:00 all well"},
		},
		{
			name: "the clocks go forward", from: time.Date(2026, 3, 28, 9, 0, 0, 0, zone),
			want: []string{"29 07:00 all well", "30 07:00 all well", "31 07:00 all well"},
		},
		{
			name: "what waits is the morning round", from: time.Date(2026, 10, 12, 9, 0, 0, 0, zone),
			events: []event{{"13 07:00", "silent", "raise"}, {"13 12:00", "silent", "return"}},
			want:   []string{"13 07:00 morning silent", "14 07:00 all well", "15 07:00 all well"},
		},
		{
			name: "what comes after it waits for the next", from: time.Date(2026, 10, 12, 9, 0, 0, 0, zone),
			events: []event{{"13 07:10", "silent", "raise"}, {"14 07:10", "silent", "kim"}},
			want:   []string{"13 07:00 all well", "14 07:00 morning silent", "15 07:00 morning"}, // it still stands
		},
		{
			name: "it came again, hidden, before anybody heard that it had ended", from: time.Date(2026, 10, 12, 9, 0, 0, 0, zone),
			events: []event{{"13 05:00", "t3", "raise"}, {"13 05:00", "t4", "raise"}, {"13 05:30", "t3", "return"}, {"13 05:40", "t3", "raise hidden"}, {"13 06:00", "t4", "return"}, {"14 08:00", "t3", "return"}},
			want:   []string{"13 07:00 morning", "14 07:00 morning", "15 07:00 all well"},
		},
		{
			name: "a call-out stands, unanswered, answered, aside", from: time.Date(2026, 10, 12, 9, 0, 0, 0, zone),
			events: []event{{"13 06:50", "t3", "raise"}, {"13 07:10", "t3", "kim"}, {"14 08:00", "t3", "again"}, {"14 08:10", "t3", "hide"}},
			want:   []string{"13 07:00 morning", "14 07:00 morning", "15 07:00 morning"},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			plain := mornings(t, zone, tt.events, tt.from, 3, never)
			var got []string
			for i, m := range plain {
				if want := []callout.Way{callout.Email, callout.SMS}[i%2]; m.Way != want || m.Unless != "" {
					t.Errorf("%s by %s, want by %s without a spare", summary(m), m.Way, want)
				}
				if i%2 == 1 {
					continue
				}
				s := m.CreatedAt.In(zone).Format("2 15:04 ") + string(m.Reason)
				for _, k := range m.Alarms {
					s += " " + string(k)
				}
				got = append(got, s)
				at := m.CreatedAt.In(zone)
				if eve := fmt.Sprintf("%d 18:00", at.AddDate(0, 0, -1).Day()); !strings.Contains(m.Text, eve) || !strings.Contains(m.Text, at.Format("2 15:04")) {
					t.Errorf("the night is not from %s to now:\n%s", eve, m.Text)
				}
				if (m.Reason == callout.AllWell) != strings.Contains(m.Text, "All is well") {
					t.Errorf("%s:\n%s", s, m.Text)
				}
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("messages (-want +got):\n%s", diff)
			}
			restarted := mornings(t, zone, tt.events, tt.from, 3, often(nil))
			if diff := cmp.Diff(plain, restarted); diff != "" {
				t.Errorf("messages with restarts (-without +with):\n%s", diff)
			}
		})
	}
}

// Off over the morning hour: it is told at the start. The clock set over it and
// back: not twice on one date.
func TestAllWellWhenTheClockIsSet(t *testing.T) {
	p := policy()
	p.AllWell = true
	at := func(day, hour, minute int) time.Time { return time.Date(2026, 10, day, hour, minute, 0, 0, time.UTC) }
	r := notify.NewRouter(p, people[:1], numbered())
	due := func(now time.Time, want int) []callout.Message {
		t.Helper()
		got := r.Due(now, notify.Look{})
		if len(got) != want {
			t.Errorf("%s: %d messages, want %d", now, len(got), want)
		}
		return got
	}
	due(at(12, 20, 0), 0)
	sent := due(at(13, 7, 0), 1)
	r.Shift(-time.Hour)
	due(at(13, 6, 0), 0)
	due(at(13, 7, 0), 0)
	r = notify.NewRouter(p, people[:1], numbered())
	r.Restore(nil, nil, sent)
	due(at(13, 7, 1), 0)
	due(at(14, 6, 59), 0)
	r = notify.NewRouter(p, people[:1], numbered())
	r.Restore(nil, nil, sent)
	due(at(14, 15, 0), 1)
	r.Shift(365 * 24 * time.Hour)
	due(at(14, 15, 1).AddDate(1, 0, 0), 1)
	r.Shift(-365 * 24 * time.Hour)
	due(at(14, 15, 2), 1) // nobody knows what the year ahead was
	due(at(15, 7, 0), 1)
}

// However the clock is set in the middle of a call-out, it climbs after the same
// time.
func TestShiftWhileItClimbs(t *testing.T) {
	for _, by := range []time.Duration{-30 * 365 * 24 * time.Hour, -3 * time.Hour, -time.Minute, 0, 14 * time.Minute, 3 * time.Hour, 30 * 365 * 24 * time.Hour} {
		p := policy()
		p.Climb, p.Units = 10*time.Minute, nil
		r := notify.NewRouter(p, crew, numbered())
		l := life{state: map[alarm.Key]alarm.Transition{}}
		r.Observe(l.next(evening, "t3", "raise"))
		r.Due(evening, notify.Look{})
		r.Shift(by)
		var got []string
		for d := time.Minute; d < 24*time.Minute; d += 10 * time.Second {
			for _, m := range r.Due(evening.Add(by).Add(d), notify.Look{}) {
				got = append(got, fmt.Sprintf("%s %s %s %s", d, m.Person, m.Reason, m.Code))
			}
		}
		want := []string{"10m0s rowan first 1002", "15m0s kim repeat 1001", "20m0s lee first 1003"}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("set by %s (-want +got):\n%s", by, diff)
		}
	}
}

// What is put aside is in the morning message, what stands of it only once.
func TestMorningSaysWhatIsAside(t *testing.T) {
	p := policy()
	p.AllWell = true
	r := notify.NewRouter(p, people, numbered())
	l := life{state: map[alarm.Key]alarm.Transition{}}
	r.Observe(l.next(evening, "t3", "raise"))
	r.Due(evening, notify.Look{})
	r.Observe(l.next(evening, "t3", "hide"))
	look := notify.Look{Aside: func() []notify.Aside {
		return []notify.Aside{{Words: "the site is paused by kim until 09:00: new valve"}, {Key: "t3", Words: "t3: shelved"}, {Key: "t4", Words: "t4: shelved by kim until 10:00"}}
	}}
	n := 0
	for _, m := range r.Due(clock(t, "07:00:00"), look) {
		if m.Reason != callout.MorningRound {
			continue
		}
		n++
		for _, want := range []string{"- the site is paused by kim until 09:00: new valve", "- t4: shelved by kim until 10:00"} {
			if !containsLine(m.Text, want) {
				t.Errorf("no line %q in:\n%s", want, m.Text)
			}
		}
		if strings.Contains(m.Text, "t3: shelved") || !strings.Contains(strings.Join(strings.Fields(m.Text), " "), ", shelved by kim until 12:00") {
			t.Errorf("what stands and is shelved:\n%s", m.Text)
		}
	}
	if n == 0 {
		t.Error("no morning message")
	}
}

// What climbed before it was over moves along with the clock.
func TestShiftBetweenCallOuts(t *testing.T) {
	for _, by := range []time.Duration{-30 * 365 * 24 * time.Hour, -3 * time.Hour, -time.Minute, 0, 14 * time.Minute, 3 * time.Hour, 30 * 365 * 24 * time.Hour} {
		p := policy()
		p.Climb, p.Units = 10*time.Minute, nil
		r := notify.NewRouter(p, crew, numbered())
		l := life{state: map[alarm.Key]alarm.Transition{}}
		r.Observe(l.next(evening, "t3", "raise"))
		r.Due(evening, notify.Look{})
		r.Observe(l.next(evening.Add(8*time.Minute), "t3", "return"))
		r.Due(evening.Add(8*time.Minute), notify.Look{})
		r.Shift(by)
		r.Observe(l.next(evening.Add(by).Add(58*time.Minute), "t3", "raise"))
		var got []string
		for d := 58 * time.Minute; d < 62*time.Minute; d += 10 * time.Second {
			for _, m := range r.Due(evening.Add(by).Add(d), notify.Look{}) {
				got = append(got, fmt.Sprintf("%s %s %s", d, m.Person, m.Reason))
			}
		}
		if diff := cmp.Diff([]string{"58m0s kim first", "1h0m0s rowan first"}, got); diff != "" {
			t.Errorf("set by %s (-want +got):\n%s", by, diff)
		}
	}
}

// The clock was set back while nothing ran: what had climbed still counts.
func TestClimbFromAheadOfTheClock(t *testing.T) {
	p := policy()
	p.Climb, p.Units = 10*time.Minute, nil
	r := notify.NewRouter(p, crew, numbered())
	l := life{state: map[alarm.Key]alarm.Transition{}}
	journal := []alarm.Transition{l.next(evening, "t3", "raise")}
	r.Observe(journal[0])
	sent := r.Due(evening, notify.Look{})
	journal = append(journal, l.next(evening.Add(8*time.Minute), "t3", "return"))
	r.Observe(journal[1])
	sent = append(sent, r.Due(evening.Add(8*time.Minute), notify.Look{})...)

	back := evening.Add(-5 * time.Hour)
	r = notify.NewRouter(p, crew, numbered())
	r.Restore(journal, l.standing(), sent)
	r.RestoreClimb(journal, l.standing(), sent)
	r.Due(back, notify.Look{})
	r.Observe(l.next(back.Add(time.Minute), "t3", "raise"))
	var got []string
	for d := time.Minute; d < 6*time.Minute; d += 10 * time.Second {
		for _, m := range r.Due(back.Add(d), notify.Look{}) {
			got = append(got, fmt.Sprintf("%s %s %s", d, m.Person, m.Reason))
		}
	}
	if diff := cmp.Diff([]string{"1m0s kim first", "3m0s rowan first"}, got); diff != "" {
		t.Errorf("messages (-want +got):\n%s", diff)
	}
}

// Told by a clock that was far ahead, nobody having noticed: at once to everybody
// rather than to nobody for a year.
func TestClimbAfterAClockFarAhead(t *testing.T) {
	p := policy()
	p.Climb = 10 * time.Minute
	r := notify.NewRouter(p, crew, numbered())
	l := life{state: map[alarm.Key]alarm.Transition{}}
	r.Observe(l.next(evening.AddDate(1, 0, 0), "t3", "raise"))
	r.Due(evening.AddDate(1, 0, 0), notify.Look{})
	var got []string
	for _, m := range r.Due(evening, notify.Look{}) {
		got = append(got, m.Person+" "+string(m.Reason))
	}
	if diff := cmp.Diff([]string{"kim repeat", "rowan first", "lee first"}, got); diff != "" {
		t.Errorf("messages (-want +got):\n%s", diff)
	}
}
