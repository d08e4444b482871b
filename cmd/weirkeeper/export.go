package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/cmd/weirkeeper/internal/sheet"
	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/series"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// history is where past readings are read from.
type history interface {
	// Readings yields the readings of a probe with from <= At < to, in order
	// of At.
	Readings(ctx context.Context, probe reading.ProbeID, from, to time.Time) iter.Seq2[reading.Reading, error]
}

// The kinds of record there are to export. Each has its own columns in CSV.
const (
	kindReadings   = "readings"
	kindAlarms     = "alarms"
	kindChores     = "chores"
	kindLots       = "lots"        // as the site file states them
	kindLotEntries = "lot-entries" // what was written down of them since
	kindActs       = "acts"
)

// columns are the heads of our own CSV files; import knows them again by these.
var columns = map[string][]string{
	kindReadings: sheet.ReadingColumns(),
	kindAlarms: {
		"at", "alarm", "occurrence", "from", "to", "since", "priority", "kind", "rule", "rule_at", "unit", "probe",
		"trouble", "detail", "can_happen", "to_do", "by", "hidden", "cause", "left", "via",
	},
	kindActs:   {"id", "kind", "at", "by", "via", "alarm", "occurrence", "unit", "chore", "until", "why"},
	kindChores: {"at", "chore", "unit", "by", "via"},
	kindLots: {
		"lot", "species", "strain", "source", "egg_take", "start", "start_degree_days", "eggs", "base_degC", "needs", "unit", "trays", "placed", "withdrawn",
	},
	kindLotEntries: {
		"seq", "id", "lot", "kind", "at", "recorded_at", "by", "corrects", "unit", "to", "trays", "number", "other", "place", "part", "text",
		"count_method", "count_number", "count_sample_number", "count_sample_amount", "count_total_amount",
		"sample_number", "sample_weight_g", "sample_length_mm",
		"opening_species", "opening_strain", "opening_source", "opening_egg_take", "opening_start", "opening_degree_days", "opening_base_degC",
		"opening_count_method", "opening_count_number", "opening_count_sample_number", "opening_count_sample_amount", "opening_count_total_amount",
	},
}

// Where the groups of columns of a lot's entry begin, and how wide one is.
const (
	countColumn, countWidth     = 16, 5
	sampleColumn, sampleWidth   = 21, 3
	openingColumn, openingWidth = 24, 12
)

// formatTime writes a time; "" for none.
func formatTime(t time.Time) string { return sheet.Stamp(t) }

// formatFloat is the shortest text that reads back as the same number.
func formatFloat(v float64) string { return sheet.Float(v) }

