package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/clock"
	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/ingest"
	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/series"
	"weirkeeper/notify"
	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
)

// Bounds of the keeper.
const (
	// queueLen is how many messages wait between the broker and the keeper.
	// When it is full the broker's reader waits.
	queueLen = 1024
	// batchRows is how many readings are committed together at most while
	// all is well; it bounds the time of a commit.
	batchRows = 2000
	// holdRows is how many readings are held in memory while the ledger
	// cannot be written; beyond it the oldest are lost, and counted.
	holdRows = 50_000
	// holdAcks is how long a ledger that cannot be written holds back the
	// acknowledgements. After that they are given all the same: without them
	// the broker would soon send nothing more, and nobody would be called out
	// for water that runs dry while the disk is full. It is the one case in
	// which what was acknowledged may be lost.
	holdAcks = 30 * time.Second
	// quiet is how long after the last message a batch waits for more, and
	// full the longest it waits at all. Longer costs latency and spares the
	// disk.
	quiet = 15 * time.Millisecond
	full  = 200 * time.Millisecond
	// retryCommit is the pause after a commit that failed.
	retryCommit = time.Second
	// recountEvery is how often a lot that got an older reading is counted
	// again.
	recountEvery = time.Minute
)

// keeper is the one goroutine that owns the engine.
type keeper struct {
	site    *site.Site
	engine  *rules.Engine
	program atomic.Pointer[lang.Program] // that the engine runs
	router  *notify.Router
	intake  *ingest.Intake
	ledger  *ledger.Ledger
	history *series.Store
	clock   clock.Clock
	wall    *wall
	outbox  *outbox
	dir     string // the data folder
	log     *slog.Logger
	metrics *metrics

	in       chan ingest.Message
	commands chan func(now time.Time)
	mail     chan struct{} // wakes the sender
	closed   chan struct{} // run has returned
	needRoom chan struct{} // tells the history that the disk is nearly full

	entries   []book.Entry             // of the lots' record, the site file's first
	lastEntry int64                    // the highest number among them
	countSoon bool                     // spans wait to be counted, not for the next minute's turn
	uncounted map[rules.Span]time.Time // when counting them failed, lately
	needYear  chan struct{}            // tells the history that last year's water is wanted
	hasYear   map[string]bool          // units whose water of last year the engine has

	batch     ledger.Batch
	acks      []func()
	replies   []func(error)
	urgent    bool // a person waits for this batch
	failing   bool
	failedAt  time.Duration // by the steady clock
	diskAt    time.Time
	recounted time.Time
	badLog    map[string]badSample
	presses   map[string]press // by button
	answers   *answers
	linked    map[string]bool // see DoneHere

	steadyAt       time.Time    // when the clock counts as steady again; zero: nothing is waited for
	untrustedSince int64        // the ledger's sequence number when the clock went wrong
	corrections    []correction // to be made
	sure           atomic.Bool  // see timesAreSure

	parts parts // taken at ticks

	life context.Context // of the whole daemon, for what no caller's bounds

	house     *house
	drills    drills
	mailBeats *mailBeats

	status atomic.Pointer[status.Status]
	beat   atomic.Int64 // clock time of the last tick, Unix microseconds
}

// run judges until ctx ends, then takes what is already queued, commits and
// returns. Errors: a corrupt ledger; a last commit that failed.
func (k *keeper) run(ctx context.Context, tick clock.Ticker) error {
	defer tick.Stop()
	defer close(k.closed)
	flush := time.NewTimer(0)
	defer flush.Stop()
	armed := time.Time{} // when the batch must go at the latest
	for {
		select {
		case m := <-k.in:
			k.watchClock(ctx)
			k.take(m)
		case <-tick.C():
			k.watchClock(ctx)
			if err := k.tick(ctx, k.now()); err != nil {
				return err
			}
		case c := <-k.commands:
			k.watchClock(ctx)
			c(k.now())
		case <-flush.C:
			armed = time.Time{}
			if err := k.commit(ctx); err != nil {
				return err
			}
			if k.failing {
				armed = time.Now()
				flush.Reset(retryCommit)
			}
			continue
		case <-ctx.Done():
			return k.finish(context.WithoutCancel(ctx))
		}
		switch {
		case !k.pending() || k.failing:
		case k.urgent || len(k.batch.Readings) >= batchRows:
			armed = time.Time{}
			flush.Reset(0)
		case armed.IsZero():
			armed = time.Now()
			flush.Reset(quiet)
		default:
			flush.Reset(max(0, min(quiet, full-time.Since(armed))))
		}
	}
}

