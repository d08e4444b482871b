package notify

import (
	"flag"
	"fmt"
	"maps"
	"math/rand"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/notify/sms/gsm"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/site"
)

// at3 is when the messages of these tests are written. All times are invented.
var at3 = time.Date(2026, 10, 15, 3, 10, 0, 0, time.UTC)

// samples has one alarm of each kind, in the words of the engine and of the demo's
// rules, at the demo's longest unit name.
var samples = map[alarm.Kind]alarm.Transition{
	alarm.LowFlow: {
		Unit: "deep trough 3B", Trouble: "Deep trough 3B: low flow", Detail: "141.6 L/min, setpoint 210 L/min", Left: "oxygen for about 25 to 60 min",
		ToDo: "Take somebody along. Look for a standpipe left up after cleaning, then for a blocked tail screen, then at the valve. Stop feeding.",
	},
	alarm.HighFlow: {
		Unit: "stack 3", Trouble: "Stack 3: high flow", Detail: "24.1 L/min, setpoint 22.4 L/min",
		ToDo: "Turn the stack's valve down slowly. Then look which other unit was shut, and so pushed its water here.",
	},
	alarm.LowOxygen: {
		Unit: "deep trough 3B", Trouble: "Deep trough 3B: low oxygen", Detail: "5.3 mg/L (46% saturation), setpoint 6 mg/L", Left: "oxygen is critical now or within 15 min",
		ToDo: "Look at the fish: gasping at the inflow means that it is true. Give more water, and stop feeding. Switch on the aerator where there is one, with dry hands and from its own switch. If the fish are quiet and the flow is right, rinse the probe and compare it with the hand meter.",
	},
	alarm.HighOxygen: {
		Unit: "deep trough 3B", Trouble: "Deep trough 3B: high oxygen", Detail: "112% saturation, setpoint 110% saturation",
		ToDo: "Look whether a pump or a pipe draws air, or the spring's level has fallen. Let the water splash: through the packing of the head box or over a board. Compare the probe with the hand meter.",
	},
	alarm.TemperatureBand: {
		Unit: "stack 6", Trouble: "Stack 6: water too warm", Detail: "12.6 degC, limit 11 degC",
		ToDo: "Compare with the hand thermometer. See that water runs, then follow it back towards the spring. Change the temperature slowly: no more than 1 degC in an hour.",
	},
	alarm.TemperatureDrift: {
		Unit: "head box", Trouble: "Head box: temperature has moved", Detail: "9.4 degC, 1.3 degC above its own median over 24 h (8.1 degC), limit 1 degC",
		ToDo: "Compare with the hand thermometer. After rain or melt, look whether surface water runs into the spring.",
	},
	alarm.FromSpring: {
		Unit: "trough 9", Trouble: "Trough 9: temperature away from the spring", Detail: "9.9 degC, 1.9 degC above the spring (8 degC), limit 1.5 degC",
		ToDo: "Look whether water runs through the unit and whether the probe lies in it.",
	},
	alarm.FastChange: {
		Unit: "stack 6", Trouble: "Stack 6: temperature changing fast", Detail: "up 2.3 degC in 58 min, from 8.1 degC to 10.4 degC, limit 2 degC in 1 h",
		ToDo: "Look whether water runs and the probe lies in it. After a storm look for surface water in the spring.",
	},
	alarm.SlowDrift: {
		Unit: "spring", Trouble: "Spring: flow drifting slowly", Detail: "2,190 L/min, down 80 L/min in 7 d, at least 63 L/min, by the last 14 days; limit 60 L/min in 7 d",
		ToDo: "Clean the intake screen and compare the meter with a bucket and a watch. If it is true, plan which units to empty first.",
	},
	alarm.FromSister: {
		Unit: "trough 9", Trouble: "Trough 9: temperature unlike the other units", Detail: "9 degC, 1 degC above the median of 4 others (8 degC), limit 0.8 degC",
		ToDo: "Compare the probe with the hand thermometer, in the middle of the trough. Then look whether its water runs as in the others.",
	},
	alarm.WaterBalance: {
		Unit: "spring", Trouble: "Spring: water does not add up", Detail: "420 L/min (18.3%) missing: it gives 2,300 L/min, 25 units below it get 1,880 L/min; allowed 15%",
		ToDo: "Take somebody along. Look for wet ground along the pipe and for an open drain or valve, then at the screens of the head box. If all is dry and clear, compare the meters.",
	},
	alarm.Condition: {
		Unit: "deep trough 3B", Trouble: "Deep trough 3B: less water, and the fish feel it", Detail: "flow 171 L/min; oxygen 6.8 mg/L; temperature 9.1 degC; temperature of the spring 8 degC",
		ToDo: "Look at the tail screen first, then at the valve. Stop feeding until the flow has been right for an hour.",
	},
	alarm.Contact: {
		Trouble: "Mains power lost", Detail: "contact mains is open",
		ToDo: "Look at the water and the fish first. Then see whether it is the house or the whole line, and start the generator from outside its shed. Leave repairs to a licensed electrician.",
	},
	alarm.CommonCause: {
		Unit: "head box", Trouble: "Head box: units below it are low on flow", Detail: "14 of 25 units", Left: "if the water stops, deep trough 3B first: oxygen for about 25 to 60 min; not known for raceway 1",
		ToDo: "Take somebody along. Go to the head box and what feeds it first, not to the units: look for a blocked screen, a shut valve or a burst pipe.",
	},
	alarm.SilentProbe: {
		Unit: "deep trough 3B", Trouble: "Deep trough 3B: temperature probe silent", Detail: "nothing usable for 15 min, expected every 30 s",
		ToDo: "Look at the water and the fish first. Then look at the probe's cable and its box. If many are silent at once, look at the power and the network.",
	},
	alarm.StuckProbe: {
		Unit: "deep trough 3B", Trouble: "Deep trough 3B: oxygen probe stuck", Detail: "7.1 mg/L, the same number for 2 h 5 min",
		ToDo: "Look at the water first. If it runs, clean the probe, look at its cable, and take its power away for a minute.",
	},
	alarm.JumpingProbe: {
		Unit: "deep trough 3B", Trouble: "Deep trough 3B: temperature probe jumping", Detail: "back and forth by up to 6.2 degC, now 8.1 degC; water cannot change by 2 degC in 2 min",
		ToDo: "Look for a loose plug or a wet joint in the cable.",
	},
	alarm.ImpossibleValue: {
		Unit: "deep trough 3B", Trouble: "Deep trough 3B: temperature probe says what cannot be", Detail: "-127 degC; it can be from -5 degC to 40 degC",
		ToDo: "Look at the probe's cable and plug.",
	},
	alarm.ProbeInAir: {
		Unit: "deep trough 3B", Trouble: "Deep trough 3B: temperature probe may be in the air", Detail: "14.2 degC, 6.2 degC above the spring (8 degC), limit 3 degC; or its water stands",
		ToDo: "See that there is water, and put the probe back where it runs.",
	},
	alarm.MissedChore: {
		Unit: "spring", Trouble: "Spring: intake clearing not done", Detail: "due by 17:00", ToDo: "Two people clear the intake, from the walkway. Then mark it as done.",
	},
	alarm.LotDue: {
		Trouble: "Lot BT-26-1: swim-up draws near", Detail: "expected Fri 16 Oct to Tue 20 Oct; 24,000 in stack 1, 22,500 in stack 2",
		ToDo: "Have starter feed ready and look at the fry. Write it down: weirkeeper lot swim-up, weirkeeper lot fed.",
	},
	alarm.DaemonHealth: {
		Trouble: "weirkeeper: text messages not going out", Detail: "the modem has no network since 02:31",
		ToDo: "Stay near the fish, or let somebody sleep there. See to the modem, its aerial, its SIM and its power.",
	},
}

