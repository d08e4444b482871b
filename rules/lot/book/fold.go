package book

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
)

// Options are what the fold knows besides the entries.
type Options struct {
	// Units are those of the site. Only Check looks at them: what lies in a
	// unit that has another name by now stays there.
	Units []site.Unit
	// Location is where times are worded; nil means UTC.
	Location *time.Location
	// Tender says whether a lot's eggs are tender at a time, from its state
	// just before; nil for never. It is asked only of lots that came as green
	// eggs and of which no later stage is known, and must not keep the lot.
	Tender func(l *Lot, at time.Time) lot.TenderState
}

// Book is the state of all lots after some entries. It does not change; what it
// hands out must not be changed either.
type Book struct {
	entries []Entry
	o       Options
	rows    []*row // by Seq
	bySeq   map[int64]*row
	claims  map[string]*row
	states  map[string]*state
	lots    []*Lot
}

// Problem is an entry that is left out of the fold though nobody corrected it,
// and why.
type Problem struct {
	Seq  int64
	Lot  string
	Text string
}

// row is an entry on its way through the fold.
type row struct {
	Line
	// rank orders entries of the same time: the Seq of the entry at the root
	// of the corrections, whose place this one takes.
	rank int64
}

func (r *row) holds() bool { return r.CorrectedBy == 0 && r.Problem == "" && r.Kind != Struck }

// state is a lot in the fold.
type state struct {
	Lot
	// loose is what lies in no unit yet.
	loose Holding
	// causes are those of Warnings.
	causes []cause
}

// New folds entries, in whatever order they are given.
func New(entries []Entry, o Options) *Book {
	if o.Location == nil {
		o.Location = time.UTC
	}
	b := &Book{
		entries: slices.Clone(entries), o: o,
		bySeq: make(map[int64]*row), claims: make(map[string]*row), states: make(map[string]*state),
	}
	b.resolve()
	b.fold()
	for _, s := range b.states {
		if s.Finished.IsZero() {
			s.gather()
		}
		b.lots = append(b.lots, &s.Lot)
	}
	slices.SortFunc(b.lots, func(x, y *Lot) int {
		return cmp.Or(boolean(!x.Finished.IsZero())-boolean(!y.Finished.IsZero()), x.OpenedAt.Compare(y.OpenedAt), strings.Compare(x.ID, y.ID))
	})
	return b
}

func boolean(b bool) int {
	if b {
		return 1
	}
	return 0
}

// With is the book with one more entry.
func (b *Book) With(e Entry) *Book {
	return New(append(slices.Clip(b.entries), e), b.o)
}

// Lots lists all lots, unfinished ones first, by when they were opened.
func (b *Book) Lots() []*Lot { return b.lots }

// Lot finds a lot by its ID.
func (b *Book) Lot(id string) (*Lot, bool) {
	s, ok := b.states[id]
	if !ok {
		return nil, false
	}
	return &s.Lot, true
}

// Entry finds an entry of the record by its number, filled in as in Lines.
func (b *Book) Entry(seq int64) (Line, bool) {
	r, ok := b.bySeq[seq]
	if !ok {
		return Line{}, false
	}
	return r.line(), true
}

// Lines lists a lot's entries by time, corrected ones included, and those of
// other lots that it was split from or that merged into it. Where an entry left
// its unit or "all" to the book, the book's answer is filled in.
func (b *Book) Lines(id string) []Line {
	var rows []*row
	for _, r := range b.rows {
		if r.Lot == id || r.Other == id {
			rows = append(rows, r)
		}
	}
	slices.SortFunc(rows, inTime)
	lines := make([]Line, len(rows))
	for i, r := range rows {
		lines[i] = r.line()
	}
	return lines
}

// Problems lists the entries left out, by number.
func (b *Book) Problems() []Problem {
	var out []Problem
	for _, r := range b.rows {
		if r.Problem != "" && r.CorrectedBy == 0 {
			out = append(out, Problem{r.Seq, r.Lot, r.Problem})
		}
	}
	return out
}

func (r *row) line() Line {
	l := r.Line
	if l.CorrectedBy != 0 {
		l.Problem = ""
	}
	return l
}

// name is what a keeper calls the entry.
func (r *row) name() string {
	if r.Seq < 0 {
		return "the site file"
	}
	return fmt.Sprintf("entry %d", r.Seq)
}

// inTime is the order of the fold.
func inTime(x, y *row) int {
	return cmp.Or(x.At.Compare(y.At), cmp.Compare(x.rank, y.rank), cmp.Compare(x.Seq, y.Seq), strings.Compare(x.ID, y.ID))
}

