package rules_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
	"weirkeeper/rules/tally"
)

// journal is what a ledger would keep of an engine's life.
type journal struct {
	readings    []reading.Reading
	chores      []site.ChoreDone
	acts        []act.Act
	transitions []alarm.Transition
}

// past is what a daemon would hand to Rebuild at a time.
func (j *journal) past(now time.Time, memory time.Duration) rules.Past {
	p := rules.Past{WatchingSince: rulestest.Start, ChoresDone: j.chores, Acts: j.acts, Occurrences: make(map[alarm.Key]uint64)}
	newest := make(map[alarm.Key]alarm.Transition)
	for _, tr := range j.transitions {
		newest[tr.Key] = tr
		p.Occurrences[tr.Key] = tr.Occurrence
		if !tr.At.Before(now.Add(-rules.Recent)) {
			p.Recent = append(p.Recent, tr)
		}
		if slices.Contains(rules.ProbeFaults(), tr.Kind) {
			p.Faults = append(p.Faults, tr)
		}
	}
	for _, tr := range newest {
		if tr.To != alarm.Normal {
			p.Standing = append(p.Standing, tr)
		}
	}
	p.Readings = sequence(slices.DeleteFunc(slices.Clone(j.readings), func(r reading.Reading) bool { return r.ArrivedAt.Before(now.Add(-memory)) }))
	return p
}

func sequence(rs []reading.Reading) iter.Seq2[reading.Reading, error] {
	return func(yield func(reading.Reading, error) bool) {
		for _, r := range rs {
			if !yield(r, nil) {
				return
			}
		}
	}
}

// everything is a rule of each kind.
var everything = block("low_flow", "t", `kinds = ["trough"]`, `setpoint = "28 L/min"; deadband = "2 L/min"`+delays) +
	block("low_flow", "note stacks", `kinds = ["stack"]`, `share_of_design_flow = "75%"; on_delay = "5 min"; off_delay = "10 min"`) +
	fromSpring + band + drift + oxygenMgL +
	block("low_oxygen", "share", `units = ["raceway 1", "deep 1"]`, `setpoint = "60% saturation"; on_delay = "0 s"; off_delay = "0 s"`) +
	block("silent_probe", "q", "all = true\nexcept = [\"head box\"]", "") + cleaning + intake + courses + conditions +
	block("low_flow", "spring", `units = ["spring"]`, `setpoint = "28 L/min"; deadband = "0.5 L/min"`+delays)

type happening struct {
	at   time.Time
	r    *reading.Reading // else
	done *site.ChoreDone  // else
	act  *act.Act         // else
	ack  bool             // else
	bad  bool             // broker, with health; else a tick
	part rules.Part
}

// apply tells an engine of one happening and writes the journal.
func apply(tb testing.TB, e *rules.Engine, j *journal, h happening) {
	tb.Helper()
	var out []alarm.Transition
	switch {
	case h.r != nil:
		j.readings = append(j.readings, *h.r)
		out = e.Reading(h.at, h.r)
	case h.done != nil:
		j.chores = append(j.chores, *h.done)
		out = e.ChoreDone(h.at, *h.done)
	case h.act != nil:
		if h.act.Kind == act.CleaningFinished { // as the daemon does
			j.chores = append(j.chores, site.ChoreDone{Chore: h.act.Chore, Unit: h.act.Unit, By: h.act.By, At: h.at})
		}
		j.acts = append(j.acts, *h.act)
		out = e.Act(h.at, *h.act)
	case h.ack:
		out = ackAll(e, h.at)
	case h.part != "":
		out = e.Health(h.at, h.part, !h.bad, "said so")
	default:
		out = e.Tick(h.at)
	}
	j.transitions = append(j.transitions, out...)
}

