package replay_test

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/demo"
	"weirkeeper/cmd/weirkeeper/internal/replay"
	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/ingest"
	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

var (
	update = flag.Bool("update", false, "rewrite the golden files")
	seeds  = flag.Int64("seeds", 1, "how many random nights to replay")
)

// night is a simulated night as the keeper lives it: messages through the intake
// into the engine and the ledger, a tick at every second, chores, answers.
type night struct {
	site    *site.Site
	prog    *lang.Program
	intake  *ingest.Intake
	engine  *rules.Engine
	ledger  *ledger.Ledger
	batch   ledger.Batch
	journal []alarm.Transition
	at      time.Time // of the last tick
}

func (n *night) take(trs []alarm.Transition) {
	n.journal = append(n.journal, trs...)
	n.batch.Transitions = append(n.batch.Transitions, trs...)
}

func (n *night) ticks(to time.Time) {
	for next := n.at.Add(time.Second); !next.After(to); next = next.Add(time.Second) {
		n.at = next
		n.take(n.engine.Tick(next))
	}
}

func (n *night) commit(t *testing.T) {
	t.Helper()
	if _, err := n.ledger.Commit(t.Context(), n.batch); err != nil {
		t.Fatal(err)
	}
	n.batch = ledger.Batch{}
}

// restart puts a new engine in the place of the old one, from the ledger.
func (n *night) restart(t *testing.T, now time.Time) {
	t.Helper()
	n.commit(t)
	ctx := t.Context()
	e := rules.New(n.site, n.prog)
	past := rules.Past{Readings: n.ledger.ReadingsByArrival(ctx, now.Add(-e.Memory())), WatchingSince: demo.Start}
	var errs [3]error
	var err error
	if past.Acts, err = n.ledger.Acts(ctx, time.Time{}); err != nil {
		t.Fatal(err)
	}
	past.ChoresDone, errs[0] = n.ledger.ChoresDone(ctx, now.AddDate(0, 0, -7))
	past.Standing, errs[1] = n.ledger.Standing(ctx)
	past.Occurrences, errs[2] = n.ledger.LastOccurrences(ctx)
	if err := errors.Join(errs[:]...); err != nil {
		t.Fatal(err)
	}
	if _, err := e.Rebuild(now, past); err != nil {
		t.Fatal(err)
	}
	n.engine = e
}