// resolve finds which entries hold: those without a form, sent twice, corrected
// or struck do not.
func (b *Book) resolve() {
	for _, e := range b.entries {
		b.rows = append(b.rows, &row{Line: Line{Entry: e}, rank: e.Seq})
	}
	slices.SortFunc(b.rows, func(x, y *row) int {
		return cmp.Or(cmp.Compare(x.Seq, y.Seq), strings.Compare(x.Lot, y.Lot), strings.Compare(x.ID, y.ID), x.At.Compare(y.At))
	})
	ids := make(map[string]*row)
	for _, r := range b.rows {
		if err := b.admit(r, ids); err != nil {
			r.Problem = err.Error()
		}
	}
}

func (b *Book) admit(r *row, ids map[string]*row) error {
	if first := ids[r.ID]; first != nil && r.ID != "" {
		return fmt.Errorf("it is in the record already, as %s", first.name())
	}
	ids[r.ID] = r
	if r.Seq >= 0 {
		if b.bySeq[r.Seq] != nil {
			return fmt.Errorf("the record has two entries %d; this one came second", r.Seq)
		}
		b.bySeq[r.Seq] = r
	}
	if err := r.form(); err != nil || r.Corrects == 0 {
		return err
	}
	// A correction comes after what it corrects, so chains cannot loop.
	old := b.bySeq[r.Corrects]
	switch {
	case old == nil || old == r:
		return fmt.Errorf("there is no entry %d to correct or strike", r.Corrects)
	case old.Lot != r.Lot:
		return fmt.Errorf("entry %d is of lot %s, not of lot %s", old.Seq, old.Lot, r.Lot)
	case old.Kind == Struck:
		return fmt.Errorf("entry %d strikes entry %d and is not corrected itself: write what holds as a new entry", old.Seq, old.Corrects)
	case old.CorrectedBy != 0 && b.bySeq[old.CorrectedBy].Kind == Struck:
		return fmt.Errorf("entry %d was struck by %d: write what holds as a new entry", old.Seq, old.CorrectedBy)
	case old.CorrectedBy != 0:
		return fmt.Errorf("entry %d was replaced by %d: correct that", old.Seq, old.CorrectedBy)
	}
	old.CorrectedBy, r.rank = r.Seq, old.rank
	if r.Kind != Struck || old.Corrects == 0 {
		return nil
	}
	// What a struck correction had replaced holds again.
	if before := b.bySeq[old.Corrects]; before != nil && before.CorrectedBy == old.Seq {
		before.CorrectedBy = 0
	}
	return nil
}

// claim names what an entry says that may be said once only; "" for nothing.
func (e *Entry) claim() string {
	switch e.Kind {
	case Opened:
		return "lot " + e.Lot
	case Split:
		return "lot " + e.Other
	case Eyed, SwimUp, FirstFed:
		return string(e.Kind) + " " + e.Lot
	case Hatched:
		return string(e.Part) + " hatch " + e.Lot
	default:
		return ""
	}
}

// fold applies what holds in order of time. Of two entries that claim the same,
// the one written first has it, whenever they say it was.
func (b *Book) fold() {
	var order []*row
	for _, r := range b.rows {
		if !r.holds() {
			continue
		}
		order = append(order, r)
		if c := r.claim(); c != "" && (b.claims[c] == nil || r.rank < b.claims[c].rank) {
			b.claims[c] = r
		}
	}
	slices.SortFunc(order, inTime)
	for _, r := range order {
		if err := b.apply(r); err != nil {
			r.Problem = err.Error()
		}
	}
	for _, r := range b.rows {
		if s := b.states[r.Lot]; s != nil && r.Problem != "" && r.CorrectedBy == 0 {
			b.warn(s, &r.Entry, "%s (%s) is left out: %s", r.what(), r.name(), r.Problem)
		}
	}
}