// calm is a random day and a half: every probe speaks once a minute, its value
// changes in steps far over the edges, some fall silent for half an hour, chores
// are done or not, somebody answers now and then.
func calm(rnd *rand.Rand, s *site.Site) []happening {
	var all []happening
	start := rulestest.Start
	end := start.Add(36 * time.Hour)
	levels := map[reading.Quantity][]float64{
		reading.Temperature: {8, 8.1, 8.2, 8, 3, 12}, reading.Flow: {38, 39, 40, 29, 20, 5},
		reading.Oxygen: {10, 10.5, 7.2, 6, 3}, reading.Saturation: {90, 95, 61, 50, 20},
	}
	for i := range s.Probes {
		p := &s.Probes[i]
		of := levels[p.Quantity]
		level, until, silent := of[0], start, start
		now := start.Add(time.Duration(rnd.Int64N(int64(time.Minute))))
		for ; now.Before(end); now = now.Add(58*time.Second + time.Duration(rnd.Int64N(int64(4*time.Second)))) {
			if now.After(until) {
				level, until = of[rnd.IntN(len(of))], now.Add(time.Duration(rnd.Int64N(int64(90*time.Minute))))
				if rnd.IntN(12) == 0 {
					silent = now.Add(30 * time.Minute)
				}
			}
			if now.Before(silent) {
				continue
			}
			r := rulestest.Reading(p.ID, now, level+0.05*rnd.NormFloat64())
			if rnd.IntN(40) == 0 {
				r.Flags |= []reading.Flags{reading.Redelivered, reading.DeviceTimed}[rnd.IntN(2)]
			}
			all = append(all, happening{at: now, r: &r})
		}
	}
	for now := start; now.Before(end); now = now.Add(10 * time.Second) {
		all = append(all, happening{at: now})
		if rnd.IntN(700) == 0 {
			all = append(all, happening{at: now, ack: true})
		}
		if rnd.IntN(1500) == 0 {
			c := s.Chores[rnd.IntN(2)]
			d := site.ChoreDone{Chore: c.Name, At: now, By: "rowan"}
			if len(c.Units) > 0 {
				d.Unit = c.Units[rnd.IntN(2)]
			}
			all = append(all, happening{at: now, done: &d})
		}
		if rnd.IntN(120) == 0 {
			a := []func(string, time.Time) act.Act{started, finished}[rnd.IntN(2)](s.Chores[0].Units[rnd.IntN(2)], now)
			all = append(all, happening{at: now, act: &a})
		}
		if rnd.IntN(200) == 0 {
			kind := []act.Kind{act.Shelved, act.Unshelved, act.OutOfService, act.InService, act.InService}[rnd.IntN(5)]
			what := s.Chores[0].Units[rnd.IntN(2)]
			if kind == act.Shelved || kind == act.Unshelved {
				what = "low_flow/t/" + what + " flow"
			}
			a := aside(kind, strings.TrimSpace(what), now)
			if kind == act.Shelved {
				a.Alarm, a.Until = alarm.Key(what), now.Add(time.Duration(rnd.Int64N(int64(3*time.Hour))))
			}
			all = append(all, happening{at: now, act: &a})
		}
		if rnd.IntN(1500) == 0 {
			a := pause(now, time.Duration(rnd.Int64N(int64(time.Hour))))
			if rnd.IntN(3) == 0 {
				a = resume(now)
			}
			all = append(all, happening{at: now, act: &a})
		}
		if rnd.IntN(1500) == 0 {
			all = append(all, happening{at: now, part: rules.Broker, bad: rnd.IntN(2) == 0})
		}
	}
	slices.SortStableFunc(all, func(a, b happening) int { return a.at.Compare(b.at) })
	return all
}

