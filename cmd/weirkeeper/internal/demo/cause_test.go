package demo_test

import (
	"flag"
	"fmt"
	"iter"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/config"
	"weirkeeper/ingest/payload"
	"weirkeeper/notify"
	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

var causeSeeds = flag.Int64("cause-seeds", 1, "in how many hatcheries the spring fails")

// thirty is the starter site grown to thirty units with stock, by the starter
// rules. The spring's flow is read every so often.
func thirty(t *testing.T, springEvery time.Duration) (*site.Site, *lang.Program) {
	t.Helper()
	files := hclread.NewFiles()
	c, _, err := config.Load(files, "alderfork.hcl", config.Options{Now: dusk})
	if err != nil {
		t.Fatal(err)
	}
	s := c.Site
	for i := 7; i <= 11; i++ {
		like, _ := s.Unit("stack 6")
		u := *like
		u.Name = fmt.Sprintf("stack %d", i)
		s.Units = append(s.Units, u)
		for _, q := range []reading.Quantity{reading.Flow, reading.Temperature} {
			like, ok := s.ProbeAt("stack 6", q)
			if !ok {
				t.Fatalf("stack 6 has no probe of %v", q)
			}
			p := *like
			p.ID, p.At = reading.ProbeID(u.Name+" "+q.String()), u.Name
			p.Topic = strings.Replace(p.Topic, "6", fmt.Sprint(i), 1)
			s.Probes = append(s.Probes, p)
		}
	}
	spring, _ := s.ProbeAt("spring", reading.Flow)
	// It speaks for itself, not with the spring's other probes.
	*spring = site.Probe{
		ID: spring.ID, Quantity: spring.Quantity, At: spring.At, Topic: "alderfork/spring/flow alone", Format: site.Number,
		Unit: spring.Unit, Low: spring.Low, High: spring.High, Every: springEvery,
	}
	text, err := os.ReadFile("alderfork-rules.hcl")
	if err != nil {
		t.Fatal(err)
	}
	if springEvery > time.Minute {
		text = []byte(strings.Replace(string(text), `after      = "8 min"`, `after      = "30 min"`, 1))
	}
	prog, diags := lang.Parse(files, []lang.Source{{Name: "alderfork-rules.hcl", Text: text}}, s)
	if diags.HasErrors() {
		t.Fatal(diags)
	}
	stocked := 0
	for _, u := range s.Units {
		if u.Kind != site.Spring && u.Kind != site.HeadBox {
			stocked++
		}
	}
	if stocked != 30 {
		t.Fatalf("%d units with stock", stocked)
	}
	return s, prog
}

// house is a hatchery at night with engine, router and record.
type house struct {
	t        *testing.T
	site     *site.Site
	prog     *lang.Program
	engine   *rules.Engine
	router   *notify.Router
	ids      int
	readings []reading.Reading
	journal  []alarm.Transition
	messages []callout.Message
}

func (h *house) start(now time.Time) {
	h.engine = rules.New(h.site, h.prog)
	h.router = notify.NewRouter(notify.Policy{
		Gather: 2 * time.Minute, Repeat: 15 * time.Minute, Expire: 24 * time.Hour, MorningMinute: 7 * 60,
		Location: time.UTC, SiteName: h.site.Name, Units: h.site.Units,
	}, []notify.Person{byMail("kim"), byMail("rowan")},
		notify.Source{ID: func(time.Time) string { h.ids++; return fmt.Sprint(h.ids) }})
	past := rules.Past{WatchingSince: dusk, Occurrences: map[alarm.Key]uint64{}}
	newest := map[alarm.Key]alarm.Transition{}
	for _, tr := range h.journal {
		newest[tr.Key] = tr
		past.Occurrences[tr.Key] = tr.Occurrence
		if !tr.At.Before(now.Add(-rules.Recent)) {
			past.Recent = append(past.Recent, tr)
		}
	}
	for _, tr := range h.journal {
		if n := newest[tr.Key]; n.To != alarm.Normal && n.At.Equal(tr.At) && n.To == tr.To && n.From == tr.From && n.Cause == tr.Cause {
			past.Standing = append(past.Standing, tr)
		}
	}
	past.Readings = lately(h.readings, now.Add(-h.engine.Memory()))
	if _, err := h.engine.Rebuild(now, past); err != nil {
		h.t.Fatal(err)
	}
	h.router.Restore(h.journal, past.Standing, h.messages)
}

func lately(rs []reading.Reading, since time.Time) iter.Seq2[reading.Reading, error] {
	return func(yield func(reading.Reading, error) bool) {
		for _, r := range rs {
			if !r.ArrivedAt.Before(since) && !yield(r, nil) {
				return
			}
		}
	}
}

func (h *house) took(now time.Time, trs []alarm.Transition) {
	for _, tr := range trs {
		h.journal = append(h.journal, tr)
		h.router.Observe(tr)
	}
	if len(trs) > 0 {
		h.due(now)
	}
}

func (h *house) due(now time.Time) {
	h.messages = append(h.messages, h.router.Due(now, notify.Look{Current: func(k alarm.Key) string { return h.engine.Detail(now, k) }})...)
}

// springFails runs a night in which the spring fails after half an hour, and
// restarts engine and router at the times given.
func springFails(t *testing.T, seed int64, trouble string, springEvery, length time.Duration, restarts ...time.Duration) *house {
	t.Helper()
	s, prog := thirty(t, springEvery)
	tr, err := sim.ParseTrouble(trouble)
	if err != nil {
		t.Fatal(err)
	}
	m, err := sim.New(s, sim.Options{Seed: seed, Start: dusk, Troubles: []sim.Trouble{tr}})
	if err != nil {
		t.Fatal(err)
	}
	byTopic := make(map[string][]site.Probe)
	for _, p := range s.Probes {
		byTopic[p.Topic] = append(byTopic[p.Topic], p)
	}
	decoders := make(map[string]*payload.Decoder)
	for topic, probes := range byTopic {
		if decoders[topic], err = payload.NewDecoder(probes); err != nil {
			t.Fatal(err)
		}
	}
	h := &house{t: t, site: s, prog: prog}
	h.start(dusk)
	for now := dusk; !now.After(dusk.Add(length)); now = now.Add(10 * time.Second) {
		for _, due := range m.Due(now) {
			samples, err := decoders[due.Topic].Decode(due.Payload, due.At)
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range samples {
				r := reading.Reading{Probe: p.Probe, At: due.At, ArrivedAt: due.At, Value: p.Value}
				h.readings = append(h.readings, r)
				h.took(due.At, h.engine.Reading(due.At, &r))
			}
		}
		if slices.Contains(restarts, now.Sub(dusk)) {
			h.start(now)
		}
		h.took(now, h.engine.Tick(now))
		h.due(now)
	}
	return h
}

// told is what one person is told, without the morning round.
func (h *house) told(person string) (all []callout.Message) {
	for _, m := range h.messages {
		if m.Person == person && m.Reason != callout.MorningRound {
			all = append(all, m)
		}
	}
	return all
}

func lines(ms []callout.Message) []string {
	var out []string
	for _, m := range ms {
		out = append(out, fmt.Sprintf("%v %s %s", m.CreatedAt.Sub(dusk), m.Reason, m.Subject))
	}
	return out
}

// The spring stops, thirty units run dry: each person gets one call-out, which
// names the spring and counts the rest, and repeats of it; a restart in the
// middle changes nothing.
func TestSpringFailureIsOneCallOut(t *testing.T) {
	for seed := range 2 * *causeSeeds {
		fails := []string{"spring-fail@30m/2m/100%", "spring-fail@30m/40m/100%"}[seed%2]
		plain := springFails(t, seed, fails, 15*time.Second, 100*time.Minute)
		low := make(map[string]bool)
		for _, tr := range plain.journal {
			if tr.Raised() && tr.Kind == alarm.LowFlow && tr.Unit != "spring" {
				low[tr.Unit] = true
				if tr.Cause == "" {
					t.Errorf("seed %d: %s follows from nothing", seed, tr.Key)
				}
			}
		}
		if len(low) != 30 {
			t.Errorf("seed %d: %d units low on flow", seed, len(low))
		}
		for _, person := range []string{"kim", "rowan"} {
			told := plain.told(person)
			for i, m := range told {
				if (m.Reason == callout.First) != (i == 0) || !strings.HasPrefix(m.Subject, "Spring: low flow") {
					t.Errorf("seed %d: %s was told %q", seed, person, lines(told))
					break
				}
			}
			last := told[len(told)-1]
			if !strings.Contains(last.Subject, "30 units below it") || !strings.Contains(strings.Join(strings.Fields(last.Text), " "), "What follows from it: 30 units low on flow: ") {
				t.Errorf("seed %d: %s was told %q", seed, person, lines(told))
			}
		}
		rnd := rand.New(rand.NewPCG(uint64(seed), 1))
		for range 3 {
			at := 30*time.Minute + time.Duration(rnd.IntN(360))*10*time.Second
			again := springFails(t, seed, fails, 15*time.Second, 100*time.Minute, at)
			if d := cmp.Diff(lines(plain.told("kim")), lines(again.told("kim"))); d != "" {
				t.Errorf("seed %d, restarted after %v (-without +with):\n%s", seed, at, d)
			}
		}
	}
}

// The units tell of it before the spring, whose probe is slow: whoever was told
// of a unit is told of the cause once, not of thirty units one after the other.
func TestUnitsBeforeTheirSpring(t *testing.T) {
	for seed := range *causeSeeds {
		h := springFails(t, seed, "spring-fail@30m/5m/100%", 10*time.Minute, 90*time.Minute)
		told := h.told("kim")
		fresh, before := 0, 0
		for _, m := range told {
			if m.Reason != callout.First {
				continue
			}
			fresh++
			if !strings.Contains(m.Subject, "units below it") {
				before++
			}
		}
		if before > 1 || fresh > 3 || fresh == 0 {
			t.Errorf("seed %d: told %q", seed, lines(told))
		}
		last := told[len(told)-1]
		if !strings.HasPrefix(last.Subject, "Spring: low flow") || !strings.Contains(last.Subject, "30 units below it") {
			t.Errorf("seed %d: told %q", seed, lines(told))
		}
	}
}

func byMail(name string) notify.Person {
	return notify.Person{Name: name, Reach: []callout.Reach{{Way: callout.Email, Address: name + "@alderfork.example"}}}
}
