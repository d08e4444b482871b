package main

import (
	"bufio"
	"cmp"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/cmd/weirkeeper/internal/sheet"
	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

func runImport(ctx context.Context, e env, args []string) int {
	fs := flag.NewFlagSet("import", flag.ContinueOnError)
	path := fs.String("site", defaultSite, "site `file`")
	format := fs.String("format", "columns", "`format`: columns, a logger's table described by the flags below; or weirkeeper, a file of weirkeeper export")
	var m mapping
	probe := fs.String("probe", "", "`name` of the probe that the values become readings of")
	fs.StringVar(&m.timeColumn, "time-column", "", "`head` of the column with the times")
	fs.StringVar(&m.valueColumn, "value-column", "", "`head` of the column with the values")
	fs.StringVar(&m.layout, "time-format", time.RFC3339, "how the times are written: unix, unix-ms, or Monday 2 January 2006, 15:04:05 in `that form`, such as \"2006-01-02 15:04\" or 1/2/2006 3:04:05 PM")
	zone := fs.String("zone", "", "`zone` of the logger's clock: UTC, a name such as America/Denver, or, for a clock that is not set for summer, an offset such as -07:00 (default: the site's)")
	unit := fs.String("unit", "", "`unit` of the values, such as degF or gpm")
	bad := fs.Int("bad-lines", 100, "most bad `lines` to leave out; with more of them nothing is imported")
	files, code, ok := e.parse("import", fs, args)
	if !ok {
		return code
	}
	if len(files) != 1 {
		return e.usage("import", "import takes one file")
	}
	c, err := e.readSite(*path)
	if err != nil {
		return e.fault(err)
	}
	in := importer{site: c.Site, file: files[0], limit: *bad, say: e.err}
	switch *format {
	case "weirkeeper":
	case "columns":
		if err := m.resolve(c.Site, *probe, *zone, *unit, e.now()); err != nil {
			return e.usage("import", "%v", err)
		}
		in.mapping = &m
	default:
		return e.usage("import", "there is no format %q; there are columns and weirkeeper", *format)
	}
	lock, err := daemon.Lock(c.Paths.Data)
	if err != nil {
		return e.fault(err)
	}
	defer func() { _ = lock.Close() }() // it goes with the process anyway
	// First without writing, so that a file with many faults leaves nothing behind.
	if err := in.read(ctx, func(record) error { return nil }); err != nil {
		return e.fault(fmt.Errorf("import %q: %w", in.file, err))
	}
	l, err := ledger.Open(ctx, ledger.Options{Path: filepath.Join(c.Paths.Data, daemon.LedgerFile), Now: e.now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return e.fault(err)
	}
	in.say = io.Discard // all was said the first time
	if err := errors.Join(in.store(ctx, l), l.Close()); err != nil {
		return e.fault(fmt.Errorf("import %q: %w; run it again, what is stored already stays", in.file, err))
	}
	fmt.Fprintf(e.out, "Imported: %d new readings (%d were there already), %d alarm transitions, %d chores, %d acts, %d lots, %d new entries of lots. Left out: %d bad lines, %d lines without a value.\n",
		in.done.Stored, in.done.Duplicates, in.transitions, in.chores, in.acts, len(in.lots), in.newEntries, in.bad, in.empty)
	return exitOK
}

// record is what one line of a file holds: at most one of these.
type record struct {
	reading    *reading.Reading
	transition *alarm.Transition
	chore      *site.ChoreDone
	lot        *lotLine
	entry      *book.Entry
	act        *act.Act
}

// lotLine is a lot with one of its stays.
type lotLine struct {
	lot.Lot
	withdrawn bool
}

// errEmpty: the line holds nothing to import, and that is no fault.
var errEmpty = errors.New("no value")

// importer reads one file and stores what it holds.
type importer struct {
	site    *site.Site
	file    string
	mapping *mapping // nil: our own format
	limit   int
	say     io.Writer

	bad, empty          int // of the last read
	done                ledger.Committed
	transitions, chores int
	acts                int
	lots                []lotLine
	entries             []book.Entry
	newEntries          int
}

// lines gives the head line of a file and then the others, each with its number.
type lines interface {
	next() (line int, fields []string, err error)
}

// read goes through the whole file and hands each good line to use. Bad ones
// are said, counted, and too many an error.
func (in *importer) read(ctx context.Context, use func(record) error) error {
	f, err := os.Open(in.file)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }() // it was only read
	in.bad, in.empty = 0, 0
	src, parse, err := in.start(f)
	if err != nil {
		return err
	}
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		line, fields, err := src.next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		var r record
		if bad := (*badLine)(nil); errors.As(err, &bad) {
			err = bad.err
		} else if err != nil {
			return err
		} else {
			r, err = parse(fields)
		}
		switch {
		case errors.Is(err, errEmpty):
			in.empty++
		case err != nil:
			if in.bad++; in.bad > in.limit {
				return fmt.Errorf("line %d: %w; that is one bad line more than %d: nothing is imported; mend the file, or the flags that describe it, or allow more with --bad-lines", line, err, in.limit)
			}
			fmt.Fprintf(in.say, "%s: line %d left out: %v\n", in.file, line, err)
		default:
			if err := use(r); err != nil {
				return err
			}
		}
	}
}