// A restart neither loses nor repeats an alarm. What was asked of the tests is
// what holds: after a cut at any event, an engine that is rebuilt from the
// record goes through the same states in the same order as one that lived on,
// at the same times, with the same words, but for
//   - silence, which is counted anew from the restart: raised later by up to
//     the time allowed to the probe;
//   - an alarm that a tick raises because its probe fell silent while the
//     on-delay ran: later by up to the on-delay and one interval;
//   - hidden trouble whose probe was silent at the restart, told of later by up
//     to the time allowed to the probe;
//   - a drift whose probe was silent just before the restart, so that the
//     median is not looked back to as far: back by up to the off-delay and one
//     interval earlier, and so what outlives it as its cause;
//   - one that something began to hide before it was raised so late: hidden from
//     the start;
//   - what ends since its rule does not watch at this hour: by up to an interval
//     later;
//   - the end of a flood of alarms, which counts raises: sooner or later by as
//     much as one of them was later.
//
// An answer that comes between the raise that would have been and the one that
// was is an answer to nothing; the test gives none so soon after a restart.
//
// The daemon reports its parts' health again at its start, before the first
// tick; so does the test.
func TestRebuildGoesOn(t *testing.T) {
	s := rulestest.Site()
	text := everything + byHour + unitFlow
	prog := program(t, s, text)
	raised, hidden, later := 0, 0, time.Duration(0)
	for seed := range *seeds {
		rnd := rand.New(rand.NewPCG(seed, 2))
		events := dry(calm(rnd, s))
		live := engine(t, s, text)
		var whole journal
		cuts := make(map[int]bool)
		for range 6 {
			cuts[rnd.IntN(len(events))] = true
		}
		type restarted struct {
			e    *rules.Engine
			from int // transitions of the journal before the cut
			at   time.Time
			j    journal
		}
		var again []*restarted
		var broker *happening
		var lastCut time.Time
		for i, h := range events {
			if cuts[i] {
				r := &restarted{e: rules.New(s, prog), from: len(whole.transitions), at: h.at}
				gone, err := r.e.Rebuild(h.at, whole.past(h.at, r.e.Memory()))
				if err != nil || len(gone) > 0 {
					t.Fatalf("seed %d: rebuild: %v, %v", seed, gone, err)
				}
				if broker != nil {
					apply(t, r.e, &r.j, happening{at: h.at, part: rules.Broker, bad: broker.bad})
				}
				again, lastCut = append(again, r), h.at
			}
			if h.ack && h.at.Before(lastCut.Add(10*time.Minute)) {
				continue // it might come before what is raised later
			}
			if h.part != "" {
				broker = &h
			}
			apply(t, live, &whole, h)
			for _, r := range again {
				apply(t, r.e, &r.j, h)
			}
		}
		end := events[len(events)-1].at
		for _, r := range again {
			want, got := perKey(whole.transitions[r.from:]), perKey(r.j.transitions)
			for key, w := range want {
				g := got[key]
				for i := 1; i < len(w) && len(w) == len(g)+1; i++ {
					if w[i-1].Raised() && w[i].To == alarm.Unacknowledged && w[i].Hidden != "" && g[i-1].Raised() && g[i-1].Hidden != "" && !g[i-1].At.After(r.at.Add(5*time.Minute+10*time.Second)) {
						w = slices.Delete(slices.Clone(w), i, i+1)
					}
				}
				if len(g) != len(w) {
					t.Errorf("seed %d, cut at %v: %s went on\n  %q\nand after the restart\n  %q", seed, r.at.Sub(rulestest.Start), key, briefs(w), briefs(g))
					continue
				}
				sinceLate := make(map[uint64]bool) // occurrences raised later
				for i := range w {
					raised++
					if w[i].Hidden != "" {
						hidden++
					}
					late := g[i].At.Sub(w[i].At)
					allowed := time.Duration(0)
					if (w[i].Raised() || w[i].From.Active() && w[i].To == alarm.Unacknowledged) && w[i].At.Before(r.at.Add(10*time.Minute)) {
						// On-delay and interval, and the tick it falls on; or the silence allowed.
						allowed = 5*time.Minute + 10*time.Second
						later = max(later, late)
					}
					if w[i].Kind == alarm.TemperatureDrift && w[i].Returned() && w[i].At.Before(r.at.Add(10*time.Minute)) && late < 0 && late >= -3*time.Minute {
						continue
					}
					if strings.Contains(w[i].Trouble, " though ") && late < 0 && late >= -3*time.Minute {
						continue
					}
					if w[i].Returned() && strings.HasPrefix(w[i].Detail, "not watched") && w[i].At.Before(r.at.Add(5*time.Minute)) && late > 0 && late <= 70*time.Second {
						continue
					}
					if w[i].Rule == tally.FloodRule && w[i].Returned() && w[i].At.Before(r.at.Add(10*time.Minute+tally.FloodWithin)) && late.Abs() <= 5*time.Minute+10*time.Second {
						continue
					}
					if late < 0 || late > allowed {
						t.Errorf("seed %d, cut at %v: %s is %v later", seed, r.at.Sub(rulestest.Start), brief(w[i]), late)
						continue
					}
					sinceLate[w[i].Occurrence] = sinceLate[w[i].Occurrence] || late > 0
					if !sinceLate[w[i].Occurrence] && w[i].Kind != alarm.DaemonHealth {
						if d := cmp.Diff(w[i], g[i]); d != "" {
							t.Errorf("seed %d, cut at %v: not the same (-live +restarted):\n%s", seed, r.at.Sub(rulestest.Start), d)
						}
					}
				}
			}
			for key, g := range got {
				if want[key] == nil {
					t.Errorf("seed %d, cut at %v: repeated %q", seed, r.at.Sub(rulestest.Start), briefs(g))
				}
			}
			if d := cmp.Diff(states(live, end), states(r.e, end)); d != "" {
				t.Errorf("seed %d, cut at %v: in the end (-live +restarted):\n%s", seed, r.at.Sub(rulestest.Start), d)
			}
		}
	}
	if raised < 1000 || hidden < 100 {
		t.Errorf("only %d transitions compared, %d of them hidden", raised, hidden)
	}
	t.Logf("%d transitions compared, %d of them hidden, raised at most %v later", raised, hidden, later)
}

