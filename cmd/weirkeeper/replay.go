package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/cmd/weirkeeper/internal/replay"
	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

func runReplay(ctx context.Context, e env, args []string) int {
	fs := flag.NewFlagSet("replay", flag.ContinueOnError)
	path := fs.String("site", defaultSite, "site `file`")
	var rulesFiles, against, tables list
	fs.Var(&rulesFiles, "rules", "rules `file` to replay instead of the site's own; may be given again")
	fs.Var(&against, "against", "rules `file` to compare with; may be given again")
	fromText := fs.String("from", "", "first `time`, such as 2026-11-01 or \"2026-11-01 06:30\", in the site's time zone (default: the beginning)")
	toText := fs.String("to", "", "`time` to stop before (default: the last reading)")
	format := fs.String("format", "text", "`format`: text, or csv with a line for each alarm")
	fs.Var(&tables, "csv", "`file` of readings to replay instead of the record: one that weirkeeper export wrote, or a logger's table described by the flags below; may be given again")
	var m mapping
	probe := fs.String("probe", "", "`name` of the probe that a logger's table is of")
	fs.StringVar(&m.timeColumn, "time-column", "", "`head` of the table's column with the times")
	fs.StringVar(&m.valueColumn, "value-column", "", "`head` of the table's column with the values")
	fs.StringVar(&m.layout, "time-format", time.RFC3339, "how the times are written, as for weirkeeper import")
	zone := fs.String("zone", "", "`zone` of the logger's clock, as for weirkeeper import")
	unit := fs.String("unit", "", "`unit` of the values, such as degF or gpm")
	bad := fs.Int("bad-lines", 100, "most bad `lines` to leave out of a table")
	rest, code, ok := e.parse("replay", fs, args)
	switch {
	case !ok:
		return code
	case len(rest) > 0:
		return e.usage("replay", "replay takes no arguments besides its flags; a rules file goes after --rules")
	case *format != "text" && *format != "csv":
		return e.usage("replay", "there is no format %q; there are text and csv", *format)
	}
	a, code, ok := e.rulesOf(*path, rulesFiles)
	if !ok {
		return code
	}
	s := a.config.Site
	r := replay.Report{Site: s, NameA: named(rulesFiles, a)}
	programs := []*lang.Program{a.program}
	if len(against) > 0 {
		b, code, ok := e.rulesOf(*path, against)
		if !ok {
			return code
		}
		r.NameB = named(against, b)
		programs = append(programs, b.program)
	}
	in := replay.Input{Site: s}
	var err error
	for _, f := range []struct {
		name, text string
		to         *time.Time
	}{{"from", *fromText, &in.From}, {"to", *toText, &in.To}} {
		if f.text == "" {
			continue
		}
		if *f.to, err = parseWhen(f.text, s.Location); err != nil {
			return e.usage("replay", "--%s: %v", f.name, err)
		}
	}
	whole := func() error { return nil }
	if len(tables) > 0 {
		var mp *mapping
		if *probe != "" {
			if err := m.resolve(s, *probe, *zone, *unit, e.now()); err != nil {
				return e.usage("replay", "%v", err)
			}
			mp = &m
		}
		in.Streams, err = tableStreams(ctx, s, tables, mp, *bad, e.err)
	} else {
		var done func()
		whole, done, err = e.recordInput(ctx, a, &in)
		if done != nil {
			defer done()
		}
	}
	if err != nil {
		return e.fault(err)
	}
	var results []replay.Result
	r.Played, results, err = replay.Run(ctx, in, false, programs...)
	if err := errors.Join(err, whole()); err != nil {
		return e.fault(fmt.Errorf("replay: %w", err))
	}
	if r.Played.Readings == 0 {
		return e.fault(errors.New("replay: there is no reading in that time; see weirkeeper export for what there is"))
	}
	r.A = &results[0]
	if len(results) > 1 {
		r.B = &results[1]
	}
	write := r.Write
	if *format == "csv" {
		write = r.WriteCSV
	}
	if err := buffered(e.out, write); err != nil {
		return e.fault(fmt.Errorf("replay: %w", err))
	}
	return exitOK
}

