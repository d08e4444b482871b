package notify_test

import (
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
