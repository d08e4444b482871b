package notify_test

import (
	"flag"
	"fmt"
	"maps"
	"math/rand"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/notify"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/site"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// evening is where the nights of the tests begin. The times are invented.
var evening = time.Date(2026, 10, 14, 20, 0, 0, 0, time.UTC)

func clock(t *testing.T, s string) time.Time {
	t.Helper()
	at, err := time.Parse("15:04:05", s)
	if err != nil {
		t.Fatal(err)
	}
	d := time.Duration(at.Hour())*time.Hour + time.Duration(at.Minute())*time.Minute + time.Duration(at.Second())*time.Second
	if at.Hour() < 20 {
		d += 24 * time.Hour
	}
	return evening.Truncate(24 * time.Hour).Add(d)
}

func policy() notify.Policy {
	return notify.Policy{
		Gather: 2 * time.Minute, Repeat: 15 * time.Minute, Expire: 24 * time.Hour, MorningMinute: 7 * 60,
		Location: time.UTC, SiteName: "Alder Fork hatchery",
		Units: []site.Unit{{Name: "spring", Kind: site.Spring}, {Name: "trough 3", Kind: site.Trough}, {Name: "trough 4", Kind: site.Trough}},
	}
}

var people = []notify.Person{byMail("kim"), byMail("rowan")}

func counter() notify.Source {
	n := 0
	return notify.Source{ID: func(time.Time) string { n++; return fmt.Sprintf("m%d", n) }}
}

// The alarms of the tests, by key.
var templates = map[alarm.Key]alarm.Transition{
	"t3": {
		Kind: alarm.LowFlow, Priority: alarm.CallOut, Unit: "trough 3", Trouble: "Trough 3: low flow", Detail: "11.2 L/min, setpoint 28 L/min",
		Rule: "trough flow", RuleAt: "rules.hcl:14", CanHappen: "Fry in a full trough may be dead in 20 minutes without new water.",
		ToDo: "Look at the tail screen and the valve. If the pump stands, open the bypass.",
	},
	"t4": {
		Kind: alarm.LowFlow, Priority: alarm.CallOut, Unit: "trough 4", Trouble: "Trough 4: low flow", Detail: "12 L/min, setpoint 28 L/min",
		Rule: "trough flow", RuleAt: "rules.hcl:14", CanHappen: "Fry in a full trough may be dead in 20 minutes without new water.",
		ToDo: "Look at the tail screen and the valve. If the pump stands, open the bypass.",
	},
	"spring": {
		Kind: alarm.LowFlow, Priority: alarm.CallOut, Unit: "spring", Trouble: "Spring: low flow", Detail: "310 L/min, setpoint 600 L/min",
		Rule: "spring flow", RuleAt: "rules.hcl:3", CanHappen: "All units run dry one after the other.", ToDo: "Clear the spring intake.",
	},
	"warm spring": {
		Kind: alarm.TemperatureBand, Priority: alarm.CallOut, Unit: "spring", Trouble: "Spring: too warm", Detail: "10 degC, setpoint 9 degC",
		Rule: "spring band",
	},
	"warm": {
		Kind: alarm.TemperatureBand, Priority: alarm.CallOut, Unit: "stack 1", Trouble: "Stack 1: too warm", Detail: "12.6 degC, setpoint 11 degC",
		Rule: "stack band",
	},
	"silent": {
		Kind: alarm.SilentProbe, Priority: alarm.Morning, Unit: "stack 2", Trouble: "Stack 2 temperature: silent", Detail: "no reading for 20 min",
		Rule: "silent probes", ToDo: "Look at the probe's cable.",
	},
	"chore": {Kind: alarm.MissedChore, Priority: alarm.Morning, Trouble: "Cleaning not done", Rule: "cleaning"},
	"note":  {Kind: alarm.MissedChore, Priority: alarm.Note, Trouble: "Picks not counted", Rule: "picks"},
}

// event is "raise", "return", "again" (there too long after an answer), "gone"
// (nothing watches it any more), "raise hidden", "hide" or "surface", "now" and the value that stands now, or who
// acknowledges. "raise < KEY" and "follow < KEY" name a cause, "free" takes it away.
type event struct {
	at   string
	key  alarm.Key
	what string
}

// life makes the transitions that the events stand for.
type life struct {
	state map[alarm.Key]alarm.Transition
}

func (l *life) next(at time.Time, key alarm.Key, what string) alarm.Transition {
	tr, ok := l.state[key]
	if !ok {
		tr = templates[key]
		tr.Key = key
	}
	tr.From, tr.At, tr.By = tr.To, at, ""
	what, cause, caused := strings.Cut(what, " < ")
	if caused || what == "raise" || what == "free" {
		tr.Cause = alarm.Key(cause)
	}
	switch what {
	case "follow":
	case "free":
		tr.To, tr.Trouble = alarm.Unacknowledged, strings.Replace(templates[key].Trouble, ": ", ": still ", 1)+" though the spring is right again"
	case "raise", "raise hidden":
		tr.Hidden, tr.Trouble = "", templates[key].Trouble
		if what == "raise hidden" {
			tr.Hidden = "being cleaned by kim since 09:10"
		}
		tr.Occurrence++
		tr.To, tr.Since, tr.Detail = alarm.Unacknowledged, at.Add(-30*time.Second), templates[key].Detail
	case "return":
		tr.To, tr.Detail = alarm.Normal, "29 L/min"
		if tr.From == alarm.Unacknowledged && tr.Hidden == "" {
			tr.To = alarm.ReturnedUnacknowledged
		}
	case "hide":
		tr.Hidden = "shelved by kim until 12:00"
	case "surface":
		tr.Hidden, tr.Trouble, tr.Detail = "", templates[key].Trouble+", still", "9.8 L/min, setpoint 28 L/min"
	case "again":
		tr.To, tr.Detail = alarm.Unacknowledged, "9.8 L/min, setpoint 28 L/min"
	case "gone":
		tr.To, tr.Detail = alarm.Normal, alarm.NoLongerWatched
	default:
		tr.To, tr.By = alarm.Acknowledged, what
		if !tr.From.Active() {
			tr.To = alarm.Normal
		}
	}
	l.state[key] = tr
	return tr
}

func (l *life) standing() []alarm.Transition {
	var out []alarm.Transition
	for _, tr := range l.state {
		if tr.To != alarm.Normal {
			out = append(out, tr)
		}
	}
	return out
}

func summary(m callout.Message) string {
	return fmt.Sprintf("%s %s %s: %s", m.CreatedAt.Format("15:04:05"), m.Reason, m.Person, m.Subject)
}

type night struct {
	name   string
	people []notify.Person
	events []event
	until  string
	want   []string // who is told what; "both" is kim and rowan
}

var nights = []night{
	{
		name:   "first at once, then repeats until somebody answers",
		events: []event{{"03:10:00", "t3", "raise"}, {"03:45:00", "t3", "kim"}},
		until:  "05:00:00",
		want: []string{
			"03:10:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"03:25:00 repeat both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min (again, nobody has answered, 2nd time)",
			"03:40:00 repeat both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min (again, nobody has answered, 3rd time)",
			"03:45:00 answered rowan: Answered: kim is coming — Trough 3: low flow",
		},
	},
	{
		name:   "further alarms are gathered, worst first",
		events: []event{{"03:10:00", "warm", "raise"}, {"03:10:30", "t4", "raise"}, {"03:11:00", "t3", "raise"}, {"03:11:30", "spring", "raise"}},
		until:  "03:28:00",
		want: []string{
			"03:10:00 first both: Stack 1: too warm — 12.6 degC, setpoint 11 degC",
			"03:12:00 first both: Spring: low flow — 310 L/min, setpoint 600 L/min + 3 more (nobody has answered 1 of them)",
			"03:27:00 repeat both: Spring: low flow — 310 L/min, setpoint 600 L/min + 3 more (again, nobody has answered, 2nd time)",
		},
	},
	{
		name: "back to normal only when all is, and told once",
		events: []event{
			{"03:10:00", "t3", "raise"},
			{"03:10:00", "t4", "raise"},
			{"03:11:00", "t3", "rowan"},
			{"03:11:00", "t4", "rowan"},
			{"03:20:00", "t3", "return"},
			{"03:30:00", "t4", "return"},
		},
		until: "04:30:00",
		want: []string{
			"03:10:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min + 1 more",
			"03:11:00 answered kim: Answered: rowan is coming — Trough 3: low flow + 1 more",
			"03:30:00 returned both: Back to normal: Trough 3: low flow + 1 more",
		},
	},
	{
		name:   "came and went within the gather time is still mentioned",
		events: []event{{"03:10:00", "t3", "raise"}, {"03:10:30", "t4", "raise"}, {"03:11:00", "t4", "return"}, {"03:20:00", "t3", "return"}},
		until:  "04:00:00",
		want: []string{
			"03:10:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"03:12:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min + 1 more (again, nobody has answered, 2nd time; 1 new)",
			"03:20:00 returned both: Back to normal: Trough 3: low flow",
		},
	},
	{
		name:   "low flow in a trough before a warm spring",
		events: []event{{"03:10:00", "warm spring", "raise"}, {"03:10:00", "t3", "raise"}},
		until:  "03:20:00",
		want:   []string{"03:10:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min + 1 more"},
	},
	{
		name:   "one of two returns unanswered: nothing to say yet",
		events: []event{{"03:10:00", "t3", "raise"}, {"03:10:00", "t4", "raise"}, {"03:15:00", "t3", "return"}},
		until:  "03:24:00",
		want:   []string{"03:10:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min + 1 more"},
	},
	{
		name:   "answered before it was told, and over: no news",
		events: []event{{"03:10:00", "t3", "raise"}, {"03:10:30", "t4", "raise"}, {"03:11:00", "t4", "kim"}, {"03:11:30", "t4", "return"}},
		until:  "03:24:00",
		want: []string{
			"03:10:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"03:11:00 answered rowan: Answered: kim is coming — Trough 4: low flow",
		},
	},
	{
		name:   "one that came and went before anybody could be told",
		events: []event{{"03:10:00", "t3", "raise"}, {"03:10:00", "t3", "return"}},
		until:  "04:00:00",
		want:   []string{"03:10:00 returned both: Back to normal: Trough 3: low flow"},
	},
	{
		name: "a later alarm is a new call-out, and the answered one is not repeated with it",
		events: []event{
			{"03:10:00", "t3", "raise"}, {"03:12:00", "t3", "kim"}, {"03:30:00", "t4", "raise"},
		},
		until: "03:50:00",
		want: []string{
			"03:10:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"03:12:00 answered rowan: Answered: kim is coming — Trough 3: low flow",
			"03:30:00 first both: Trough 4: low flow — 12 L/min, setpoint 28 L/min",
			"03:45:00 repeat both: Trough 4: low flow — 12 L/min, setpoint 28 L/min (again, nobody has answered, 2nd time)",
		},
	},
	{
		name: "the same alarm raised again after an answer is a new call-out",
		events: []event{
			{"03:10:00", "t3", "raise"}, {"03:12:00", "t3", "kim"}, {"03:20:00", "t3", "return"}, {"03:30:00", "t3", "raise"},
		},
		until: "03:40:00",
		want: []string{
			"03:10:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"03:12:00 answered rowan: Answered: kim is coming — Trough 3: low flow",
			"03:20:00 returned both: Back to normal: Trough 3: low flow",
			"03:30:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
		},
	},
	{
		name: "chatter gives one message a gather time",
		events: []event{
			{"03:10:00", "t3", "raise"},
			{"03:10:20", "t3", "return"},
			{"03:10:40", "t3", "raise"},
			{"03:11:00", "t3", "return"},
			{"03:11:20", "t3", "raise"},
			{"03:12:40", "t3", "return"},
			{"03:13:00", "t3", "raise"},
			{"03:13:20", "t3", "return"},
		},
		until: "03:30:00",
		want: []string{
			"03:10:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"03:12:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"03:14:00 returned both: Back to normal: Trough 3: low flow",
		},
	},
	{
		name:   "answered before anybody was told: the others hear of it in the answer",
		events: []event{{"03:10:00", "t3", "raise"}, {"03:10:30", "t4", "raise"}, {"03:11:00", "t4", "kim"}, {"03:11:00", "t3", "kim"}},
		until:  "04:00:00",
		want: []string{
			"03:10:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"03:11:00 answered rowan: Answered: kim is coming — Trough 3: low flow + 1 more",
		},
	},
	{
		name:   "the one person who answers needs no message about it",
		people: people[:1],
		events: []event{{"03:10:00", "t3", "raise"}, {"03:12:00", "t3", "Kim"}, {"03:20:00", "t3", "return"}},
		until:  "04:00:00",
		want: []string{
			"03:10:00 first kim: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"03:20:00 returned kim: Back to normal: Trough 3: low flow",
		},
	},
	{
		name: "morning round: held, one digest, stands for the next",
		events: []event{
			{"21:00:00", "silent", "raise"}, {"22:00:00", "silent", "return"}, {"02:00:00", "chore", "raise"}, {"07:00:30", "silent", "raise"},
		},
		until: "19:00:00",
		want:  []string{"07:00:00 morning both: Cleaning not done + 1 more (morning round)"},
	},
	{
		name: "what came and went does not hide what stands, nor that nobody has answered",
		events: []event{
			{"02:00:00", "spring", "raise"}, {"02:01:00", "t3", "raise"}, {"02:01:30", "t3", "return"}, {"02:09:00", "t3", "raise"}, {"02:10:00", "warm", "raise"},
		},
		until: "02:26:00",
		want: []string{
			"02:00:00 first both: Spring: low flow — 310 L/min, setpoint 600 L/min",
			"02:02:00 first both: Spring: low flow — 310 L/min, setpoint 600 L/min + 1 more (again, nobody has answered, 2nd time; 1 new)",
			"02:09:00 first both: Spring: low flow — 310 L/min, setpoint 600 L/min + 1 more (again, nobody has answered, 3rd time; 1 new)",
			"02:11:00 first both: Spring: low flow — 310 L/min, setpoint 600 L/min + 2 more (again, nobody has answered, 4th time; 1 new)",
			"02:26:00 repeat both: Spring: low flow — 310 L/min, setpoint 600 L/min + 2 more (again, nobody has answered, 5th time)",
		},
	},
	{
		name: "later messages give the value of now",
		events: []event{
			{"03:10:00", "t3", "raise"},
			{"03:20:00", "t3", "now 5 L/min, setpoint 28 L/min"},
			{"03:30:00", "t3", "now "},
			{"03:41:00", "t4", "raise"},
			{"03:41:00", "t3", "now 2 L/min, setpoint 28 L/min"},
		},
		until: "03:45:00",
		want: []string{
			"03:10:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"03:25:00 repeat both: Trough 3: low flow — 5 L/min, setpoint 28 L/min (again, nobody has answered, 2nd time)",
			"03:40:00 repeat both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min (again, nobody has answered, 3rd time)",
			"03:42:00 first both: Trough 3: low flow — 2 L/min, setpoint 28 L/min + 1 more (again, nobody has answered, 4th time; 1 new)",
		},
	},
	{
		name: "still there long after an answer: told at once, and repeated",
		events: []event{
			{"02:00:00", "t3", "raise"}, {"02:02:00", "t3", "kim"}, {"03:02:00", "t3", "again"}, {"03:40:00", "t3", "rowan"},
		},
		until: "04:30:00",
		want: []string{
			"02:00:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"02:02:00 answered rowan: Answered: kim is coming — Trough 3: low flow",
			"03:02:00 first both: Trough 3: low flow — 9.8 L/min, setpoint 28 L/min (still there 1 h after kim answered)",
			"03:17:00 repeat both: Trough 3: low flow — 9.8 L/min, setpoint 28 L/min (again, nobody has answered, 2nd time)",
			"03:32:00 repeat both: Trough 3: low flow — 9.8 L/min, setpoint 28 L/min (again, nobody has answered, 3rd time)",
			"03:40:00 answered kim: Answered: rowan is coming — Trough 3: low flow",
		},
	},
	{
		name: "still there after an answer, within the gather time of another",
		events: []event{
			{"02:00:00", "t3", "raise"}, {"02:02:00", "t3", "kim"}, {"03:01:00", "t4", "raise"}, {"03:02:00", "t3", "again"}, {"03:10:00", "t3", "return"}, {"03:11:00", "t4", "return"},
		},
		until: "04:30:00",
		want: []string{
			"02:00:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"02:02:00 answered rowan: Answered: kim is coming — Trough 3: low flow",
			"03:01:00 first both: Trough 4: low flow — 12 L/min, setpoint 28 L/min",
			"03:03:00 first both: Trough 3: low flow — 9.8 L/min, setpoint 28 L/min + 1 more (still there 1 h 1 min after kim answered; 1 more unanswered)",
			"03:11:00 returned both: Back to normal: Trough 3: low flow + 1 more",
		},
	},
	{
		name: "there again after an answer and over before that could be told",
		events: []event{
			{"02:00:00", "t3", "raise"}, {"02:02:00", "t3", "kim"}, {"03:01:00", "t4", "raise"}, {"03:02:00", "t3", "again"}, {"03:02:10", "t3", "return"},
		},
		until: "03:10:00",
		want: []string{
			"02:00:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"02:02:00 answered rowan: Answered: kim is coming — Trough 3: low flow",
			"03:01:00 first both: Trough 4: low flow — 12 L/min, setpoint 28 L/min",
		},
	},
	{
		name: "a morning alarm there again after an answer waits for the morning",
		events: []event{
			{"05:00:00", "silent", "raise"}, {"07:30:00", "silent", "kim"}, {"08:30:00", "silent", "again"},
		},
		until: "19:00:00",
		want:  []string{"07:00:00 morning both: Stack 2 temperature: silent — no reading for 20 min (morning round)"},
	},
	{
		name:   "what nothing watches any more is not back to normal",
		events: []event{{"02:00:00", "spring", "raise"}, {"02:10:00", "spring", "gone"}},
		until:  "03:00:00",
		want: []string{
			"02:00:00 first both: Spring: low flow — 310 L/min, setpoint 600 L/min",
			"02:10:00 returned both: No longer watched: Spring: low flow",
		},
	},
	{
		name: "no longer watched and back to normal are told apart",
		events: []event{
			{"02:00:00", "spring", "raise"}, {"02:00:00", "t3", "raise"}, {"02:00:00", "t4", "raise"}, {"02:10:00", "spring", "gone"}, {"02:11:00", "t3", "return"}, {"02:12:00", "t4", "return"},
		},
		until: "03:00:00",
		want: []string{
			"02:00:00 first both: Spring: low flow — 310 L/min, setpoint 600 L/min + 2 more",
			"02:12:00 returned both: No longer watched: Spring: low flow; back to normal: Trough 3: low flow + 1 more",
		},
	},
	{
		name: "over, answered later, and then no longer watched: it was back to normal",
		events: []event{
			{"02:00:00", "t4", "raise"}, {"02:00:00", "t3", "raise"}, {"02:10:00", "t3", "return"}, {"02:12:00", "t3", "gone"}, {"02:13:00", "t4", "return"},
		},
		until: "03:00:00",
		want: []string{
			"02:00:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min + 1 more",
			"02:13:00 returned both: Back to normal: Trough 3: low flow + 1 more",
		},
	},
	{
		name:   "hidden from its raise to its end: nobody is told",
		events: []event{{"02:00:00", "t3", "raise hidden"}, {"02:20:00", "t3", "return"}},
		until:  "08:00:00",
	},
	{
		name:   "hidden, then there for all to see: told as new, with its new words",
		events: []event{{"02:00:00", "t3", "raise hidden"}, {"02:30:00", "t3", "surface"}, {"02:50:00", "t3", "return"}},
		until:  "08:00:00",
		want: []string{
			"02:30:00 first both: Trough 3: low flow, still — 9.8 L/min, setpoint 28 L/min",
			"02:45:00 repeat both: Trough 3: low flow, still — 9.8 L/min, setpoint 28 L/min (again, nobody has answered, 2nd time)",
			"02:50:00 returned both: Back to normal: Trough 3: low flow, still",
		},
	},
	{
		name:   "told, then hidden: no repeats, and its end is told",
		events: []event{{"02:00:00", "t3", "raise"}, {"02:05:00", "t3", "hide"}, {"04:00:00", "t3", "return"}},
		until:  "08:00:00",
		want: []string{
			"02:00:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"04:00:00 returned both: Back to normal: Trough 3: low flow",
		},
	},
	{
		name:   "told, hidden, and there again: told as new",
		events: []event{{"02:00:00", "t3", "raise"}, {"02:05:00", "t3", "hide"}, {"04:00:00", "t3", "surface"}, {"04:10:00", "t3", "kim"}},
		until:  "08:00:00",
		want: []string{
			"02:00:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
			"04:00:00 first both: Trough 3: low flow, still — 9.8 L/min, setpoint 28 L/min",
			"04:10:00 answered rowan: Answered: kim is coming — Trough 3: low flow, still",
		},
	},
	{
		name:   "answered while it is hidden: the others have not heard of it and need not",
		events: []event{{"02:00:00", "t3", "raise hidden"}, {"02:05:00", "t3", "kim"}, {"02:20:00", "t3", "return"}},
		until:  "08:00:00",
	},
	{
		name:   "hidden beside another: that one is told without it",
		events: []event{{"02:00:00", "t3", "raise hidden"}, {"02:05:00", "t4", "raise"}, {"02:06:00", "t4", "kim"}, {"02:10:00", "t4", "return"}},
		until:  "08:00:00",
		want: []string{
			"02:05:00 first both: Trough 4: low flow — 12 L/min, setpoint 28 L/min",
			"02:06:00 answered rowan: Answered: kim is coming — Trough 4: low flow",
			"02:10:00 returned both: Back to normal: Trough 4: low flow",
		},
	},
	{
		name: "its end waits for another's, and it comes again hidden: the end is still told",
		events: []event{
			{"02:00:00", "t3", "raise"}, {"02:00:00", "t4", "raise"}, {"02:05:00", "t3", "return"}, {"02:06:00", "t3", "raise hidden"}, {"02:08:00", "t3", "return"}, {"02:10:00", "t4", "return"},
		},
		until: "08:00:00",
		want: []string{
			"02:00:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min + 1 more",
			"02:10:00 returned both: Back to normal: Trough 3: low flow + 1 more",
		},
	},
	{
		name:   "hidden and for the morning: in no round until there for all to see",
		events: []event{{"21:00:00", "silent", "raise hidden"}, {"08:00:00", "silent", "surface"}},
		until:  "19:00:00",
	},
	{name: "a note tells nobody", events: []event{{"21:00:00", "note", "raise"}}, until: "10:00:00"},
}

// runNight gives what a night's messages are, with restarts at the given
// instants; whole says whether the journal is given back, or only what stands.
func runNight(t *testing.T, who []notify.Person, p notify.Policy, events []event, from, until time.Time, restart func(time.Time) bool, whole bool) []callout.Message {
	t.Helper()
	ids := counter()
	r := notify.NewRouter(p, who, ids)
	l := life{state: map[alarm.Key]alarm.Transition{}}
	var out []callout.Message
	var journal []alarm.Transition
	values := map[alarm.Key]string{}
	at := clocks(t, events)
	if len(at) > 0 {
		from = slices.MinFunc(at, time.Time.Compare) // nothing is said before
	}
	for now := from; !now.After(until); now = now.Add(10 * time.Second) {
		if restart(now) {
			r = notify.NewRouter(p, who, ids)
			past := journal
			if !whole {
				past = nil
			}
			r.Restore(past, l.standing(), out)
		}
		for i, e := range events {
			if at[i].Equal(now) {
				if value, ok := strings.CutPrefix(e.what, "now "); ok {
					values[e.key] = value
					continue
				}
				tr := l.next(now, e.key, e.what)
				values[e.key] = tr.Detail
				journal = append(journal, tr)
				r.Observe(tr)
			}
		}
		out = append(out, r.Due(now, notify.Look{Current: func(k alarm.Key) string { return values[k] }})...)
	}
	return out
}

func expand(who []notify.Person, lines []string) []string {
	var out []string
	for _, s := range lines {
		if !strings.Contains(s, " both: ") {
			out = append(out, s)
			continue
		}
		for _, p := range who {
			out = append(out, strings.Replace(s, " both: ", " "+p.Name+": ", 1))
		}
	}
	return out
}

var answer = regexp.MustCompile("still there [^;)]*")

func never(time.Time) bool { return false }

// often says when to restart: for a while around each time that something happens,
// and else now and then; with 40 seeds or more always.
func often(events []time.Time) func(time.Time) bool {
	return func(now time.Time) bool {
		near := func(at time.Time) bool { return now.Sub(at).Abs() <= 20*time.Second }
		return *seeds >= 40 || now.Unix()/10%13 == 0 || slices.ContainsFunc(events, near)
	}
}

func clocks(t *testing.T, events []event) []time.Time {
	t.Helper()
	at := make([]time.Time, len(events))
	for i, e := range events {
		at[i] = clock(t, e.at)
	}
	return at
}

func TestNight(t *testing.T) {
	for _, tt := range slices.Concat(nights, followNights) {
		t.Run(tt.name, func(t *testing.T) {
			who := tt.people
			if who == nil {
				who = people
			}
			want := expand(who, tt.want)
			plain := runNight(t, who, policy(), tt.events, evening, clock(t, tt.until), never, false)
			var got []string
			for _, m := range plain {
				got = append(got, summary(m))
				life := 24 * time.Hour
				if m.Reason == callout.Repeat {
					life = 15 * time.Minute
				}
				if got := m.ExpiresAt.Sub(m.CreatedAt); got != life {
					t.Errorf("%s message expires after %s, want %s", m.Reason, got, life)
				}
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("messages (-want +got):\n%s", diff)
			}
			// With its journal given back, a restart changes nothing, down to the last word.
			restarted := runNight(t, who, policy(), tt.events, evening, clock(t, tt.until), often(clocks(t, tt.events)), true)
			if diff := cmp.Diff(plain, restarted); diff != "" {
				t.Errorf("messages with restarts (-without +with):\n%s", diff)
			}
		})
	}
}

// What stands is enough for call-outs: they are neither lost nor told twice.
func TestRestoreFromStanding(t *testing.T) {
	for _, tt := range nights {
		t.Run(tt.name, func(t *testing.T) {
			who := tt.people
			if who == nil {
				who = people
			}
			var got, want []string
			for _, m := range runNight(t, who, policy(), tt.events, evening, clock(t, tt.until), often(clocks(t, tt.events)), false) {
				if m.Reason == callout.First || m.Reason == callout.Repeat {
					got = append(got, summary(m))
				}
			}
			for _, s := range expand(who, tt.want) {
				if strings.Contains(s, " first ") || strings.Contains(s, " repeat ") {
					want = append(want, s)
				}
			}
			// Who answered is only known from the journal.
			for _, list := range [][]string{got, want} {
				for i, s := range list {
					list[i] = answer.ReplaceAllString(s, "still there")
				}
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("call-outs (-want +got):\n%s", diff)
			}
		})
	}
}

func TestRestoreUntold(t *testing.T) {
	l := life{state: map[alarm.Key]alarm.Transition{}}
	l.next(clock(t, "03:10:00"), "t3", "raise")
	l.next(clock(t, "03:10:00"), "t4", "raise")
	l.next(clock(t, "03:11:00"), "t4", "kim")
	r := notify.NewRouter(policy(), people, counter())
	r.Restore(nil, l.standing(), nil)
	var got []string
	for _, m := range r.Due(clock(t, "03:40:00"), notify.Look{}) {
		got = append(got, summary(m))
	}
	want := expand(people, []string{"03:40:00 first both: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min"})
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("after a restart (-want +got):\n%s", diff)
	}
}

