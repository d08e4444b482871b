package notify_test

import (
	"strings"
	"testing"
	"time"

	"weirkeeper/notify"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/tally"
)

// While alarms flood in, a message counts first what stands, also after a restart;
// nobody is told of the flood itself.
func TestFlood(t *testing.T) {
	step := func(key alarm.Key, from, to alarm.State, at time.Time) alarm.Transition {
		tr := templates[key]
		tr.Key, tr.From, tr.To, tr.At, tr.Since, tr.Occurrence = key, from, to, at, at, 1
		if key == "flood" {
			tr.Kind, tr.Rule, tr.Trouble, tr.Priority = alarm.DaemonHealth, tally.FloodRule, tally.FloodTrouble, alarm.Note
		}
		return tr
	}
	at := func(minutes int) time.Time { return evening.Add(time.Duration(minutes) * time.Minute) }
	journal := []alarm.Transition{
		step("t3", alarm.Normal, alarm.Unacknowledged, at(0)), step("t4", alarm.Normal, alarm.Unacknowledged, at(0)),
		step("silent", alarm.Normal, alarm.Unacknowledged, at(0)), step("flood", alarm.Normal, alarm.Unacknowledged, at(0)),
	}
	for _, restart := range []bool{false, true} {
		r := notify.NewRouter(policy(), people, counter())
		if restart {
			r.Restore(nil, journal, nil)
		} else {
			for _, tr := range journal {
				r.Observe(tr)
			}
		}
		msgs := r.Due(at(0), notify.Look{})
		if len(msgs) != 2 || msgs[0].Reason != callout.First || len(msgs[0].Alarms) != 2 {
			t.Fatalf("restart %v: %+v", restart, msgs)
		}
		head := strings.SplitN(msgs[0].Text, "\n", 4)
		if !strings.Contains(msgs[0].Subject, "(flood of alarms, 2 stand)") || !strings.HasPrefix(msgs[0].Subject, "Trough 3: low flow") || !strings.HasPrefix(head[2], "Flood of alarms: 2 call-outs stand.") {
			t.Errorf("restart %v: %s\n%s", restart, msgs[0].Subject, msgs[0].Text)
		}
		r.Observe(step("flood", alarm.Unacknowledged, alarm.Normal, at(12)))
		if msgs := r.Due(at(15), notify.Look{}); len(msgs) != 2 || strings.Contains(strings.ToLower(msgs[0].Text+msgs[0].Subject), "flood") {
			t.Errorf("restart %v, after it: %+v", restart, msgs)
		}
	}
}
