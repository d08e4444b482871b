package notify_test

import (
	"flag"
	"fmt"
	"math/rand"
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

var seeds = flag.Int64("seeds", 2, "how many random nights; with 40 or more also restarts at each step, with 150 or more each reason for a message must come up")

// random is a night made by chance, of which nothing depends on the router.
type random struct {
	policy notify.Policy
	people []notify.Person
	causes bool // alarms may follow from others
	steps  []randomStep
}

type randomStep struct {
	at       time.Time
	trs      []alarm.Transition
	acts     []act.Act
	standing []alarm.Transition // before it
}

func makeNight(t *testing.T, seed int64) *random {
	t.Helper()
	const tick = 20 * time.Second
	rng := rand.New(rand.NewSource(seed))
	zone := london(t)
	n := &random{policy: policy(), causes: rng.Intn(3) == 0}
	n.policy.Location, n.policy.AllWell, n.policy.Expire = zone, rng.Intn(2) == 0, time.Hour
	n.policy.Climb = []time.Duration{0, 5 * time.Minute, 10 * time.Minute, 25 * time.Minute}[rng.Intn(4)]
	n.policy.Repeat = []time.Duration{10 * time.Minute, 15 * time.Minute}[rng.Intn(2)]
	lists := []*watchlist.List{nil, {}, {Fallback: []string{"lee"}}, {
		Watches:  []watchlist.Watch{{Name: "late", Days: everyDay(), From: 18 * 60, To: 30, People: []string{"kim", "rowan"}}, {Name: "early", Days: everyDay(), From: 30, To: 18 * 60, People: []string{"lee"}}},
		Fallback: []string{"rowan", "nobody"},
	}}
	if n.policy.Watch = lists[rng.Intn(len(lists))]; n.policy.Watch != nil {
		n.policy.Watch.Location = zone
	}
	ways := []string{"sms", "email", "sms email", "email sms", "sms email hook"}
	for _, name := range []string{"kim", "rowan", "lee"} {
		n.people = append(n.people, reach(name, ways[rng.Intn(len(ways))]))
	}
	from := []time.Time{
		time.Date(2026, 10, 14, 22, 0, 0, 0, zone), time.Date(2026, 10, 14, 4, 0, 0, 0, zone),
		time.Date(2026, 10, 25, 0, 0, 0, 0, zone), time.Date(2026, 3, 29, 0, 0, 0, 0, zone),
	}[rng.Intn(4)].UTC()
	l := life{state: map[alarm.Key]alarm.Transition{}}
	keys := []alarm.Key{"t3", "t4", "spring", "warm", "silent", "chore"}
	busy := []int{30, 100, 300, 1500, 10000}[rng.Intn(5)]
	drill := ""
	for now := from; now.Before(from.Add(5 * time.Hour)); now = now.Add(tick) {
		s := randomStep{at: now, standing: l.standing()}
		slices.SortFunc(s.standing, func(a, b alarm.Transition) int { return strings.Compare(string(a.Key), string(b.Key)) })
		for _, k := range keys {
			if rng.Intn(busy) > 0 {
				continue
			}
			state := l.state[k]
			open := state.To == alarm.Unacknowledged && state.Hidden == ""
			var can []string
			if !state.To.Active() {
				can = append(can, "raise", "raise", "raise hidden")
			} else {
				can = append(can, "return", "return", "return")
			}
			if open {
				can = append(can, "kim", "rowan", "lee", "lab", "hide")
			}
			if state.To == alarm.Acknowledged {
				can = append(can, "again")
			}
			if state.To == alarm.Unacknowledged && !open {
				can = append(can, "surface")
			}
			if open && n.causes {
				can = append(can, "follow < spring", "free")
			}
			what := can[rng.Intn(len(can))]
			if n.causes && what == "raise" && k != "spring" && rng.Intn(2) == 0 {
				what = "raise < spring"
			}
			if k == "spring" && (what == "follow < spring" || what == "free") {
				continue
			}
			s.trs = append(s.trs, l.next(now, k, what))
			if what == "hide" {
				s.acts = append(s.acts, act.Act{ID: fmt.Sprint("hold ", now.Unix(), k), Kind: act.Shelved, At: now, By: "kim", Alarm: k, Until: now.Add(time.Hour)})
			}
		}
		switch {
		case drill == "" && rng.Intn(2*busy) == 0:
			drill = fmt.Sprint("drill ", now.Unix())
			s.acts = append(s.acts, act.Act{ID: drill, Kind: act.DrillStarted, At: now, By: "kim", Until: now.Add(time.Hour)})
		case drill != "" && rng.Intn(busy) == 0:
			drill = ""
			s.acts = append(s.acts, act.Act{ID: fmt.Sprint("answer ", now.Unix()), Kind: act.DrillAnswered, At: now, By: "rowan"})
		}
		n.steps = append(n.steps, s)
	}
	return n
}

// run gives the messages of a night. look is called after each step.
func (n *random) run(restart func(i int) bool, look func(r *notify.Router, s *randomStep, msgs []callout.Message)) []callout.Message {
	src := numbered()
	r := notify.NewRouter(n.policy, n.people, src)
	var out []callout.Message
	var journal []alarm.Transition
	var acts []act.Act
	for i := range n.steps {
		s := &n.steps[i]
		if restart(i) {
			r = notify.NewRouter(n.policy, n.people, src)
			r.Restore(journal, s.standing, out)
			r.RestoreClimb(journal, s.standing, out)
			r.RestoreDrills(acts)
		}
		for _, a := range s.acts {
			acts = append(acts, a)
			switch a.Kind {
			case act.DrillStarted:
				r.DrillStarted(a)
			case act.DrillAnswered:
				r.DrillAnswered(a)
			default:
				r.HeldBack(a)
			}
		}
		for _, tr := range s.trs {
			journal = append(journal, tr)
			r.Observe(tr)
		}
		msgs := r.Due(s.at, notify.Look{})
		out = append(out, msgs...)
		look(r, s, msgs)
	}
	return out
}

// Whatever happens, whoever is on watch and by whatever ways people are reached:
// a restart at any moment changes no message, down to its code and its ID.
func TestRestartsChangeNothing(t *testing.T) {
	nothing := func(*notify.Router, *randomStep, []callout.Message) {}
	for seed := range *seeds {
		n := makeNight(t, seed)
		plain := n.run(func(int) bool { return false }, nothing)
		rng := rand.New(rand.NewSource(seed))
		often := 1 + rng.Intn(30)
		restarted := n.run(func(int) bool { return rng.Intn(often) == 0 }, nothing)
		if diff := cmp.Diff(plain, restarted); diff != "" {
			t.Fatalf("seed %d, climb %s: messages (-without +with restarts):\n%.3000s", seed, n.policy.Climb, diff)
		}
	}
}

// known is what the test knows of an alarm that stands unanswered.
type known struct {
	since time.Time            // it was new
	first time.Time            // somebody was told
	last  map[string]time.Time // by person
}

// Whatever happens: somebody is told of new trouble within Gather, whoever was
// told again within Repeat, everybody once it has climbed beyond the last; nobody
// gets more than one call-out a Gather; each message has a way to stand by while
// there is one; nobody hears that what they were never told of is over or held back; and a code
// answers what its person was told of and nothing else.
func TestEverybodyIsReached(t *testing.T) {
	total, heldTold := map[callout.Reason]int{}, 0
	for seed := range *seeds {
		n := makeNight(t, seed)
		p := n.policy
		open := map[alarm.Key]*known{}
		lastCall, codes := map[string]time.Time{}, map[string]string{}
		ever, used := map[string]map[alarm.Key]bool{}, map[string]string{}
		for _, who := range n.people {
			ever[who.Name] = map[alarm.Key]bool{}
		}
		others := map[alarm.Key]bool{} // somebody was told of it, since it was new
		n.run(func(int) bool { return false }, func(r *notify.Router, s *randomStep, msgs []callout.Message) {
			now := s.at
			for _, tr := range s.trs {
				if tr.Priority != alarm.CallOut {
					continue
				}
				if tr.From != alarm.Acknowledged && tr.To == alarm.Unacknowledged {
					delete(others, tr.Key)
				}
				if ever[tr.By] != nil {
					ever[tr.By][tr.Key] = true // who answers knows
				}
				k := open[tr.Key]
				unanswered := tr.To == alarm.Unacknowledged && tr.Hidden == ""
				switch {
				case !unanswered:
					delete(open, tr.Key)
				case k == nil || tr.From != alarm.Unacknowledged || tr.Hidden == "" && tr.Cause == "": // surfaced, or free of its cause
					open[tr.Key] = &known{since: now, last: map[string]time.Time{}}
				}
			}
			ways := map[string]int{}
			for _, m := range msgs {
				total[m.Reason]++
				isCall := m.Reason == callout.First || m.Reason == callout.Repeat
				if isCall || m.Reason == callout.Drill {
					ways[m.Person]++
					if owner := used[m.Code]; len(m.Code) != 4 || owner != "" && owner != m.Person {
						t.Fatalf("seed %d: %s: code %q of %q", seed, summary(m), m.Code, owner)
					}
					used[m.Code], codes[m.Person] = m.Person, m.Code
				} else if m.Code != "" {
					t.Fatalf("seed %d: %s: code %q", seed, summary(m), m.Code)
				}
				if (m.Unless != "") != !m.NotBefore.IsZero() {
					t.Fatalf("seed %d: %+v", seed, m)
				}
				if last := lastCall[m.Person]; isCall && !last.IsZero() && !last.Equal(now) && now.Sub(last) < p.Gather {
					t.Fatalf("seed %d: %s, only %s after the last", seed, summary(m), now.Sub(last))
				}
				if isCall || m.Reason == callout.Returned {
					lastCall[m.Person] = now
				}
				for _, k := range m.Alarms {
					if o := open[k]; o != nil && isCall {
						o.last[m.Person], others[k] = now, true
						if o.first.IsZero() {
							o.first = now
						}
					}
					if strings.HasPrefix(m.Subject, "Held back") && (m.Person == "kim" || !n.causes && !ever[m.Person][k]) {
						t.Fatalf("seed %d: %s: %s", seed, summary(m), m.Subject)
					} else if strings.HasPrefix(m.Subject, "Held back") {
						heldTold++
					}
					if m.Reason == callout.Returned && p.Climb > 0 && !ever[m.Person][k] && !n.causes && others[k] {
						t.Fatalf("seed %d: %s: never told of %s", seed, summary(m), k)
					}
					ever[m.Person][k] = true
				}
			}
			for _, who := range n.people {
				if got := ways[who.Name]; got != 0 && got != len(who.Reach) {
					t.Fatalf("seed %d: %d rows of a call-out to %s at %s, want one for each of %d ways", seed, got, who.Name, now, len(who.Reach))
				}
			}
			for _, who := range n.people {
				code := codes[who.Name]
				if code == "" {
					continue
				}
				keys, drill, state := r.Answerable(who.Name, code)
				if (state == notify.CodeGood) != (len(keys) > 0 || drill != "") || state == notify.CodeWrong {
					t.Fatalf("seed %d: code %s of %s: %v, %v %q", seed, code, who.Name, state, keys, drill)
				}
				for k, o := range open {
					if last, told := o.last[who.Name]; told && !slices.Contains(keys, k) {
						t.Fatalf("seed %d: %s at %s: told of %s at %s, its code answers %v", seed, who.Name, now, k, last, keys)
					}
				}
				for _, other := range n.people {
					if _, _, state := r.Answerable(other.Name, code); other.Name != who.Name && state != notify.CodeWrong {
						t.Fatalf("seed %d: the code of %s is %v for %s", seed, who.Name, state, other.Name)
					}
				}
			}
			if n.causes {
				return // see TestFollowersAreNeverLost
			}
			for k, o := range open {
				if o.first.IsZero() {
					if now.Sub(o.since) > p.Gather {
						t.Fatalf("seed %d: %s: nobody told at %s, raised %s", seed, k, now, o.since)
					}
					continue
				}
				for _, who := range n.people {
					if last, told := o.last[who.Name]; told && now.Sub(last) > p.Repeat {
						t.Fatalf("seed %d: %s: %s not told again at %s, last at %s", seed, k, who.Name, now, last)
					} else if all := time.Duration(len(n.people)) * p.Climb; !told && now.Sub(o.first) > all+p.Gather {
						t.Fatalf("seed %d: %s: %s not told at %s, first told at %s", seed, k, who.Name, now, o.first)
					}
				}
			}
		})
	}
	for _, why := range []callout.Reason{callout.First, callout.Repeat, callout.Returned, callout.Answered, callout.MorningRound, callout.AllWell, callout.Drill} {
		if total[why] == 0 && *seeds >= 150 {
			t.Errorf("no message for the reason %q in all the nights", why)
		}
	}
	if heldTold == 0 && *seeds >= 40 {
		t.Error("nobody heard that somebody holds it back in all the nights")
	}
	t.Log(total, heldTold)
}