func tellable(k alarm.Kind) *trouble {
	tr := samples[k]
	tr.Kind, tr.Key, tr.Priority, tr.To = k, alarm.Key(k), alarm.CallOut, alarm.Unacknowledged
	tr.At, tr.Since = at3, at3.Add(-time.Minute)
	tr.Rule = "a rule"
	return &trouble{raised: tr, latest: tr, firstRaise: at3, raises: 1}
}

func kinds() []alarm.Kind { return slices.Sorted(maps.Keys(samples)) }

func wordsmith() *Router {
	r := NewRouter(Policy{
		Repeat: 15 * time.Minute, SiteName: "Alder Fork hatchery", Location: time.UTC, CommandAddr: "127.0.0.1:8371", PageURL: "http://192.0.2.7:8371/",
		Units: []site.Unit{{Name: "spring", Kind: site.Spring}, {Name: "head box", Kind: site.HeadBox}},
	}, nil, Source{})
	r.look.Stock = func(unit string) string {
		return map[string]string{
			"deep trough 3B": "12,000 fry", "deep trough 3A": "11,500 fry", "trough 9": "9,000 sac fry", "stack 3": "24,000 eggs", "stack 6": "24,000 eggs",
		}[unit]
	}
	return r
}

// say gives a hearer to whom every one of the list was told n times.
func say(n int) hearer {
	return hearer{name: "kim", code: "4711", byText: true, times: func(*trouble) int { return n }}
}

