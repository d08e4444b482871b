package rules

import (
	"cmp"
	"errors"
	"iter"
	"maps"
	"reflect"
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
	"weirkeeper/rules/thermal"
)

// Span is a time in one unit's water, counted above a base: what the lots that
// lay there then have gathered. It is counted once for all of them.
type Span struct {
	Unit     string
	From, To time.Time // half-open; To zero while it goes on
	BaseC    measure.TempC
}

// counter counts one span.
type counter struct {
	span    Span
	main    *site.Probe // nil: no temperature probe anywhere
	spring  bool        // main is the spring's, not the unit's own
	standIn *site.Probe // nil: none
	count   *thermal.Integrator
	// live: it has had everything there was before the newest reading. If
	// not, it must be counted from the record before it says anything.
	live   bool
	behind bool // a reading came that belongs further back: count again
	tried  bool // counting it from the record has been tried
	idle   bool // only finished lots were there
}

// lots is what the engine knows of lots beyond the book.
type lots struct {
	book *book.Book
	// holds is what each unit holds by the book, see contents.
	holds    map[string]site.Content
	counters map[Span]*counter
	// starts are the counters that begin alike, those that end first first,
	// by their span without its end.
	starts map[Span][]*counter
	// hands are the counters by the name of their unit's hand thermometer.
	hands map[reading.ProbeID][]*counter
	// notices are the checks by lot and notice.
	notices map[alarmOf]*check
	// lastYear is the course of last year by unit.
	lastYear map[string][]lot.DayMean
	// told is how often each notice of a lot that is not watched now has been
	// raised: if it is watched again, it goes on from there.
	told map[alarm.Key]uint64
	// judged is what notices are judged by, worked out at ticks. asked is what
	// is worked out for whoever asks in between: when somebody looks must
	// change nothing of what a tick will find.
	judged, asked *outlook
	// finished are the views of lots that are finished and counted whole.
	finished map[string]LotView
	// spoken is what lots of settled spans said of their stages.
	spoken map[string]spoken
}

// outlook is what the lots' units foretell in one span of forecastEvery, as far
// as it was asked for; nil when it must be worked out.
type outlook struct {
	at           time.Time
	calibrations map[calibrationOf]calibrated
	lots         map[string]foreseen
	rooms        map[string]string // for what of a lot is to be moved, in words
}

// spoken is what a lot said of its stages, and what that rested on.
type spoken struct {
	lot    book.Lot
	counts []*thermal.Integrator
	seen   []lot.Observation
}

// calibrated is what the site's lots say by stage. waits: more may speak once
// they are counted.
type calibrated struct {
	stages map[lot.Stage]lot.Calibration
	waits  bool
}

// calibrationOf names what lots speak for.
type calibrationOf struct {
	species, strain string // in lower case
	baseC           measure.TempC
}

// foreseen is what a lot's units foretell. sure is false while it, or a lot
// whose stages it goes by, is not counted whole.
type foreseen struct {
	course   lot.Course
	forecast []lot.Forecast
	sure     bool
}

// forecastEvery is how often forecasts are worked out anew.
const forecastEvery = 10 * time.Minute

// springExtraC is how far the water of a unit without a probe may be from the
// spring's, degC, half-width (common practice, no source).
const springExtraC measure.TempC = 0.5