// start reads up to and with the head line and tells how to read the others.
func (in *importer) start(f *os.File) (lines, func([]string) (record, error), error) {
	b := bufio.NewReaderSize(f, maxLine)
	if mark, err := b.Peek(3); err == nil && string(mark) == "\ufeff" {
		_, _ = b.Discard(3) // a byte order mark, as spreadsheets write
	}
	if in.mapping != nil {
		src := &lineReader{r: b}
		err := in.mapping.find(src)
		return src, in.mapping.parse, err
	}
	if !ended(f) {
		return nil, nil, errors.New("it is cut off: the last line has no end; export it again")
	}
	src := recordReader{csv.NewReader(b)}
	_, head, err := src.next()
	if err == nil {
		for kind, parse := range map[string]func([]string) (record, error){
			kindReadings: in.parseReading, kindAlarms: parseAlarm, kindChores: parseChore, kindLots: parseLot,
			kindLotEntries: parseLotEntry, kindActs: parseAct,
		} {
			if slices.Equal(head, columns[kind]) || slices.ContainsFunc(olderColumns[kind], func(n int) bool { return slices.Equal(head, columns[kind][:n]) }) {
				src.r.FieldsPerRecord = len(head)
				return src, parse, nil
			}
		}
	}
	return nil, nil, errors.New("its first line is not that of a weirkeeper export; describe a logger's table with --format columns")
}

// olderColumns is how many columns the kinds had in exports made earlier
// that have more since.
var olderColumns = map[string][]int{kindAlarms: {17, 20}, kindChores: {4}}

const (
	// importBatch is how many lines are committed together.
	importBatch = 2000
	// maxLine is the longest line of a logger's table, bytes.
	maxLine = 1 << 16
	// maxPreamble is how many lines a logger may write before its head line.
	maxPreamble = 100
)

// store reads the file and commits what it holds.
func (in *importer) store(ctx context.Context, l *ledger.Ledger) error {
	var b ledger.Batch
	n := 0
	commit := func() error {
		done, err := l.Commit(ctx, b)
		in.done.Stored += done.Stored
		in.done.Duplicates += done.Duplicates
		b, n = ledger.Batch{Readings: b.Readings[:0]}, 0
		return err
	}
	err := in.read(ctx, func(r record) error {
		switch {
		case r.reading != nil:
			b.Readings = append(b.Readings, *r.reading)
		case r.transition != nil:
			b.Transitions = append(b.Transitions, *r.transition)
			in.transitions++
		case r.chore != nil:
			b.ChoresDone = append(b.ChoresDone, *r.chore)
			in.chores++
		case r.act != nil:
			b.Acts = append(b.Acts, *r.act)
			in.acts++
		case r.lot != nil:
			in.addLot(*r.lot)
		case r.entry != nil:
			in.entries = append(in.entries, *r.entry)
		}
		if n++; n < importBatch {
			return nil
		}
		return commit()
	})
	if err != nil {
		return err
	}
	if err := commit(); err != nil {
		return err
	}
	return errors.Join(in.storeLots(ctx, l), in.storeEntries(ctx, l))
}

// addLot takes a line's stay to those of its lot.
func (in *importer) addLot(line lotLine) {
	if last := len(in.lots) - 1; last >= 0 && in.lots[last].ID == line.ID {
		in.lots[last].Path = append(in.lots[last].Path, line.Path...)
		return
	}
	in.lots = append(in.lots, line)
}