func perKey(all []alarm.Transition) map[alarm.Key][]alarm.Transition {
	m := make(map[alarm.Key][]alarm.Transition)
	for _, tr := range all {
		m[tr.Key] = append(m[tr.Key], tr)
	}
	return m
}

func states(e *rules.Engine, now time.Time) map[alarm.Key]alarm.State {
	m := make(map[alarm.Key]alarm.State)
	for _, v := range e.Standing(now) {
		m[v.Key] = v.State
	}
	return m
}

// The same happenings give byte for byte the same transitions.
func TestSameInputSameOutput(t *testing.T) {
	s := rulestest.Site()
	nearLots(s)
	run := func() []byte {
		e, j := engine(t, s, everything), journal{}
		for _, h := range calm(rand.New(rand.NewPCG(7, 7)), s) {
			apply(t, e, &j, h)
		}
		b, err := json.Marshal(j.transitions)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	if a, b := string(run()), string(run()); a != b || len(a) < 10000 || !strings.Contains(a, "lot_due/") {
		t.Errorf("%d and %d bytes that differ: %s", len(a), len(b), cmp.Diff(a, b))
	}
}

// What Rebuild does with one alarm, case by case.
func TestRebuildCases(t *testing.T) {
	const key = "low_flow/t/trough 1 flow"
	start := rulestest.Start
	stood := func(to alarm.State, since time.Duration) []alarm.Transition {
		return []alarm.Transition{{Key: key, Kind: alarm.LowFlow, Occurrence: 3, From: alarm.Normal, To: to, At: start.Add(since), Since: start.Add(since), Trouble: "Trough 1: low flow"}}
	}
	flow := func(minutes float64, v float64) reading.Reading {
		return rulestest.Reading("trough 1 flow", start.Add(time.Duration(minutes*float64(time.Minute))), v)
	}
	tests := []struct {
		name     string
		standing []alarm.Transition
		readings []reading.Reading // before the restart at the start of the night
		script   string            // after it
		want     []string
	}{
		{"standing and bad: stands, is not told again", stood(alarm.Unacknowledged, -time.Hour), []reading.Reading{flow(-2, 20), flow(-1, 20)}, "0s trough 1 flow = 20\n1h tick", nil},
		{"standing, nothing heard since: stands", stood(alarm.Unacknowledged, -time.Hour), nil, "0s..3h tick every 1m", nil},
		{"answered half an hour ago: calls again in half an hour", stood(alarm.Acknowledged, -time.Hour/2), nil, "0s..3h tick every 1m", []string{"30m0s unacknowledged " + key}},
		{"standing and right again: returns", stood(alarm.Acknowledged, -time.Hour), []reading.Reading{flow(-1.5, 35), flow(-0.5, 35)}, "29s trough 1 flow = 35\n30s trough 1 flow = 35", []string{"30s returned " + key}},
		{"not written: told at the next reading", nil, []reading.Reading{flow(-2, 20), flow(-0.5, 20)}, "0s tick\n1s trough 1 flow = 20", []string{"1s raised " + key}},
		{"not written, and no reading comes: told by the tick", nil, []reading.Reading{flow(-2, 20), flow(-0.5, 20)}, "0s..10m tick every 1s", []string{"2m0s raised " + key}},
		{"not written and over: not told", nil, []reading.Reading{flow(-4, 20), flow(-2, 20), flow(-1, 29)}, "0s tick\n5m tick", nil},
		{"not standing, and right for a moment since: the on-delay began then", nil, []reading.Reading{flow(-10, 20), flow(-9, 20), flow(-0.75, 35), flow(-0.25, 20)}, "1s trough 1 flow = 20\n44s trough 1 flow = 20\n45s trough 1 flow = 20", []string{"45s raised " + key}},
		{"on-delay under way: goes on", nil, []reading.Reading{flow(-0.5, 20)}, "29s trough 1 flow = 20\n30s trough 1 flow = 20", []string{"30s raised " + key}},
		{"returned, not answered: waits for an answer", stood(alarm.ReturnedUnacknowledged, -time.Hour), []reading.Reading{flow(-1, 35)}, "0s trough 1 flow = 35\n1m ack " + key, []string{"1m0s normal " + key}},
		{"returned, and bad again: on-delay under way goes on", stood(alarm.ReturnedUnacknowledged, -time.Hour), []reading.Reading{flow(-0.5, 20)}, "30s trough 1 flow = 20", []string{"30s raised " + key}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := rulestest.Site()
			e := rules.New(s, program(t, s, lowFlow))
			gone, err := e.Rebuild(start, rules.Past{Readings: sequence(tt.readings), Standing: tt.standing, Occurrences: map[alarm.Key]uint64{key: 3}})
			if err != nil || gone != nil {
				t.Fatal(gone, err)
			}
			all := play(t, e, tt.script)
			if d := cmp.Diff(tt.want, briefs(all)); d != "" {
				t.Errorf("transitions (-want +got):\n%s", d)
			}
			for _, tr := range all {
				if want := uint64(3); tr.Raised() && tr.Occurrence != want+1 || !tr.Raised() && tr.Occurrence != want {
					t.Errorf("%s has occurrence %d", brief(tr), tr.Occurrence)
				}
			}
		})
	}

	t.Run("the rule asks for more now: raised anew", func(t *testing.T) {
		s := rulestest.Site()
		e := rules.New(s, program(t, s, lowFlow))
		note := stood(alarm.Unacknowledged, -time.Hour)
		note[0].Priority = alarm.Note
		ended, err := e.Rebuild(start, rules.Past{Readings: sequence([]reading.Reading{flow(-1, 20)}), Standing: note, Occurrences: map[alarm.Key]uint64{key: 3}})
		if err != nil || len(ended) != 1 || ended[0].To != alarm.Normal || ended[0].Priority != alarm.Note {
			t.Fatalf("ended %+v, %v", ended, err)
		}
		all := play(t, e, "10s trough 1 flow = 20")
		if d := cmp.Diff([]string{"10s raised " + key}, briefs(all)); d != "" || all[0].Priority != alarm.CallOut || all[0].Occurrence != 4 {
			t.Errorf("%s %+v", d, all)
		}
	})
	t.Run("a chore new in the files counts from the start", func(t *testing.T) {
		s := rulestest.Site()
		e := rules.New(s, program(t, s, cleaning))
		if _, err := e.Rebuild(start, rules.Past{WatchingSince: start.AddDate(0, -3, 0)}); err != nil {
			t.Fatal(err)
		}
		got := briefs(play(t, e, "0s..15h tick every 1h\n16h tick"))
		if d := cmp.Diff([]string{"16h0m0s raised missed_chore/c/trough 1", "16h0m0s raised missed_chore/c/trough 2"}, got); d != "" {
			t.Error(d)
		}
	})
	t.Run("a silence that stands, stands", func(t *testing.T) {
		s := rulestest.Site()
		e := rules.New(s, program(t, s, silent))
		since := start.Add(-time.Hour)
		if _, err := e.Rebuild(start, rules.Past{Standing: []alarm.Transition{{Key: "silent_probe/q/trough 2 flow", To: alarm.Unacknowledged, At: since, Since: since, Occurrence: 1}}}); err != nil {
			t.Fatal(err)
		}
		if v := e.Standing(start.Add(time.Minute)); len(v) != 1 || v[0].Detail != "nothing usable for 1 h 1 min, expected every 60 s" {
			t.Errorf("standing %+v", v)
		}
		got := briefs(play(t, e, "0s..10m tick every 10s\n11m trough 2 flow = 38"))
		if d := cmp.Diff([]string{"11m0s returned, not acknowledged silent_probe/q/trough 2 flow"}, got); d != "" {
			t.Error(d)
		}
	})
	t.Run("a part stands until it says that it is well", func(t *testing.T) {
		for _, said := range []string{"", "0s broker bad\n", "0s broker ok\n"} {
			s := rulestest.Site()
			e := rules.New(s, program(t, s, silent))
			if _, err := e.Rebuild(start, rules.Past{Standing: []alarm.Transition{{Key: "self/broker gone/broker", To: alarm.Acknowledged, At: start, Since: start, Occurrence: 1}}}); err != nil {
				t.Fatal(err)
			}
			var want []string
			if said == "0s broker ok\n" {
				want = []string{"0s returned self/broker gone/broker"}
			}
			if d := cmp.Diff(want, briefs(play(t, e, said+"1s tick\n2m tick"))); d != "" {
				t.Errorf("after %q: %s", said, d)
			}
		}
	})
	t.Run("words of what stood before anything is heard", func(t *testing.T) {
		s := rulestest.Site()
		e := rules.New(s, program(t, s, lowFlow+drift+fromSpring+oxygenMgL+cleaning))
		past := rules.Past{WatchingSince: start.AddDate(0, 0, -9)}
		for _, k := range []alarm.Key{key, "temperature_drift/d/spring temperature", "temperature_from_spring/s/stack 1 temperature", "low_oxygen/o/deep 1 saturation", "missed_chore/c/trough 1"} {
			past.Standing = append(past.Standing, alarm.Transition{Key: k, To: alarm.Unacknowledged, At: start, Since: start})
		}
		if _, err := e.Rebuild(start, past); err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, v := range e.Standing(start) {
			got = append(got, v.Trouble+" | "+v.Detail)
		}
		want := []string{
			"Trough 1: low flow | no reading since the start", "Spring: temperature has moved | no reading since the start",
			"Stack 1: temperature away from the spring | no reading since the start", "Deep 1: low oxygen | no reading since the start",
			"Trough 1: cleaning not done | due by 10:00",
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("words (-want +got):\n%s", d)
		}
	})
	t.Run("a rule that is gone ends its alarm", func(t *testing.T) {
		s := rulestest.Site()
		e := rules.New(s, program(t, s, silent))
		old := stood(alarm.Acknowledged, -time.Hour)
		gone, err := e.Rebuild(start, rules.Past{Standing: old})
		if err != nil {
			t.Fatal(err)
		}
		want := old[0]
		want.From, want.To, want.At, want.Detail = alarm.Acknowledged, alarm.Normal, start, "no rule watches this any more"
		if d := cmp.Diff([]alarm.Transition{want}, gone); d != "" {
			t.Errorf("gone (-want +got):\n%s", d)
		}
	})
	t.Run("the record cannot be read", func(t *testing.T) {
		s := rulestest.Site()
		e := rules.New(s, program(t, s, lowFlow))
		broken := errors.New("disk")
		_, err := e.Rebuild(start, rules.Past{
			Standing: stood(alarm.Unacknowledged, -time.Hour),
			Readings: func(yield func(reading.Reading, error) bool) { yield(reading.Reading{}, broken) },
		})
		if !errors.Is(err, broken) || len(e.Standing(start)) != 1 {
			t.Errorf("err %v, standing %v: what stood must stand", err, e.Standing(start))
		}
	})
}