// SetBook takes the book of lots, new or changed. Spans that were not counted
// before must be counted from the record: see Sources. Before the first event
// there is no record, and they count what comes.
func (e *Engine) SetBook(b *book.Book) {
	e.book = b
	e.holds = e.contents()
	e.switchAt = time.Time{} // what units hold may have changed
	e.wake(time.Time{})
	wanted := make(map[Span]bool) // whether an unfinished lot wants it
	for _, l := range b.Lots() {
		for _, s := range l.Strands {
			for _, stay := range s.Path {
				span := spanOf(stay, s.BaseC)
				wanted[span] = wanted[span] || l.Finished.IsZero()
			}
		}
	}
	for i := range e.probes {
		e.probes[i].main, e.probes[i].standIn = nil, nil
	}
	e.hands, e.starts = make(map[reading.ProbeID][]*counter), make(map[Span][]*counter)
	counters := make(map[Span]*counter, len(wanted))
	for span, active := range wanted {
		c := e.counters[span]
		if c == nil {
			c = e.newCounter(span)
			c.live = e.started.IsZero()
		}
		c.idle = !active
		counters[span] = c
		e.wire(c)
		e.starts[span.start()] = append(e.starts[span.start()], c)
	}
	for _, alike := range e.starts {
		slices.SortFunc(alike, func(a, b *counter) int { return a.span.endsBefore(b.span) })
	}
	e.counters = counters
	if e.spoken == nil {
		e.spoken = make(map[string]spoken)
	}
	e.setNotices()
	e.recounted()
}

// start is where the span begins.
func (s Span) start() Span {
	s.To = time.Time{}
	return s
}

// endsBefore compares the ends; what goes on ends last.
func (s Span) endsBefore(o Span) int {
	switch {
	case s.To.IsZero() || o.To.IsZero():
		return o.To.Compare(s.To) // a zero time is before any other
	}
	return s.To.Compare(o.To)
}

// counter finds what counts a span up to a time. While the book is folded, a
// stay that will have an end is still open, and a part that will vanish is still
// there: then any that begins alike and reaches far enough will do.
func (e *Engine) counter(span Span, upTo time.Time) *counter {
	if c := e.counters[span]; c != nil {
		return c
	}
	for _, c := range e.starts[span.start()] {
		if c.live && (c.span.To.IsZero() || !c.span.To.Before(upTo)) {
			return c
		}
	}
	return nil
}

// end is where a stay ends, or has come to at a time.
func end(s book.Stay, at time.Time) time.Time {
	if s.To.IsZero() || s.To.After(at) {
		return at
	}
	return s.To
}

func spanOf(s book.Stay, base measure.TempC) Span {
	return Span{Unit: s.Unit, From: s.From.UTC(), To: s.To.UTC(), BaseC: base}
}

func (e *Engine) newCounter(span Span) *counter {
	c := &counter{span: span}
	if main, ok := e.temperatureFor(span.Unit); ok {
		c.main, c.spring = main, main.At != span.Unit
		if p := e.probe(main.StandIn); p != nil {
			c.standIn = p.def
		}
	}
	c.count = c.integrator(e.site.Location)
	return c
}

func (c *counter) integrator(loc *time.Location) *thermal.Integrator {
	o := thermal.Options{
		From: c.span.From, To: c.span.To, BaseC: c.span.BaseC, Gaps: thermal.DefaultGaps(time.Minute), Location: loc,
		AccuracyC: site.DefaultAccuracyC, StandInAccuracyC: site.DefaultAccuracyC,
	}
	if c.main != nil {
		o.Gaps = thermal.DefaultGaps(c.main.Every)
		o.AccuracyC = accuracy(c.main)
	}
	if c.spring {
		o.AccuracyC += springExtraC
	}
	if c.standIn != nil {
		o.StandInAccuracyC = accuracy(c.standIn)
	}
	return thermal.New(o)
}

func accuracy(p *site.Probe) measure.TempC {
	if p.Accuracy > 0 {
		return measure.TempC(p.Accuracy)
	}
	return site.DefaultAccuracyC
}

// wire has the counter get the readings of its probes.
func (e *Engine) wire(c *counter) {
	if c.main != nil {
		p := e.probe(c.main.ID)
		p.main = append(p.main, c)
	}
	if c.standIn != nil {
		p := e.probe(c.standIn.ID)
		p.standIn = append(p.standIn, c)
	}
	hand := site.HandProbe(c.span.Unit)
	e.hands[hand] = append(e.hands[hand], c)
}

// counts reports whether a reading may enter thermal units: its value and its
// time are believed. What the broker kept and carries no time of its own may be
// days old.
func counts(r *reading.Reading) bool {
	return r.Usable() && (!r.Flags.Has(reading.Retained) || r.Flags.Has(reading.DeviceTimed))
}