func acked(t *trouble, by string) *trouble {
	t.latest.From, t.latest.To, t.latest.By = alarm.Unacknowledged, alarm.Acknowledged, by
	return t
}

func over(t *trouble, detail string) *trouble {
	t.latest.From, t.latest.To, t.latest.Detail, t.latest.At = alarm.Unacknowledged, alarm.Normal, detail, at3.Add(10*time.Minute)
	return t
}

// well words the end of trouble.
func well(k alarm.Kind) string {
	return map[alarm.Kind]string{alarm.LowFlow: "204 L/min", alarm.LowOxygen: "8.4 mg/L", alarm.TemperatureBand: "10.2 degC", alarm.Contact: "contact mains is closed"}[k]
}

func withBelow(t *trouble, n int) *trouble {
	for i := range n {
		f := tellable(alarm.LowFlow)
		f.raised.Unit = fmt.Sprintf("raceway %d", i+1)
		if i == 0 {
			f.raised.Unit = "deep trough 3A"
		}
		t.follow = append(t.follow, f)
	}
	return t
}

var nightOf = []Extreme{
	{Unit: "spring", Probe: "spring temperature", Quantity: "temperature", Min: "7.9 degC", Max: "8.2 degC", MinAt: at3, MaxAt: at3.Add(-6 * time.Hour)},
	{Unit: "spring", Probe: "spring flow", Quantity: "flow", Min: "2,284 L/min", Max: "2,311 L/min", MinAt: at3.Add(time.Hour), MaxAt: at3},
	{Unit: "deep trough 3B", Probe: "deep trough 3B temperature", Quantity: "temperature", Min: "8.1 degC", Max: "9.4 degC", MinAt: at3, MaxAt: at3, Silent: 25 * time.Minute},
	{Unit: "deep trough 3B", Probe: "deep trough 3B oxygen", Quantity: "oxygen", Min: "7.1 mg/L", Max: "9.8 mg/L", MinAt: at3, MaxAt: at3},
	{Probe: "mains", Quantity: "contact", Min: "closed", Max: "closed", MinAt: at3, MaxAt: at3},
}

type spoken struct{ name, short string }

