package rules_test

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

var (
	update = flag.Bool("update", false, "rewrite the golden files")
	seeds  = flag.Uint64("seeds", 3, "how many random nights to restart in")
)

// fewer is how many seeds a slow test takes when none were asked for by -seeds.
func fewer(n uint64) uint64 {
	flag.Visit(func(f *flag.Flag) {
		if f.Name == "seeds" {
			n = *seeds
		}
	})
	return n
}

// program reads rules that must be without an error.
func program(tb testing.TB, s *site.Site, text string) *lang.Program {
	tb.Helper()
	files := hclread.NewFiles()
	p, diags := lang.Parse(files, []lang.Source{{Name: "rules.hcl", Text: []byte(text)}}, s)
	if diags.HasErrors() {
		var out bytes.Buffer
		if err := files.Render(&out, diags, 78); err != nil {
			tb.Error(err)
		}
		tb.Fatalf("diagnostics:\n%s", &out)
	}
	return p
}

// block writes one rule; covers is one line, rest the lines of its kind.
func block(kind, name, covers, rest string) string {
	prio := "call-out"
	if strings.Contains(name, "note") {
		prio = "note"
	}
	if covers != "" {
		covers = "covers {\n" + covers + "\n}\n"
	}
	return fmt.Sprintf("%s %q {\n%s%s\npriority = %q\ncan_happen = \"Trouble.\"\nto_do = \"Look.\"\n}\n", kind, name, covers, strings.ReplaceAll(rest, "; ", "\n"), prio)
}

// engine makes an engine whose record begins at the start of the night.
func engine(tb testing.TB, s *site.Site, text string) *rules.Engine {
	tb.Helper()
	e := rules.New(s, program(tb, s, text))
	if _, err := e.Rebuild(rulestest.Start, rules.Past{WatchingSince: rulestest.Start}); err != nil {
		tb.Fatal(err)
	}
	return e
}

var flags = map[string]reading.Flags{
	"late": reading.Late, "out-of-order": reading.OutOfOrder, "retained": reading.Retained, "out-of-range": reading.OutOfRange,
	"device-timed": reading.DeviceTimed, "future-time": reading.FutureTime, "redelivered": reading.Redelivered,
}

// play runs a script and returns the transitions. A line is one event, the time
// since the start of the night first:
//
//	1m30s  trough 1 flow = 27.5 (late, device-timed)
//	2m     tick
//	2m..9m tick every 10s
//	3m     ack KEY          or: ack all
//	4m     done cleaning @ trough 1     or: done intake clearing
//	4m     clean trough 1   or: cleaned trough 1
//	4m     shelve KEY 2h    or: unshelve KEY
//	4m     out trough 1     or: in trough 1
//	4m     pause 30m        or: resume
//	5m     broker bad       or: broker ok
func play(tb testing.TB, e *rules.Engine, script string) []alarm.Transition {
	tb.Helper()
	var all []alarm.Transition
	for _, line := range strings.Split(script, "\n") {
		line, _, _ = strings.Cut(line, "#")
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		when, what, _ := strings.Cut(line, " ")
		what = strings.TrimSpace(what)
		first, last, span := strings.Cut(when, "..")
		now := rulestest.Start.Add(duration(tb, first))
		if span {
			_, every, ok := strings.Cut(what, "tick every ")
			if !ok {
				tb.Fatalf("script line %q", line)
			}
			for end := rulestest.Start.Add(duration(tb, last)); !now.After(end); now = now.Add(duration(tb, every)) {
				all = append(all, e.Tick(now)...)
			}
			continue
		}
		out, err := event(tb, e, now, what)
		if err != nil {
			tb.Fatalf("script line %q: %v", line, err)
		}
		all = append(all, out...)
	}
	return all
}

// ackAll answers every alarm that is not normal.
func ackAll(e *rules.Engine, now time.Time) []alarm.Transition {
	var all []alarm.Transition
	for _, a := range e.Standing(now) {
		out, err := e.Acknowledge(now, a.Key, "kim")
		if err != nil {
			panic(err) // it stands
		}
		all = append(all, out...)
	}
	return all
}