// lived lives a night with several troubles and returns what was said, with the
// ledger of it. A logger that had lost the network sends what it kept, late.
func lived(t *testing.T, seed int64, restartAt time.Duration) *night {
	t.Helper()
	c, prog, err := demo.Load(false, demo.Start)
	if err != nil {
		t.Fatal(err)
	}
	n := &night{site: c.Site, prog: prog, ledger: ledgertest.MustOpen(t), at: demo.Start}
	if n.intake, err = ingest.NewIntake(c.Site, ingest.Options{}); err != nil {
		t.Fatal(err)
	}
	n.engine = rules.New(c.Site, prog)
	if _, err := n.engine.Rebuild(demo.Start, rules.Past{WatchingSince: demo.Start}); err != nil {
		t.Fatal(err)
	}
	troubles := append(demo.DefaultTroubles(),
		sim.Trouble{Kind: sim.StandpipeUp, Where: "deep trough 1A", Start: 3*time.Hour + 10*time.Minute, Length: 30 * time.Minute},
		sim.Trouble{Kind: sim.StandpipeUp, Where: "trough 8", Start: 14*time.Hour + 5*time.Minute, Length: 20 * time.Minute}, // while it is cleaned, and after
		sim.Trouble{Kind: sim.PowerCut, Start: 12 * time.Hour, Length: 20 * time.Minute})
	m, err := sim.New(c.Site, sim.Options{Seed: seed, Start: demo.Start, Troubles: troubles})
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(uint64(seed), 3))
	var messages []ingest.Message
	for _, d := range m.Due(demo.Start.Add(16 * time.Hour)) {
		arrived := d.At.Add(30*time.Millisecond + time.Duration(rnd.IntN(900))*time.Millisecond)
		if since := d.At.Sub(demo.Start); d.Topic == "alderfork/deep-trough-1a" && since > 3*time.Hour && since < 4*time.Hour {
			arrived = demo.Start.Add(4*time.Hour + since - 3*time.Hour) // each a whole hour late
		}
		messages = append(messages, ingest.Message{Topic: d.Topic, Payload: d.Payload, QoS: 1, ArrivedAt: arrived})
	}
	slices.SortStableFunc(messages, func(a, b ingest.Message) int { return a.ArrivedAt.Compare(b.ArrivedAt) })
	answered, cleared := false, false
	cleaning := []act.Act{
		{ID: "1", Kind: act.CleaningStarted, At: demo.Start.Add(14 * time.Hour), By: "kim", Via: "page", Unit: "trough 8"},
		{ID: "2", Kind: act.CleaningFinished, At: demo.Start.Add(14*time.Hour + 10*time.Minute), By: "kim", Via: "page", Unit: "trough 8", Chore: "cleaning"},
	}
	for _, msg := range messages {
		since := msg.ArrivedAt.Sub(demo.Start)
		n.ticks(msg.ArrivedAt)
		if restartAt > 0 && since > restartAt {
			n.restart(t, msg.ArrivedAt)
			restartAt = 0
		}
		if !answered && since > 7*time.Hour+6*time.Minute {
			answered = true
			trs, err := n.engine.Acknowledge(msg.ArrivedAt, "low_flow/troughs/trough 3 flow", "kim")
			if err != nil {
				t.Fatal(err)
			}
			n.take(trs)
		}
		if !cleared && since > 15*time.Hour+30*time.Minute {
			cleared = true
			d := site.ChoreDone{Chore: "intake clearing", By: "rowan", At: msg.ArrivedAt}
			n.batch.ChoresDone = append(n.batch.ChoresDone, d)
			n.take(n.engine.ChoreDone(msg.ArrivedAt, d))
		}
		for len(cleaning) > 0 && !cleaning[0].At.After(msg.ArrivedAt) {
			a := cleaning[0]
			a.At = msg.ArrivedAt // nobody is so exact
			n.batch.Acts = append(n.batch.Acts, a)
			n.take(n.engine.Act(a.At, a))
			cleaning = cleaning[1:]
		}
		for _, o := range n.intake.Take(msg) {
			if o.Keep {
				n.batch.Readings = append(n.batch.Readings, o.Reading)
				n.take(n.engine.Reading(o.Reading.ArrivedAt, &o.Reading))
			}
		}
		if len(n.batch.Readings) > 5000 {
			n.commit(t)
		}
	}
	n.ticks(demo.Start.Add(16 * time.Hour))
	n.commit(t)
	return n
}

// input is what replay reads of the ledger.
func (n *night) input(t *testing.T) replay.Input {
	t.Helper()
	ctx := t.Context()
	in := replay.Input{Site: n.site, From: demo.Start, To: demo.Start.Add(16 * time.Hour), Since: demo.Start}
	var err, err2 error
	in.Chores, err = n.ledger.ChoresDone(ctx, time.Time{})
	in.Answers, err2 = n.ledger.JournalSince(ctx, time.Time{})
	var err3 error
	in.Acts, err3 = n.ledger.Acts(ctx, time.Time{})
	if err := errors.Join(err, err2, err3); err != nil {
		t.Fatal(err)
	}
	in.Streams = func(from, to time.Time) []replay.Stream {
		var all []replay.Stream
		for i := range n.site.Probes {
			all = append(all, n.ledger.Readings(ctx, n.site.Probes[i].ID, from, to))
		}
		return all
	}
	return in
}

// ofTheWater is the journal without notices of lots, as JSON, one transition a
// line. Times are cut to microseconds, as the ledger keeps them.
func ofTheWater(t *testing.T, trs []alarm.Transition) []string {
	t.Helper()
	var lines []string
	for _, tr := range trs {
		if tr.Kind == alarm.LotDue {
			continue
		}
		b, err := json.Marshal(tr)
		if err != nil {
			t.Fatal(err)
		}
		lines = append(lines, string(b))
	}
	return lines
}