// finish drains the queue and commits for the last time.
func (k *keeper) finish(ctx context.Context) error {
	for {
		select {
		case m := <-k.in:
			k.take(m)
		case c := <-k.commands:
			c(k.now())
		default:
			if err := k.commit(ctx); err != nil {
				return err
			}
			if k.failing {
				return errors.New("daemon: the last batch could not be stored; what was not acknowledged will come again from the broker")
			}
			return nil
		}
	}
}

// now is the time as the record keeps it.
func (k *keeper) now() time.Time { return k.wall.now() }

func (k *keeper) pending() bool {
	b := &k.batch
	return len(b.Readings)+len(b.Transitions)+len(b.ChoresDone)+len(b.LotEntries)+len(b.Acts)+len(b.Messages)+len(b.Inbox)+len(k.acks)+len(k.replies) > 0
}

// take judges one message from the broker. It arrives now, in the order of
// everything else that the keeper does.
func (k *keeper) take(m ingest.Message) {
	m.ArrivedAt = k.now()
	if k.pressed(m) || k.house != nil && k.house.hears(m.ArrivedAt, m) {
		if m.Ack != nil {
			k.acks = append(k.acks, m.Ack)
		}
		return
	}
	for _, o := range k.intake.Take(m) {
		k.metrics.readings.WithLabelValues(string(o.Result)).Inc()
		if o.Err != nil {
			k.sample(m, o)
		}
		if !o.Keep {
			continue
		}
		if len(k.batch.Readings) >= holdRows {
			k.metrics.lost.Inc() // see holdRows
			k.batch.Readings = k.batch.Readings[1:]
		}
		k.batch.Readings = append(k.batch.Readings, o.Reading)
		k.observe(k.engine.Reading(o.Reading.ArrivedAt, &o.Reading))
	}
	if m.Ack != nil {
		k.acks = append(k.acks, m.Ack)
	}
}

type badSample struct {
	logged time.Time
	count  int
}

// badEvery is how often the same trouble with payloads is logged.
const badEvery = time.Minute

// sample logs a bad message, at most once a minute per probe and result.
func (k *keeper) sample(m ingest.Message, o ingest.Outcome) {
	key := string(o.Probe) + "/" + string(o.Result)
	s := k.badLog[key]
	s.count++
	if now := k.now(); s.logged.IsZero() || now.Sub(s.logged) >= badEvery {
		k.log.Warn("message not usable", "probe", string(o.Probe), "topic", m.Topic, "result", string(o.Result), "err", o.Err, "count", s.count)
		s = badSample{logged: now}
	}
	k.badLog[key] = s
}

// observe takes what the engine says into the batch.
func (k *keeper) observe(trs []alarm.Transition) {
	for _, t := range trs {
		k.batch.Transitions = append(k.batch.Transitions, t)
		k.router.Observe(t)
		k.urgent = true
		k.metrics.transitions.WithLabelValues(string(t.Kind), t.To.String()).Inc()
		k.log.Info("alarm", "alarm", string(t.Key), "from", t.From.String(), "to", t.To.String(), "trouble", t.Trouble, "value", t.Detail, "rule", t.RuleAt, "hidden", t.Hidden)
	}
	if len(trs) > 0 {
		k.due(k.now())
	}
}

// due asks the router what people have to be told.
func (k *keeper) due(now time.Time) {
	msgs := k.router.Due(now, k.look(now))
	if k.house != nil && !k.failing && k.house.well() == "" {
		msgs = append(msgs, k.mailBeats.due(now)...)
	}
	if len(msgs) > 0 {
		k.batch.Messages = append(k.batch.Messages, msgs...)
		k.urgent = true
	}
}

// tick does what time alone calls for. Errors: as commit.
func (k *keeper) tick(ctx context.Context, now time.Time) error {
	days, lookBack := k.engine.LookBack(now)
	recount := (k.countSoon || now.Sub(k.recounted).Abs() >= recountEvery) && len(k.engine.Sources()) > 0
	if recount || lookBack || len(k.corrections) > 0 {
		// All look at the record, which must be whole.
		if err := k.commit(ctx); err != nil {
			return err
		}
	}
	k.correct(ctx)
	if recount && !k.failing && len(k.corrections) == 0 {
		k.recounted = now
		k.recount(ctx, recountTime)
	}
	if lookBack && !k.failing && len(k.corrections) == 0 {
		k.lookBack(ctx, days)
	}
	k.steady(now)
	k.watchDisk(now)
	k.releaseHeld()
	k.parts.take(func(part rules.Part, ok bool, detail string) { k.observe(k.engine.Health(now, part, ok, detail)) })
	k.observe(k.engine.Tick(now))
	k.houseTick(now)
	k.drillTick(now)
	k.due(now)
	k.beat.Store(now.UnixMicro())
	k.publish(now)
	k.wakeSender()
	return nil
}

