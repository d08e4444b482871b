package replay

import (
	"context"
	"errors"
	"iter"
	"slices"
	"time"

	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// Input is what was, from the record or a file.
type Input struct {
	Site *site.Site
	// From and To bound what is played, by arrival: half-open. Zero is where
	// the readings begin or end.
	From, To time.Time
	// Streams gives one stream a probe, in the order of the site file, with
	// the readings of from <= At < to.
	Streams func(from, to time.Time) []Stream
	// Chores, Acts, Answers and Entries may begin before From; what lies before it
	// counts as known at the start. Answers are the journal's transitions;
	// those that a person made are used.
	Chores  []site.ChoreDone
	Acts    []act.Act
	Answers []alarm.Transition
	Entries []book.Entry
	// Since is when the record began; zero: at From.
	Since time.Time
}

// Occurrence is one raise of an alarm and its end.
type Occurrence struct {
	// Raised is the transition that raised it.
	Raised alarm.Transition
	// Returned is when the trouble was over; zero: it stood at the end.
	Returned time.Time
	// Called: it called somebody out, at once or when what hid it was over.
	Called bool
}

// Lasted is how long the trouble stood, up to the end of what was played.
func (o *Occurrence) Lasted(to time.Time) time.Duration {
	if !o.Returned.IsZero() {
		to = o.Returned
	}
	return to.Sub(o.Raised.At)
}

// Result is what one set of rules made of it.
type Result struct {
	// Occurrences in the order in which they were raised; notices of lots are
	// not among them.
	Occurrences []Occurrence
	// Transitions are all there were, if they were asked for.
	Transitions []alarm.Transition
}

// Played says what was played.
type Played struct {
	From, To time.Time
	Readings int
	// Gaps are the longest stretches without any reading, longest first.
	Gaps []Gap
}

// Gap is a stretch without any reading.
type Gap struct{ From, To time.Time }

// gap is the least stretch that is told: a probe that is silent for less is
// nothing to the usual rules.
const gap = 15 * time.Minute

// stale is how much older than its arrival a reading may be and still be played.
const stale = 7 * 24 * time.Hour

// event is anything but a reading.
type event struct {
	at    time.Time
	apply func(e *rules.Engine) []alarm.Transition
}

// player is one engine and what it has said.
type player struct {
	engine *rules.Engine
	last   time.Time // of the newest event; a tick at that second came before it
	result *Result
	open   map[alarm.Key]int // the newest occurrence not returned
	keep   bool
}

// Run plays the input to an engine for each program, reading it once. keep
// keeps all transitions. Errors: those of the streams, and ctx's.
func Run(ctx context.Context, in Input, keep bool, programs ...*lang.Program) (Played, []Result, error) {
	if err := in.bound(); err != nil {
		return Played{}, nil, err
	}
	results := make([]Result, len(programs))
	players := make([]*player, len(programs))
	for i, prog := range programs {
		players[i] = &player{engine: rules.New(in.Site, prog), result: &results[i], open: make(map[alarm.Key]int), keep: keep, last: in.From}
		if err := players[i].start(ctx, in); err != nil {
			return Played{}, nil, err
		}
	}
	played, err := play(ctx, in, players)
	return played, results, err
}

// forever is after all readings.
var forever = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// bound finds the beginning where none is given.
func (in *Input) bound() error {
	if in.To.IsZero() {
		in.To = forever
	}
	if !in.From.IsZero() {
		return nil
	}
	m, err := newMerger(in.Streams(time.Time{}, in.To))
	if err != nil {
		return err
	}
	defer m.close()
	if r := m.front(); r != nil {
		in.From = r.ArrivedAt.Truncate(time.Second)
	}
	return nil
}

// start brings an engine to where it would have stood at From, every alarm
// normal.
func (p *player) start(ctx context.Context, in Input) error {
	if len(in.Entries) > 0 {
		p.setBook(in, in.From)
	}
	past := rules.Past{WatchingSince: in.Since}
	if past.WatchingSince.IsZero() {
		past.WatchingSince = in.From
	}
	for _, d := range in.Chores {
		if d.At.Before(in.From) && d.At.After(in.From.AddDate(0, 0, -7)) {
			past.ChoresDone = append(past.ChoresDone, d)
		}
	}
	for _, a := range in.Acts {
		if a.At.Before(in.From) {
			past.Acts = append(past.Acts, a)
		}
	}
	past.Readings = byArrival(ctx, in.Streams(in.From.Add(-p.engine.Memory()-ahead), in.From), in.From.Add(-p.engine.Memory()), in.From)
	_, err := p.engine.Rebuild(in.From, past)
	return err
}

// setBook gives the engine the book of what was written by a time.
func (p *player) setBook(in Input, at time.Time) {
	var known []book.Entry
	for _, e := range in.Entries {
		if !e.RecordedAt.After(at) {
			known = append(known, e)
		}
	}
	p.engine.SetBook(book.New(known, p.engine.BookOptions()))
}

// byArrival merges streams into what arrived from a time on and before another.
func byArrival(ctx context.Context, streams []Stream, since, before time.Time) iter.Seq2[reading.Reading, error] {
	return func(yield func(reading.Reading, error) bool) {
		m, err := newMerger(streams)
		if err != nil {
			yield(reading.Reading{}, err)
			return
		}
		defer m.close()
		for r := m.front(); r != nil; r = m.front() {
			if !r.ArrivedAt.Before(before) || !r.ArrivedAt.Before(since) && !yield(*r, nil) {
				return
			}
			if err := errors.Join(m.advance(), ctx.Err()); err != nil {
				yield(reading.Reading{}, err)
				return
			}
		}
	}
}

func (in Input) events() []event {
	var all []event
	for _, d := range in.Chores {
		all = append(all, event{d.At, func(e *rules.Engine) []alarm.Transition { return e.ChoreDone(d.At, d) }})
	}
	for _, a := range in.Acts {
		all = append(all, event{a.At, func(e *rules.Engine) []alarm.Transition { return e.Act(a.At, a) }})
	}
	for _, t := range in.Answers {
		if t.By == "" || t.To != alarm.Acknowledged && t.To != alarm.Normal {
			continue
		}
		all = append(all, event{t.At, func(e *rules.Engine) []alarm.Transition {
			trs, err := e.Acknowledge(t.At, t.Key, t.By)
			if err != nil {
				return nil // other rules had nothing to answer
			}
			return trs
		}})
	}
	all = slices.DeleteFunc(all, func(e event) bool { return e.at.Before(in.From) || !e.at.Before(in.To) })
	slices.SortStableFunc(all, func(a, b event) int { return a.at.Compare(b.at) })
	return all
}

// written are the times at which the lots' record grew in the range.
func (in Input) written() []time.Time {
	var at []time.Time
	for _, e := range in.Entries {
		if e.RecordedAt.After(in.From) && e.RecordedAt.Before(in.To) {
			at = append(at, e.RecordedAt)
		}
	}
	slices.SortFunc(at, time.Time.Compare)
	return slices.CompactFunc(at, time.Time.Equal)
}

func play(ctx context.Context, in Input, players []*player) (Played, error) {
	m, err := newMerger(in.Streams(in.From.Add(-stale), in.To))
	if err != nil {
		return Played{}, err
	}
	defer m.close()
	played := Played{From: in.From}
	events, written := in.events(), in.written()
	last := in.From
	others := func(upTo time.Time) {
		for len(events) > 0 || len(written) > 0 {
			if len(written) > 0 && (len(events) == 0 || !events[0].at.Before(written[0])) {
				if at := written[0]; at.After(upTo) {
					return
				} else {
					for _, p := range players {
						p.pass(at)
						p.setBook(in, at)
						p.last = at
					}
				}
				written = written[1:]
				continue
			}
			if events[0].at.After(upTo) {
				return
			}
			for _, p := range players {
				p.pass(events[0].at)
				p.take(events[0].apply(p.engine))
				p.last = events[0].at
			}
			events = events[1:]
		}
	}
	for r := m.front(); r != nil; r = m.front() {
		now := r.ArrivedAt
		if now.Before(in.From) || !now.Before(in.To) {
			if err := m.advance(); err != nil {
				return played, err
			}
			continue
		}
		others(now)
		if d := now.Sub(last); d >= gap {
			played.Gaps = append(played.Gaps, Gap{last, now})
		}
		last = now
		played.Readings++
		for _, p := range players {
			p.pass(now)
			p.take(p.engine.Reading(now, r))
			p.last = now
		}
		if played.Readings%chunk == 0 {
			if err := ctx.Err(); err != nil {
				return played, err
			}
		}
		if err := m.advance(); err != nil {
			return played, err
		}
	}
	if in.To.Equal(forever) {
		in.To = last
	}
	played.To = in.To
	if d := in.To.Sub(last); d >= gap {
		played.Gaps = append(played.Gaps, Gap{last, in.To})
	}
	others(in.To)
	for _, p := range players {
		p.pass(in.To)
	}
	slices.SortStableFunc(played.Gaps, func(a, b Gap) int { return int(b.To.Sub(b.From)/time.Second) - int(a.To.Sub(a.From)/time.Second) })
	return played, nil
}

// pass ticks the engine at the whole seconds up to a time at which something may
// change.
func (p *player) pass(to time.Time) {
	for {
		due := p.engine.Due()
		if due.After(to) {
			return
		}
		at := due.Truncate(time.Second)
		if at.Before(due) {
			at = at.Add(time.Second)
		}
		if !at.After(p.last) {
			at = p.last.Truncate(time.Second).Add(time.Second)
		}
		if at.After(to) {
			return
		}
		p.last = at
		p.take(p.engine.Tick(at))
	}
}

// take files what the engine said.
func (p *player) take(trs []alarm.Transition) {
	for _, t := range trs {
		if p.keep {
			p.result.Transitions = append(p.result.Transitions, t)
		}
		if t.Kind == alarm.LotDue {
			continue
		}
		calls := t.To == alarm.Unacknowledged && t.Priority == alarm.CallOut && t.Hidden == "" && t.Cause == ""
		switch {
		case t.Raised():
			p.open[t.Key] = len(p.result.Occurrences)
			p.result.Occurrences = append(p.result.Occurrences, Occurrence{Raised: t, Called: calls})
		case t.Returned():
			if i, ok := p.open[t.Key]; ok {
				p.result.Occurrences[i].Returned = t.At
				delete(p.open, t.Key)
			}
		case calls:
			if i, ok := p.open[t.Key]; ok {
				p.result.Occurrences[i].Called = true
			}
		}
	}
}
