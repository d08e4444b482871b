package rules

import (
	"errors"
	"iter"
	"slices"
	"strings"
	"time"

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
	idle   bool // only finished lots were there
}

// lots is what the engine knows of lots beyond the book.
type lots struct {
	book     *book.Book
	counters map[Span]*counter
	// hands are the counters by the name of their unit's hand thermometer.
	hands map[reading.ProbeID][]*counter
	// notices are the checks by lot and notice.
	notices map[alarmOf]*check
	// lastYear is the course of last year by unit.
	lastYear map[string][]lot.DayMean
	// calibrations by stage; nil when they must be worked out.
	calibrations map[calibrationOf]map[lot.Stage]lot.Calibration
	// forecasts by lot; worked out again when forecastAt has passed.
	forecasts  map[string]foreseen
	forecastAt time.Time
}

// calibrationOf names what lots speak for.
type calibrationOf struct {
	species, strain string // in lower case
	baseC           measure.TempC
}

// foreseen is what a lot's units foretold when that was last worked out.
type foreseen struct {
	forecast []lot.Forecast
	lastYear bool
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
	e.hands = make(map[reading.ProbeID][]*counter)
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
	}
	e.counters = counters
	e.setNotices()
	e.recounted()
}

// counter finds what counts a span up to a time. While the book is folded, a
// stay that will have an end is still open: then any that begins alike and
// reaches far enough will do.
func (e *Engine) counter(span Span, upTo time.Time) *counter {
	if c := e.counters[span]; c != nil {
		return c
	}
	for s, c := range e.counters {
		if s.Unit == span.Unit && s.BaseC == span.BaseC && s.From.Equal(span.From) && (s.To.IsZero() || !s.To.Before(upTo)) {
			return c
		}
	}
	return nil
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

// over reports whether a reading of that time can no longer matter: it lies
// beyond the span, or so far before it that nobody looks.
func (c *counter) over(at time.Time) bool {
	if at.Before(c.span.From.Add(-thermal.Lookback)) {
		return true
	}
	settled, ok := c.count.Settled()
	return ok && at.After(settled)
}

func (c *counter) add(r *reading.Reading) {
	if !c.live || c.over(r.At) {
		return
	}
	if errors.Is(c.count.Add(r.At, measure.TempC(r.Value)), thermal.ErrOutOfOrder) {
		c.behind = true
	}
}

func (c *counter) addStandIn(r *reading.Reading) {
	if !c.live || c.over(r.At) {
		return
	}
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
		s := Source{Span: c.span, Hand: site.HandProbe(c.span.Unit), From: c.span.From.Add(-thermal.Lookback), Idle: c.idle}
		if !c.span.To.IsZero() {
			s.To = c.span.To.Add(thermal.Lookback)
		}
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
		return strings.Compare(a.Span.Unit, b.Span.Unit)
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
	fresh := c.integrator(e.site.Location)
	if err := feed(fresh, main, standIn, hand); err != nil {
		return err
	}
	c.count, c.live, c.behind = fresh, true, false
	e.recounted()
	return nil
}

// recounted says that what rests on the counts must be worked out anew.
func (e *Engine) recounted() {
	e.calibrations, e.forecasts = nil, nil
}

// CountAgain marks every span to be counted again from the record, as after its
// readings' times were corrected.
func (e *Engine) CountAgain() {
	for _, c := range e.counters {
		c.behind = true
	}
}

// side is a sequence that is read up to the time of the main one.
type side struct {
	next func() (reading.Reading, error, bool)
	r    reading.Reading
	err  error
	more bool
	add  func(time.Time, measure.TempC)
}

func newSide(seq iter.Seq2[reading.Reading, error], add func(time.Time, measure.TempC)) (*side, func()) {
	if seq == nil {
		return &side{}, func() {}
	}
	next, stop := iter.Pull2(seq)
	s := &side{next: next, add: add}
	s.r, s.err, s.more = next()
	return s, stop
}

// upTo takes what is older than at; with all, everything.
func (s *side) upTo(at time.Time, all bool) error {
	for s.more && (all || s.err != nil || s.r.At.Before(at)) {
		if s.err != nil {
			return s.err
		}
		if counts(&s.r) {
			s.add(s.r.At, measure.TempC(s.r.Value))
		}
		s.r, s.err, s.more = s.next()
	}
	return nil
}

// feed merges the sequences by time into the integrator.
func feed(in *thermal.Integrator, main, standIn, hand iter.Seq2[reading.Reading, error]) error {
	s, stop := newSide(standIn, in.AddStandIn)
	defer stop()
	h, stop := newSide(hand, in.AddHand)
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
	e.forecasts = nil
}

// Book is the book of lots as last set.
func (e *Engine) Book() *book.Book { return e.book }

// profile is what is known of a species here.
func (e *Engine) profile(species string) lot.Profile {
	p := e.site.Species[strings.ToLower(strings.TrimSpace(species))]
	p.Species = species
	return p
}

// strandUnits is what a strand has gathered up to a time, and whether all of it
// is counted.
func (e *Engine) strandUnits(s *book.Strand, now time.Time) (u thermal.Units, whole bool) {
	whole = true
	for _, stay := range s.Path {
		c := e.counters[spanOf(stay, s.BaseC)]
		if c == nil {
			return u, false
		}
		whole = whole && c.live
		u = u.Add(c.count.UnitsAt(now))
	}
	u.DegreeDays += s.StartUnits
	return u, whole
}

func (e *Engine) strandDays(s *book.Strand, now time.Time) []thermal.Day {
	var days []thermal.Day
	for _, stay := range s.Path {
		if c := e.counter(spanOf(stay, s.BaseC), now); c != nil {
			days = thermal.JoinDays(days, c.count.Days(now))
		}
	}
	return days
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

// units is what a lot has gathered, the mean over its strands by number.
func (e *Engine) units(l *book.Lot, now time.Time) (mean thermal.Units, least, most measure.DegreeDays, whole bool) {
	whole = true
	w := shares(l.Strands)
	for i := range l.Strands {
		u, all := e.strandUnits(&l.Strands[i], now)
		whole = whole && all
		if i == 0 {
			mean.From, mean.To, least, most = u.From, u.To, u.DegreeDays, u.DegreeDays
		}
		if !u.From.IsZero() && u.From.Before(mean.From) {
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
	return mean, least, most, whole
}

func (e *Engine) days(l *book.Lot, now time.Time) []thermal.Day {
	tables := make([][]thermal.Day, len(l.Strands))
	for i := range l.Strands {
		tables[i] = e.strandDays(&l.Strands[i], now)
	}
	if len(tables) == 1 {
		return tables[0]
	}
	return thermal.MeanDays(tables, shares(l.Strands))
}

// startUnits is what the lot had gathered before its first stay, the mean over
// the strands.
func startUnits(l *book.Lot) measure.DegreeDays {
	var sum measure.DegreeDays
	for i, w := range shares(l.Strands) {
		sum += measure.DegreeDays(w) * l.Strands[i].StartUnits
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
	v := LotView{Lot: l}
	until := now
	if !l.Finished.IsZero() && l.Finished.Before(now) {
		until = l.Finished
	}
	whole := true
	v.Units, v.Least, v.Most, whole = e.units(l, until)
	v.Counting = !whole
	for _, h := range l.Holdings {
		s := LotProbe{Unit: h.Unit}
		if p, ok := e.temperatureFor(h.Unit); ok {
			s.Probe, s.Spring = p.ID, p.At != h.Unit
		}
		v.Sources = append(v.Sources, s)
	}
	course := e.course(l, now)
	v.MeanC, v.HaveMean = course.MeanC, course.Known
	if l.Finished.IsZero() {
		f := e.foresee(l, now)
		v.Forecast, v.LastYear = f.forecast, f.lastYear
		v.Tender = e.tender(l, v.Units.DegreeDays, now)
	}
	return v
}

func (e *Engine) tender(l *book.Lot, u measure.DegreeDays, at time.Time) lot.TenderState {
	return e.profile(l.Species).TenderAt(l.Start, l.EggTake, l.EyedAt, e.need(l, lot.Eyed), u, at.In(e.site.Location))
}

// unitsAt is what a lot had gathered at a time, past or not.
func (e *Engine) unitsAt(l *book.Lot, at time.Time) thermal.Units {
	return thermal.At(startUnits(l), e.days(l, at), at)
}

// BookOptions are what the book is folded by at this site.
func (e *Engine) BookOptions() book.Options {
	return book.Options{
		Units: e.site.Units, Location: e.site.Location,
		Tender: func(l *book.Lot, at time.Time) lot.TenderState { return e.tender(l, e.unitsAt(l, at).DegreeDays, at) },
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

// seen is when each stage was seen.
func seen(l *book.Lot) map[lot.Stage]time.Time {
	m := make(map[lot.Stage]time.Time, 3)
	put := func(s lot.Stage, times ...time.Time) {
		for _, t := range times {
			if !t.IsZero() {
				m[s] = t
				return
			}
		}
	}
	put(lot.Eyed, l.EyedAt)
	put(lot.Hatch, l.HatchHalf, l.HatchFirst, l.HatchLast)
	put(lot.SwimUp, l.SwimUpAt)
	return m
}

// foresee is the lot's forecast, worked out at most every forecastEvery.
func (e *Engine) foresee(l *book.Lot, now time.Time) foreseen {
	if at := now.Truncate(forecastEvery); !at.Equal(e.forecastAt) || e.forecasts == nil {
		e.forecasts, e.forecastAt = make(map[string]foreseen), at
	}
	f, ok := e.forecasts[l.ID]
	if ok {
		return f
	}
	units, _, _, _ := e.units(l, now)
	course := e.course(l, now)
	f = foreseen{
		lastYear: len(course.LastYear) > 0,
		forecast: lot.Foresee(lot.Outlook{
			Species: l.Species, Profile: e.profile(l.Species), LotNeeds: e.lotNeeds(l.ID), Start: l.Start, Seen: seen(l),
			Units: units, StartUnits: startUnits(l), Days: e.days(l, now), BaseC: l.BaseC,
			Calibrations: e.calibration(l), Course: course, Now: now.In(e.site.Location),
		}),
	}
	e.forecasts[l.ID] = f
	return f
}

// ownStrain is how many lots of a strain speak for it alone.
const ownStrain = 3

// calibration is what the site's lots say of a lot's species: of its own strain
// where enough of them are there, else of all strains.
func (e *Engine) calibration(l *book.Lot) map[lot.Stage]lot.Calibration {
	key := calibrationOf{strings.ToLower(l.Species), strings.ToLower(l.Strain), l.BaseC}
	if c, ok := e.calibrations[key]; ok {
		return c
	}
	if e.calibrations == nil {
		e.calibrations = make(map[calibrationOf]map[lot.Stage]lot.Calibration)
	}
	out := make(map[lot.Stage]lot.Calibration)
	p := e.profile(l.Species)
	for _, s := range lot.Stages()[1:] {
		all, own := e.observations(l, s)
		if len(own) >= ownStrain {
			all = own
		}
		prior := p.Needs[s]
		if l.BaseC == 0 { // what is published counts from there
			prior = p.Need(s)
		}
		out[s] = lot.Calibrate(s, prior, all)
	}
	e.calibrations[key] = out
	return out
}

// observations are what the lots of one species had gathered when a stage was
// seen; own are those of the same strain. Lots counted from another base, merged
// into another or not counted whole yet do not speak.
func (e *Engine) observations(like *book.Lot, s lot.Stage) (all, own []lot.Observation) {
	for _, l := range e.book.Lots() {
		at, ok := seen(l)[s]
		if !ok || !strings.EqualFold(l.Species, like.Species) || l.BaseC != like.BaseC || l.Into != "" {
			continue
		}
		if _, _, _, whole := e.units(l, at); !whole {
			continue
		}
		o, ok := lot.Observe(lot.Outlook{
			Species: l.Species, Profile: e.profile(l.Species), Start: l.Start, Seen: seen(l),
			StartUnits: startUnits(l), Days: e.days(l, at), BaseC: l.BaseC, Course: e.course(l, at),
		}, l.ID, l.Strain, s)
		if !ok {
			continue
		}
		all = append(all, o)
		if strings.EqualFold(l.Strain, like.Strain) {
			own = append(own, o)
		}
	}
	return all, own
}