// releaseHeld acknowledges what has waited too long for a ledger that cannot be
// written.
func (k *keeper) releaseHeld() {
	if !k.failing || k.clock.Mono()-k.failedAt < holdAcks {
		return
	}
	for _, ack := range k.acks {
		ack()
	}
	k.metrics.unsafe.Add(float64(len(k.acks)))
	k.acks = k.acks[:0]
}

func (k *keeper) wakeSender() {
	select {
	case k.mail <- struct{}{}:
	default:
	}
}

// commit stores the batch, then acknowledges and wakes the sender. A failure
// keeps the batch. Errors: ledger.ErrCorrupt only.
func (k *keeper) commit(ctx context.Context) error {
	if !k.pending() {
		return nil
	}
	began := time.Now()
	done, err := k.ledger.Commit(ctx, k.batch)
	k.metrics.commit.Observe(time.Since(began).Seconds())
	if err != nil {
		return k.commitFailed(err)
	}
	if k.failing {
		k.failing = false
		k.log.Info("record written again", "rows", len(k.batch.Readings))
	}
	k.metrics.stored.Add(float64(done.Stored))
	k.metrics.duplicates.Add(float64(done.Duplicates))
	hasMail := len(k.batch.Messages) > 0
	for _, ack := range k.acks {
		ack()
	}
	for _, reply := range k.replies {
		reply(nil)
	}
	b := &k.batch
	*b = ledger.Batch{Readings: b.Readings[:0:cap(b.Readings)]}
	k.acks, k.replies, k.urgent = k.acks[:0], k.replies[:0], false
	if err := k.outbox.settle(ctx); err != nil {
		k.log.Warn("messages sent without a record are not written down yet", "err", err)
	}
	if hasMail {
		k.wakeSender()
	}
	// News of the record goes into the next batch.
	k.observe(k.engine.Health(k.now(), rules.Record, true, ""))
	return nil
}

func (k *keeper) commitFailed(err error) error {
	k.metrics.commitErrors.Inc()
	if errors.Is(err, ledger.ErrCorrupt) {
		return fmt.Errorf("daemon: %w", err)
	}
	if !k.failing {
		k.log.Error("record not written, trying again", "err", err)
		k.failing, k.failedAt = true, k.clock.Mono()
	}
	k.withdraw()
	k.outbox.hold(k.batch.Messages)
	k.wakeSender()
	for _, reply := range k.replies {
		reply(err)
	}
	k.replies = k.replies[:0]
	k.observe(k.engine.Health(k.now(), rules.Record, false, err.Error()))
	return nil
}

// do runs a command in the keeper's goroutine and waits until what it changed
// is stored. Errors: the command's, the commit's, or ctx's.
func (k *keeper) do(ctx context.Context, command func(now time.Time) error) error {
	result := make(chan error, 1)
	run := func(now time.Time) {
		if err := command(now); err != nil {
			result <- err
			return
		}
		k.replies = append(k.replies, func(err error) { result <- err })
		k.urgent = true
	}
	select {
	case k.commands <- run:
	case <-k.closed:
		return errStopping
	case <-ctx.Done():
		return ctx.Err()
	}
	return k.await(ctx, result)
}

var errStopping = errors.New("the daemon is stopping; tell it again when it runs")

// tell hands the keeper news of a part of the daemon, without waiting for it to
// be stored.
func (k *keeper) tell(ctx context.Context, part rules.Part, ok bool, detail string) {
	select {
	case k.commands <- func(now time.Time) { k.observe(k.engine.Health(now, part, ok, detail)) }:
	case <-ctx.Done():
	}
}

// Acknowledge records a human's answer to one alarm, or with key "" to all that
// people have been told of, and words what was answered. An alarm that waits to
// be told is left out of "all": nobody can have meant it.
// Errors: *rules.UnknownAlarmError, or that it could not be stored.
func (k *keeper) Acknowledge(ctx context.Context, key alarm.Key, by string) (string, error) {
	return k.acknowledgeBy(ctx, key, by, viaCommand)
}