// The clock was a year ahead when a message was made, and is then put right.
func TestClockSetBack(t *testing.T) {
	l := life{state: map[alarm.Key]alarm.Transition{}}
	now := clock(t, "03:10:00")
	r := notify.NewRouter(policy(), people[:1], counter())
	r.Observe(l.next(now.AddDate(1, 0, 0), "t3", "raise"))
	if got := len(r.Due(now.AddDate(1, 0, 0), notify.Look{})); got != 1 {
		t.Fatalf("%d messages a year ahead, want 1", got)
	}
	r.Observe(l.next(now, "t4", "raise"))
	got := r.Due(now, notify.Look{})
	if len(got) != 1 || got[0].Reason != callout.First {
		t.Errorf("after the clock was put right: %v, want a first message at once", got)
	}
}

// The clock was set back in the middle of the night, and the daemon started
// anew: what is over is not believed in, what stands is told, and in time. at is
// minutes after ten in the evening, in the order things happened.
func TestRestoreAfterClockSetBack(t *testing.T) {
	ten := clock(t, "22:00:00")
	minute := func(n int) time.Time { return ten.Add(time.Duration(n) * time.Minute) }
	type step struct {
		at   int
		key  alarm.Key
		what string
	}
	type told struct {
		at  int
		why callout.Reason
		key alarm.Key
	}
	tests := []struct {
		name  string
		steps []step
		told  []told
		from  int
		until int
		want  []string
	}{
		{
			name:  "a return that seems to come before its raise",
			steps: []step{{12, "t3", "raise"}, {-13, "t3", "return"}, {-12, "t3", "kim"}},
			told:  []told{{12, callout.First, "t3"}, {-13, callout.Returned, "t3"}},
			from:  -10, until: 60,
		},
		{
			name:  "a return that nobody was told of",
			steps: []step{{12, "t3", "raise"}, {-13, "t3", "return"}},
			told:  []told{{12, callout.First, "t3"}},
			from:  -10, until: 20,
			want: []string{"21:50:00 returned kim: Back to normal: Trough 3: low flow"},
		},
		{
			name:  "raised again, and the old messages are not about that",
			steps: []step{{12, "t3", "raise"}, {-13, "t3", "return"}, {-5, "t3", "raise"}},
			told:  []told{{12, callout.First, "t3"}, {27, callout.Repeat, "t3"}, {-13, callout.Returned, "t3"}},
			from:  -4, until: 13,
			want: []string{
				"21:56:00 first kim: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
				"22:11:00 repeat kim: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min (again, nobody has answered, 2nd time)",
			},
		},
		{
			name:  "told before the clock was set back, and still there",
			steps: []step{{12, "t3", "raise"}},
			told:  []told{{12, callout.First, "t3"}},
			from:  0, until: 16,
			want: []string{"22:15:00 repeat kim: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min (again, nobody has answered, 2nd time)"},
		},
		{
			name:  "told decades ahead, and still there",
			steps: []step{{30 * 365 * 1440, "t3", "raise"}},
			told:  []told{{30 * 365 * 1440, callout.First, "t3"}},
			from:  0, until: 1,
			want: []string{"22:00:00 repeat kim: Trough 3: low flow — 11.2 L/min, setpoint 28 L/min (again, nobody has answered, 2nd time)"},
		},
		{
			name:  "a morning round from hours ahead",
			steps: []step{{-60, "silent", "raise"}},
			told:  []told{{11 * 60, callout.MorningRound, "silent"}},
			from:  0, until: 12 * 60,
			want: []string{"07:00:00 morning kim: Stack 2 temperature: silent — no reading for 20 min (morning round)"},
		},
		{
			name:  "a morning alarm from a day far ahead",
			steps: []step{{30 * 365 * 1440, "silent", "raise"}},
			from:  0, until: 12 * 60,
			want: []string{"07:00:00 morning kim: Stack 2 temperature: silent — no reading for 20 min (morning round)"},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l := life{state: map[alarm.Key]alarm.Transition{}}
			var journal []alarm.Transition
			for _, s := range tt.steps {
				journal = append(journal, l.next(minute(s.at), s.key, s.what))
			}
			var messages []callout.Message
			for _, m := range tt.told {
				messages = append(messages, callout.Message{Reason: m.why, Person: "kim", Alarms: []alarm.Key{m.key}, CreatedAt: minute(m.at)})
			}
			r := notify.NewRouter(policy(), people[:1], counter())
			r.Restore(journal, l.standing(), messages)
			var got []string
			for n := tt.from; n <= tt.until; n++ {
				for _, m := range r.Due(minute(n), notify.Look{}) {
					got = append(got, summary(m))
				}
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("messages (-want +got):\n%s", diff)
			}
		})
	}
}