// rulesOf reads site and rules, which must be without a fault; what is wrong is
// said.
func (e env) rulesOf(path string, rulesFiles []string) (l *loaded, code int, ok bool) {
	l, err := e.load(path, rulesFiles, e.now())
	if err != nil {
		return nil, e.fault(err), false
	}
	if l.diags.HasErrors() {
		if _, err := l.say(e.err); err != nil {
			return nil, e.fault(err), false
		}
		return nil, exitFault, false
	}
	return l, exitOK, true
}

// named is how rules files are called in a report.
func named(files []string, l *loaded) string {
	if len(files) == 0 {
		files = l.config.Paths.Rules
	}
	return strings.Join(files, " + ")
}

// recordInput opens the record of a daemon that may be running. whole tells
// afterwards whether it could be read to the end; done closes it.
func (e env) recordInput(ctx context.Context, l *loaded, in *replay.Input) (whole func() error, done func(), err error) {
	c := l.config
	led, err := ledger.OpenReader(ctx, filepath.Join(c.Paths.Data, daemon.LedgerFile))
	if err != nil {
		return nil, nil, err
	}
	var v *view
	done = func() {
		if v != nil {
			_ = v.close() // what might remain is a few names of files
		}
		_ = led.Close() // it was only read
	}
	if v, err = e.openView(ctx, c.Paths.Data, led); err != nil {
		return nil, done, fmt.Errorf("open the sealed periods: %w", err)
	}
	if in.Since, err = led.Since(ctx); err != nil {
		return nil, done, err
	}
	beginning := time.Time{}
	if in.Chores, err = led.ChoresDone(ctx, beginning); err != nil {
		return nil, done, err
	}
	if in.Acts, err = led.Acts(ctx, beginning); err != nil {
		return nil, done, err
	}
	if in.Answers, err = led.JournalSince(ctx, beginning); err != nil {
		return nil, done, err
	}
	written, err := led.LotEntries(ctx)
	if err != nil {
		return nil, done, err
	}
	for _, l := range c.Site.Lots {
		in.Entries = append(in.Entries, book.FromSite(l)...)
	}
	in.Entries = append(in.Entries, written...)
	in.Streams = func(from, to time.Time) []replay.Stream {
		var all []replay.Stream
		for i := range c.Site.Probes {
			all = append(all, v.Readings(ctx, c.Site.Probes[i].ID, from, to))
		}
		return all
	}
	return func() error { return errors.Join(v.whole(), v.left()) }, done, nil
}

// tableStreams reads files of readings whole.
func tableStreams(ctx context.Context, s *site.Site, files []string, m *mapping, badLines int, say io.Writer) (func(from, to time.Time) []replay.Stream, error) {
	rows := make(map[reading.ProbeID][]reading.Reading)
	other := 0
	for _, file := range files {
		in := importer{site: s, file: file, mapping: m, limit: badLines, say: say}
		if err := in.read(ctx, func(r record) error {
			if r.reading == nil {
				other++
				return nil
			}
			rows[r.reading.Probe] = append(rows[r.reading.Probe], *r.reading)
			return nil
		}); err != nil {
			if m == nil {
				err = fmt.Errorf("%w; for replay by --probe, --time-column, --value-column and --unit", err)
			}
			return nil, fmt.Errorf("%s: %w", file, err)
		}
	}
	if other > 0 {
		fmt.Fprintf(say, "%d lines hold no readings and are left out.\n", other)
	}
	var missing []string
	for id, of := range rows {
		if _, ok := s.Probe(id); !ok {
			missing = append(missing, string(id))
		}
		slices.SortStableFunc(of, func(a, b reading.Reading) int { return a.At.Compare(b.At) })
	}
	if len(missing) > 0 {
		slices.Sort(missing)
		fmt.Fprintf(say, "Not in the site file and left out: %s.\n", strings.Join(missing, ", "))
	}
	return func(from, to time.Time) []replay.Stream {
		var all []replay.Stream
		for i := range s.Probes {
			of := rows[s.Probes[i].ID]
			first, _ := slices.BinarySearchFunc(of, from, func(r reading.Reading, t time.Time) int { return r.At.Compare(t) })
			end, _ := slices.BinarySearchFunc(of, to, func(r reading.Reading, t time.Time) int { return r.At.Compare(t) })
			all = append(all, replay.Slice(of[first:max(first, end)]))
		}
		return all
	}, nil
}