// acknowledgeBy is Acknowledge, come by a way of an act.Act.
func (k *keeper) acknowledgeBy(ctx context.Context, key alarm.Key, by, via string) (string, error) {
	var b strings.Builder
	stands, again := false, time.Duration(0) // the soonest, 0 for never
	err := k.do(ctx, func(now time.Time) error {
		b.Reset()
		stands, again = false, 0
		keys := []alarm.Key{key}
		if key == "" {
			keys = keys[:0]
			untold := k.router.Untold()
			for _, a := range k.engine.Standing(now) {
				if !untold[a.Key] && a.Hidden == "" && a.Kind != alarm.LotDue && a.Key != rules.ServiceReminder { // a notice or a reminder is not what woke anybody
					keys = append(keys, a.Key)
				}
			}
		}
		var all []alarm.Transition // observed together: one mail tells of all
		for _, key := range keys {
			trs, err := k.acknowledge(now, key, by, via)
			if err != nil {
				return err
			}
			all = append(all, trs...)
		}
		for _, t := range all {
			fmt.Fprintf(&b, "Answered: %s\n", strings.TrimSuffix(t.Trouble+", "+t.Detail, ", "))
			if t.To == alarm.Acknowledged {
				stands = true
				if hold := k.engine.AnswerHolds(t.Key); hold > 0 && (again == 0 || hold < again) {
					again = hold
				}
			}
		}
		k.observe(all)
		return nil
	})
	if err != nil {
		return "", err
	}
	if b.Len() == 0 {
		return "Nothing waits for an answer.\n", nil
	}
	b.WriteString("The repeats stop and the others are told that you are coming.")
	switch {
	case again > 0:
		fmt.Fprintf(&b, " An alarm itself stands until the water is right; in %s it calls again.", measure.FormatDuration(again))
	case stands:
		b.WriteString(" An alarm itself stands until the water is right.")
	}
	b.WriteByte('\n')
	return b.String(), nil
}

// Reset lets go a latched alarm and words it.
// Errors: *rules.UnknownAlarmError, *rules.NotLatchedError, or that it could not
// be stored.
func (k *keeper) Reset(ctx context.Context, key alarm.Key, by string) (string, error) {
	var said string
	err := k.do(ctx, func(now time.Time) error {
		trs, err := k.engine.Reset(now, key, by)
		if err != nil {
			return err
		}
		for _, t := range trs {
			said += "Reset: " + t.Trouble + "\n"
		}
		k.observe(trs)
		return nil
	})
	return said, err
}

// UnknownChoreError is returned for a chore or place the site file lacks.
type UnknownChoreError struct{ Chore, Unit string }

func (e *UnknownChoreError) Error() string {
	if e.Unit == "" {
		return fmt.Sprintf("no chore %q for the whole site in the site file", e.Chore)
	}
	return fmt.Sprintf("no chore %q at %q in the site file", e.Chore, e.Unit)
}

// ChoreDone records a chore done now.
// Errors: *UnknownChoreError, or that it could not be stored.
func (k *keeper) ChoreDone(ctx context.Context, chore, unit, by string) (string, error) {
	var said string
	err := k.do(ctx, func(now time.Time) (err error) {
		said, err = k.choreDone(now, site.ChoreDone{Chore: chore, Unit: unit, By: by, Via: "command"})
		return err
	})
	return said, err
}