// An alarm that the journal believes in and the engine does not can never be
// answered, so nobody is told of it.
func TestRestoreDropsWhatDoesNotStand(t *testing.T) {
	l := life{state: map[alarm.Key]alarm.Transition{}}
	raise := l.next(evening, "t3", "raise")
	r := notify.NewRouter(policy(), people, counter())
	r.Restore([]alarm.Transition{raise}, nil, nil)
	if got := r.Due(evening.Add(time.Hour), notify.Look{}); len(got) > 0 || len(r.Untold()) > 0 {
		t.Errorf("told %v, untold %v, want neither", got, r.Untold())
	}
}

// However the clock is set, the same happens after the same time.
func TestShift(t *testing.T) {
	for _, by := range []time.Duration{-30 * 365 * 24 * time.Hour, -3 * time.Hour, -time.Minute, time.Minute, 14 * time.Minute, 3 * time.Hour, 30 * 365 * 24 * time.Hour} {
		l := life{state: map[alarm.Key]alarm.Transition{}}
		r := notify.NewRouter(policy(), people[:1], counter())
		r.Observe(l.next(evening, "t3", "raise"))
		r.Due(evening, notify.Look{})
		r.Observe(l.next(evening.Add(time.Minute), "t4", "raise"))
		r.Observe(l.next(evening.Add(time.Minute), "silent", "raise"))
		r.Shift(by)
		var got []string
		for d := time.Minute; d < 34*time.Minute; d += 10 * time.Second {
			for _, m := range r.Due(evening.Add(by).Add(d), notify.Look{}) {
				if m.Reason == callout.MorningRound {
					continue // goes by the clock on the wall
				}
				got = append(got, fmt.Sprintf("%s %s %d", d, m.Reason, len(m.Alarms)))
				if since := evening.Add(by - 30*time.Second).Format("15:04"); !strings.Contains(m.Text, since) {
					t.Errorf("set by %s: no %q in\n%s", by, since, m.Text)
				}
			}
		}
		want := []string{"2m0s first 2", "17m0s repeat 2", "32m0s repeat 2"}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("set by %s (-want +got):\n%s", by, diff)
		}
	}
}