// variants words every kind of text message about one kind of alarm, and how the
// mail's own texts begin.
func variants(r *Router, k alarm.Kind) []spoken {
	t := func() *trouble { return tellable(k) }
	others := []*trouble{tellable(alarm.HighFlow), tellable(alarm.SilentProbe), tellable(alarm.TemperatureBand)}
	many := func() []*trouble { return append([]*trouble{withBelow(t(), 14)}, others...) }
	joins := say(0)
	joins.joins, joins.silent, joins.silentSince = true, []string{"rowan"}, at3.Add(-10*time.Minute)
	three := joins
	three.silent = []string{"rowan", "lee", "sascha"}
	again := t()
	again.reopened, again.answered = true, alarm.Transition{By: "rowan", At: at3.Add(-time.Hour)}
	all := func(h hearer, list []*trouble) string { return r.callOutText(at3, h, list, nil).short }
	morning, chore := t(), tellable(alarm.MissedChore)
	morning.raised.Priority, chore.raised.Priority = alarm.Morning, alarm.Morning
	keys := []alarm.Key{alarm.Key(k), alarm.Key(alarm.HighFlow)}
	r.troubles = map[alarm.Key]*trouble{}
	for _, o := range append([]*trouble{t()}, others...) {
		r.troubles[o.raised.Key] = o
	}
	of := func(_, _, short string) string { return short }
	return []spoken{
		{"first", all(say(0), []*trouble{t()})},
		{"first, cause of others and more", all(say(0), many())},
		{"repeat", all(say(3), many())},
		{"climb", all(joins, many())},
		{"climb to the last", all(three, []*trouble{t()})},
		{"reopened", all(say(0), []*trouble{again})},
		{"came and went", all(say(0), []*trouble{over(t(), well(k)), tellable(alarm.Contact)})},
		{"no longer watched", all(say(0), []*trouble{over(t(), alarm.NoLongerWatched), tellable(alarm.Contact)})},
		{"answered", r.answeredText(at3, say(1), "rowan", many()).short},
		{"returned", r.returnedText(at3, say(1), []*trouble{over(t(), well(k)), over(t(), well(k))}).short},
		{"returned, and not watched", r.returnedText(at3, say(1), []*trouble{over(t(), alarm.NoLongerWatched), over(t(), well(k))}).short},
		{"not watched", r.returnedText(at3, say(1), []*trouble{over(t(), alarm.NoLongerWatched)}).short},
		{"morning round", r.morningText(at3, say(0), []*trouble{morning, chore}, nightOf, nil).short},
		{"morning round, and it stands", r.morningText(at3, say(0), []*trouble{chore, acked(t(), "rowan")}, nightOf, nil).short},
		{"good morning, and it stands", r.allWellText(at3, say(0), []*trouble{acked(t(), "rowan")}, nightOf, nil).short},
		{"status", of(r.Status(at3, r.look))},
		{"reply: coming", of(r.SayComing(at3, "kim", keys))},
		{"reply: pause", of(r.SayPaused(at3, "kim", keys, at3.Add(30*time.Minute)))},
		{"last text", lastShort(all(say(3), many()), 30, at3.Add(30*time.Minute))},
	}
}

// others are the text messages that are about no alarm.
func otherTexts(r *Router) []spoken {
	r.troubles = map[alarm.Key]*trouble{}
	of := func(_, _, short string) string { return short }
	joins := say(0)
	joins.joins, joins.silent = true, []string{"rowan"}
	silent := append([]Extreme{}, nightOf...)
	silent[3].Min, silent[3].Max = "", ""
	blind := r.look
	blind.Blind = func() string { return "weirkeeper started, or its clock was set, a short while ago" }
	drill := func(h hearer, n int) string { return r.drillText(at3, h, n, "", at3.Add(time.Hour)).short }
	return []spoken{
		{"drill", drill(say(0), 1)},
		{"drill again", drill(say(1), 2)},
		{"drill climbs", drill(joins, 1)},
		{"drill answered", r.drillAnsweredText(at3, say(1), "rowan", 3*time.Minute).short},
		{"all well", r.allWellText(at3, hearer{}, nil, nightOf, nil).short},
		{"all well, a probe silent", r.allWellText(at3, hearer{}, nil, silent, nil).short},
		{"status, all well", of(r.Status(at3, r.look))},
		{"reply: over", of(r.SayOver(at3, "kim", "4711"))},
		{"status, blind", of(r.Status(at3, blind))},
		{"reply: late", of(r.SayLate(at3, "4711"))},
		{"reply: wrong", of(r.SayWrong(at3, "kim", "4711"))},
		{"reply: unclear", of(r.SayUnclear(at3, "kim", "4711"))},
		{"reply: unclear, nothing open", of(r.SayUnclear(at3, "kim", ""))},
		{"reply: drill", of(r.SayDrill(at3, "kim", 3*time.Minute))},
	}
}