// counted reports whether a reading may enter thermal units: it counts, and its
// probe was not suspect then.
func (e *Engine) counted(r *reading.Reading) bool { return counts(r) && !e.inDoubt(r) }

// over reports whether a reading of that time can no longer matter: it lies
// beyond the span, or so far from it that it is not read from the record either.
func (c *counter) over(at time.Time) bool {
	if from, to := c.bounds(); at.Before(from) || (!to.IsZero() && !at.Before(to)) {
		return true
	}
	settled, ok := c.count.Settled()
	return ok && at.After(settled)
}

// bounds are those of the readings that matter, half-open; to is zero for all
// there are.
func (c *counter) bounds() (from, to time.Time) {
	if !c.span.To.IsZero() {
		to = c.span.To.Add(thermal.Lookback)
	}
	return c.span.From.Add(-thermal.Lookback), to
}

// changed says that a reading was counted. Views of finished lots are kept, and
// only spans with an end are theirs.
func (e *Engine) changed(c *counter) {
	if !c.span.To.IsZero() {
		e.finished = nil
	}
}

func (e *Engine) addMain(c *counter, r *reading.Reading) {
	if !c.live || c.over(r.At) {
		return
	}
	e.changed(c)
	if errors.Is(c.count.Add(r.At, measure.TempC(r.Value)), thermal.ErrOutOfOrder) {
		c.behind = true
	}
}

func (e *Engine) addStandIn(c *counter, r *reading.Reading) {
	if !c.live || c.over(r.At) {
		return
	}
	e.changed(c)
	// One that comes late may lie in a gap that was closed without it.
	if r.Flags&(reading.OutOfOrder|reading.Late) != 0 || c.count.InClosedGap(r.At) {
		c.behind = true
	}
	if !r.Flags.Has(reading.OutOfOrder) {
		c.count.AddStandIn(r.At, measure.TempC(r.Value))
	}
}

// addHand takes a reading by hand thermometer. They are few and mostly written
// down later, so the span is counted again from the record.
func (e *Engine) addHand(r *reading.Reading) {
	for _, c := range e.hands[r.Probe] {
		if r.Usable() && !c.over(r.At) {
			c.behind = true
		}
	}
}

// Source says which readings a span is counted from.
type Source struct {
	Span Span
	// Main is the probe counted, StandIn the one for its gaps, Hand the name of
	// the readings by hand; Main and StandIn are "" when there is none.
	Main, StandIn, Hand reading.ProbeID
	// From and To bound the readings wanted; To is zero for all there are.
	From, To time.Time
	// Idle: only finished lots were there, so nobody waits for it.
	Idle bool
}

// Sources lists the spans that must be counted from the record, those of
// unfinished lots first.
func (e *Engine) Sources() []Source {
	var out []Source
	for _, c := range e.counters {
		if c.live && !c.behind {
			continue
		}
		s := Source{Span: c.span, Hand: site.HandProbe(c.span.Unit), Idle: c.idle}
		s.From, s.To = c.bounds()
		if c.main != nil {
			s.Main = c.main.ID
		}
		if c.standIn != nil {
			s.StandIn = c.standIn.ID
		}
		out = append(out, s)
	}
	slices.SortFunc(out, func(a, b Source) int {
		if a.Idle != b.Idle {
			if b.Idle {
				return -1
			}
			return 1
		}
		// The newest first among the idle ones.
		if c := b.Span.From.Compare(a.Span.From); c != 0 {
			return c
		}
		return cmp.Or(strings.Compare(a.Span.Unit, b.Span.Unit), a.Span.endsBefore(b.Span), cmp.Compare(a.Span.BaseC, b.Span.BaseC))
	})
	return out
}