// The clock is set over the morning hour: what waited for it waits no longer.
func TestShiftOverTheMorning(t *testing.T) {
	l := life{state: map[alarm.Key]alarm.Transition{}}
	r := notify.NewRouter(policy(), people[:1], counter())
	r.Observe(l.next(clock(t, "06:50:00"), "silent", "raise"))
	r.Shift(20 * time.Minute)
	if got := r.Due(clock(t, "07:11:00"), notify.Look{}); len(got) != 1 {
		t.Errorf("got %v, want the morning round", got)
	}
}

// Dates of the changes of the clocks: the zone's rules as in the tz database,
// 29 March and 25 October 2026.
func TestMorningWhenClocksChange(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name   string
		minute int
		from   time.Time // raised here, stands on
		want   []string
	}{
		{"forward, seven stays seven", 7 * 60, time.Date(2026, 3, 28, 12, 0, 0, 0, zone), []string{"2026-03-29 07:00 +0200", "2026-03-30 07:00 +0200"}},
		{"back, seven stays seven", 7 * 60, time.Date(2026, 10, 24, 12, 0, 0, 0, zone), []string{"2026-10-25 07:00 +0100", "2026-10-26 07:00 +0100"}},
		{"forward, an hour that does not exist", 2*60 + 30, time.Date(2026, 3, 28, 12, 0, 0, 0, zone), []string{"2026-03-29 03:30 +0200", "2026-03-30 02:30 +0200"}},
		{"back, an hour that comes twice", 2*60 + 30, time.Date(2026, 10, 24, 12, 0, 0, 0, zone), []string{"2026-10-25 02:30 +0100", "2026-10-26 02:30 +0100"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := policy()
			p.Location, p.MorningMinute = zone, tt.minute
			r := notify.NewRouter(p, people[:1], counter())
			l := life{state: map[alarm.Key]alarm.Transition{}}
			r.Observe(l.next(tt.from, "silent", "raise"))
			var got []string
			for now := tt.from; now.Before(tt.from.Add(45 * time.Hour)); now = now.Add(time.Minute) {
				for range r.Due(now, notify.Look{}) {
					got = append(got, now.In(zone).Format("2006-01-02 15:04 -0700"))
				}
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("morning rounds (-want +got):\n%s", diff)
			}
		})
	}
}