// storeLots adds the lots to those of the ledger. The ledger marks as withdrawn
// whatever it is not given: so first all are put, then those that stand.
func (in *importer) storeLots(ctx context.Context, l *ledger.Ledger) error {
	if len(in.lots) == 0 {
		return nil
	}
	standing, err := l.Lots(ctx)
	if err != nil {
		return err
	}
	standing = slices.DeleteFunc(standing, func(s lot.Lot) bool {
		return slices.ContainsFunc(in.lots, func(i lotLine) bool { return i.ID == s.ID })
	})
	all := slices.Clone(standing)
	for _, i := range in.lots {
		all = append(all, i.Lot)
		if !i.withdrawn {
			standing = append(standing, i.Lot)
		}
	}
	return errors.Join(l.PutLots(ctx, all), l.PutLots(ctx, standing))
}

// storeEntries adds the entries that the ledger does not have, by their IDs. They
// keep their numbers if all of those are free. If not, all are numbered anew after
// the last, as of two things done at one time the lower number was first.
func (in *importer) storeEntries(ctx context.Context, l *ledger.Ledger) error {
	if len(in.entries) == 0 {
		return nil
	}
	has, err := l.LotEntries(ctx)
	if err != nil {
		return err
	}
	slices.SortStableFunc(in.entries, func(a, b book.Entry) int { return cmp.Compare(a.Seq, b.Seq) })
	lotOf := make(map[int64]string) // by number in the ledger
	seqOf := make(map[string]int64) // by ID
	number := make(map[int64]int64) // by that in the file
	var last int64
	for _, e := range has {
		lotOf[e.Seq], seqOf[e.ID], last = e.Lot, e.Seq, e.Seq
	}
	var add []book.Entry
	keep := true
	for _, e := range in.entries {
		seq, known := seqOf[e.ID]
		if !known {
			add = append(add, e)
			seqOf[e.ID], seq = e.Seq, e.Seq
			_, taken := lotOf[e.Seq]
			keep = keep && !taken
		}
		keep = keep && seq == e.Seq
		number[e.Seq] = seq
	}
	if !keep {
		for i, e := range add {
			add[i].Seq = last + 1 + int64(i)
			number[e.Seq] = add[i].Seq
		}
	}
	for i, e := range add {
		n, ok := number[e.Corrects]
		switch {
		case ok:
			add[i].Corrects = n
		case e.Corrects > 0 && lotOf[e.Corrects] != e.Lot:
			return fmt.Errorf("entry %d of lot %q corrects entry %d, which is neither in the file nor in the record; export the lots' entries without --from and --to", e.Seq, e.Lot, e.Corrects)
		}
	}
	in.newEntries = len(add)
	_, err = l.Commit(ctx, ledger.Batch{LotEntries: add})
	return err
}

// badLine is a line that cannot be read as fields at all.
type badLine struct{ err error }

func (b *badLine) Error() string { return b.err.Error() }

var errCut = errors.New("the file ends within this line; a line that is whole ends with a line break")

// lineReader reads a table in which no field holds a line break, as loggers
// write it, so that a stray quote spoils one line and not the rest of the file.
type lineReader struct {
	r    *bufio.Reader
	line int
}

func (l *lineReader) next() (int, []string, error) {
	l.line++
	text, err := l.r.ReadSlice('\n')
	switch {
	case errors.Is(err, bufio.ErrBufferFull):
		return l.line, nil, fmt.Errorf("line %d is longer than %d bytes; is it a table?", l.line, maxLine)
	case errors.Is(err, io.EOF) && len(text) > 0:
		return l.line, nil, &badLine{errCut}
	case err != nil:
		return l.line, nil, err
	}
	c := csv.NewReader(strings.NewReader(string(text)))
	c.TrimLeadingSpace = true
	fields, err := c.Read()
	if errors.Is(err, io.EOF) { // nothing but white space
		return l.line, nil, nil
	}
	if err != nil {
		err = &badLine{errors.Unwrap(err)}
	}
	return l.line, fields, err
}

// recordReader reads our own files, in which a quoted field may hold line
// breaks.
type recordReader struct{ r *csv.Reader }

func (r recordReader) next() (int, []string, error) {
	fields, err := r.r.Read()
	if pe := (*csv.ParseError)(nil); errors.As(err, &pe) {
		return pe.StartLine, nil, &badLine{pe.Err}
	}
	if err != nil {
		return 0, nil, err
	}
	line, _ := r.r.FieldPos(0)
	return line, fields, nil
}

// ended reports whether the file ends with a line break.
func ended(f *os.File) bool {
	var last [1]byte
	fi, err := f.Stat()
	if err == nil {
		_, err = f.ReadAt(last[:], fi.Size()-1)
	}
	return err == nil && last[0] == '\n'
}