// Recount counts a span again from the record: main, standIn and hand are the
// readings of its Source in order of their time; each may be nil.
// Errors: those of the sequences; the span then keeps its old count.
func (e *Engine) Recount(span Span, main, standIn, hand iter.Seq2[reading.Reading, error]) error {
	c := e.counters[span]
	if c == nil {
		return nil
	}
	c.tried = true
	e.recounted()
	fresh := c.integrator(e.site.Location)
	if err := feed(fresh, e.counted, main, standIn, hand); err != nil {
		return err
	}
	c.count, c.live, c.behind = fresh, true, false
	return nil
}

// recounted says that what rests on the counts must be worked out anew.
func (e *Engine) recounted() {
	e.judged, e.asked, e.finished = nil, nil, nil
	e.wake(time.Time{})
}

// CountAgain marks every span to be counted again from the record, as after its
// readings' times were corrected. Until then none counts as whole: the time now
// may lie days from what was counted.
func (e *Engine) CountAgain() {
	for _, c := range e.counters {
		c.live, c.tried = false, false
	}
	e.recounted()
}

// side is a sequence that is read up to the time of the main one.
type side struct {
	next func() (reading.Reading, error, bool)
	r    reading.Reading
	err  error
	more bool
	add  func(time.Time, measure.TempC)
	// counts says whether a reading may enter.
	counts func(*reading.Reading) bool
}

func newSide(seq iter.Seq2[reading.Reading, error], counts func(*reading.Reading) bool, add func(time.Time, measure.TempC)) (*side, func()) {
	if seq == nil {
		return &side{}, func() {}
	}
	next, stop := iter.Pull2(seq)
	s := &side{next: next, add: add, counts: counts}
	s.r, s.err, s.more = next()
	return s, stop
}

// upTo takes what is older than at; with all, everything.
func (s *side) upTo(at time.Time, all bool) error {
	for s.more && (all || s.err != nil || s.r.At.Before(at)) {
		if s.err != nil {
			return s.err
		}
		if s.counts(&s.r) {
			s.add(s.r.At, measure.TempC(s.r.Value))
		}
		s.r, s.err, s.more = s.next()
	}
	return nil
}

// feed merges the sequences by time into the integrator, as far as they count.
func feed(in *thermal.Integrator, counts func(*reading.Reading) bool, main, standIn, hand iter.Seq2[reading.Reading, error]) error {
	s, stop := newSide(standIn, counts, in.AddStandIn)
	defer stop()
	h, stop := newSide(hand, counts, in.AddHand)
	defer stop()
	if main != nil {
		for m, err := range main {
			if err != nil {
				return err
			}
			if err := errors.Join(s.upTo(m.At, false), h.upTo(m.At, false)); err != nil {
				return err
			}
			if counts(&m) {
				if err := in.Add(m.At, measure.TempC(m.Value)); err != nil {
					return err
				}
			}
		}
	}
	return errors.Join(s.upTo(time.Time{}, true), h.upTo(time.Time{}, true))
}

// SetLastYear takes the daily mean temperatures of last year in a unit's water,
// by date, for forecasts.
func (e *Engine) SetLastYear(unit string, days []lot.DayMean) {
	e.lastYear[unit] = days
	e.judged, e.asked = nil, nil
	e.wake(time.Time{})
}

// Book is the book of lots as last set.
func (e *Engine) Book() *book.Book { return e.book }

// profile is what is known of a species here.
func (e *Engine) profile(species string) lot.Profile {
	p := e.site.Species[strings.ToLower(strings.TrimSpace(species))]
	p.Species = species
	return p
}

// strandUnits is what a strand has gathered up to a time. Of a stay without any
// reading nothing is known: its time counts as unsupported, and gathers nothing.
func (e *Engine) strandUnits(s *book.Strand, now time.Time) thermal.Units {
	var u thermal.Units
	for _, stay := range s.Path {
		c := e.counters[spanOf(stay, s.BaseC)]
		if c == nil {
			continue
		}
		v := c.count.UnitsAt(now)
		if until := end(stay, now); v.From.IsZero() && c.live && until.After(stay.From) {
			v.From, v.To, v.Unsupported = stay.From, until, until.Sub(stay.From)
		}
		u = u.Add(v)
	}
	u.DegreeDays += s.StartUnits
	return u
}