// A live run, a live run with a restart in the middle, and a replay of what was
// stored give the same transitions, to the byte. The restart is at a time when no
// silence runs, which a restart counts anew (see rules.Engine.Rebuild).
func TestLiveRestartAndReplayAgree(t *testing.T) {
	for seed := range *seeds {
		live := lived(t, seed, 0)
		want := ofTheWater(t, live.journal)
		if len(want) < 100 {
			t.Errorf("seed %d: only %d transitions", seed, len(want))
		}
		restarted := lived(t, seed, 7*time.Hour+10*time.Minute)
		if d := cmp.Diff(want, ofTheWater(t, restarted.journal)); d != "" {
			t.Errorf("seed %d: (-live +restarted):\n%s", seed, d)
		}
		_, results, err := replay.Run(t.Context(), live.input(t), true, live.prog)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, ofTheWater(t, results[0].Transitions)); d != "" {
			t.Errorf("seed %d: (-live +replayed):\n%s", seed, d)
		}
		for _, w := range []string{"in the past", "being cleaned by kim"} {
			if !strings.Contains(strings.Join(want, "\n"), w) {
				t.Errorf("seed %d: nothing is %s", seed, w)
			}
		}
	}
}

// A replay that begins in the middle takes up the windows and delays of before,
// and raises what stood then.
func TestReplayFromTheMiddle(t *testing.T) {
	n := lived(t, 1, 0)
	in := n.input(t)
	in.From = demo.Start.Add(7*time.Hour + 10*time.Minute) // trough 3 has no flow
	_, results, err := replay.Run(t.Context(), in, false, n.prog)
	if err != nil {
		t.Fatal(err)
	}
	first := results[0].Occurrences[0]
	if first.Raised.Key != "low_flow/troughs/trough 3 flow" || first.Raised.At.Sub(in.From) > time.Minute || !first.Raised.Since.Before(in.From) || first.Returned.IsZero() || !first.Called {
		t.Errorf("first %+v", first)
	}
}

// What comes out of many streams in order of At is in order of arrival, whatever
// came late or with others.
func TestStreamsMergeByArrival(t *testing.T) {
	for seed := range uint64(20) {
		rnd := rand.New(rand.NewPCG(seed, 1))
		s, prog := &site.Site{Location: time.UTC}, &lang.Program{}
		var all []reading.Reading
		var streams []replay.Stream
		start := rulestest.Start
		for p := range 5 {
			id := reading.ProbeID(string(rune('a' + p)))
			s.Probes = append(s.Probes, site.Probe{ID: id, Quantity: reading.Flow, At: "u", Every: time.Minute})
			var of []reading.Reading
			late := time.Time{} // what is sampled before it arrives then
			for at := start; at.Before(start.Add(12 * time.Hour)); at = at.Add(time.Duration(rnd.IntN(120)) * time.Second) {
				r := reading.Reading{Probe: id, At: at, ArrivedAt: at.Add(time.Duration(rnd.IntN(3)) * time.Second), Value: 1, Flags: reading.DeviceTimed}
				switch {
				case rnd.IntN(100) == 0:
					late = at.Add(3 * time.Hour)
				case rnd.IntN(10) == 0:
					r.ArrivedAt = at.Add(-time.Duration(rnd.IntN(120)) * time.Second) // a clock that is ahead
				}
				if at.Before(late) && rnd.IntN(4) > 0 {
					r.ArrivedAt = late
				}
				of = append(of, r)
			}
			all = append(all, of...)
			streams = append(streams, replay.Slice(of))
		}
		slices.SortStableFunc(all, func(a, b reading.Reading) int {
			if c := a.ArrivedAt.Compare(b.ArrivedAt); c != 0 {
				return c
			}
			return a.At.Compare(b.At)
		})
		got, err := replay.Merge(streams)
		if err != nil {
			t.Fatal(err)
		}
		key := func(rs []reading.Reading) (out []string) {
			for _, r := range rs {
				out = append(out, r.ArrivedAt.Format(time.RFC3339Nano)+" "+r.At.Format(time.RFC3339Nano))
			}
			return out
		}
		if d := cmp.Diff(key(all), key(got)); d != "" {
			t.Fatalf("seed %d: (-want +got):\n%s", seed, d)
		}
		played, _, err := replay.Run(t.Context(), replay.Input{Site: s, Streams: func(_, _ time.Time) []replay.Stream { return streams }}, false, prog)
		if err != nil || played.Readings != len(all) {
			t.Errorf("seed %d: played %d of %d, %v", seed, played.Readings, len(all), err)
		}
	}
}

