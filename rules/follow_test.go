package rules_test

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

// probeFaultsBeside are alarms of probes that ask for as much as the rules beside
// them, and byHour a rule that nothing is watched by for some hours.
var (
	probeFaultsBeside = strings.ReplaceAll(jumpTemp, `units = ["stack 1"]`, `units = ["stack 1", "spring"]`) +
		strings.ReplaceAll(airTemp, `units = ["stack 1"]`, `units = ["stack 1", "stack 2", "trough 1"]`) + strings.ReplaceAll(airOxygen, `"a"`, `"o"`)
	byHour = block("low_flow", "by day", `units = ["trough 2"]`, `setpoint = "12 L/min"; deadband = "2 L/min"`+delays+`
while {
  from = "22:00"
  to   = "05:00"
  off  = true
}
while {
  from     = "09:00"
  to       = "16:30"
  setpoint = "25 L/min"
  deadband = "2 L/min"
}`)
)

// dry has the water of all units below the head box fail for 20 min of every 4 h,
// so that they share a cause.
func dry(all []happening) []happening {
	for i, h := range all {
		if h.r == nil || !strings.HasSuffix(string(h.r.Probe), " flow") || h.r.Probe == "spring flow" || h.at.Sub(rulestest.Start)%(4*time.Hour) < 220*time.Minute {
			continue
		}
		h.r.Value = 0.05 * float64(i%3)
	}
	return all
}

// reloaded has another engine with the same rules take over.
func reloaded(tb testing.TB, old *rules.Engine, now time.Time, j *journal, fresh *rules.Engine) *rules.Engine {
	tb.Helper()
	gone, err := fresh.Rebuild(now, j.past(now, fresh.Memory()))
	if err != nil || len(gone) > 0 {
		tb.Fatalf("rebuild: %v, %v", gone, err)
	}
	fresh.Follow(old)
	return fresh
}

// Rules that are read anew and are the same change nothing: an engine that
// follows another goes the way of one that lives on, with cleaning, shelving,
// causes, suspect probes, setpoints by the hour and ticks from Due on.
func TestFollowGoesOn(t *testing.T) {
	s := rulestest.Site()
	text := everything + probeFaultsBeside + byHour + unitFlow
	prog := program(t, s, text)
	compared := make(map[alarm.Kind]int)
	hidden, followed := 0, 0
	for seed := range fewer(1) {
		rnd := rand.New(rand.NewPCG(seed+12, 17)) // in this one readings alone leave open when trouble began
		live, again := engine(t, s, text), engine(t, s, text)
		var whole, j journal
		last := rulestest.Start
		for _, h := range dry(calm(rnd, s)) {
			if h.r == nil && h.done == nil && h.act == nil && !h.ack && h.part == "" {
				continue // ticks are those from Due on
			}
			passed(live, last, h.at, false, func(trs []alarm.Transition) { whole.transitions = append(whole.transitions, trs...) })
			passed(again, last, h.at, false, func(trs []alarm.Transition) { j.transitions = append(j.transitions, trs...) })
			last = h.at
			if rnd.IntN(3000) == 0 {
				again = reloaded(t, again, h.at, &j, rules.New(s, prog))
			}
			apply(t, live, &whole, h)
			apply(t, again, &j, h)
		}
		want, got := perKey(whole.transitions), perKey(j.transitions)
		for key, w := range want {
			compared[w[0].Kind] += len(w)
			for _, tr := range w {
				if tr.Hidden != "" {
					hidden++
				}
				if tr.Cause != "" {
					followed++
				}
			}
			if d := cmp.Diff(w, got[key]); d != "" {
				t.Errorf("seed %d: %s went on\n  %q\nand read anew\n  %q\n%s", seed, key, briefs(w), briefs(got[key]), d)
			}
		}
		for key := range got {
			if want[key] == nil {
				t.Errorf("seed %d: %s only when read anew", seed, key)
			}
		}
	}
	for _, k := range []alarm.Kind{alarm.LowFlow, alarm.LowOxygen, alarm.SilentProbe, alarm.ProbeInAir, alarm.Condition, alarm.WaterBalance, alarm.CommonCause} {
		if compared[k] == 0 {
			t.Errorf("no transition of %s", k)
		}
	}
	if hidden < 30 || followed < 30 {
		t.Errorf("only %d hidden, %d that follow", hidden, followed)
	}
	t.Log(compared, hidden, followed)
}