// strandUnitsAt is strandUnits for a time gone by, also while the book is folded.
func (e *Engine) strandUnitsAt(s *book.Strand, at time.Time) thermal.Units {
	var u thermal.Units
	for _, stay := range s.Path {
		until := end(stay, at)
		if c := e.counter(spanOf(stay, s.BaseC), until); c != nil {
			u = u.Add(thermal.At(0, c.count.Days(at), until))
		}
	}
	u.DegreeDays += s.StartUnits
	return u
}

// whole reports whether all the stays of some strands are counted, and whether
// that was tried at least.
func (e *Engine) whole(strands []book.Strand) (whole, tried bool) {
	whole, tried = true, true
	for i := range strands {
		for _, stay := range strands[i].Path {
			c := e.counters[spanOf(stay, strands[i].BaseC)]
			whole = whole && c != nil && c.live
			tried = tried && c != nil && (c.live || c.tried)
		}
	}
	return whole, tried
}

func (e *Engine) strandDays(s *book.Strand, now time.Time) []thermal.Day {
	var days []thermal.Day
	for _, stay := range s.Path {
		if c := e.counters[spanOf(stay, s.BaseC)]; c != nil {
			if more := c.count.Days(now); days == nil {
				days = more
			} else {
				days = thermal.JoinDays(days, more)
			}
		}
	}
	return days
}

// own are the strands of a lot's own eggs: not of lots that merged into it,
// whose stages were another day. All, if none of its own are left.
func own(l *book.Lot, b *book.Book) []book.Strand {
	root := l
	for root.From != "" {
		from, ok := b.Lot(root.From)
		if !ok {
			break
		}
		root = from
	}
	var out []book.Strand
	for _, s := range l.Strands {
		if s.Lot == root.ID {
			out = append(out, s)
		}
	}
	if len(out) == 0 {
		return l.Strands
	}
	return out
}

// shares are the strands' parts of the whole, adding up to 1.
func shares(strands []book.Strand) []float64 {
	var sum float64
	for i := range strands {
		sum += strands[i].Number
	}
	w := make([]float64, len(strands))
	for i := range strands {
		if w[i] = 1 / float64(len(strands)); sum > 0 {
			w[i] = strands[i].Number / sum
		}
	}
	return w
}

// mean is what strands have gathered, by number; least and most are those of
// single ones.
func mean(strands []book.Strand, units func(*book.Strand) thermal.Units) (mean thermal.Units, least, most measure.DegreeDays) {
	w := shares(strands)
	for i := range strands {
		u := units(&strands[i])
		if i == 0 {
			mean.From, mean.To, least, most = u.From, u.To, u.DegreeDays, u.DegreeDays
		}
		if !u.From.IsZero() && (mean.From.IsZero() || u.From.Before(mean.From)) {
			mean.From = u.From
		}
		if u.To.After(mean.To) {
			mean.To = u.To
		}
		least, most = min(least, u.DegreeDays), max(most, u.DegreeDays)
		mean.DegreeDays += measure.DegreeDays(w[i]) * u.DegreeDays
		mean.PlusMinus += measure.DegreeDays(w[i]) * u.PlusMinus
		part := func(to *time.Duration, d time.Duration) { *to += time.Duration(w[i] * float64(d)) }
		part(&mean.Measured, u.Measured)
		part(&mean.Bridged, u.Bridged)
		part(&mean.StandIn, u.StandIn)
		part(&mean.ByHand, u.ByHand)
		part(&mean.Unsupported, u.Unsupported)
	}
	return mean, least, most
}

// units is what a lot has gathered; one that lies nowhere yet, what it came with.
func (e *Engine) units(l *book.Lot, now time.Time) (u thermal.Units, least, most measure.DegreeDays) {
	if len(l.Strands) == 0 {
		return thermal.Units{DegreeDays: l.StartUnits}, l.StartUnits, l.StartUnits
	}
	return mean(l.Strands, func(s *book.Strand) thermal.Units { return e.strandUnits(s, now) })
}