// apply folds one entry, and fills in what it left to the book.
func (b *Book) apply(r *row) error {
	e, at := r.Entry, r.At.UTC()
	if c := e.claim(); c != "" && b.claims[c] != r {
		first := b.claims[c]
		if lotID, ok := strings.CutPrefix(c, "lot "); ok {
			return fmt.Errorf("there is a lot %s already, by %s of %s: choose another name", lotID, first.name(), b.when(first.At))
		}
		return fmt.Errorf("%s says that already, of %s: correct that one", first.name(), b.when(first.At))
	}
	if e.Kind == Opened {
		b.open(&e, at)
		return nil
	}
	s, err := b.lot(e.Lot)
	if err != nil {
		return err
	}
	if !s.Finished.IsZero() && e.Kind != Note {
		return b.finished(s)
	}
	switch e.Kind {
	case Placed:
		err = b.place(s, &e, at)
	case Moved:
		err = b.move(s, &e, at)
	case Split:
		err = b.split(s, &e, at)
	case Merged:
		err = b.merge(s, &e, at)
	case Eyed, Hatched, SwimUp, FirstFed:
		err = b.see(s, &e, at)
	case Shocked, Picked:
		err = b.pick(s, &e, at)
	case Transferred, Shipped, Lost:
		err = s.send(&e, at)
	case Weighed:
		err = b.weigh(s, &e, at)
	case Counted:
		err = b.count(s, &e)
	case Opened, Note, Struck:
	}
	if err != nil {
		return err
	}
	r.Entry = e
	return nil
}

// when words a time for the keeper.
func (b *Book) when(t time.Time) string { return t.In(b.o.Location).Format("2006-01-02 15:04") }

// cause tells warnings apart, whatever their figures are by now and however many
// lots carry them on.
type cause struct {
	lot  string
	seq  int64
	what string
}

func (b *Book) warn(s *state, e *Entry, format string, args ...any) {
	s.Warnings = append(s.Warnings, b.when(e.At)+": "+fmt.Sprintf(format, args...))
	s.causes = append(s.causes, cause{e.Lot, e.Seq, format})
}

// lot finds a lot that has begun.
func (b *Book) lot(id string) (*state, error) {
	if s := b.states[id]; s != nil {
		return s, nil
	}
	began := func(r *row) bool {
		return r.CorrectedBy != 0 && (r.Kind == Opened && r.Lot == id || r.Kind == Split && r.Other == id)
	}
	switch r := b.claims["lot "+id]; {
	case r == nil && slices.ContainsFunc(b.rows, began):
		r = b.rows[slices.IndexFunc(b.rows, began)]
		return nil, fmt.Errorf("there is no lot %s any more: %s, which began it, was taken back or replaced", id, r.name())
	case r == nil:
		return nil, fmt.Errorf("there is no lot %q%s", id, b.nearLot(id))
	case r.Problem != "":
		return nil, fmt.Errorf("the beginning of lot %s, %s, does not hold itself", id, r.name())
	default:
		return nil, fmt.Errorf("lot %s begins later, at %s", id, b.when(r.At))
	}
}

func (b *Book) nearLot(id string) string {
	var known []string
	for _, c := range slices.Sorted(maps.Keys(b.claims)) { // the same words each time
		if lotID, ok := strings.CutPrefix(c, "lot "); ok {
			known = append(known, lotID)
		}
	}
	return near(id, known)
}

func (b *Book) finished(s *state) error {
	if s.Into != "" {
		return fmt.Errorf("lot %s became part of lot %s at %s: write it for that one", s.ID, s.Into, b.when(s.Finished))
	}
	return fmt.Errorf("lot %s was finished at %s: nothing of it was left", s.ID, b.when(s.Finished))
}

func (b *Book) open(e *Entry, at time.Time) {
	n, _ := e.Open.Count.Value() // its form was checked
	s := &state{Lot: Lot{ID: e.Lot, Opening: *e.Open, OpenedAt: at, Stage: e.Open.Start, Opened: n, Number: n}}
	s.EggTake = s.EggTake.UTC()
	s.loose = Holding{Number: n, Since: at, Strands: []Strand{{
		Lot: e.Lot, EggTake: s.EggTake, StartUnits: s.StartUnits, BaseC: s.BaseC, Number: float64(n),
	}}}
	if e.Unit != "" {
		s.put(s.loose.take(n), e.Unit, e.Trays, at)
	}
	b.states[e.Lot] = s
}

func (b *Book) place(s *state, e *Entry, at time.Time) error {
	if s.loose.Number == 0 {
		return fmt.Errorf("all of lot %s is placed already, in %s: write a move", s.ID, s.where())
	}
	if err := s.loose.fill(e, "placed in "+e.Unit); err != nil {
		return err
	}
	if !s.Placed.IsZero() {
		b.disturb(s, e)
	}
	s.put(s.loose.take(e.Number), e.Unit, e.Trays, at)
	return nil
}