// mapping tells which columns of a logger's table are read, and how.
type mapping struct {
	timeColumn, valueColumn, layout string

	probe    *site.Probe
	zone     *time.Location
	unit     measure.Unit
	now      time.Time
	time, at int // places of the columns, once the head line is found
	width    int
}

// resolve checks the flags against the site.
func (m *mapping) resolve(s *site.Site, probe, zone, unit string, now time.Time) error {
	for _, f := range []struct{ name, value string }{{"probe", probe}, {"time-column", m.timeColumn}, {"value-column", m.valueColumn}} {
		if f.value == "" {
			return fmt.Errorf("--%s is missing; a logger's table is described by --probe, --time-column, --value-column and --unit", f.name)
		}
	}
	var ok bool
	if m.probe, ok = s.Probe(reading.ProbeID(probe)); !ok {
		var known []reading.ProbeID
		for i := range s.Probes {
			known = append(known, s.Probes[i].ID)
		}
		return unknownProbe(probe, known)
	}
	var err error
	switch {
	case m.probe.Quantity == reading.Contact && unit != "":
		return fmt.Errorf("%q is a contact and has no unit: leave out --unit", probe)
	case m.probe.Quantity == reading.Contact:
	case unit == "":
		return errors.New("--unit is missing; a logger's table is described by --probe, --time-column, --value-column and --unit")
	default:
		if m.unit, err = measure.ParseUnit(unit); err != nil {
			return err
		}
	}
	if want := m.probe.Quantity.Dimension(); m.unit.Dimension() != want {
		return fmt.Errorf("%s is a unit of %v, and %q measures %v: give one of %s", m.unit, m.unit.Dimension(), probe, m.probe.Quantity, strings.Join(want.UnitNames(), ", "))
	}
	m.now, m.zone = now, s.Location
	if zone == "" {
		return nil
	}
	if t, err := time.Parse("-07:00", zone); err == nil {
		m.zone = t.Location()
		return nil
	}
	if m.zone, err = time.LoadLocation(zone); err != nil {
		return fmt.Errorf("there is no time zone %q; write UTC, a name such as America/Denver, or an offset such as -07:00", zone)
	}
	return nil
}

// find reads up to the first line that has both columns.
func (m *mapping) find(src lines) error {
	var first []string
	for range maxPreamble {
		_, fields, err := src.next()
		if bad := (*badLine)(nil); errors.As(err, &bad) {
			continue
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		for i := range fields {
			fields[i] = strings.TrimSpace(fields[i])
		}
		if first == nil {
			first = fields
		}
		m.time, m.at, m.width = slices.Index(fields, m.timeColumn), slices.Index(fields, m.valueColumn), len(fields)
		if m.time >= 0 && m.at >= 0 {
			return nil
		}
	}
	return fmt.Errorf("none of its first %d lines has columns headed %q and %q; the first has %q", maxPreamble, m.timeColumn, m.valueColumn, first)
}

func (m *mapping) parse(fields []string) (record, error) {
	if len(fields) == 0 {
		return record{}, errEmpty
	}
	if len(fields) != m.width {
		return record{}, fmt.Errorf("%d fields where the head line has %d", len(fields), m.width)
	}
	text := strings.TrimSpace(fields[m.at])
	if text == "" {
		return record{}, errEmpty
	}
	at, err := m.parseTime(strings.TrimSpace(fields[m.time]))
	if err != nil {
		return record{}, err
	}
	if at.After(m.now) {
		return record{}, fmt.Errorf("%s has not come yet; are --time-format and --zone right?", formatTime(at))
	}
	var v float64
	if m.probe.Quantity == reading.Contact {
		var ok bool
		if v, ok = site.ContactValue(text); !ok {
			return record{}, fmt.Errorf("%q is neither open nor closed; it may be one of %s", text, strings.Join(site.ContactWords(), ", "))
		}
		if m.probe.Inverted {
			v = reading.Closed - v
		}
	} else if v, err = parseValue(text); err != nil {
		return record{}, err
	}
	if m.unit != m.unit.Dimension().Base() { // conversion would lose the sign of -0
		v = m.unit.ToBase(v)
	}
	at = at.UTC().Truncate(time.Microsecond)
	// It counts for history and thermal units, however new it is, and not for
	// alarms. Nobody knows when it would have arrived.
	r := reading.Reading{Probe: m.probe.ID, At: at, DeviceAt: at, ArrivedAt: at, Value: v, Flags: reading.DeviceTimed | reading.Late}
	if v < m.probe.Low || v > m.probe.High {
		r.Flags |= reading.OutOfRange
	}
	return record{reading: &r}, nil
}

func (m *mapping) parseTime(s string) (time.Time, error) {
	switch m.layout {
	case "unix", "unix-ms":
		v, err := strconv.ParseFloat(s, 64)
		if m.layout == "unix" {
			v *= 1e3
		}
		if err != nil || math.Abs(v) > 1e14 {
			return time.Time{}, fmt.Errorf("%q is no %s time", s, m.layout)
		}
		return time.UnixMicro(int64(math.Round(v * 1e3))), nil
	}
	at, err := time.ParseInLocation(m.layout, s, m.zone)
	if err != nil {
		return at, fmt.Errorf("%q is no time like %q (--time-format)", s, m.layout)
	}
	// Go moves a time that was skipped when the clocks went forward.
	if plain, err := time.Parse(m.layout, s); err == nil && plain.Location() == time.UTC && plain.Hour() != at.Hour() {
		return at, fmt.Errorf("%q was skipped by the clocks of %v; if the logger's clock is not set for summer, give its --zone as an offset such as -07:00", s, m.zone)
	}
	return at, nil
}

func parseValue(s string) (float64, error) {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, fmt.Errorf("%q is no value", s)
	}
	return v, nil
}