// unitsAt is what a lot's own eggs had gathered at a time gone by.
func (e *Engine) unitsAt(l *book.Lot, strands []book.Strand, at time.Time) thermal.Units {
	if len(strands) == 0 {
		return thermal.Units{DegreeDays: l.StartUnits}
	}
	u, _, _ := mean(strands, func(s *book.Strand) thermal.Units { return e.strandUnitsAt(s, at) })
	return u
}

func (e *Engine) days(strands []book.Strand, now time.Time) []thermal.Day {
	tables := make([][]thermal.Day, len(strands))
	for i := range strands {
		tables[i] = e.strandDays(&strands[i], now)
	}
	if len(tables) == 1 {
		return tables[0]
	}
	return thermal.MeanDays(tables, shares(strands))
}

// startUnits is what strands had gathered before their first stay, the mean.
func startUnits(strands []book.Strand) measure.DegreeDays {
	var sum measure.DegreeDays
	for i, w := range shares(strands) {
		sum += measure.DegreeDays(w) * strands[i].StartUnits
	}
	return sum
}

// Lots is every lot with its units up to now and what they foretell.
func (e *Engine) Lots(now time.Time) []LotView {
	all := e.book.Lots()
	out := make([]LotView, len(all))
	for i, l := range all {
		out[i] = e.view(l, now)
	}
	return out
}

func (e *Engine) view(l *book.Lot, now time.Time) LotView {
	if v, ok := e.finished[l.ID]; ok && !l.Finished.After(now) {
		return v
	}
	v := LotView{Lot: l}
	until := now
	if !l.Finished.IsZero() && l.Finished.Before(now) {
		until = l.Finished
	}
	whole, _ := e.whole(l.Strands)
	v.Units, v.Least, v.Most = e.units(l, until)
	v.Counting = !whole
	for _, h := range l.Holdings {
		s := LotProbe{Unit: h.Unit}
		if p, ok := e.temperatureFor(h.Unit); ok {
			s.Probe, s.Spring = p.ID, p.At != h.Unit
		}
		v.Sources = append(v.Sources, s)
	}
	switch {
	case l.Finished.IsZero():
		f := e.foresee(e.outlookAt(now), l, now)
		v.MeanC, v.HaveMean = f.course.MeanC, f.course.Known
		v.Forecast, v.LastYear = f.forecast, len(f.course.LastYear) > 0
		v.Tender = e.tender(l, v.Units.DegreeDays, now)
	case whole && !l.Finished.After(now):
		if e.finished == nil {
			e.finished = make(map[string]LotView)
		}
		e.finished[l.ID] = v
	}
	return v
}

func (e *Engine) tender(l *book.Lot, u measure.DegreeDays, at time.Time) lot.TenderState {
	return e.profile(l.Species).TenderAt(l.Start, l.EggTake, l.EyedAt, e.need(l, lot.Eyed), u, at.In(e.site.Location))
}

// BookOptions are what the book is folded by at this site.
func (e *Engine) BookOptions() book.Options {
	return book.Options{
		Units: e.site.Units, Location: e.site.Location,
		Tender: func(l *book.Lot, at time.Time) lot.TenderState {
			return e.tender(l, e.unitsAt(l, l.Strands, at).DegreeDays, at)
		},
	}
}

// LotWaters are the units that unfinished lots lie in, with the probe that says
// how warm their water is.
func (e *Engine) LotWaters() map[string]reading.ProbeID {
	out := make(map[string]reading.ProbeID)
	for _, l := range e.book.Lots() {
		for _, h := range l.Holdings {
			if p, ok := e.temperatureFor(h.Unit); ok {
				out[h.Unit] = p.ID
			}
		}
	}
	return out
}

// lotNeeds are the requirements stated for one lot in the site file.
func (e *Engine) lotNeeds(id string) map[lot.Stage]lot.Need {
	for i := range e.site.Lots {
		if e.site.Lots[i].ID == id {
			return e.site.Lots[i].Needs
		}
	}
	return nil
}