// What a probe said longer ago than the engine looks back is known after the rules
// were read anew, and a silence is counted from when it was last heard.
func TestFollowKnowsOldReadings(t *testing.T) {
	s := rulestest.Site()
	e := engine(t, s, silent)
	var j journal
	r := rulestest.Reading("trough 2 flow", rulestest.Start.Add(time.Minute), 38)
	apply(t, e, &j, happening{at: r.At, r: &r})
	now := rulestest.Start
	for ; now.Before(rulestest.Start.Add(3 * time.Hour)); now = now.Add(time.Minute) {
		apply(t, e, &j, happening{at: now})
	}
	e = reloaded(t, e, now, &j, rules.New(s, program(t, s, silent)))
	i := slices.IndexFunc(s.Probes, func(p site.Probe) bool { return p.ID == r.Probe })
	if v := e.Probes(now)[i]; !v.Heard || v.Last.Value != 38 || v.Age != 179*time.Minute {
		t.Errorf("got %+v", v)
	}
	for _, v := range e.Standing(now) {
		if v.Key == "silent_probe/q/trough 2 flow" && v.Detail != "nothing usable for 2 h 59 min, expected every 60 s" {
			t.Errorf("got %q", v.Detail)
		}
	}
}

// What is not watched any more at this hour ends though its probe says nothing,
// and at its second.
func TestOffEndsWithoutAReading(t *testing.T) {
	s := rulestest.Site()
	s.Lots = nil
	e := engine(t, s, byHour)
	var got []string
	took := func(trs []alarm.Transition) { got = append(got, briefs(trs)...) }
	took(play(t, e, "0s trough 2 flow = 0\n1m trough 2 flow = 0"))
	passed(e, rulestest.Start.Add(time.Minute), rulestest.Start.Add(12*time.Hour), false, took)
	want := []string{"1m0s raised low_flow/by day/trough 2 flow", "4h2m0s returned, not acknowledged low_flow/by day/trough 2 flow"}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

// An alarm of a probe that is hidden takes no call-out for its water away: nobody
// was called in its place.
func TestHiddenSuspicionTakesNothingAway(t *testing.T) {
	warm := block("temperature_band", "b", `units = ["stack 1"]`, `high = "12 degC"; deadband = "0.5 degC"; on_delay = "10 min"; off_delay = "2 min"`)
	own := block("condition", "c", `units = ["stack 1"]`, `when = temperature > "12 degC"; lasting = "10 min"`)
	const shelve = "0s shelve probe_in_air/a/stack 1 temperature 2h"
	water := inOrder(every("spring temperature", 0, time.Minute, 40, 8), every("stack 1 temperature", time.Second, time.Minute, 10, 8), every("stack 1 temperature", 10*time.Minute+time.Second, time.Minute, 30, 14))
	const air = "15m1s raised probe_in_air/a/stack 1 temperature"
	for _, tt := range []struct {
		name, rule, script string
		want               []string
	}{
		{"a setpoint", warm, water, []string{air}},
		{"a setpoint, the suspicion is shelved", warm, shelve + "\n" + water, []string{air, "20m1s raised temperature_band/b/stack 1 temperature"}},
		{"a condition", own, water, []string{air}},
		{"a condition, the suspicion is shelved", own, shelve + "\n" + water, []string{air, "25m1s raised condition/c/stack 1"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if d := cmp.Diff(tt.want, briefs(play(t, engine(t, rulestest.Site(), airTemp+tt.rule), tt.script))); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
}

// What the readings of the past alone would have made a common cause, and the
// journal does not know as one, is none after a restart.
func TestRebuildFindsNoOldCommonCause(t *testing.T) {
	s := rulestest.Site()
	e := rules.New(s, program(t, s, unitFlow))
	now := rulestest.Start.Add(time.Hour)
	var j journal
	tell := func(m int, probe reading.ProbeID, v float64) {
		j.readings = append(j.readings, rulestest.Reading(probe, rulestest.Start.Add(time.Duration(m)*time.Minute), v))
	}
	for m := 20; m < 60; m++ {
		tell(m, "trough 2 flow", 20)
		tell(m, "stack 1 flow", 0)
		tell(m, "stack 2 flow", 0)
		if m < 23 {
			tell(m, "trough 1 flow", 0)
		} else {
			tell(m, "trough 1 flow", 20)
		}
	}
	since := rulestest.Start.Add(20 * time.Minute)
	for _, probe := range []reading.ProbeID{"stack 1 flow", "stack 2 flow"} {
		j.transitions = append(j.transitions, alarm.Transition{Key: alarm.Key("low_flow/u/" + string(probe)), Kind: alarm.LowFlow, Occurrence: 1, From: alarm.Unacknowledged, To: alarm.Acknowledged, At: since, Since: since, Priority: alarm.CallOut, By: "kim"})
	}
	if gone, err := e.Rebuild(now, j.past(now, e.Memory())); err != nil || len(gone) > 0 {
		t.Fatal(gone, err)
	}
	got := caused(play(t, e, "61m trough 1 flow = 0\n62m trough 1 flow = 0"))
	if d := cmp.Diff([]string{"1h2m0s raised trough 1 flow"}, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}