// A night, played and compared line by line with testdata/night.golden.
func TestNight(t *testing.T) {
	script, err := os.ReadFile("testdata/night.script")
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for _, tr := range play(t, engine(t, rulestest.Site(), everything), string(script)) {
		fmt.Fprintf(&b, "%-8s %s: %s -> %s\n         %s | %s | since %s, %s, no. %d\n", tr.At.Format("15:04:05"), tr.Key, tr.From, tr.To, tr.Trouble, tr.Detail, tr.Since.Format("15:04:05"), tr.RuleAt, tr.Occurrence)
	}
	const golden = "testdata/night.golden"
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), b.String()); d != "" {
		t.Errorf("the night (-want +got):\n%s", d)
	}
}

// wild is any order of any happening: what a bad network, a bad probe and a
// clock that steps may bring.
func wild(rnd *rand.Rand, s *site.Site, n int) []happening {
	all := make([]happening, 0, n)
	now := rulestest.Start
	for range n {
		now = now.Add(time.Duration(rnd.Int64N(int64(40 * time.Second))))
		switch rnd.IntN(200) {
		case 0:
			now = now.Add(time.Duration(rnd.Int64N(int64(48 * time.Hour))))
		case 1:
			now = now.Add(-time.Duration(rnd.Int64N(int64(2 * time.Hour))))
		}
		h := happening{at: now}
		switch k := rnd.IntN(100); {
		case k < 70:
			p := s.Probes[rnd.IntN(len(s.Probes))]
			r := rulestest.Reading(p.ID, now, p.Low+(p.High-p.Low)*rnd.Float64()*rnd.Float64())
			if rnd.IntN(4) == 0 {
				r.Flags = reading.Flags(rnd.IntN(1 << 7))
				r.At = now.Add(-time.Duration(rnd.Int64N(int64(5 * time.Hour))))
			}
			h.r = &r
		case k < 73:
			c := s.Chores[rnd.IntN(2)]
			d := site.ChoreDone{Chore: c.Name, At: now.Add(-time.Duration(rnd.Int64N(int64(30 * time.Hour))))}
			if len(c.Units) > 0 {
				d.Unit = c.Units[rnd.IntN(2)]
			}
			h.done = &d
		case k < 78:
			h.ack = true
		case k < 81:
			h.part, h.bad = []rules.Part{rules.Broker, rules.Record, rules.Mail, "kettle"}[rnd.IntN(4)], rnd.IntN(2) == 0
		case k < 86:
			unit := s.Units[rnd.IntN(len(s.Units))].Name
			a := act.Act{ID: "wild " + strconv.Itoa(len(all)), Kind: act.Kinds()[rnd.IntN(len(act.Kinds()))], At: now, By: "rowan", Unit: unit, Chore: "cleaning"}
			switch a.Kind {
			case act.Shelved, act.Unshelved, act.Reset, act.MarkedFalse:
				p := s.Probes[rnd.IntN(len(s.Probes))]
				a.Alarm, a.Unit, a.Chore = alarm.Key([]string{"low_flow/t/", "low_flow/spring/", "temperature_from_spring/s/", "probe_in_air/a/"}[rnd.IntN(4)]+string(p.ID)), "", ""
			default:
			}
			if rnd.IntN(2) == 0 {
				a.Until = now.Add(time.Duration(rnd.Int64N(int64(6 * time.Hour))))
			}
			h.act = &a
		}
		all = append(all, h)
	}
	return all
}