// fields reads the texts of one of our own lines; the first error stays.
type fields struct{ err error }

func (f *fields) note(what, s string, err error) {
	if err != nil && f.err == nil {
		f.err = fmt.Errorf("%q is no %s", s, what)
	}
}

func (f *fields) time(s string) time.Time {
	if s == "" {
		return time.Time{}
	}
	t, err := time.Parse(sheet.StampLayout, s)
	f.note("time as export writes it", s, err)
	return t
}

func (f *fields) float(s string) float64 {
	v, err := parseValue(s)
	f.note("value", s, err)
	return v
}

func (f *fields) uint(s string, bits int) uint64 {
	n, err := strconv.ParseUint(s, 10, bits)
	f.note("whole number", s, err)
	return n
}

// whole reads a number that is left empty for 0.
func (f *fields) whole(s string) int64 {
	if s == "" {
		return 0
	}
	n, err := strconv.ParseInt(s, 10, 64)
	f.note("whole number", s, err)
	return n
}

func (f *fields) flags(s string) reading.Flags {
	var flags reading.Flags
	for _, name := range strings.Fields(s) {
		flag, ok := flagNames[name]
		if !ok {
			f.note("flag", name, errors.New("unknown"))
		}
		flags |= flag
	}
	return flags
}

// flagNames are the flags by the names export writes.
var flagNames = func() map[string]reading.Flags {
	names := make(map[string]reading.Flags)
	for flag := reading.Flags(1); flag != 0; flag <<= 1 {
		if flag.String() != "" {
			names[flag.String()] = flag
		}
	}
	return names
}()

func (in *importer) parseReading(s []string) (record, error) {
	var f fields
	r := reading.Reading{
		Probe: reading.ProbeID(s[0]), At: f.time(s[1]), Value: f.float(s[2]), Flags: f.flags(s[4]),
		DeviceAt: f.time(s[5]), ArrivedAt: f.time(s[6]), MID: uint16(f.uint(s[7], 16)),
	}
	if r.Probe == "" || r.At.IsZero() || r.ArrivedAt.IsZero() {
		f.note("reading without probe, at and arrived_at", strings.Join(s, ","), errEmpty)
	}
	if want := baseUnit(in.site, r.Probe); want != "" && s[3] != "" && s[3] != want {
		f.note("unit of this probe in an export; it is "+want, s[3], errors.New("another"))
	}
	return record{reading: &r}, f.err
}

func parseAlarm(s []string) (record, error) {
	var f fields
	t := alarm.Transition{
		At: f.time(s[0]), Key: alarm.Key(s[1]), Occurrence: f.uint(s[2], 63), Since: f.time(s[5]), Kind: alarm.Kind(s[7]), Rule: s[8], RuleAt: s[9],
		Unit: s[10], Probe: reading.ProbeID(s[11]), Trouble: s[12], Detail: s[13], CanHappen: s[14], ToDo: s[15], By: s[16],
	}
	if len(s) > 17 {
		t.Hidden, t.Cause, t.Left = s[17], alarm.Key(s[18]), s[19]
	}
	if len(s) > 20 {
		t.Via = s[20]
	}
	f.note("state", s[3], t.From.UnmarshalText([]byte(s[3])))
	f.note("state", s[4], t.To.UnmarshalText([]byte(s[4])))
	f.note("priority", s[6], t.Priority.UnmarshalText([]byte(s[6])))
	if t.At.IsZero() || t.Key == "" {
		f.note("transition without at and alarm", strings.Join(s, ","), errEmpty)
	}
	return record{transition: &t}, f.err
}