// Whatever happens: a call-out alarm that nobody answers is in a message within
// Gather and again within Repeat, nobody gets more than one call-out a Gather,
// and a restart from what stands changes none of this.
func TestRandomNights(t *testing.T) {
	keys := []alarm.Key{"t3", "t4", "spring", "warm"}
	p := policy()
	const tick = 10 * time.Second
	for seed := range 2 * *seeds {
		rng := rand.New(rand.NewSource(seed))
		ids := counter()
		r := notify.NewRouter(p, people, ids)
		l := life{state: map[alarm.Key]alarm.Transition{}}
		var sent []callout.Message
		open := map[alarm.Key]time.Time{} // unanswered: since the raise or the last telling
		told := map[alarm.Key]bool{}
		var last time.Time
		for now := evening; now.Before(evening.Add(3 * time.Hour)); now = now.Add(tick) {
			if rng.Intn(50) == 0 {
				r = notify.NewRouter(p, people, ids)
				r.Restore(nil, l.standing(), sent)
			}
			for _, k := range keys {
				if rng.Intn(25) > 0 {
					continue
				}
				what := []string{"raise", "return", "kim", "again"}[rng.Intn(4)]
				state := l.state[k].To
				if what == "raise" && state.Active() || what == "return" && !state.Active() || what == "kim" && state != alarm.Unacknowledged || what == "again" && state != alarm.Acknowledged {
					continue
				}
				r.Observe(l.next(now, k, what))
				delete(open, k)
				if what == "raise" || what == "again" {
					open[k], told[k] = now, false
				}
			}
			for _, m := range r.Due(now, notify.Look{}) {
				sent = append(sent, m)
				if n := utf8.RuneCountInString(m.Subject); n > 120 {
					t.Fatalf("seed %d: subject of %d characters: %s", seed, n, m.Subject)
				}
				if m.Person != "kim" || m.Reason == callout.Answered {
					continue
				}
				if !last.IsZero() && now.Sub(last) < p.Gather {
					t.Fatalf("seed %d: %s, only %s after the last one", seed, summary(m), now.Sub(last))
				}
				last = now
				for _, k := range m.Alarms {
					if _, ok := open[k]; ok {
						open[k], told[k] = now, true
					}
				}
			}
			untold := r.Untold()
			for k, at := range open {
				if untold[k] == told[k] {
					t.Fatalf("seed %d: %s: told %t, untold %t at %s", seed, k, told[k], untold[k], now)
				}
				if limit := map[bool]time.Duration{false: p.Gather, true: p.Repeat}[told[k]]; now.Sub(at) > limit {
					t.Fatalf("seed %d: %s unanswered and untold for %s at %s", seed, k, now.Sub(at), now)
				}
			}
		}
		if len(sent) == 0 {
			t.Fatalf("seed %d: nothing happened", seed)
		}
	}
}

