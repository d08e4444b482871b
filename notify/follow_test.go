package notify_test

import (
	"math/rand"
	"testing"
	"time"

	"weirkeeper/notify"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

const springLow = "Spring: low flow — 310 L/min, setpoint 600 L/min"

// What one cause and what follows from it make of a night.
var followNights = []night{
	{
		name: "the cause alone is told, what joins later is in the repeat",
		events: []event{
			{"03:10:00", "spring", "raise"},
			{"03:10:00", "t3", "raise < spring"},
			{"03:15:00", "t4", "raise < spring"},
		},
		until: "03:40:00",
		want: []string{
			"03:10:00 first both: " + springLow + "; 1 unit below it",
			"03:25:00 repeat both: " + springLow + "; 2 units below it (again, nobody has answered, 2nd time)",
			"03:40:00 repeat both: " + springLow + "; 2 units below it (again, nobody has answered, 3rd time)",
		},
	},
	{
		name: "units first: the cause takes over, with one message",
		events: []event{
			{"03:10:00", "t3", "raise"},
			{"03:11:30", "spring", "raise"},
			{"03:11:30", "t3", "follow < spring"},
			{"03:11:30", "t4", "raise < spring"},
		},
		until: "03:27:00",
		want: []string{
			"03:10:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"03:12:00 first both: " + springLow + "; 2 units below it",
			"03:27:00 repeat both: " + springLow + "; 2 units below it (again, nobody has answered, 2nd time)",
		},
	},
	{
		name: "a cause of a cause",
		events: []event{
			{"03:10:00", "spring", "raise"},
			{"03:10:00", "t3", "raise < spring"},
			{"03:10:00", "t4", "raise < t3"},
		},
		until: "03:20:00",
		want:  []string{"03:10:00 first both: " + springLow + "; 2 units below it"},
	},
	{
		name: "answered with its cause: one message says so",
		events: []event{
			{"03:10:00", "spring", "raise"},
			{"03:10:00", "t3", "raise < spring"},
			{"03:12:00", "spring", "kim"},
			{"03:12:00", "t3", "kim"},
			{"03:20:00", "t4", "raise < spring"},
			{"03:20:00", "t4", "kim"},
		},
		until: "04:00:00",
		want: []string{
			"03:10:00 first both: " + springLow + "; 1 unit below it",
			"03:12:00 answered rowan: Answered: kim is coming — Spring: low flow; 1 unit below it",
		},
	},
	{
		name: "raised too long after the answer: told by itself",
		events: []event{
			{"03:10:00", "spring", "raise"},
			{"03:11:00", "spring", "kim"},
			{"03:42:00", "t3", "raise < spring"},
		},
		until: "03:57:00",
		want: []string{
			"03:10:00 first both: " + springLow,
			"03:11:00 answered rowan: Answered: kim is coming — Spring: low flow",
			"03:42:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"03:57:00 repeat both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min (again, nobody has answered, 2nd time)",
		},
	},
	{
		name: "the cause is over: nothing more is said until it is plain that this stays",
		events: []event{
			{"03:10:00", "spring", "raise"},
			{"03:10:00", "t3", "raise < spring"},
			{"03:10:00", "t4", "raise < spring"},
			{"03:15:00", "spring", "return"},
			{"03:18:00", "t4", "return"},
			{"03:20:00", "t3", "free"},
			{"03:40:00", "t3", "kim"},
			{"03:50:00", "t3", "return"},
		},
		until: "04:20:00",
		want: []string{
			"03:10:00 first both: " + springLow + "; 2 units below it",
			"03:20:00 first both: Trough 3: still low flow though the spring is right again — 11.2 L/min, setpoint 28 L/min",
			"03:35:00 repeat both: Trough 3: still low flow though the spring is right again — 11.2 L/min… (again, nobody has answered, 2nd time)",
			"03:40:00 answered rowan: Answered: kim is coming — Trough 3: still low flow though the spring is right again",
			"03:50:00 returned both: Back to normal: Spring: low flow + 1 more",
		},
	},
	{
		name: "answered, and it stays after its cause",
		events: []event{
			{"03:10:00", "spring", "raise"},
			{"03:10:00", "t3", "raise < spring"},
			{"03:12:00", "spring", "kim"},
			{"03:12:00", "t3", "kim"},
			{"03:15:00", "spring", "return"},
			{"03:20:00", "t3", "free"},
		},
		until: "03:30:00",
		want: []string{
			"03:10:00 first both: " + springLow + "; 1 unit below it",
			"03:12:00 answered rowan: Answered: kim is coming — Spring: low flow; 1 unit below it",
			"03:20:00 first both: Trough 3: still low flow though the spring is right again — 11.2 L/min… (still there 8 min after kim answered)",
		},
	},
	{
		name: "nobody frees it: told after 10 min all the same",
		events: []event{
			{"03:10:00", "spring", "raise"},
			{"03:10:00", "t3", "raise < spring"},
			{"03:12:00", "spring", "return"},
			{"03:15:00", "t4", "raise < spring"},
		},
		until: "03:25:00",
		want: []string{
			"03:10:00 first both: " + springLow + "; 1 unit below it",
			"03:22:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min + 1 more (again, nobody has answered, 2nd time; 1 new)",
		},
	},
	{
		name: "all came and went: told as over, what nobody was told of with it",
		events: []event{
			{"03:10:00", "spring", "raise"},
			{"03:11:00", "t3", "raise < spring"},
			{"03:12:00", "t3", "return"},
			{"03:14:00", "spring", "return"},
		},
		until: "04:00:00",
		want: []string{
			"03:10:00 first both: " + springLow,
			"03:14:00 returned both: Back to normal: Spring: low flow",
		},
	},
	{
		name: "nobody is called for the cause: for what follows they are",
		events: []event{
			{"03:10:00", "spring", "raise hidden"},
			{"03:11:00", "t3", "raise < spring"},
		},
		until: "03:20:00",
		want:  []string{"03:11:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min"},
	},
	{
		name: "nor is a cause for the morning one for the night",
		events: []event{
			{"03:10:00", "silent", "raise"},
			{"03:11:00", "t3", "raise < silent"},
		},
		until: "03:20:00",
		want:  []string{"03:11:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min"},
	},
	{
		name: "a cause unheard of is none",
		events: []event{
			{"03:11:00", "t3", "raise < spring"},
		},
		until: "03:20:00",
		want:  []string{"03:11:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min"},
	},
	{
		name: "what surfaces under a standing cause waits for its repeat",
		events: []event{
			{"03:10:00", "spring", "raise"},
			{"03:10:00", "t3", "raise"},
			{"03:11:00", "t3", "hide"},
			{"03:11:30", "t3", "surface < spring"},
		},
		until: "03:25:00",
		want: []string{
			"03:10:00 first both: " + springLow + " + 1 more",
			"03:25:00 repeat both: " + springLow + "; 1 unit below it (again, nobody has answered, 2nd time)",
		},
	},
}

// Whatever causes come, go, are answered and hidden, with restarts in between:
// no trouble that stands unanswered is left out of the messages for longer than
// its last repeat holds, what a cause that is over is waited for though nobody
// frees it, and the next repeat.
func TestFollowersAreNeverLost(t *testing.T) {
	keys := []alarm.Key{"t3", "t4", "spring", "warm"}
	p := policy()
	limit := 2*p.Repeat + 10*time.Minute + p.Gather
	longest := time.Duration(0)
	for seed := range 3 * *seeds {
		rng := rand.New(rand.NewSource(seed))
		ids := counter()
		r := notify.NewRouter(p, people, ids)
		l := life{state: map[alarm.Key]alarm.Transition{}}
		var sent []callout.Message
		var journal []alarm.Transition
		open := map[alarm.Key]time.Time{} // unanswered: since the raise or the newest message that lists it
		for now := evening; now.Before(evening.Add(4 * time.Hour)); now = now.Add(10 * time.Second) {
			if rng.Intn(60) == 0 {
				r = notify.NewRouter(p, people, ids)
				r.Restore(journal, l.standing(), sent)
			}
			for _, k := range keys {
				if rng.Intn(40) > 0 {
					continue
				}
				what := []string{"raise", "return", "kim", "again", "follow", "free", "hide", "surface"}[rng.Intn(8)]
				tr := l.state[k]
				switch what {
				case "raise":
					if tr.To.Active() {
						continue
					}
				case "return":
					if !tr.To.Active() {
						continue
					}
				case "again":
					if tr.To != alarm.Acknowledged {
						continue
					}
				case "hide":
					if tr.To != alarm.Unacknowledged || tr.Hidden != "" || rng.Intn(3) > 0 {
						continue
					}
				case "surface":
					if tr.To != alarm.Unacknowledged || tr.Hidden == "" {
						continue
					}
				default:
					if tr.To != alarm.Unacknowledged || tr.Hidden != "" {
						continue
					}
				}
				if cause := keys[rng.Intn(len(keys))]; cause != k && (what == "follow" || what == "raise" && rng.Intn(2) == 0) {
					what += " < " + string(cause) // rings too
				} else if what == "follow" {
					continue
				}
				tr = l.next(now, k, what)
				journal = append(journal, tr)
				r.Observe(tr)
				if tr.To != alarm.Unacknowledged || tr.Hidden != "" {
					delete(open, k)
				} else if _, ok := open[k]; !ok {
					open[k] = now
				}
			}
			for _, m := range r.Due(now, notify.Look{}) {
				sent = append(sent, m)
				for _, k := range m.Alarms {
					if _, ok := open[k]; ok && m.Reason != callout.Answered {
						open[k] = now
					}
				}
			}
			for k, at := range open {
				longest = max(longest, now.Sub(at))
				if now.Sub(at) > limit {
					t.Fatalf("seed %d: %s is not told of for %v at %v", seed, k, now.Sub(at), now)
				}
			}
		}
	}
	t.Logf("at most %v", longest)
}