// need is a lot's requirement for a stage before any calibration.
func (e *Engine) need(l *book.Lot, s lot.Stage) lot.Need {
	if n, ok := e.lotNeeds(l.ID)[s]; ok && n.Known() {
		return n
	}
	if p := e.profile(l.Species); l.BaseC == 0 {
		return p.Need(s)
	} else {
		return p.Needs[s]
	}
}

// main is the largest strand, whose water forecasts go by.
func mainStrand(l *book.Lot) *book.Strand {
	var best *book.Strand
	for i := range l.Strands {
		if best == nil || l.Strands[i].Number > best.Number {
			best = &l.Strands[i]
		}
	}
	return best
}

// course is the temperature expected where most of the lot lies.
func (e *Engine) course(l *book.Lot, now time.Time) lot.Course {
	s := mainStrand(l)
	if s == nil {
		return lot.Course{}
	}
	var c lot.Course
	for _, stay := range slices.Backward(s.Path) {
		n := e.counters[spanOf(stay, s.BaseC)]
		if n == nil || !n.live {
			continue
		}
		if c.MeanC, c.SpreadC, c.Known = n.count.RecentMean(now); c.Known {
			break
		}
	}
	if !c.Known {
		return c
	}
	return lot.NewCourse(c.MeanC, c.SpreadC, e.lastYear[s.Path[len(s.Path)-1].Unit], now.In(e.site.Location))
}

// outlookAt is the outlook of the newest tick where that still holds, else one
// for who asks.
func (e *Engine) outlookAt(now time.Time) *outlook {
	at := now.Truncate(forecastEvery)
	for _, o := range []*outlook{e.judged, e.asked} {
		if o != nil && o.at.Equal(at) {
			return o
		}
	}
	e.asked = newOutlook(at)
	return e.asked
}

func newOutlook(at time.Time) *outlook {
	return &outlook{at: at, calibrations: make(map[calibrationOf]calibrated), lots: make(map[string]foreseen), rooms: make(map[string]string)}
}

// lookAhead begins a new outlook at a tick when the last one is too old.
func (e *Engine) lookAhead(now time.Time) {
	if at := now.Truncate(forecastEvery); e.judged == nil || !e.judged.at.Equal(at) {
		e.judged, e.asked = newOutlook(at), nil
	}
}

// foresee is the lot's forecast in an outlook, worked out once in it.
func (e *Engine) foresee(o *outlook, l *book.Lot, now time.Time) foreseen {
	f, ok := o.lots[l.ID]
	if ok {
		return f
	}
	units, _, _ := e.units(l, now)
	calibrated := e.calibration(o, l)
	whole, _ := e.whole(l.Strands)
	f = foreseen{course: e.course(l, now), sure: whole && !calibrated.waits}
	f.forecast = lot.Foresee(lot.Outlook{
		Species: l.Species, Profile: e.profile(l.Species), LotNeeds: e.lotNeeds(l.ID), Start: l.Start, Seen: l.Seen(),
		Units: units, StartUnits: startUnits(l.Strands), Days: e.days(l.Strands, now), BaseC: l.BaseC,
		Calibrations: calibrated.stages, Course: f.course, Now: now.In(e.site.Location),
	})
	if len(l.Strands) == 0 {
		for i := range f.forecast {
			f.forecast[i].Why = "it was not placed in a unit yet"
		}
	}
	o.lots[l.ID] = f
	return f
}

// ownStrain is how many lots of a strain speak for it alone.
const ownStrain = 3