func TestTexts(t *testing.T) {
	tests := []struct {
		name   string
		events []event
		reason callout.Reason
		until  string
	}{
		{"first", []event{{"03:10:00", "t3", "raise"}}, callout.First, "03:10:00"},
		{"first-many", []event{{"03:10:00", "t3", "raise"}, {"03:10:00", "t4", "raise"}, {"03:10:00", "spring", "raise"}, {"03:10:00", "warm", "raise"}}, callout.First, "03:10:00"},
		{"came-and-went", []event{{"03:10:00", "spring", "raise"}, {"03:10:30", "t3", "raise"}, {"03:10:50", "t3", "return"}, {"03:11:10", "t3", "raise"}, {"03:11:30", "t3", "return"}}, callout.First, "03:12:00"},
		{"repeat", []event{{"23:55:00", "t3", "raise"}, {"23:55:00", "warm", "raise"}, {"00:05:00", "t3", "now 5 L/min, setpoint 28 L/min"}, {"00:06:00", "warm", "now "}}, callout.Repeat, "00:10:00"},
		{"also-standing", []event{{"03:10:00", "spring", "raise"}, {"03:10:00", "warm", "raise"}, {"03:12:00", "spring", "kim"}, {"03:12:00", "warm", "gone"}, {"03:20:00", "spring", "now 280 L/min, setpoint 600 L/min"}, {"03:30:00", "t3", "raise"}}, callout.First, "03:30:00"},
		{"still-there", []event{{"02:00:00", "t3", "raise"}, {"02:02:00", "t3", "kim"}, {"03:02:00", "t3", "again"}}, callout.First, "03:02:00"},
		{"still-there-later", []event{{"02:00:00", "t3", "raise"}, {"02:00:00", "t4", "raise"}, {"02:02:00", "t3", "kim"}, {"02:02:00", "t4", "kim"}, {"03:02:00", "t3", "again"}, {"03:02:00", "t4", "again"}, {"03:16:00", "spring", "raise"}}, callout.First, "03:16:00"},
		{"answered-again", []event{{"02:00:00", "t3", "raise"}, {"02:02:00", "t3", "kim"}, {"03:02:00", "t3", "again"}, {"03:10:00", "t3", "rowan"}}, callout.Answered, "03:10:00"},
		{"no-longer-watched", []event{{"02:00:00", "spring", "raise"}, {"02:00:00", "t3", "raise"}, {"02:10:00", "spring", "gone"}, {"02:11:00", "t3", "return"}}, callout.Returned, "02:11:00"},
		{"went-unwatched", []event{{"02:00:00", "t3", "raise"}, {"02:01:00", "spring", "raise"}, {"02:01:30", "spring", "gone"}}, callout.First, "02:02:00"},
		{"answered", []event{{"03:10:00", "t3", "raise"}, {"03:10:00", "t4", "raise"}, {"03:12:00", "t3", "kim"}, {"03:12:00", "t4", "kim"}}, callout.Answered, "03:12:00"},
		{"returned", []event{{"03:10:00", "t3", "raise"}, {"03:10:00", "spring", "raise"}, {"03:12:00", "t3", "return"}, {"03:20:00", "spring", "return"}}, callout.Returned, "03:20:00"},
		{"cause", []event{{"03:10:00", "spring", "raise"}, {"03:10:00", "t3", "raise < spring"}, {"03:10:00", "t4", "raise < spring"}, {"03:10:00", "warm", "raise < spring"}}, callout.First, "03:10:00"},
		{"cause-answered", []event{{"03:10:00", "spring", "raise"}, {"03:10:00", "t3", "raise < spring"}, {"03:12:00", "spring", "kim"}, {"03:12:00", "t3", "kim"}}, callout.Answered, "03:12:00"},
		{"cause-later", []event{{"03:10:00", "spring", "raise"}, {"03:11:00", "spring", "kim"}, {"03:42:00", "t3", "raise < spring"}}, callout.First, "03:42:00"},
		{"cause-over", []event{{"03:10:00", "spring", "raise"}, {"03:10:00", "t3", "raise < spring"}, {"03:15:00", "spring", "return"}, {"03:20:00", "t3", "return"}}, callout.Returned, "03:20:00"},
		{"cause-outlived", []event{{"03:10:00", "spring", "raise"}, {"03:10:00", "t3", "raise < spring"}, {"03:15:00", "spring", "return"}, {"03:20:00", "t3", "free"}}, callout.First, "03:20:00"},
		{"morning", []event{{"21:00:00", "silent", "raise"}, {"02:00:00", "chore", "raise"}, {"02:05:00", "chore", "rowan"}}, callout.MorningRound, "07:00:00"},
	}
	p := policy()
	p.PageURL, p.CommandAddr = "http://127.0.0.1:8371/", "127.0.0.1:8371"
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			sent := runNight(t, people, p, tt.events, evening, clock(t, tt.until), never, false)
			i := slices.IndexFunc(sent, func(m callout.Message) bool {
				return m.Reason == tt.reason && m.CreatedAt.Equal(clock(t, tt.until))
			})
			if i < 0 {
				t.Fatalf("no message %q in %v", tt.reason, sent)
			}
			m := sent[i]
			for line := range strings.Lines(m.Text) {
				if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > 78 {
					t.Errorf("line of %d columns: %q", n, line)
				}
			}
			got := "Subject: " + m.Subject + "\n\n" + m.Text
			name := filepath.Join("testdata", tt.name+".txt")
			if *update {
				if err := os.WriteFile(name, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), got); diff != "" {
				t.Errorf("%s (-want +got):\n%s", name, diff)
			}
		})
	}
}