func runExport(ctx context.Context, e env, args []string) int {
	fs := flag.NewFlagSet("export", flag.ContinueOnError)
	path := fs.String("site", defaultSite, "site `file`")
	what := fs.String("what", kindReadings, "`kind` of record: readings, alarms, chores, acts (cleaning, shelving and the like), lots (those of the site file) or lot-entries (what was done with lots)")
	var probes list
	fs.Var(&probes, "probe", "`name` of a probe; may be given again (default: all)")
	fromText := fs.String("from", "", "first `time`, such as 2026-11-01 or \"2026-11-01 06:30\", in the site's time zone (default: the beginning)")
	toText := fs.String("to", "", "`time` to stop before; of lots, those placed before it (default: the end)")
	format := fs.String("format", "csv", "`format`: csv, or for readings senml (RFC 8428)")
	out := fs.String("out", "-", "new `file` to write; - is standard output")
	rest, code, ok := e.parse("export", fs, args)
	if !ok {
		return code
	}
	switch {
	case len(rest) > 0:
		return e.usage("export", "export takes no arguments besides its flags; the file to write goes after --out")
	case columns[*what] == nil:
		return e.usage("export", "there is no kind %q; there are %s", *what, strings.Join(slices.Sorted(maps.Keys(columns)), ", "))
	case *format != "csv" && *format != "senml":
		return e.usage("export", "there is no format %q; there are csv and senml", *format)
	case *format == "senml" && *what != kindReadings:
		return e.usage("export", "SenML holds readings only; leave --format away for %s", *what)
	case len(probes) > 0 && *what != kindReadings:
		return e.usage("export", "--probe goes with readings only")
	}
	c, err := e.readSite(*path)
	if err != nil {
		return e.fault(err)
	}
	x := exporter{site: c.Site, from: time.Time{}, to: time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)}
	for _, f := range []struct {
		name, text string
		to         *time.Time
	}{{"from", *fromText, &x.from}, {"to", *toText, &x.to}} {
		if f.text == "" {
			continue
		}
		if *f.to, err = parseWhen(f.text, c.Site.Location); err != nil {
			return e.usage("export", "--%s: %v", f.name, err)
		}
	}
	l, err := ledger.OpenReader(ctx, filepath.Join(c.Paths.Data, daemon.LedgerFile))
	if err != nil {
		return e.fault(err)
	}
	defer func() { _ = l.Close() }() // it was only read
	x.ledger = l
	write := func(w io.Writer) error { return x.csv(ctx, w, *what) }
	left := func() error { return nil }
	if *what == kindReadings {
		v, err := e.openView(ctx, c.Paths.Data, l)
		if err != nil {
			return e.fault(fmt.Errorf("open the sealed periods: %w", err))
		}
		defer func() { _ = v.close() }() // what might remain is a few names of files
		x.history, left = v, v.left
		if x.probes, err = x.choose(ctx, probes); err != nil {
			return e.fault(err)
		}
		write = func(w io.Writer) error {
			if *format == "senml" {
				return errors.Join(x.senML(ctx, w), v.whole())
			}
			return errors.Join(x.csv(ctx, w, *what), v.whole())
		}
	}
	if *out == "-" {
		err = buffered(e.out, write)
	} else {
		err = writeNew(*out, write)
	}
	if err != nil {
		return e.fault(fmt.Errorf("export %s: %w", *what, err))
	}
	if err := left(); err != nil {
		return e.fault(fmt.Errorf("exported the rest, but %w", err))
	}
	return exitOK
}

// parseWhen reads a time from the command line.
func parseWhen(s string, zone *time.Location) (time.Time, error) {
	for _, layout := range []string{time.RFC3339Nano, time.DateOnly, "2006-01-02 15:04", time.DateTime} {
		if t, err := time.ParseInLocation(layout, s, zone); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is no time; write 2026-11-25, \"2026-11-25 06:30\" or 2026-11-25T06:30:00Z", s)
}

// buffered has write fill w through a buffer.
func buffered(w io.Writer, write func(io.Writer) error) error {
	b := bufio.NewWriterSize(w, 1<<16)
	if err := write(b); err != nil {
		return err
	}
	return b.Flush()
}

// writeNew has write fill a file that must not be there yet. Until it is whole
// and on the disk it goes by another name.
func writeNew(path string, write func(io.Writer) error) (err error) {
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("%q: %w; name a new file", path, os.ErrExist)
	}
	part := path + ".part"
	f, err := os.OpenFile(part, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	if err := errors.Join(buffered(f, write), f.Sync(), f.Close()); err != nil {
		return errors.Join(err, os.Remove(part))
	}
	if err := os.Rename(part, path); err != nil {
		return err
	}
	return syncPath(filepath.Dir(path))
}