func parseChore(s []string) (record, error) {
	var f fields
	c := site.ChoreDone{At: f.time(s[0]), Chore: s[1], Unit: s[2], By: s[3]}
	if len(s) > 4 {
		c.Via = s[4]
	}
	if c.At.IsZero() || c.Chore == "" {
		f.note("chore without at and chore", strings.Join(s, ","), errEmpty)
	}
	return record{chore: &c}, f.err
}

func parseAct(s []string) (record, error) {
	var f fields
	a := act.Act{
		ID: s[0], Kind: act.Kind(s[1]), At: f.time(s[2]), By: s[3], Via: s[4], Alarm: alarm.Key(s[5]), Occurrence: f.uint(s[6], 63), Unit: s[7], Chore: s[8],
		Until: f.time(s[9]), Why: s[10],
	}
	if a.ID == "" || a.At.IsZero() || !slices.Contains(act.Kinds(), a.Kind) {
		f.note("act with id, at and one of the kinds "+fmt.Sprint(act.Kinds()), strings.Join(s, ","), errEmpty)
	}
	return record{act: &a}, f.err
}

func parseLot(s []string) (record, error) {
	var f fields
	l := lotLine{lot.Lot{
		ID: s[0], Species: s[1], Strain: s[2], Source: s[3], EggTake: f.time(s[4]), Start: lot.Stage(s[5]), StartUnits: measure.DegreeDays(f.float(s[6])),
		Eggs: int(f.uint(s[7], 31)), BaseC: measure.TempC(f.float(s[8])), Path: []lot.Stay{{Unit: s[10], From: f.time(s[12])}}, Trays: s[11],
	}, s[13] == "yes"}
	if s[9] != "" {
		f.note("JSON of needs", s[9], json.Unmarshal([]byte(s[9]), &l.Needs))
	}
	if l.ID == "" || !slices.Contains(lot.Stages(), l.Start) {
		f.note("lot with a start of green, eyed, hatch or swim-up", strings.Join(s, ","), errEmpty)
	}
	return record{lot: &l}, f.err
}

func parseLotEntry(s []string) (record, error) {
	var f fields
	e := book.Entry{
		Seq: f.whole(s[0]), ID: s[1], Lot: s[2], Kind: book.Kind(s[3]), At: f.time(s[4]), RecordedAt: f.time(s[5]), By: s[6], Corrects: f.whole(s[7]),
		Unit: s[8], To: s[9], Trays: s[10], Number: int(f.whole(s[11])), Other: s[12], Place: s[13], Part: book.Part(s[14]), Text: s[15],
	}
	if e.Seq < 1 || e.ID == "" || e.Lot == "" || e.At.IsZero() || !slices.Contains(book.Kinds(), e.Kind) {
		f.note("entry with seq, id, lot, at and one of the kinds "+fmt.Sprint(book.Kinds()), strings.Join(s, ","), errEmpty)
	}
	if c := s[countColumn : countColumn+countWidth]; slices.ContainsFunc(c, filled) {
		count := f.count(c)
		e.Count = &count
	}
	if c := s[sampleColumn : sampleColumn+sampleWidth]; slices.ContainsFunc(c, filled) {
		e.Sample = &book.Sample{Number: int(f.whole(c[0])), WeightG: measure.MassG(f.float(c[1])), LengthMM: f.float(c[2])}
	}
	if c := s[openingColumn : openingColumn+openingWidth]; slices.ContainsFunc(c, filled) {
		e.Open = &book.Opening{
			Species: c[0], Strain: c[1], Source: c[2], EggTake: f.time(c[3]), Start: lot.Stage(c[4]),
			StartUnits: measure.DegreeDays(f.float(c[5])), BaseC: measure.TempC(f.float(c[6])), Count: f.count(c[7:]),
		}
	}
	return record{entry: &e}, f.err
}

func filled(cell string) bool { return cell != "" }

func (f *fields) count(s []string) book.Count {
	return book.Count{
		Method: book.Method(s[0]), Number: int(f.whole(s[1])), SampleNumber: int(f.whole(s[2])), SampleAmount: f.float(s[3]), TotalAmount: f.float(s[4]),
	}
}