func TestElectricalCaution(t *testing.T) {
	for advice, want := range map[string]bool{
		"Restart the pump.":            true,
		"Check the breaker.":           true,
		"UPS on battery: look at it.":  true,
		"Is the aerator running?":      true,
		"Clear the tail screen.":       false,
		"Look at groups of fish.":      false,
		"Open the valve at head box 2": false,
	} {
		l := life{state: map[alarm.Key]alarm.Transition{}}
		tr := l.next(evening, "t3", "raise")
		tr.ToDo = advice
		r := notify.NewRouter(policy(), people[:1], counter())
		r.Observe(tr)
		if got := strings.Contains(r.Due(evening, notify.Look{})[0].Text, "wet hands"); got != want {
			t.Errorf("advice %q: caution %t, want %t", advice, got, want)
		}
	}
}

// Only what people have heard of can be meant by an answer to all.
func TestUntold(t *testing.T) {
	r := notify.NewRouter(policy(), people, counter())
	l := life{state: map[alarm.Key]alarm.Transition{}}
	for _, step := range []struct {
		at   string
		key  alarm.Key
		what string
		want []alarm.Key
	}{
		{"02:00:00", "t4", "raise", nil}, // told at once
		{"02:00:10", "silent", "raise", nil},
		{"02:01:00", "spring", "raise", []alarm.Key{"spring"}},
		{"02:01:10", "t3", "raise", []alarm.Key{"spring", "t3"}},
		{"02:01:15", "warm", "raise", []alarm.Key{"spring", "t3", "warm"}},
		{"02:01:20", "t4", "kim", []alarm.Key{"spring", "t3", "warm"}},
		{"02:01:25", "warm", "kim", []alarm.Key{"spring", "t3"}}, // by its own key
		{"02:01:30", "t3", "return", []alarm.Key{"spring", "t3"}},
		{"02:02:00", "", "", nil}, // all told
		{"03:02:00", "t4", "again", nil},
		{"03:02:10", "warm", "again", []alarm.Key{"warm"}},
		{"03:02:20", "warm", "return", nil}, // its start was told
		{"03:02:30", "t3", "raise", []alarm.Key{"t3"}},
		{"03:02:40", "t3", "gone", nil},
	} {
		if step.key != "" {
			r.Observe(l.next(clock(t, step.at), step.key, step.what))
		}
		r.Due(clock(t, step.at), notify.Look{})
		got := slices.Sorted(maps.Keys(r.Untold()))
		if diff := cmp.Diff(step.want, got); diff != "" {
			t.Errorf("%s %s %s: untold (-want +got):\n%s", step.at, step.key, step.what, diff)
		}
	}
}

// Rules of two kinds may have one name: each gives its own advice.
func TestSameRuleNameOfTwoKinds(t *testing.T) {
	r := notify.NewRouter(policy(), people[:1], counter())
	l := life{state: map[alarm.Key]alarm.Transition{}}
	flow, warm := l.next(evening, "spring", "raise"), l.next(evening, "warm", "raise")
	flow.Rule, warm.Rule, warm.ToDo = "spring", "spring", "Close the warm inflow."
	r.Observe(flow)
	r.Observe(warm)
	text := r.Due(evening, notify.Look{})[0].Text
	if !strings.Contains(text, flow.ToDo) || !strings.Contains(text, warm.ToDo) {
		t.Errorf("one rule's advice is missing:\n%s", text)
	}
}

func TestHowToAnswer(t *testing.T) {
	for at, want := range map[string]string{
		"":               "\n    weirkeeper ack --by kim\n",
		"127.0.0.1:8371": "\n    weirkeeper ack --by kim --at 127.0.0.1:8371\n",
	} {
		p := policy()
		p.CommandAddr = at
		l := life{state: map[alarm.Key]alarm.Transition{}}
		r := notify.NewRouter(p, people[:1], counter())
		r.Observe(l.next(evening, "t3", "raise"))
		if text := r.Due(evening, notify.Look{})[0].Text; !strings.Contains(text, want) {
			t.Errorf("address %q: no line %q in\n%s", at, want, text)
		}
	}
}