func measureShort(t *testing.T, what, s string) int {
	t.Helper()
	n, ok := gsm.Septets(s)
	if n > 160 || !ok || n == 0 {
		t.Errorf("%s: %d septets, in the default alphabet: %v\n%s", what, n, ok, s)
	}
	return n
}

// Every text message fits into one part; testdata/short.txt is to be read aloud.
func TestShort(t *testing.T) {
	r := wordsmith()
	var b strings.Builder
	write := func(head string, list []spoken) {
		fmt.Fprintf(&b, "== %s\n", head)
		for _, s := range list {
			fmt.Fprintf(&b, "%s (%d)\n    %s\n", s.name, measureShort(t, head+", "+s.name, s.short), s.short)
		}
		b.WriteByte('\n')
	}
	write("without an alarm", otherTexts(r))
	for _, k := range kinds() {
		write(string(k), variants(r, k))
	}
	golden(t, "short.txt", b.String())
}

// The mails: whose turn it is, how to answer, drills, mornings, replies.
func TestMails(t *testing.T) {
	r := wordsmith()
	joins := say(0)
	joins.link = "http://192.0.2.7:8371/a/MFZWIZLGMFZWIZLGMFZWIZLGMFZWIZLG"
	joins.joins, joins.silent, joins.silentSince, joins.also = true, []string{"rowan"}, at3.Add(-time.Hour), []string{"lee"}
	joins.next, joins.nextAt = []string{"sascha", "andrea"}, at3.Add(10*time.Minute)
	repeat := say(3)
	repeat.silent, repeat.silentSince = []string{"rowan", "lee"}, at3.Add(-time.Hour)
	noCode := say(0)
	noCode.name, noCode.code = "kim at home", ""
	common := tellable(alarm.CommonCause)
	common.follow = withBelow(tellable(alarm.LowFlow), 14).follow
	stands, waits := acked(tellable(alarm.LowFlow), "rowan"), tellable(alarm.MissedChore)
	waits.raised.Priority = alarm.Morning
	silent := slices.Clone(nightOf)
	silent[3].Min, silent[3].Silent = "", 13*time.Hour
	twice := append(slices.Clone(nightOf), Extreme{Unit: "spring", Probe: "spring temperature, the spare", Quantity: "temperature", Min: "8 degC", Max: "8.1 degC", MinAt: at3, MaxAt: at3})
	for k := range samples {
		if k == alarm.LowFlow || k == alarm.HighFlow {
			r.troubles[alarm.Key(k)] = tellable(k)
		}
	}
	shelved := tellable(alarm.LowOxygen)
	shelved.latest.Hidden, shelved.hidden = "shelved by rowan until 07:00", true
	putAside := []Aside{{Words: "the site is paused by kim until 04:30: new valve"}, {Key: "low_flow/spring/spring flow", Words: "low_flow/spring/spring flow: shelved by rowan until 07:00: new screen"}}
	keys := []alarm.Key{alarm.Key(alarm.LowFlow), alarm.Key(alarm.HighFlow)}
	of := func(subject, text, short string) words { return words{subject, text, short} }
	for _, tt := range []struct {
		name string
		w    words
	}{
		{"climb", r.callOutText(at3, joins, []*trouble{common}, nil)},
		{"repeat", r.callOutText(at3, repeat, []*trouble{tellable(alarm.LowFlow)}, nil)},
		{"no-code", r.callOutText(at3, noCode, []*trouble{tellable(alarm.LowFlow)}, nil)},
		{"drill", r.drillText(at3, joins, 1, "", at3.Add(time.Hour))},
		{"drill-again", r.drillText(at3, say(1), 2, "kim", at3.Add(time.Hour))},
		{"drill-answered", r.drillAnsweredText(at3, say(1), "rowan", 3*time.Minute)},
		{"all-well", r.allWellText(at3, say(0), nil, twice, nil)},
		{"all-well-silent", r.allWellText(at3, say(0), nil, silent, nil)},
		{"all-well-aside", r.allWellText(at3, say(0), nil, nightOf, putAside)},
		{"morning-aside", r.morningText(at3, say(0), []*trouble{waits, stands}, nightOf, putAside)},
		{"all-well-shelved", r.allWellText(at3, say(0), []*trouble{shelved, stands}, nightOf, putAside[:1])},
		{"held", r.heldText(at3, hold{by: "rowan", until: at3.Add(30 * time.Minute)}, []*trouble{tellable(alarm.LowFlow), tellable(alarm.HighFlow)})},
		{"held-long", r.heldText(at3, hold{by: "rowan", until: at3.Add(22 * time.Hour)}, []*trouble{tellable(alarm.LowFlow)})},
		{"site-paused", r.heldText(at3, hold{by: "rowan", until: at3.Add(time.Hour), site: true}, []*trouble{tellable(alarm.LowFlow), tellable(alarm.HighFlow)})},
		{"all-well-stands", r.allWellText(at3, say(0), []*trouble{stands}, nightOf, nil)},
		{"morning-night", r.morningText(at3, say(0), []*trouble{waits, stands}, nightOf, nil)},
		{"status", of(r.Status(at3, r.look))},
		{"coming", of(r.SayComing(at3, "kim", keys))},
		{"paused", of(r.SayPaused(at3, "kim", keys, at3.Add(30*time.Minute)))},
		{"over", of(r.SayOver(at3, "kim", "4711"))},
		{"wrong", of(r.SayWrong(at3, "kim", "4711"))},
		{"unclear", of(r.SayUnclear(at3, "kim", "4711"))},
	} {
		t.Run(tt.name, func(t *testing.T) {
			for line := range strings.Lines(tt.w.text) {
				if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > width && !strings.Contains(line, "/a/") {
					t.Errorf("%d characters: %s", n, line)
				}
			}
			if !strings.Contains(tt.w.text, soleSupport) {
				t.Error("no safety line")
			}
			measureShort(t, tt.name, tt.w.short)
			golden(t, "mail-"+tt.name+".txt", "Subject: "+tt.w.subject+"\n\n"+tt.w.text+"\nShort: "+tt.w.short+"\n")
		})
	}
}