// FuzzEngine drives an engine by a seed: no panic, no alarm raised twice without
// a return, no break in any alarm's chain of states, before and after a restart;
// and every transition has its words.
func FuzzEngine(f *testing.F) {
	for seed := range uint64(8) {
		f.Add(seed, uint16(400+100*seed), uint16(100*seed))
	}
	s := rulestest.Site()
	var prog *lang.Program
	f.Fuzz(func(t *testing.T, seed uint64, n, cut uint16) {
		if prog == nil {
			prog = program(t, s, everything+probeFaultsBeside+byHour+unitFlow)
		}
		rnd := rand.New(rand.NewPCG(seed, 3))
		e, j := rules.New(s, prog), journal{}
		if seed%2 == 0 {
			if _, err := e.Rebuild(rulestest.Start, rules.Past{WatchingSince: rulestest.Start}); err != nil {
				t.Fatal(err)
			}
		}
		type life struct {
			state      alarm.State
			occurrence uint64
			cause      alarm.Key
			hidden     string
		}
		lives := make(map[alarm.Key]life)
		told := 0
		check := func() {
			for ; told < len(j.transitions); told++ {
				tr := j.transitions[told]
				l := lives[tr.Key]
				switch {
				case strings.HasPrefix(string(tr.Key), "past/"):
					if tr.From != alarm.Normal || tr.To != alarm.Normal || tr.Priority != alarm.Note {
						t.Fatalf("%s is more than a note", brief(tr))
					}
				case tr.From != l.state || tr.To == tr.From && (tr.To != alarm.Unacknowledged || tr.Cause == l.cause && tr.Hidden == l.hidden):
					t.Fatalf("%s: from %v, but it was %v", brief(tr), tr.From, l.state)
				case tr.Raised() && (l.state.Active() || tr.Occurrence != l.occurrence+1):
					t.Fatalf("%s: raised again, no. %d after %d", brief(tr), tr.Occurrence, l.occurrence)
				case !tr.Raised() && tr.Occurrence != l.occurrence:
					t.Fatalf("%s: no. %d, was %d", brief(tr), tr.Occurrence, l.occurrence)
				case tr.To == alarm.Acknowledged && tr.From != alarm.Unacknowledged:
					t.Fatalf("%s from %v", brief(tr), tr.From)
				case tr.Trouble == "" || tr.CanHappen == "" || tr.ToDo == "" || tr.Priority == 0 || tr.At.IsZero() || tr.Since.IsZero():
					t.Fatalf("%s without words or times: %+v", brief(tr), tr)
				}
				lives[tr.Key] = life{tr.To, tr.Occurrence, tr.Cause, tr.Hidden}
			}
		}
		for i, h := range wild(rnd, s, int(n%2000)) {
			if i == int(cut) {
				e = rules.New(s, prog)
				if gone, err := e.Rebuild(h.at, j.past(h.at, e.Memory())); err != nil || len(gone) > 0 {
					t.Fatalf("rebuild: %v, %v", gone, err)
				}
				for key, l := range lives {
					if l.state != states(e, h.at)[key] {
						t.Fatalf("%s stood %v before the restart and %v after", key, l.state, states(e, h.at)[key])
					}
				}
			}
			apply(t, e, &j, h)
			check()
			if i%50 == 0 {
				for key, state := range states(e, h.at) {
					if lives[key].state != state {
						t.Fatalf("%s stands %v, the journal says %v", key, state, lives[key].state)
					}
				}
				e.Probes(h.at)
				e.Lots(h.at)
			}
		}
	})
}