func TestReplayErrors(t *testing.T) {
	broken := errors.New("broken")
	n := 0
	s := &site.Site{Location: time.UTC, Probes: []site.Probe{{ID: "a", Quantity: reading.Flow, Every: time.Minute}}}
	stream := func(yield func(reading.Reading, error) bool) {
		for i := range 3 * 256 {
			at := rulestest.Start.Add(time.Duration(i) * time.Minute)
			if !yield(reading.Reading{Probe: "a", At: at, ArrivedAt: at}, nil) {
				return
			}
		}
		yield(reading.Reading{}, broken)
	}
	in := replay.Input{Site: s, From: rulestest.Start, Streams: func(_, _ time.Time) []replay.Stream { n++; return []replay.Stream{stream} }}
	if _, _, err := replay.Run(t.Context(), in, false, &lang.Program{}); !errors.Is(err, broken) {
		t.Errorf("error %v, want the stream's", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, _, err := replay.Run(ctx, in, false, &lang.Program{}); err == nil {
		t.Error("no error from a cancelled context")
	}
}

// occurrence makes one: minutes after the start it was raised and was over.
func occurrence(kind alarm.Kind, rule, probe string, raised, over int, prio alarm.Priority) replay.Occurrence {
	at := func(m int) time.Time { return rulestest.Start.Add(time.Duration(m) * time.Minute) }
	o := replay.Occurrence{Raised: alarm.Transition{
		Key: alarm.Key(string(kind) + "/" + rule + "/" + probe), Kind: kind, Rule: rule, RuleAt: "rules.hcl:" + string(rune('1'+len(rule)%9)), Probe: reading.ProbeID(probe), Unit: "trough 1",
		At: at(raised), From: alarm.Normal, To: alarm.Unacknowledged, Priority: prio, Trouble: "Trough 1: low flow", Detail: "20.0 L/min, setpoint 28.0 L/min",
	}, Called: prio == alarm.CallOut}
	if over > 0 {
		o.Returned = at(over)
	}
	return o
}

func TestCompare(t *testing.T) {
	const c = alarm.CallOut
	end := rulestest.Start.AddDate(0, 0, 7)
	of := func(os ...replay.Occurrence) *replay.Result { return &replay.Result{Occurrences: os} }
	tests := []struct {
		name string
		a, b *replay.Result
		want string // a pair each: A only, B only or both
	}{
		{"nothing", of(), of(), ""},
		{"the same, though the rule is called otherwise", of(occurrence(alarm.LowFlow, "x", "p", 10, 20, c)), of(occurrence(alarm.LowFlow, "y", "p", 12, 20, c)), "both"},
		{"another kind", of(occurrence(alarm.LowFlow, "x", "p", 10, 20, c)), of(occurrence(alarm.SilentProbe, "x", "p", 10, 20, c)), "A B"},
		{"another probe", of(occurrence(alarm.LowFlow, "x", "p", 10, 20, c)), of(occurrence(alarm.LowFlow, "x", "q", 10, 20, c)), "A B"},
		{"half an hour later, not overlapping", of(occurrence(alarm.LowFlow, "x", "p", 10, 20, c)), of(occurrence(alarm.LowFlow, "x", "p", 40, 50, c)), "both"},
		{"31 minutes later, not overlapping", of(occurrence(alarm.LowFlow, "x", "p", 10, 20, c)), of(occurrence(alarm.LowFlow, "x", "p", 41, 50, c)), "A B"},
		{"hours later, overlapping", of(occurrence(alarm.LowFlow, "x", "p", 10, 0, c)), of(occurrence(alarm.LowFlow, "x", "p", 400, 500, c)), "both"},
		{"one long against two short: the first is it", of(occurrence(alarm.LowFlow, "x", "p", 10, 300, c)), of(occurrence(alarm.LowFlow, "x", "p", 10, 20, c), occurrence(alarm.LowFlow, "x", "p", 100, 110, c)), "both B"},
		{"in order of the first raise", of(occurrence(alarm.LowFlow, "x", "p", 200, 210, c)), of(occurrence(alarm.LowFlow, "x", "q", 100, 110, c)), "B A"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got []string
			for _, p := range replay.Compare(tt.a, tt.b, end) {
				switch {
				case p.B == nil:
					got = append(got, "A")
				case p.A == nil:
					got = append(got, "B")
				default:
					got = append(got, "both")
				}
			}
			if s := strings.Join(got, " "); s != tt.want {
				t.Errorf("got %q, want %q", s, tt.want)
			}
		})
	}
}

func TestReport(t *testing.T) {
	s := rulestest.Site()
	hidden := occurrence(alarm.LowFlow, "troughs", "trough 2 flow", 900, 960, alarm.CallOut)
	hidden.Called, hidden.Raised.Hidden = false, "being cleaned by kim since 09:10"
	follows := occurrence(alarm.LowFlow, "troughs", "stack 1 flow", 1000, 1010, alarm.CallOut)
	follows.Called, follows.Raised.Cause = false, "low_flow/spring/spring flow"
	a := &replay.Result{Occurrences: []replay.Occurrence{
		occurrence(alarm.LowFlow, "troughs", "trough 1 flow", 10, 75, alarm.CallOut),
		occurrence(alarm.SilentProbe, "all", "spring flow", 100, 101, alarm.Morning),
		occurrence(alarm.LowFlow, "troughs", "trough 1 flow", 800, 802, alarm.CallOut), hidden, follows,
		occurrence(alarm.TemperatureBand, "eggs", "stack 1 temperature", 5000, 0, alarm.CallOut),
	}}
	b := &replay.Result{Occurrences: []replay.Occurrence{
		occurrence(alarm.LowFlow, "others", "trough 1 flow", 8, 80, alarm.Morning),
		occurrence(alarm.SilentProbe, "all", "spring flow", 100, 101, alarm.Morning),
		occurrence(alarm.LowOxygen, "new", "raceway 1 oxygen", 3000, 3010, alarm.CallOut),
		occurrence(alarm.TemperatureBand, "eggs", "stack 1 temperature", 5010, 5100, alarm.CallOut),
	}}
	played := replay.Played{
		From: rulestest.Start, To: rulestest.Start.AddDate(0, 0, 14), Readings: 1234567,
		Gaps: []replay.Gap{{From: rulestest.Start.Add(50 * time.Hour), To: rulestest.Start.Add(57 * time.Hour)}},
	}
	short := played
	short.To, short.Gaps = rulestest.Start.Add(14*time.Hour), nil
	tests := []struct {
		file   string
		report replay.Report
		csv    bool
	}{
		{"one.txt", replay.Report{Site: s, Played: played, A: a, NameA: "rules.hcl"}, false},
		{"compared.txt", replay.Report{Site: s, Played: played, A: a, B: b, NameA: "rules.hcl", NameB: "new.hcl"}, false},
		{"compared.csv", replay.Report{Site: s, Played: played, A: a, B: b, NameA: "rules.hcl", NameB: "new.hcl"}, true},
		{"nothing.txt", replay.Report{Site: s, Played: short, A: &replay.Result{}, NameA: "rules.hcl"}, false},
	}
	for _, tt := range tests {
		t.Run(tt.file, func(t *testing.T) {
			var b strings.Builder
			write := tt.report.Write
			if tt.csv {
				write = tt.report.WriteCSV
			}
			if err := write(&b); err != nil {
				t.Fatal(err)
			}
			golden(t, tt.file, b.String())
		})
	}
}

func golden(t *testing.T, file, got string) {
	t.Helper()
	path := filepath.Join("testdata", file)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("%s (-want +got):\n%s", file, d)
	}
}