// syncPath brings a file, or the names in a folder, to the disk.
func syncPath(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// view is the record of a daemon that may be running: its ledger, and its sealed
// periods under names of our own, so that nothing we do to the folder, such as
// setting aside what is damaged, touches the daemon's.
type view struct {
	*series.Store
	links backup
}

func (e env) openView(ctx context.Context, data string, l *ledger.Ledger) (v *view, err error) {
	dir, err := os.MkdirTemp(data, "export-*")
	if err != nil {
		return nil, err
	}
	v = &view{links: backup{data: data, part: dir, link: true}}
	// The periods first: what is dropped from the ledger afterwards is in a
	// period that whole misses here.
	err = v.links.series(ctx)
	if err == nil {
		v.Store, err = series.Open(ctx, series.Options{
			Dir: filepath.Join(dir, daemon.SeriesFolder), Ledger: l, Now: e.now, Log: slog.New(slog.DiscardHandler),
		})
	}
	if err != nil {
		return nil, errors.Join(err, v.close())
	}
	return v, nil
}

// whole tells whether the record stayed as it was while it was read.
func (v *view) whole() error {
	same, err := v.links.unchanged()
	if err == nil && !same {
		err = errors.New("the daemon sealed a period meanwhile, so readings may be missing; export again")
	}
	return err
}

// left tells which periods could not be read.
func (v *view) left() error {
	var names []string
	for _, p := range v.Periods() {
		if p.Damaged != "" {
			names = append(names, p.Name)
		}
	}
	if len(names) == 0 {
		return nil
	}
	return fmt.Errorf("these periods are damaged and left out: %s; put them back from a backup", strings.Join(names, ", "))
}

func (v *view) close() error { return os.RemoveAll(v.links.part) }

// exporter reads a range of the record.
type exporter struct {
	site     *site.Site
	ledger   *ledger.Ledger
	history  history
	probes   []reading.ProbeID
	from, to time.Time
}

// choose gives the probes to export by name: those asked for, else those of the
// site file, those of the ledger and the thermometers read by hand.
func (x *exporter) choose(ctx context.Context, asked []string) ([]reading.ProbeID, error) {
	all, err := x.ledger.PeriodProbes(ctx, x.from, x.to, 1<<62)
	if err != nil {
		return nil, err
	}
	for i := range x.site.Probes {
		all = append(all, x.site.Probes[i].ID)
	}
	slices.Sort(all)
	all = slices.Compact(all)
	if len(asked) == 0 {
		for i := range x.site.Units {
			all = append(all, site.HandProbe(x.site.Units[i].Name))
		}
		slices.Sort(all)
		return slices.Compact(all), nil
	}
	var chosen []reading.ProbeID
	for _, name := range asked {
		if !slices.Contains(all, reading.ProbeID(name)) && !x.has(ctx, reading.ProbeID(name)) {
			return nil, unknownProbe(name, all)
		}
		chosen = append(chosen, reading.ProbeID(name))
	}
	slices.Sort(chosen)
	return slices.Compact(chosen), nil
}

// has reports whether there is anything of a probe, to read or to fail on.
func (x *exporter) has(ctx context.Context, p reading.ProbeID) bool {
	for range x.history.Readings(ctx, p, x.from, x.to) { //nolint:errcheck // a fault counts too
		return true
	}
	return false
}

func unknownProbe(name string, known []reading.ProbeID) error {
	names := make([]string, len(known))
	for i, p := range known {
		names[i] = string(p)
	}
	if s := measure.Suggest(name, names); s != "" {
		return fmt.Errorf("there is no probe %q; did you mean %q?", name, s)
	}
	return fmt.Errorf("there is no probe %q; there are %s", name, strings.Join(names, ", "))
}

// quantity is what a probe of the site file, or a thermometer read by hand,
// measures; false for another.
func quantity(s *site.Site, id reading.ProbeID) (reading.Quantity, bool) {
	if p, ok := s.Probe(id); ok {
		return p.Quantity, true
	}
	if strings.HasPrefix(string(id), string(site.HandProbe(""))) {
		return reading.Temperature, true
	}
	return 0, false
}

// baseUnit names the unit a probe's values are stored in; "" where the site
// file no longer has the probe.
func baseUnit(s *site.Site, id reading.ProbeID) string {
	q, ok := quantity(s, id)
	if !ok {
		return ""
	}
	return q.Dimension().Base().String()
}

// csv writes the records of a kind as RFC 4180 says, with a head line.
func (x *exporter) csv(ctx context.Context, w io.Writer, kind string) error {
	rows := map[string]func(context.Context) iter.Seq2[[]string, error]{
		kindReadings: x.readings, kindAlarms: x.alarms, kindChores: x.chores, kindLots: x.lots, kindLotEntries: x.lotEntries, kindActs: x.acts,
	}[kind]
	c := csv.NewWriter(w)
	c.UseCRLF = true
	if err := c.Write(columns[kind]); err != nil {
		return err
	}
	for row, err := range rows(ctx) {
		if err != nil {
			return err
		}
		if err := c.Write(row); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

// rows turns what seq yields into rows.
func rows[T any](seq iter.Seq2[T, error], row func(T) []string) iter.Seq2[[]string, error] {
	return func(yield func([]string, error) bool) {
		for v, err := range seq {
			if err != nil {
				yield(nil, err)
				return
			}
			if !yield(row(v), nil) {
				return
			}
		}
	}
}

func (x *exporter) readings(ctx context.Context) iter.Seq2[[]string, error] {
	return func(yield func([]string, error) bool) {
		for _, p := range x.probes {
			unit := baseUnit(x.site, p)
			for row, err := range rows(x.history.Readings(ctx, p, x.from, x.to), func(r reading.Reading) []string {
				return sheet.ReadingRow(r, unit)
			}) {
				if !yield(row, err) {
					return
				}
			}
		}
	}
}

func (x *exporter) alarms(ctx context.Context) iter.Seq2[[]string, error] {
	return rows(x.ledger.Transitions(ctx, x.from, x.to), func(t alarm.Transition) []string {
		return []string{
			formatTime(t.At), string(t.Key), strconv.FormatUint(t.Occurrence, 10), t.From.String(), t.To.String(), formatTime(t.Since),
			t.Priority.String(), string(t.Kind), t.Rule, t.RuleAt, t.Unit, string(t.Probe), t.Trouble, t.Detail, t.CanHappen, t.ToDo, t.By, t.Hidden, string(t.Cause), t.Left, t.Via,
		}
	})
}

// acts gives the acts of the range, in order of commit.
func (x *exporter) acts(ctx context.Context) iter.Seq2[[]string, error] {
	return func(yield func([]string, error) bool) {
		acts, err := x.ledger.Acts(ctx, x.from)
		if err != nil {
			yield(nil, err)
			return
		}
		for _, a := range acts {
			if a.At.Before(x.to) && !yield([]string{
				a.ID, string(a.Kind), formatTime(a.At), a.By, a.Via, string(a.Alarm), strconv.FormatUint(a.Occurrence, 10), a.Unit, a.Chore, formatTime(a.Until), a.Why,
			}, nil) {
				return
			}
		}
	}
}

func (x *exporter) chores(ctx context.Context) iter.Seq2[[]string, error] {
	return rows(x.ledger.Chores(ctx, x.from, x.to), func(c site.ChoreDone) []string {
		return []string{formatTime(c.At), c.Chore, c.Unit, c.By, c.Via}
	})
}

// lots gives one row for each stay of each lot.
func (x *exporter) lots(ctx context.Context) iter.Seq2[[]string, error] {
	return func(yield func([]string, error) bool) {
		for _, of := range []struct {
			withdrawn string
			read      func(context.Context) ([]lot.Lot, error)
		}{{"no", x.ledger.Lots}, {"yes", x.ledger.WithdrawnLots}} {
			lots, err := of.read(ctx)
			if err != nil {
				yield(nil, err)
				return
			}
			for _, l := range lots {
				needs := ""
				if l.Needs != nil {
					b, err := json.Marshal(l.Needs) // sorts by stage
					if err != nil {
						yield(nil, err)
						return
					}
					needs = string(b)
				}
				for _, s := range l.Path {
					if !l.Path[0].From.Before(x.to) {
						break
					}
					if !yield([]string{
						l.ID, l.Species, l.Strain, l.Source, formatTime(l.EggTake), string(l.Start), formatFloat(float64(l.StartUnits)), strconv.Itoa(l.Eggs),
						formatFloat(float64(l.BaseC)), needs, s.Unit, l.Trays, formatTime(s.From), of.withdrawn,
					}, nil) {
						return
					}
				}
			}
		}
	}
}

// lotEntries gives the entries that happened in the range, in order of Seq.
func (x *exporter) lotEntries(ctx context.Context) iter.Seq2[[]string, error] {
	return func(yield func([]string, error) bool) {
		entries, err := x.ledger.LotEntries(ctx)
		if err != nil {
			yield(nil, err)
			return
		}
		for _, e := range entries {
			if !e.At.Before(x.from) && e.At.Before(x.to) && !yield(lotEntryRow(e), nil) {
				return
			}
		}
	}
}

// lotEntryRow writes an entry. What it does not have is left empty.
func lotEntryRow(e book.Entry) []string {
	whole := func(n int64) string {
		if n == 0 {
			return ""
		}
		return strconv.FormatInt(n, 10)
	}
	row := []string{
		whole(e.Seq), e.ID, e.Lot, string(e.Kind), formatTime(e.At), formatTime(e.RecordedAt), e.By, whole(e.Corrects),
		e.Unit, e.To, e.Trays, whole(int64(e.Number)), e.Other, e.Place, string(e.Part), e.Text,
	}
	count := func(c *book.Count) []string {
		return []string{string(c.Method), strconv.Itoa(c.Number), strconv.Itoa(c.SampleNumber), formatFloat(c.SampleAmount), formatFloat(c.TotalAmount)}
	}
	row = append(row, make([]string, openingColumn+openingWidth-countColumn)...)
	if e.Count != nil {
		copy(row[countColumn:], count(e.Count))
	}
	if s := e.Sample; s != nil {
		copy(row[sampleColumn:], []string{strconv.Itoa(s.Number), formatFloat(float64(s.WeightG)), formatFloat(s.LengthMM)})
	}
	if o := e.Open; o != nil {
		copy(row[openingColumn:], append([]string{
			o.Species, o.Strain, o.Source, formatTime(o.EggTake), string(o.Start), formatFloat(float64(o.StartUnits)), formatFloat(float64(o.BaseC)),
		}, count(&o.Count)...))
	}
	return row
}

// senMLUnits are the registered units (RFC 8428, section 12.1, from memory) of
// the amounts, and what a value in the base unit is divided by to get there.
// Neither L/min nor mg/L is registered.
var senMLUnits = map[reading.Quantity]struct {
	unit string
	per  float64
}{
	reading.Temperature: {"Cel", 1},
	reading.Flow:        {"m3/s", 60_000},
	reading.Oxygen:      {"kg/m3", 1000},
	reading.Saturation:  {"/", 100},
}

// senMLFirst is the first time that SenML can tell: smaller numbers are relative
// to now (RFC 8428, section 4.5.3, from memory).
var senMLFirst = time.Unix(1<<28, 0).UTC()

// senML writes the readings as one SenML pack, a record a line.
func (x *exporter) senML(ctx context.Context, w io.Writer) error {
	start := fmt.Sprintf("[\n{\"bn\":%q,", "site/"+senMLName(x.site.Name)+"/")
	for _, p := range x.probes {
		q, ok := quantity(x.site, p)
		u := senMLUnits[q]
		name := fmt.Sprintf("%q", senMLName(string(p)))
		for r, err := range x.history.Readings(ctx, p, x.from, x.to) {
			switch {
			case err != nil:
				return err
			case !ok:
				return fmt.Errorf("the site file no longer has the probe %q, so its unit is not known; use --format csv, or name the others with --probe", p)
			case r.At.Before(senMLFirst):
				return fmt.Errorf("probe %q has a reading of %s, and SenML has no times before %s; use --format csv, or --from", p, formatTime(r.At), formatTime(senMLFirst))
			}
			us := r.At.UnixMicro()
			if q == reading.Contact { // a boolean value (RFC 8428, section 4.3, from memory)
				if _, err := fmt.Fprintf(w, "%s\"n\":%s,\"t\":%d.%06d,\"vb\":%t}", start, name, us/1e6, us%1e6, r.Value == reading.Closed); err != nil {
					return err
				}
				start = ",\n{"
				continue
			}
			if _, err := fmt.Fprintf(w, "%s\"n\":%s,\"u\":%q,\"t\":%d.%06d,\"v\":%s}", start, name, u.unit, us/1e6, us%1e6, formatFloat(r.Value/u.per)); err != nil {
				return err
			}
			start = ",\n{"
		}
	}
	end := "\n]\n"
	if strings.HasPrefix(start, "[") {
		end = "[]\n"
	}
	_, err := io.WriteString(w, end)
	return err
}

// senMLName writes a name in the few characters that SenML allows: letters,
// digits and "-./" stay, a space becomes "_", and any other byte ":" and two hex
// digits. No two names become one. The base name before it starts with a letter,
// as a whole name must (RFC 8428, section 4.5.1, from memory).
func senMLName(name string) string {
	var b strings.Builder
	for i := range len(name) {
		switch c := name[i]; {
		case 'a' <= c && c <= 'z', 'A' <= c && c <= 'Z', '0' <= c && c <= '9', c == '-', c == '.', c == '/':
			b.WriteByte(c)
		case c == ' ':
			b.WriteByte('_')
		default:
			fmt.Fprintf(&b, ":%02x", c)
		}
	}
	return b.String()
}