// Many answered alarms are counted after the first few.
func TestManyAlsoStanding(t *testing.T) {
	r := notify.NewRouter(policy(), people[:1], counter())
	l := life{state: map[alarm.Key]alarm.Transition{}}
	for i := range 5 {
		tr := l.next(evening, "warm", "raise")
		tr.Key, tr.From = alarm.Key(fmt.Sprintf("warm %d", i)), alarm.Normal
		r.Observe(tr)
		tr.From, tr.To, tr.By = tr.To, alarm.Acknowledged, "kim"
		r.Observe(tr)
	}
	r.Observe(l.next(evening, "spring", "raise"))
	r.Observe(l.next(evening, "spring", "kim"))
	r.Due(evening, notify.Look{})
	r.Observe(l.next(evening.Add(time.Hour), "t3", "raise"))
	text := r.Due(evening.Add(time.Hour), notify.Look{})[0].Text
	if n := strings.Count(text, "Also standing, answered by kim: "); n != 3 {
		t.Errorf("%d lines, want 3", n)
	}
	for _, want := range []string{"\nAlso standing, answered by kim: Spring: low flow", "\nAnd 3 more that are answered or no longer watched.\n"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
}

// From what stands alone it is not known who answered.
func TestRestoreStillThere(t *testing.T) {
	l := life{state: map[alarm.Key]alarm.Transition{}}
	l.next(clock(t, "02:00:00"), "t3", "raise")
	answer := l.next(clock(t, "02:02:00"), "t3", "kim")
	l.next(clock(t, "03:02:00"), "t3", "again")
	told := callout.Message{Reason: callout.First, Person: "kim", Alarms: []alarm.Key{"t3"}, CreatedAt: clock(t, "02:00:00")}
	for want, given := range map[string][]alarm.Transition{
		"still there after an answer":        nil,
		"still there 1 h after kim answered": {answer},
	} {
		r := notify.NewRouter(policy(), people[:1], counter())
		r.Restore(given, l.standing(), []callout.Message{told})
		got := r.Due(clock(t, "03:02:00"), notify.Look{})
		if len(got) != 1 || !strings.HasSuffix(got[0].Subject, " ("+want+")") {
			t.Errorf("got %v, want one that says %q", got, want)
		}
	}
}

// A rule that asked for less when its alarm was answered calls out now.
func TestStillThereOfAHigherPriority(t *testing.T) {
	for _, before := range []alarm.Priority{alarm.Note, alarm.Morning} {
		l := life{state: map[alarm.Key]alarm.Transition{}}
		l.next(evening, "t3", "raise")
		answer := l.next(evening, "t3", "kim")
		answer.Priority = before
		r := notify.NewRouter(policy(), people[:1], counter())
		r.Restore(nil, []alarm.Transition{answer}, nil)
		later := evening.Add(time.Hour)
		r.Observe(l.next(later, "t3", "again"))
		if got := r.Due(later, notify.Look{}); len(got) != 1 || got[0].Reason != callout.First {
			t.Errorf("%s before: got %v, want one call-out", before, got)
		}
	}
}

// However long the words are, the unit and the trouble are whole and the note
// at the end is there.
func TestLongSubject(t *testing.T) {
	l := life{state: map[alarm.Key]alarm.Transition{}}
	tr := l.next(evening, "t3", "raise")
	tr.Detail = "11.2 L/min, setpoint 28 L/min; " + strings.Repeat("and words ", 30)
	r := notify.NewRouter(policy(), people[:1], counter())
	r.Observe(tr)
	r.Observe(l.next(evening, "t4", "raise"))
	r.Due(evening, notify.Look{})
	got := r.Due(evening.Add(15*time.Minute), notify.Look{})[0].Subject
	want := "Trough 3: low flow — 11.2 L/min, setpoint 28 L/min; and words and… + 1 more (again, nobody has answered, 2nd time)"
	if got != want {
		t.Errorf("subject\n%s, want\n%s", got, want)
	}

	stump := tr
	stump.Detail = "11.2 L/min, setpoint 28.0 L/min on average; its probe is suspect: the same number for 35 s"
	r = notify.NewRouter(policy(), people[:1], counter())
	r.Observe(stump)
	r.Observe(l.next(evening, "t6", "raise"))
	r.Due(evening, notify.Look{})
	got = r.Due(evening.Add(15*time.Minute), notify.Look{})[0].Subject
	want = "Trough 3: low flow — 11.2 L/min, setpoint 28.0 L/min on average… (again, nobody has answered, 2nd time)"
	if got != want {
		t.Errorf("subject\n%s, want\n%s", got, want)
	}

	tr.Key, tr.Trouble = "t5", "Deep trough 12 at the north wall: low flow"
	answer, again := tr, tr
	answer.From, answer.To, answer.By = alarm.Unacknowledged, alarm.Acknowledged, strings.Repeat("kim and ", 10)
	again.From, again.To, again.At = alarm.Acknowledged, alarm.Unacknowledged, evening.Add(time.Hour)
	r = notify.NewRouter(policy(), people[:1], counter())
	r.Observe(tr)
	r.Observe(answer)
	r.Observe(again)
	got = r.Due(evening.Add(time.Hour), notify.Look{})[0].Subject
	want = "Deep trough 12 at the north wall: low flow — 11.2 L/min… (still there 1 h after kim and kim and kim and kim and kim… answered)"
	if got != want {
		t.Errorf("subject\n%s, want\n%s", got, want)
	}
}

// What is latched is not all over, though the water is right.
func TestLatchedReturn(t *testing.T) {
	for _, tt := range []struct {
		to   alarm.State
		want string
	}{
		{alarm.ReturnedUnacknowledged, ""},
		{alarm.LatchedUnacknowledged, "latched: to let it go, weirkeeper ack and then weirkeeper reset"},
		{alarm.LatchedAcknowledged, "latched: to let it go, weirkeeper reset"},
	} {
		l := life{state: map[alarm.Key]alarm.Transition{}}
		r := notify.NewRouter(policy(), people[:1], counter())
		r.Observe(l.next(evening, "t3", "raise"))
		r.Due(evening, notify.Look{})
		over := l.next(evening.Add(5*time.Minute), "t3", "return")
		over.To = tt.to
		r.Observe(over)
		var got string
		for m := range 30 {
			for _, msg := range r.Due(evening.Add(time.Duration(5+m)*time.Minute), notify.Look{}) {
				got += strings.Join(strings.Fields(msg.Text), " ")
			}
		}
		if !strings.Contains(got, "Back to normal") || !strings.Contains(got, tt.want) || (tt.want == "") == strings.Contains(got, "latched") {
			t.Errorf("%s: want %q in\n%s", tt.to, tt.want, got)
		}
	}
}

// A restart while an answered alarm is latched does not tell again that it is over.
func TestRestoreLatched(t *testing.T) {
	l := life{state: map[alarm.Key]alarm.Transition{}}
	r := notify.NewRouter(policy(), people[:1], counter())
	r.Observe(l.next(evening, "t3", "raise"))
	sent := r.Due(evening, notify.Look{})
	over := l.next(evening.Add(5*time.Minute), "t3", "return")
	over.To = alarm.LatchedUnacknowledged
	r.Observe(over)
	for m := range 30 {
		sent = append(sent, r.Due(evening.Add(time.Duration(5+m)*time.Minute), notify.Look{})...)
	}
	if len(sent) != 2 || sent[1].Reason != callout.Returned {
		t.Fatalf("sent %v", sent)
	}
	ack := over
	ack.From, ack.To, ack.At, ack.By = over.To, alarm.LatchedAcknowledged, evening.Add(time.Hour), "kim"
	for name, journal := range map[string][]alarm.Transition{"without journal": nil, "with journal": {ack}} {
		r = notify.NewRouter(policy(), people[:1], counter())
		r.Restore(journal, []alarm.Transition{ack}, sent)
		for m := range 30 {
			for _, msg := range r.Due(evening.Add(time.Duration(61+m)*time.Minute), notify.Look{}) {
				t.Errorf("%s: told again: %s\n%s", name, msg.Subject, msg.Text)
			}
		}
	}
}

// A keeper's words from a rules file may hold anything.
func TestHostileWords(t *testing.T) {
	l := life{state: map[alarm.Key]alarm.Transition{}}
	tr := l.next(evening, "t3", "raise")
	tr.Trouble, tr.ToDo = "Trough 3\r\nBcc: x@pond.example", "first\x00\n\nsecond "+strings.Repeat("x", 100)
	r := notify.NewRouter(policy(), people[:1], counter())
	r.Observe(tr)
	sent := r.Due(evening, notify.Look{Current: func(alarm.Key) string { return "5\r\nBcc: x@pond.example\x00" }})
	tr.From, tr.To, tr.By = tr.To, alarm.Acknowledged, "rowan\r\nBcc: x@pond.example\x00 "+strings.Repeat("x", 1000)
	r.Observe(tr)
	sent = append(sent, r.Due(evening, notify.Look{})...)
	tr.From, tr.To, tr.By = tr.To, alarm.Unacknowledged, ""
	r.Observe(tr)
	sent = append(sent, r.Due(evening.Add(time.Hour), notify.Look{})...)
	if len(sent) != 3 {
		t.Fatalf("%d messages, want 3", len(sent))
	}
	for _, m := range sent {
		if strings.ContainsAny(m.Subject, "\r\n") || strings.Contains(m.Text, "\nBcc:") || strings.ContainsRune(m.Subject+m.Text, 0) {
			t.Errorf("control characters went through: %q\n%q", m.Subject, m.Text)
		}
		if n := utf8.RuneCountInString(m.Subject); n > 160 {
			t.Errorf("subject of %d characters: %s", n, m.Subject)
		}
	}
}

func byMail(name string) notify.Person {
	return notify.Person{Name: name, Reach: []callout.Reach{{Way: callout.Email, Address: name + "@alderfork.example"}}}
}
