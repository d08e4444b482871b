package notify_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/notify"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

// Who answers a drill has not answered the trouble that began meanwhile, nor what
// is put aside for now: the codes are two, over a restart too.
func TestADrillsCodeAnswersNoTrouble(t *testing.T) {
	for _, before := range []string{"trouble after the drill", "hidden trouble before it"} {
		t.Run(before, func(t *testing.T) {
			src := coded("4711", "0815")
			one := people[:1]
			r := notify.NewRouter(policy(), one, src)
			l := life{state: map[alarm.Key]alarm.Transition{}}
			var sent []callout.Message
			var journal []alarm.Transition
			happens := func(at time.Time, what string) {
				journal = append(journal, l.next(at, "t3", what))
				r.Observe(journal[len(journal)-1])
				sent = append(sent, r.Due(at, notify.Look{})...)
			}
			now := evening
			if before != "trouble after the drill" {
				happens(now, "raise")
				happens(now.Add(time.Minute), "hide")
				now = now.Add(10 * time.Minute)
			}
			start := act.Act{ID: "d1", Kind: act.DrillStarted, At: now, By: "rowan", Until: now.Add(time.Hour)}
			r.DrillStarted(start)
			sent = append(sent, r.Due(now, notify.Look{})...)
			if before == "trouble after the drill" {
				happens(now.Add(10*time.Minute), "raise")
			}
			codes := map[callout.Reason]string{}
			for _, m := range sent {
				codes[m.Reason] = m.Code
			}
			for _, name := range []string{"as it went on", "after a restart"} {
				keys, drill, _ := r.Answerable("kim", codes[callout.Drill])
				if len(keys) > 0 || drill != "d1" {
					t.Errorf("%s: the drill's code answers %v and the drill %q", name, keys, drill)
				}
				keys, drill, _ = r.Answerable("kim", codes[callout.First])
				if diff := cmp.Diff([]alarm.Key{"t3"}, keys); diff != "" || drill != "" {
					t.Errorf("%s: the call-out's code answers the drill %q and (-want +got):\n%s", name, drill, diff)
				}
				r = notify.NewRouter(policy(), one, src)
				r.Restore(journal, l.standing(), sent)
				r.RestoreDrills([]act.Act{start})
			}
		})
	}
}

// Who holds back trouble is told to those who were called for it, and to no others;
// again each time, and not again after a restart.
func TestHeldBack(t *testing.T) {
	p := policy()
	p.Climb = 10 * time.Minute
	src := numbered()
	r := notify.NewRouter(p, crew, src)
	l := life{state: map[alarm.Key]alarm.Transition{}}
	var journal []alarm.Transition
	var all []callout.Message
	var got []string
	happens := func(after time.Duration, what string) {
		now := evening.Add(after)
		if what != "" {
			journal = append(journal, l.next(now, "t3", what))
			r.Observe(journal[len(journal)-1])
		}
		if what == "hide" {
			r.HeldBack(act.Act{ID: after.String(), Kind: act.Shelved, At: now, By: "kim", Alarm: "t3", Until: now.Add(30 * time.Minute)})
		}
		for _, m := range r.Due(now, notify.Look{}) {
			all = append(all, m)
			if m.Unless == "" {
				got = append(got, now.Format("15:04 ")+string(m.Reason)+" "+m.Person+": "+m.Short)
			}
		}
	}
	restart := func() {
		r = notify.NewRouter(p, crew, src)
		r.Restore(journal, l.standing(), all)
	}
	happens(0, "raise")
	happens(10*time.Minute, "")
	happens(11*time.Minute, "hide")
	restart()
	happens(12*time.Minute, "")
	happens(41*time.Minute, "surface")
	happens(42*time.Minute, "hide")
	for i, want := range []string{
		"20:00 first kim", "20:10 first rowan",
		"20:11 answered rowan: kim holds back until 20:41: Trough 3: low flow, 11.2 L/min, setpoint 28 L/min. If it is still there then, it calls again.",
		"20:41 first kim", "20:42 answered rowan: kim holds back until 21:12:",
	} {
		if i >= len(got) || !strings.HasPrefix(got[i], want) {
			t.Errorf("message %d: want %q of %q", i, want, got)
		}
	}
	if len(got) != 5 {
		t.Errorf("%d messages: %q", len(got), got)
	}
}

