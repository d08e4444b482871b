package faultbench

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/ingest"
	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// life is a stretch of simulated time in front of an engine.
type life struct {
	site     *site.Site
	prog     *lang.Program
	seed     int64
	start    time.Time
	length   time.Duration
	troubles []sim.Trouble
	// forget leaves the cleaning of this unit out, "" for none.
	forget string
	// gone, if set, is when the broker is gone.
	gone struct{ from, to time.Duration }
	// cleaning is when standpipes are up for cleaning, known once it lives.
	cleaning []sim.Trouble
	// look is called every half minute with the true water.
	look func(now time.Time, m *sim.Model)
}

// heard is a transition, and whether it calls somebody out.
type heard struct {
	alarm.Transition
	calls bool
}

// gather is how long what calls out is gathered into one call-out, as the demo's
// site has it.
const gather = 2 * time.Minute

// callOuts is how often somebody is called out: what comes within the time that
// call-outs are gathered is one.
func callOuts(said []heard) (n int) {
	var first time.Time
	for _, h := range said {
		if h.calls && (n == 0 || h.At.Sub(first) > gather) {
			n, first = n+1, h.At
		}
	}
	return n
}

// live runs it and returns what was said of the water, probes and chores.
func (l *life) live() ([]heard, error) {
	rnd := rand.New(rand.NewPCG(uint64(l.seed), 77))
	end := l.start.Add(l.length)
	acts, chores := l.work(rnd)
	m, err := sim.New(l.site, sim.Options{Seed: l.seed, Start: l.start, Troubles: append(slices.Clone(l.troubles), l.cleaning...)})
	if err != nil {
		return nil, err
	}
	in, err := ingest.NewIntake(l.site, ingest.Options{})
	if err != nil {
		return nil, err
	}
	e := rules.New(l.site, l.prog)
	if _, err := e.Rebuild(l.start, rules.Past{WatchingSince: l.start}); err != nil {
		return nil, err
	}
	var said []heard
	calling := make(map[alarm.Key]bool)
	take := func(trs []alarm.Transition) {
		for _, t := range trs {
			if t.Kind == alarm.LotDue {
				continue
			}
			// What follows from a cause is told with it.
			calls := t.To == alarm.Unacknowledged && t.Priority == alarm.CallOut && t.Hidden == "" && (t.Cause == "" || calling[t.Cause])
			calling[t.Key] = calls
			said = append(said, heard{t, calls})
		}
	}
	last := l.start
	pass := func(to time.Time) {
		for {
			at := e.Due().Truncate(time.Second)
			if at.Before(e.Due()) {
				at = at.Add(time.Second)
			}
			if !at.After(last) {
				at = last.Truncate(time.Second).Add(time.Second)
			}
			if at.After(to) {
				return
			}
			last = at
			take(e.Tick(at))
		}
	}
	take(e.Health(l.start, rules.Broker, true, ""))
	if l.gone.to > 0 {
		for _, h := range []struct {
			at time.Duration
			ok bool
		}{{l.gone.from, false}, {l.gone.to, true}} {
			chores = append(chores, event{at: l.start.Add(h.at), do: func(now time.Time) []alarm.Transition {
				return e.Health(now, rules.Broker, h.ok, "connection refused")
			}})
		}
	}
	for _, a := range acts {
		chores = append(chores, event{at: a.At, do: func(now time.Time) []alarm.Transition { return e.Act(now, a) }})
	}
	for i := range chores {
		if d := chores[i].done; d != nil {
			chores[i].do = func(now time.Time) []alarm.Transition { return e.ChoreDone(now, *d) }
		}
	}
	slices.SortStableFunc(chores, func(a, b event) int { return a.at.Compare(b.at) })
	deaf := make(map[string]time.Time) // topics that are not heard until then
	for now := l.start; now.Before(end); {
		now = now.Add(30 * time.Second)
		for _, d := range m.Due(now) {
			for len(chores) > 0 && !chores[0].at.After(d.At) {
				pass(chores[0].at)
				take(chores[0].do(chores[0].at))
				last = chores[0].at
				chores = chores[1:]
			}
			if rnd.IntN(100) == 0 || d.At.Before(deaf[d.Topic]) {
				continue // lost on the radio
			}
			if rnd.IntN(20000) == 0 {
				deaf[d.Topic] = d.At.Add(4 * time.Minute)
			}
			pass(d.At)
			for _, o := range in.Take(ingest.Message{Topic: d.Topic, Payload: d.Payload, QoS: 1, ArrivedAt: d.At}) {
				if o.Keep {
					take(e.Reading(o.Reading.ArrivedAt, &o.Reading))
					last = o.Reading.ArrivedAt
				}
			}
		}
		pass(now)
		if l.look != nil {
			l.look(now, m)
		}
	}
	return said, nil
}

// event is something people do, or a part of the daemon says.
type event struct {
	at   time.Time
	do   func(now time.Time) []alarm.Transition
	done *site.ChoreDone
}

// work is what the keepers do each day: every chore in good time, and cleaning
// by starting and finishing it, with the standpipe up for as long.
func (l *life) work(rnd *rand.Rand) (acts []act.Act, done []event) {
	id := 0
	for day := l.start.In(l.site.Location).AddDate(0, 0, -1); day.Before(l.start.Add(l.length + 48*time.Hour)); day = day.AddDate(0, 0, 1) {
		for i := range l.site.Chores {
			c := &l.site.Chores[i]
			units := c.Units
			if len(units) == 0 {
				units = []string{""}
			}
			for _, by := range c.By {
				due := time.Date(day.Year(), day.Month(), day.Day(), 0, by, 0, 0, l.site.Location).UTC()
				for _, u := range units {
					at := due.Add(-time.Duration(10+rnd.IntN(140)) * time.Minute)
					length := time.Duration(4+rnd.IntN(6)) * time.Minute
					if at.Before(l.start.Add(time.Minute)) || c.Name == "cleaning" && u == l.forget && u != "" {
						continue
					}
					if c.Name != "cleaning" || !flows(l.site, u) {
						done = append(done, event{at: at, done: &site.ChoreDone{Chore: c.Name, Unit: u, By: "kim", At: at}})
						continue
					}
					id += 2
					acts = append(acts,
						act.Act{ID: fmt.Sprint(id), Kind: act.CleaningStarted, At: at, By: "kim", Via: "page", Unit: u},
						act.Act{ID: fmt.Sprint(id + 1), Kind: act.CleaningFinished, At: at.Add(length), By: "kim", Via: "page", Unit: u, Chore: c.Name})
					l.cleaning = append(l.cleaning, sim.Trouble{Kind: sim.StandpipeUp, Where: u, Start: at.Add(time.Minute).Sub(l.start), Length: length - time.Minute})
				}
			}
		}
	}
	return acts, done
}

func flows(s *site.Site, unit string) bool {
	u, ok := s.Unit(unit)
	return ok && u.Kind != site.Spring && u.Kind != site.HeadBox
}

// probesAt are the probes of a quantity in units of some kinds.
func probesAt(s *site.Site, q reading.Quantity, kinds ...site.Kind) (out []*site.Probe) {
	for i := range s.Probes {
		p := &s.Probes[i]
		if u, ok := s.Unit(p.At); ok && p.Quantity == q && (len(kinds) == 0 || slices.Contains(kinds, u.Kind)) {
			out = append(out, p)
		}
	}
	return out
}