// rebuild brings engine, router and intake to where the last run stopped.
func (k *keeper) rebuild(ctx context.Context) error {
	now := k.now()
	if err := k.openBook(ctx); err != nil {
		return err
	}
	past, err := k.pastOf(ctx, k.engine, now)
	if err != nil {
		return err
	}
	k.restorePresses(past.Acts)
	for _, a := range past.Acts {
		k.drills.take(a)
	}
	gone, err := k.engine.Rebuild(now, past)
	if err != nil {
		return fmt.Errorf("daemon: rebuild the alarms: %w", err)
	}
	k.recount(ctx, firstRecountTime)

	oldest := now
	for _, t := range past.Standing {
		if t.Since.Before(oldest) {
			oldest = t.Since
		}
	}
	journal, err := k.ledger.JournalSince(ctx, oldest)
	if err != nil {
		return fmt.Errorf("daemon: rebuild the call-outs: %w", err)
	}
	// The newest morning message and the newest mails that must arrive are
	// younger than that.
	if back := now.Add(-notify.Remembers - k.mailBeats.longest()); back.Before(oldest) {
		oldest = back
	}
	records, err := k.ledger.Messages(ctx, oldest)
	if err != nil {
		return fmt.Errorf("daemon: rebuild the call-outs: %w", err)
	}
	var messages []callout.Message
	for _, r := range records {
		messages = append(messages, r.Message)
	}
	k.mailBeats.restore(messages)
	k.router.Restore(journal, past.Standing, messages)
	if journal, err = k.ledger.JournalSince(ctx, now.Add(-notify.Remembers)); err != nil {
		return fmt.Errorf("daemon: rebuild the call-outs: %w", err)
	}
	k.router.RestoreClimb(journal, past.Standing, messages)
	if err := k.restoreAnswers(ctx, now); err != nil {
		return err
	}
	k.router.RestoreDrills(past.Acts)
	k.observe(gone)
	k.observe(k.engine.Health(now, rules.Broker, false, "not connected since the start"))
	k.steadyAt = now.Add(steadyAfter)
	switch k.wall.trust {
	case wrong:
		k.distrust(ctx)
	case unproven:
		k.doubt(ctx)
	case right:
	}

	inFlight, err := k.ledger.InFlight(ctx, ingest.InFlightWindow)
	if err != nil {
		return fmt.Errorf("daemon: rebuild the intake: %w", err)
	}
	for _, r := range inFlight {
		k.intake.Seen(r)
	}
	return k.commit(ctx)
}

// pastOf is what the record knows, as far back as an engine looks.
func (k *keeper) pastOf(ctx context.Context, e *rules.Engine, now time.Time) (rules.Past, error) {
	p := rules.Past{Readings: k.ledger.ReadingsByArrival(ctx, now.Add(-e.Memory()))}
	var err error
	if p.ChoresDone, err = k.ledger.ChoresDone(ctx, now.AddDate(0, 0, -7)); err != nil {
		return p, fmt.Errorf("daemon: read the chores done: %w", err)
	}
	if p.Acts, err = k.ledger.Acts(ctx, now.Add(-2*act.MaxShelf), act.OutOfService, act.InService, act.DrillStarted, act.DrillAnswered); err != nil {
		return p, fmt.Errorf("daemon: read the acts: %w", err)
	}
	if p.Standing, err = k.ledger.Standing(ctx); err != nil {
		return p, fmt.Errorf("daemon: read the standing alarms: %w", err)
	}
	if p.Occurrences, err = k.ledger.LastOccurrences(ctx); err != nil {
		return p, fmt.Errorf("daemon: read the alarm journal: %w", err)
	}
	if p.Recent, err = k.ledger.JournalSince(ctx, now.Add(-rules.Recent)); err != nil {
		return p, fmt.Errorf("daemon: read the alarm journal: %w", err)
	}
	from := now.AddDate(-1, 0, 0) // a lot may be written down late
	if t := e.CountedSince(); !t.IsZero() && t.Before(from) {
		from = t
	}
	for t, err := range k.ledger.Transitions(ctx, from, now.AddDate(1, 0, 0)) {
		if err != nil {
			return p, fmt.Errorf("daemon: read the alarm journal: %w", err)
		}
		if slices.Contains(rules.ProbeFaults(), t.Kind) {
			p.Faults = append(p.Faults, t)
		}
	}
	if p.WatchingSince, err = k.ledger.Since(ctx); err != nil {
		return p, fmt.Errorf("daemon: read when the record began: %w", err)
	}
	return p, nil
}

func (k *keeper) publish(now time.Time) {
	s := &status.Status{Now: now, Probes: k.engine.Probes(now), Lots: k.engine.Lots(now), Chores: k.engine.Chores(now), Site: k.site, Failing: k.failing, Cleaning: k.engine.Acts().AllCleaning(now), Shelved: k.engine.Acts().AllShelved(now), Out: k.engine.Acts().AllOutOfService()}
	s.Pause, _ = k.engine.Acts().Paused(now)
	for _, a := range k.engine.Standing(now) {
		switch {
		case a.Kind != alarm.LotDue:
			s.Alarms = append(s.Alarms, a)
		case a.State.Active():
			s.Coming = append(s.Coming, a)
		}
	}
	k.status.Store(s)
}