func event(tb testing.TB, e *rules.Engine, now time.Time, what string) ([]alarm.Transition, error) {
	tb.Helper()
	if what == "tick" {
		return e.Tick(now), nil
	}
	if key, ok := strings.CutPrefix(what, "ack "); ok {
		if key == "all" {
			return ackAll(e, now), nil
		}
		return e.Acknowledge(now, alarm.Key(key), "kim")
	}
	if chore, ok := strings.CutPrefix(what, "done "); ok {
		name, unit, _ := strings.Cut(chore, " @ ")
		return e.ChoreDone(now, site.ChoreDone{Chore: name, Unit: unit, By: "kim", At: now}), nil
	}
	if unit, ok := strings.CutPrefix(what, "clean "); ok {
		return e.Act(now, started(unit, now)), nil
	}
	if unit, ok := strings.CutPrefix(what, "cleaned "); ok {
		return e.Act(now, finished(unit, now)), nil
	}
	for _, kind := range []act.Kind{act.Shelved, act.Unshelved, act.OutOfService, act.InService} {
		if rest, ok := strings.CutPrefix(what, asideWords[kind]); ok {
			a := aside(kind, rest, now)
			if lasts, ok := strings.CutPrefix(rest, string(a.Alarm)+" "); ok && kind == act.Shelved {
				a.Until = now.Add(duration(tb, lasts))
			}
			if err := e.CheckAct(now, &a); err != nil {
				return nil, err
			}
			return e.Act(now, a), nil
		}
	}
	if lasts, ok := strings.CutPrefix(what, "pause "); ok || what == "resume" {
		a := resume(now)
		if ok {
			a = pause(now, duration(tb, lasts))
		}
		if err := e.CheckAct(now, &a); err != nil {
			return nil, err
		}
		return e.Act(now, a), nil
	}
	if health, ok := strings.CutPrefix(what, "broker "); ok {
		return e.Health(now, rules.Broker, health == "ok", "connection refused"), nil
	}
	probe, rest, ok := strings.Cut(what, " = ")
	if !ok {
		return nil, errors.New("no such event")
	}
	value, marks, _ := strings.Cut(strings.TrimSuffix(rest, ")"), " (")
	v, err := strconv.ParseFloat(value, 64)
	if err != nil {
		return nil, err
	}
	r := rulestest.Reading(reading.ProbeID(probe), now, v)
	for _, m := range strings.Split(marks, ", ") {
		r.Flags |= flags[m]
	}
	return e.Reading(now, &r), nil
}

// started and finished are acts of kim's.
func started(unit string, at time.Time) act.Act {
	return act.Act{ID: "start " + unit + at.String(), Kind: act.CleaningStarted, At: at, By: "kim", Unit: unit, Chore: "cleaning", Until: at.Add(act.DefaultCleaning)}
}

func finished(unit string, at time.Time) act.Act {
	return act.Act{ID: "finish " + unit + at.String(), Kind: act.CleaningFinished, At: at, By: "kim", Unit: unit, Chore: "cleaning"}
}

// pause and resume are acts of kim's on the whole site.
func pause(at time.Time, lasts time.Duration) act.Act {
	return act.Act{ID: "pause " + at.String(), Kind: act.Paused, At: at, By: "kim", Until: at.Add(lasts), Why: "the head box is moved"}
}

func resume(at time.Time) act.Act {
	return act.Act{ID: "resume " + at.String(), Kind: act.Resumed, At: at, By: "kim"}
}

var asideWords = map[act.Kind]string{act.Shelved: "shelve ", act.Unshelved: "unshelve ", act.OutOfService: "out ", act.InService: "in "}

// aside is an act of kim's on an alarm (what may end in a time) or a unit.
func aside(kind act.Kind, what string, at time.Time) act.Act {
	a := act.Act{ID: string(kind) + what + at.String(), Kind: kind, At: at, By: "kim", Why: "screen"}
	switch kind {
	case act.Shelved:
		a.Alarm = alarm.Key(what[:max(0, strings.LastIndexByte(what, ' '))])
	case act.Unshelved:
		a.Alarm = alarm.Key(what)
	default:
		a.Unit = what
	}
	return a
}

func duration(tb testing.TB, s string) time.Duration {
	tb.Helper()
	d, err := time.ParseDuration(s)
	if err != nil {
		tb.Fatal(err)
	}
	return d
}

// brief is a transition in a line: "1m0s raised low_flow/troughs/trough 1 flow".
func brief(tr alarm.Transition) string {
	what := tr.To.String()
	switch {
	case tr.From == alarm.Unacknowledged && tr.To == alarm.Unacknowledged && tr.Hidden == "":
		what = "surfaced"
	case tr.From == alarm.Unacknowledged && tr.To == alarm.Unacknowledged:
		what = "hidden"
	case tr.Raised():
		what = "raised"
	case tr.Returned() && tr.To == alarm.Normal:
		what = "returned"
	case tr.Returned():
		what = "returned, not acknowledged"
	}
	return fmt.Sprintf("%v %s %s", tr.At.Sub(rulestest.Start), what, tr.Key)
}

func briefs(all []alarm.Transition) []string {
	var out []string
	for _, tr := range all {
		out = append(out, brief(tr))
	}
	return out
}