func (b *Book) move(s *state, e *Entry, at time.Time) error {
	h, err := s.from(e.Unit)
	switch {
	case err != nil:
		return err
	case h == &s.loose:
		return fmt.Errorf("nothing of lot %s lies in a unit yet: write that it was placed", s.ID)
	case h.Unit == e.To && e.Trays == "":
		return fmt.Errorf("it lies in %s already: say another unit, or the trays there that it has now", e.To)
	}
	if err := h.fill(e, "moved from "+h.Unit); err != nil {
		return err
	}
	b.disturb(s, e)
	if h.Unit == e.To {
		if e.Number < h.Number && h.Trays != "" {
			h.Trays += ", " + e.Trays
		} else {
			h.Trays = e.Trays
		}
		return nil
	}
	part := h.take(e.Number)
	s.tidy()
	s.put(part, e.To, e.Trays, at)
	return nil
}

func (b *Book) split(s *state, e *Entry, at time.Time) error {
	h, err := s.from(e.Unit)
	if err != nil {
		return err
	}
	if err := h.fill(e, "split off from "+cmp.Or(h.Unit, "lot "+s.ID)); err != nil {
		return err
	}
	if e.To != "" && e.To != e.Unit {
		b.disturb(s, e)
	}
	child := &state{Lot: s.Lot, causes: slices.Clone(s.causes)}
	child.ID, child.From, child.Into, child.OpenedAt = e.Other, s.ID, "", at
	child.Count = Count{Method: Direct, Number: e.Number}
	child.Opened, child.Number = e.Number, e.Number
	child.Dead, child.Out, child.Split, child.Joined, child.Adjusted = 0, 0, 0, 0, 0
	child.Holdings, child.Strands, child.Warnings = nil, nil, slices.Clone(s.Warnings)
	part := h.take(e.Number)
	s.Split += e.Number
	s.less(e.Number, part.Strands, at)
	if e.Unit == "" {
		child.Placed = time.Time{}
	}
	switch {
	case e.To != "" && e.To != e.Unit:
		child.put(part, e.To, e.Trays, at)
	case e.Unit == "":
		child.loose = part
	default:
		part.Trays = cmp.Or(e.Trays, part.Trays)
		child.join(part)
	}
	b.states[e.Other] = child
	return nil
}

func (b *Book) merge(s *state, e *Entry, at time.Time) error {
	o, err := b.lot(e.Other)
	switch {
	case err != nil:
		return err
	case !o.Finished.IsZero():
		return b.finished(o)
	case !strings.EqualFold(strings.TrimSpace(s.Species), strings.TrimSpace(o.Species)):
		return fmt.Errorf("lot %s is %s and lot %s is %s: only lots of one species are merged", s.ID, s.Species, o.ID, o.Species)
	case s.hatched() != o.hatched():
		return fmt.Errorf("lot %s is at the stage %s and lot %s at the stage %s: eggs and hatched fish stay two lots, or all would be counted as one of them", s.ID, s.Stage, o.ID, o.Stage)
	}
	if s.Stage != o.Stage {
		b.warn(o, e, "lot %s, at the stage %s, became part of lot %s, at the stage %s", s.ID, s.Stage, o.ID, o.Stage)
	}
	if s.BaseC != o.BaseC {
		b.warn(o, e, "the units of lot %s, which became part of lot %s, are counted above another temperature, so a mean of both says little", s.ID, o.ID)
	}
	n, last := s.Number, s.gather()
	for _, h := range s.Holdings {
		o.join(h)
	}
	if s.loose.Number > 0 {
		o.loose.add(s.loose)
		last = append(last, s.loose.Strands...)
	}
	if o.Placed.IsZero() {
		o.Placed = s.Placed
	}
	o.Number += n
	o.Joined += n
	s.Into = o.ID
	s.less(n, last, at)
	return nil
}

// hatched reports whether a hatch was seen, or they came hatched.
func (s *state) hatched() bool { return s.Stage == lot.Hatch || s.Stage == lot.SwimUp }