// A pause of the site is told to those who were called for what is unanswered; it
// holds back neither what weirkeeper says of itself nor anything else.
func TestPauseIsTold(t *testing.T) {
	p := policy()
	p.Climb = 10 * time.Minute
	r := notify.NewRouter(p, crew, numbered())
	l := life{state: map[alarm.Key]alarm.Transition{}}
	var got []string
	due := func(now time.Time) {
		for _, m := range r.Due(now, notify.Look{}) {
			got = append(got, now.Format("15:04 ")+string(m.Reason)+" "+m.Person+": "+m.Subject)
		}
	}
	own := l.next(evening, "warm", "raise")
	own.Kind, own.Trouble = alarm.DaemonHealth, "weirkeeper: the record is not written"
	r.Observe(own)
	for _, k := range []alarm.Key{"t3", "t4"} {
		r.Observe(l.next(evening, k, "raise"))
	}
	due(evening)
	r.Observe(l.next(evening, "t4", "lee")) // answered: the others know, and wait for nobody
	due(evening.Add(10 * time.Minute))
	got = nil
	now := evening.Add(11 * time.Minute)
	r.HeldBack(act.Act{ID: "p", Kind: act.Paused, At: now, By: "Rowan", Until: now.Add(time.Hour), Why: "new valve"})
	r.Observe(l.next(now, "t3", "hide"))
	due(now)
	want := []string{"20:11 answered kim: Site paused by Rowan until 21:11 — Trough 3: low flow"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("messages (-want +got):\n%s", diff)
	}
}

// Nobody is told that all is well while nothing is known of the water: it comes as
// soon as that is, or with the alarm that it becomes.
func TestNotAllWellWhileBlind(t *testing.T) {
	p := policy()
	p.AllWell = true
	r := notify.NewRouter(p, people[:1], numbered())
	why, nights := "", 0
	look := notify.Look{Blind: func() string { return why }, Night: func(time.Time, time.Time) []notify.Extreme { nights++; return nil }}
	var got []string
	tell := func(at time.Time) {
		for _, m := range r.Due(at, look) {
			got = append(got, at.Format("02 15:04 ")+string(m.Reason))
		}
	}
	morning := time.Date(evening.Year(), evening.Month(), evening.Day()+1, 7, 0, 0, 0, time.UTC)
	tell(evening)
	why = "no connection to the broker"
	for m := range 5 {
		tell(morning.Add(time.Duration(m) * time.Minute))
	}
	if _, text, short := r.Status(morning, look); !strings.Contains(text, "nothing is known of the water") || !strings.Contains(short, "no connection to the broker") {
		t.Errorf("status: %q, %q", short, text)
	}
	why = ""
	tell(morning.Add(10 * time.Minute))
	why = "no connection to the broker"
	next := morning.AddDate(0, 0, 1)
	tell(next)
	l := life{state: map[alarm.Key]alarm.Transition{}}
	r.Observe(l.next(next.Add(time.Minute), "t3", "raise"))
	tell(next.Add(2 * time.Minute))
	want := []string{
		morning.Format("02") + " 07:10 all well",
		next.Format("02") + " 07:02 first", next.Format("02") + " 07:02 morning",
	}
	if diff := cmp.Diff(want, got); diff != "" || nights != 2 {
		t.Errorf("%d nights read; messages (-want +got):\n%s", nights, diff)
	}
}

// Whoever comes after all, to what was held back, is told to what.
func TestComingToWhatIsHeldBack(t *testing.T) {
	r := notify.NewRouter(policy(), people[:1], numbered())
	l := life{state: map[alarm.Key]alarm.Transition{}}
	r.Observe(l.next(evening, "t3", "raise"))
	r.Due(evening, notify.Look{})
	r.Observe(l.next(evening.Add(time.Minute), "t3", "hide"))
	if _, _, short := r.SayComing(evening.Add(2*time.Minute), "kim", []alarm.Key{"t3"}); !strings.Contains(short, "Trough 3: low flow") {
		t.Errorf("%q", short)
	}
}