// calibration is what the site's lots say of a lot's species: of its own strain
// where enough of them are there, else of all strains.
func (e *Engine) calibration(o *outlook, l *book.Lot) calibrated {
	key := calibrationOf{strings.ToLower(l.Species), strings.ToLower(l.Strain), l.BaseC}
	if c, ok := o.calibrations[key]; ok {
		return c
	}
	seen, waits := e.observations(l)
	out := calibrated{stages: make(map[lot.Stage]lot.Calibration), waits: waits}
	p := e.profile(l.Species)
	for _, s := range lot.Stages()[1:] {
		all := seen[s]
		if own := slices.DeleteFunc(slices.Clone(all), func(o lot.Observation) bool { return !strings.EqualFold(o.Strain, l.Strain) }); len(own) >= ownStrain {
			all = own
		}
		prior := p.Needs[s]
		if l.BaseC == 0 { // what is published counts from there
			prior = p.Need(s)
		}
		out.stages[s] = lot.Calibrate(s, prior, all)
	}
	o.calibrations[key] = out
	return out
}

// unsupportedShare is the most of its time that a lot's units may rest on
// nothing if it is to speak for others (common practice, no source).
const unsupportedShare = 0.1

// observations are what the lots of one species had gathered when stages were
// seen, by stage. Lots counted from another base, merged into another or not
// counted whole yet do not speak; waits says that there are some of the last
// that were not tried to be counted. What was seen before a part was split off
// speaks once.
func (e *Engine) observations(like *book.Lot) (seen map[lot.Stage][]lot.Observation, waits bool) {
	seen = make(map[lot.Stage][]lot.Observation)
	for _, l := range e.book.Lots() {
		if !strings.EqualFold(l.Species, like.Species) || l.BaseC != like.BaseC || l.Into != "" {
			continue
		}
		seenHere, whole, tried := e.observed(l)
		waits = waits || !tried
		if !whole {
			continue
		}
		for _, o := range seenHere {
			seen[o.Stage] = append(seen[o.Stage], o)
		}
	}
	return seen, waits
}

// observed is what one lot had gathered when its stages were seen. Of finished
// lots it is kept: there may be hundreds.
func (e *Engine) observed(l *book.Lot) (seen []lot.Observation, whole, tried bool) {
	at := l.Seen()
	maps.DeleteFunc(at, func(_ lot.Stage, at time.Time) bool { return l.From != "" && !at.After(l.OpenedAt) })
	if len(at) == 0 {
		return nil, true, true
	}
	strands := own(l, e.book)
	if whole, tried = e.whole(strands); !whole {
		return nil, false, tried
	}
	counts, settled := e.counts(strands)
	if s, ok := e.spoken[l.ID]; ok && settled && slices.Equal(s.counts, counts) && reflect.DeepEqual(&s.lot, l) {
		return s.seen, true, true
	}
	last := time.Time{}
	for _, t := range at {
		if t.After(last) {
			last = t
		}
	}
	days := e.days(strands, last)
	o := lot.Outlook{
		Species: l.Species, Profile: e.profile(l.Species), Start: l.Start, Seen: at,
		StartUnits: startUnits(strands), Days: days, BaseC: l.BaseC, Course: e.course(l, last),
	}
	for _, s := range lot.Stages()[1:] {
		if obs, ok := lot.Observe(o, l.ID, l.Strain, s); ok && supported(days, obs.At) >= (1-unsupportedShare)*float64(obs.At.Sub(l.Placed)) {
			seen = append(seen, obs)
		}
	}
	if settled {
		e.spoken[l.ID] = spoken{*l, counts, seen}
	}
	return seen, true, true
}

// counts are the counts of some strands, and whether nothing newer can change
// any of them.
func (e *Engine) counts(strands []book.Strand) (counts []*thermal.Integrator, settled bool) {
	settled = true
	for i := range strands {
		for _, stay := range strands[i].Path {
			c := e.counters[spanOf(stay, strands[i].BaseC)]
			_, ok := c.count.Settled()
			counts, settled = append(counts, c.count), settled && ok && !c.behind
		}
	}
	return counts, settled
}

// supported is the time up to a day that rests on something.
func supported(days []thermal.Day, until time.Time) float64 {
	var sum time.Duration
	for _, d := range days {
		if d.Units.From.Before(until) {
			sum += d.Units.To.Sub(d.Units.From) - d.Units.Unsupported
		}
	}
	return float64(sum)
}