// many is how much to try: few, or thorough with 40 seeds or more.
func many(few, thorough int) int {
	if f := flag.Lookup("seeds"); f != nil {
		if n, err := strconv.Atoi(f.Value.String()); err == nil && n >= 40 {
			return thorough
		}
	}
	return few
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if f := flag.Lookup("update"); f != nil && f.Value.String() == "true" {
		if err := os.WriteFile(path, []byte(got), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", name, diff)
	}
}

// advice reads what the demo's rules say is to be done first.
func advice(t *testing.T) []string {
	t.Helper()
	src, err := os.ReadFile(filepath.Join("..", "cmd", "weirkeeper", "internal", "demo", "alderfork-rules.hcl"))
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, m := range regexp.MustCompile(`(?s)to_do\s*=\s*(?:"([^"]*)"|<<-EOT\n(.*?)\n\s*EOT)`).FindAllSubmatch(src, -1) {
		out = append(out, oneLine(string(m[1])+string(m[2])))
	}
	if len(out) < 25 {
		t.Fatalf("%d pieces of advice; the demo's rules have more", len(out))
	}
	return out
}

// What must stay stays, whatever else is said: unit and trouble, value, the count
// of others, how to answer. Of the advice at least something is said where the
// trouble stands alone, and electrical gear never without the warning.
func TestShortKeeps(t *testing.T) {
	r := wordsmith()
	for i, do := range advice(t) {
		for j, k := range kinds() {
			if (i+j)%many(11, 3) != 0 {
				continue // in the end each kind and each advice, and many of both
			}
			tr := tellable(k)
			tr.raised.ToDo = do
			value := outside(tr.raised.Detail)
			value, _, _ = strings.Cut(value, "; ")
			value, _, _ = strings.Cut(value, ", ")
			value, _, _ = strings.Cut(value, ": ")
			value = tr.raised.Detail[:len(value)]
			one := r.callOutText(at3, say(0), []*trouble{tr}, nil).short
			four := r.callOutText(at3, say(3), []*trouble{withBelow(tr, 14), tellable(alarm.Contact), tellable(alarm.MissedChore), tellable(alarm.HighFlow)}, nil).short
			for _, s := range []string{one, four} {
				measureShort(t, string(k), s)
				for _, must := range []string{tr.raised.Trouble, value, "Reply 4711 if you come."} {
					if !strings.Contains(s, must) {
						t.Errorf("%s: %q is not in: %s", k, must, s)
					}
				}
				said := strings.ReplaceAll(s, "Isolate electrical gear first.", "")
				said = strings.TrimPrefix(said, tr.raised.Trouble)
				if power.MatchString(strings.ReplaceAll(said, tr.raised.Detail, "")) && !strings.Contains(s, "Isolate") && k != alarm.Contact {
					t.Errorf("%s: gear without a warning: %s", k, s)
				}
			}
			if !strings.Contains(four, "And 3 more.") || k != alarm.CommonCause && !strings.Contains(four, "14 units below it.") || !strings.Contains(four, "4th text") {
				t.Errorf("%s: counts are gone: %s", k, four)
			}
			if c := clauses(do); k == alarm.LowFlow && len(c[len(c)-1]) < 60 && !strings.Contains(one, strings.TrimSuffix(c[len(c)-1], ".")) {
				t.Errorf("%s: no advice %q in: %s", k, c[len(c)-1], one)
			}
		}
	}
}

// Names and details of any length, in any script, still make one text message
// that says how to answer.
func TestShortAnything(t *testing.T) {
	rng := rand.New(rand.NewSource(1))
	letters := []rune("abc déf 12, 3; (x) .: €[]Ж水🐟—…\n")
	some := func(most int) string {
		out := make([]rune, rng.Intn(most+1))
		for i := range out {
			out[i] = letters[rng.Intn(len(letters))]
		}
		return string(out)
	}
	r := wordsmith()
	for i := range many(60, 1000) {
		most := 1 << rng.Intn(9)
		tr := tellable(kinds()[rng.Intn(len(kinds()))])
		tr.raised.Trouble = "Trough " + some(most) + ": low flow"
		tr.raised.Detail, tr.raised.ToDo, tr.raised.Left, tr.raised.Unit = some(most), some(most), some(most), some(most)
		h := say(rng.Intn(3))
		h.silent, h.joins, h.silentSince = []string{some(most), some(most)}, rng.Intn(2) == 0, at3.Add(-time.Hour)
		list := []*trouble{withBelow(tr, rng.Intn(9)), tellable(alarm.Contact)}
		s := r.callOutText(at3, h, list, nil).short
		measureShort(t, fmt.Sprint(i), s)
		if !strings.HasPrefix(s, "Tr") || !strings.Contains(s, "Reply 4711 if you come.") || !strings.Contains(s, "low flow") {
			t.Errorf("%d: %s", i, s)
		}
		for what, s := range map[string]string{
			"answered": r.answeredText(at3, h, some(most), list).short,
			"returned": r.returnedText(at3, h, []*trouble{over(tr, some(most)), over(tellable(alarm.Contact), alarm.NoLongerWatched)}).short,
			"drill":    r.drillText(at3, h, 2, some(most), at3).short,
			"last":     lastShort(s, 30, at3),
		} {
			measureShort(t, what, s)
		}
	}
}

// Advice is cut where what is left is still true.
func TestClauses(t *testing.T) {
	for _, tt := range []struct {
		advice string
		want   []string
	}{
		{"", nil},
		{"Clear the spring intake.", []string{"Clear the spring intake."}},
		{
			"Look at the tail screen and the valve. If the pump stands, open the bypass.",
			[]string{"Look at the tail screen and the valve. If the pump stands, open the bypass.", "Look at the tail screen and the valve."},
		},
		{
			"Look at the intake screen first: leaves are the usual cause, and it is cleared with the rake.",
			[]string{"Look at the intake screen first: leaves are the usual cause, and it is cleared with the rake.", "Look at the intake screen first: leaves are the usual cause.", "Look at the intake screen first."},
		},
		{"If the pump stands, and only then, open the bypass", []string{"If the pump stands, and only then, open the bypass."}},
		{"Never go alone, and never at night: wait.", []string{"Never go alone, and never at night: wait."}},
		{"Switch on the aerator, with dry hands.", []string{"Switch on the aerator, with dry hands."}},
		{"Keep 1.5 L/min. Go.", []string{"Keep 1.5 L/min. Go.", "Keep 1.5 L/min."}},
	} {
		if diff := cmp.Diff(tt.want, clauses(tt.advice)); diff != "" {
			t.Errorf("%q (-want +got):\n%s", tt.advice, diff)
		}
	}
}

// Only who can text back is told to.
func TestReplyOnlyByText(t *testing.T) {
	r := wordsmith()
	byMail := say(0)
	byMail.byText = false
	for what, w := range map[string]words{
		"call-out": r.callOutText(at3, byMail, []*trouble{tellable(alarm.LowFlow)}, nil),
		"drill":    r.drillText(at3, byMail, 1, "", at3.Add(time.Hour)),
	} {
		if strings.Contains(w.short+w.text, "4711") {
			t.Errorf("%s: %s\n%s", what, w.short, w.text)
		}
	}
}

func TestCutMiddle(t *testing.T) {
	for _, tt := range []struct {
		s    string
		n    int
		want string
	}{
		{"Trough 3: low flow", 18, "Trough 3: low flow"},
		{"Outdoor raceway behind the old mill, north side 17: low flow", 40, "Outdoor race...north side 17: low flow"},
		{"€€€€", 8, "€€€€"},
		{"[[[[[[", 11, "[...[[["},
	} {
		got := cutMiddle(tt.s, tt.n)
		if n, _ := gsm.Septets(got); n > tt.n {
			t.Errorf("%q: %d septets", got, n)
		}
		if got != tt.want {
			t.Errorf("%q: %q, want %q", tt.s, got, tt.want)
		}
	}
}

// What gives way, in order. A fact that is not said would not fit in with the
// more important ones.
func TestShortGivesWay(t *testing.T) {
	full := shortParts{
		trouble: "Trough 3: low flow", value: "11.2 L/min", setpoint: "setpoint 28 L/min", detail: "setpoint 28 L/min", others: 3,
		note: "Nobody has answered, 4th text", noteShort: "4th text", stock: "12,000 fry", left: "If the water stops, trough 3 first: 9 min", leftShort: "If it stops: 9 min",
		todo: "Look at the screen. Open the valve.", answer: "Reply 4711 if you come",
	}
	// Each fact, the least important first, what it stands beside or instead of.
	order := []struct{ fact, with, without string }{
		{"Open the valve", "Look at the screen. Open the valve.", "Look at the screen."},
		{"12,000 fry", " At risk: 12,000 fry.", ""},
		{"setpoint 28", ", setpoint 28 L/min", ""},
		{"the water stops", full.left, full.leftShort},
		{"Nobody has answered", full.note, full.noteShort},
		{"Look at the screen", " Look at the screen.", ""},
		{"stops", " " + full.leftShort + ".", ""},
	}
	missed := map[string]bool{}
	for pad := range 75 {
		p := full
		p.trouble = "Trough " + strings.Repeat("3", pad+1) + ": low flow"
		s := short(p)
		n := measureShort(t, p.trouble, s)
		for _, must := range []string{"low flow", "11.2 L/min", "And 3 more.", "4th text", "Reply 4711 if you come."} {
			if !strings.Contains(s, must) {
				t.Errorf("%q is gone from: %s", must, s)
			}
		}
		for _, f := range order {
			more := len(f.with) - len(f.without)
			switch {
			case strings.Contains(s, f.fact):
				n -= more // without it there is room for what is more important
			case f.without != "" && !strings.Contains(s, f.without):
				// not without what is more important
			case n+more <= 160:
				t.Errorf("no %q, for which there is room: %s", f.fact, s)
			default:
				missed[f.fact] = true
			}
		}
	}
	if len(missed) != len(order) {
		t.Errorf("only these gave way: %v", missed)
	}
}