// see enters a stage.
func (b *Book) see(s *state, e *Entry, at time.Time) error {
	const eyed, firstHatch, lastHatch, swimUp, fed = 0, 1, 3, 4, 5
	marks := []struct {
		name string
		at   *time.Time
	}{
		{"eyed", &s.EyedAt},
		{"the first hatch", &s.HatchFirst},
		{"half the hatch", &s.HatchHalf},
		{"the last hatch", &s.HatchLast},
		{"swim-up", &s.SwimUpAt},
		{"the first feeding", &s.FedAt},
	}
	var i int
	var reached lot.Stage
	switch e.Kind {
	case Hatched:
		i, reached = firstHatch+slices.Index(Parts(), e.Part), lot.Hatch
	case SwimUp:
		i, reached = swimUp, lot.SwimUp
	case FirstFed:
		i, reached = fed, s.Stage
	default:
		i, reached = eyed, lot.Eyed
	}
	switch {
	case !marks[i].at.IsZero():
		return fmt.Errorf("lot %s had %s behind it, at %s, when it was split from lot %s", s.ID, marks[i].name, b.when(*marks[i].at), s.From)
	case i < fed && slices.Index(lot.Stages(), reached) <= slices.Index(lot.Stages(), s.Start):
		return fmt.Errorf("lot %s came here at the stage %s: %s was before that", s.ID, s.Start, marks[i].name)
	}
	// Fish are often fed before most of them swim up, so that order is free.
	for _, later := range marks[i+1:] {
		if !later.at.IsZero() && i < swimUp {
			return fmt.Errorf("%s was seen at %s, so %s must be before that", later.name, b.when(*later.at), marks[i].name)
		}
	}
	switch {
	case i >= firstHatch && i <= lastHatch && s.Stage == lot.Green:
		return errors.New("no eyed date is recorded: write that first, with its date; an estimate will do if you say so in a note")
	case i > lastHatch && s.Stage != lot.Hatch && s.Stage != lot.SwimUp:
		return errors.New("no hatch is recorded: write that first, with its date; an estimate will do if you say so in a note")
	}
	*marks[i].at, s.Stage = at, reached
	return nil
}

func (b *Book) pick(s *state, e *Entry, at time.Time) error {
	if e.Number > 0 {
		h, err := s.from(e.Unit)
		if err != nil {
			return err
		}
		if err := h.fill(e, "picked out of "+cmp.Or(h.Unit, "lot "+s.ID)); err != nil {
			return err
		}
		part := h.take(e.Number)
		s.Dead += e.Number
		s.less(e.Number, part.Strands, at)
	}
	if e.Kind == Shocked && s.Stage == lot.Green {
		b.warn(s, e, "%s, though no eyed date is recorded before it", e.what())
	}
	return nil
}

// send takes out what was shipped, transferred or lost.
func (s *state) send(e *Entry, at time.Time) error {
	if e.Unit == "" && e.Number == 0 && len(s.Holdings) > 1 {
		e.Number = s.Number
		s.count(e)
		s.less(e.Number, append(s.gather(), s.loose.Strands...), at)
		return nil
	}
	h, err := s.from(e.Unit)
	if err != nil {
		return err
	}
	if err := h.fill(e, string(e.Kind)+" from "+cmp.Or(h.Unit, "lot "+s.ID)); err != nil {
		return err
	}
	part := h.take(e.Number)
	s.count(e)
	s.less(e.Number, part.Strands, at)
	return nil
}

func (s *state) count(e *Entry) {
	if e.Kind == Lost {
		s.Dead += e.Number
	} else {
		s.Out += e.Number
	}
}

func (b *Book) weigh(s *state, e *Entry, at time.Time) error {
	// A keeper who writes the weight of one fish for that of the sample is far out.
	light := false
	set := func(h *Holding) {
		if mean := e.Sample.MeanWeightG(); 2*mean < h.MeanWeightG && !light {
			light = true
			b.warn(s, e, "%s, where they weighed %s g each before; the weight to write is that of the whole sample", e.what(), amount(float64(h.MeanWeightG)))
		}
		h.MeanWeightG, h.LengthMM, h.WeighedAt = e.Sample.MeanWeightG(), e.Sample.LengthMM, at
	}
	if e.Unit == "" && len(s.Holdings) != 1 {
		set(&s.loose)
		for i := range s.Holdings {
			set(&s.Holdings[i])
		}
		return nil
	}
	h, err := s.from(e.Unit)
	if err != nil {
		return err
	}
	e.Unit = h.Unit
	set(h)
	return nil
}

func (b *Book) count(s *state, e *Entry) error {
	h, err := s.from(e.Unit)
	if err != nil {
		return err
	}
	e.Unit = h.Unit
	n, _ := e.Count.Value() // its form was checked
	more := n - h.Number
	if 5*max(more, -more) > h.Number {
		b.warn(s, e, "%s, where the book had %s", e.what(), measure.Group(h.Number))
	}
	h.Strands = scaled(h.Strands, float64(n)/float64(h.Number))
	h.Number = n
	s.Number += more
	s.Adjusted += more
	return nil
}

// disturb warns when tender eggs are about to be moved.
func (b *Book) disturb(s *state, e *Entry) {
	if b.o.Tender == nil || s.Start != lot.Green || s.Stage != lot.Green {
		return
	}
	s.gather()
	if t := b.o.Tender(&s.Lot, e.At.UTC()); t.Tender {
		b.warn(s, e, "%s, while the eggs were tender, as they are from %s until eyed", e.what(), b.when(t.From))
	}
}
