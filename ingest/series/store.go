package series

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"weirkeeper/rules/reading"
)

// Ledger is where readings are until they are sealed; see ingest/ledger.
type Ledger interface {
	Span(ctx context.Context) (first, last time.Time, ok bool, err error)
	Snapshot(ctx context.Context) (seq int64, err error)
	PeriodProbes(ctx context.Context, from, to time.Time, snapshot int64) ([]reading.ProbeID, error)
	PeriodReadings(ctx context.Context, probe reading.ProbeID, from, to time.Time, snapshot int64) iter.Seq2[reading.Reading, error]
	DropPeriod(ctx context.Context, from, to time.Time, snapshot int64) (int, error)
	Readings(ctx context.Context, probe reading.ProbeID, from, to time.Time) iter.Seq2[reading.Reading, error]
}

// Options says where sealed history is and how it is kept.
type Options struct {
	// Dir holds the periods. It is created if missing, for the owner alone.
	Dir    string
	Period Period
	// Grace is how long after its end a period is sealed; 0 means 48 h, in
	// which most of what was held up has come.
	Grace time.Duration
	// Keep is how long readings are kept after the end of their period, at
	// least: each Maintain retires one period. 0 means for ever.
	Keep time.Duration
	// Ledger is the record. Required.
	Ledger Ledger
	// Verify compares a folder about to take its place with what should be
	// in it: Child, or VerifyDir where another process is too much. Required.
	Verify func(ctx context.Context, dir string, want iter.Seq2[reading.Reading, error]) error
	// Now names what is set aside. Required.
	Now func() time.Time
	// Log hears of what was sealed, mended and set aside. Required.
	Log *slog.Logger
	// OnDamaged is told once of each period that cannot be read, by the
	// call that found it; may be nil. It must not call the Store.
	OnDamaged func(period string, cause error)
	// Hook is called at each step of Maintain; nil but in tests.
	Hook func(point string)
	// MaxOpen is how many parts are open at a time, of some 5 MB each; further
	// readers wait. 0 means 4.
	MaxOpen int
}

// Store is sealed history with the ledger behind it. All methods may be called
// from any goroutine.
type Store struct {
	opt  Options
	open chan struct{} // holds a token for each open part
	busy sync.Mutex    // held while periods are built, replaced or removed

	mu      sync.RWMutex // held to change, or to rely on, what is on the disk
	periods []*period    // in order of time
	damaged []PeriodInfo
}

// period is a sealed period that may be read.
type period struct {
	name string
	manifest
}

// PeriodInfo describes a period on the disk.
type PeriodInfo struct {
	Name     string // "2026-11"
	From, To time.Time
	Probes   int
	Readings int
	Bytes    int64 // of the files of its parts
	SealedAt time.Time
	// Damaged is the folder it was moved to because it cannot be read, or
	// where it stays because this program is not meant to read it; empty if all
	// is well. The fields between Name and this one are then not set.
	Damaged string
}

const (
	suffixBuilding = ".building-"
	suffixReplaced = ".replaced"
	suffixRetired  = ".retired"
	suffixDamaged  = ".damaged-"
)

// Open finds the sealed periods and clears away what a killed process left
// unfinished. A period that is damaged is moved aside and reported; the error
// is only for a folder that cannot be used at all.
func Open(ctx context.Context, opt Options) (*Store, error) {
	if opt.Grace == 0 {
		opt.Grace = 48 * time.Hour
	}
	if opt.MaxOpen == 0 {
		opt.MaxOpen = 4
	}
	if opt.Hook == nil {
		opt.Hook = func(string) {}
	}
	if opt.OnDamaged == nil {
		opt.OnDamaged = func(string, error) {}
	}
	dir, err := filepath.Abs(opt.Dir)
	if err != nil {
		return nil, fmt.Errorf("series: find %q: %w", opt.Dir, err)
	}
	opt.Dir, opt.Log = dir, opt.Log.With("component", "series")
	s := &Store{opt: opt, open: make(chan struct{}, opt.MaxOpen)}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("series: create %q: %w", dir, err)
	}
	if err := s.load(ctx); err != nil {
		return nil, fmt.Errorf("series: open %q: %w", dir, err)
	}
	return s, nil
}

func (s *Store) path(name string) string { return filepath.Join(s.opt.Dir, name) }

func (s *Store) load(ctx context.Context) error {
	entries, err := os.ReadDir(s.opt.Dir)
	if err != nil {
		return err
	}
	names := make(map[string]bool)
	for _, e := range entries {
		name := e.Name()
		base, _, _ := strings.Cut(name, ".")
		if _, ours := s.opt.Period.parse(base); !ours || !e.IsDir() {
			s.opt.Log.WarnContext(ctx, "left alone what is not a sealed period", "name", name)
			continue
		}
		switch suffix := strings.TrimPrefix(name, base); {
		case suffix == "" || suffix == suffixReplaced:
			names[base] = true
		case strings.HasPrefix(suffix, suffixDamaged):
			s.damaged = append(s.damaged, PeriodInfo{Name: base, Damaged: s.path(name)})
		case suffix == suffixRetired || strings.HasPrefix(suffix, suffixBuilding):
			if err := os.RemoveAll(s.path(name)); err != nil {
				return err
			}
		}
	}
	for name := range names {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := s.loadPeriod(ctx, name); err != nil {
			return err
		}
	}
	slices.SortFunc(s.periods, func(a, b *period) int { return a.From.Compare(b.From) })
	return nil
}

// loadPeriod finds the one good copy of a period.
func (s *Store) loadPeriod(ctx context.Context, name string) error {
	replaced := s.path(name + suffixReplaced)
	for {
		m, err := readManifest(s.path(name))
		if from, _ := s.opt.Period.parse(name); err == nil && (!m.From.Equal(from) || !m.To.Equal(s.opt.Period.next(from))) {
			err = damaged("it says that it is of %s", s.opt.Period.name(m.From))
		}
		if err == nil {
			s.periods = append(s.periods, &period{name, m})
			// If that is there, the rebuilt one took its place; see to it
			// that it still has it after a power cut.
			if _, err := os.Lstat(replaced); errors.Is(err, fs.ErrNotExist) {
				return nil
			}
			return errors.Join(syncPath(s.opt.Dir), os.RemoveAll(replaced))
		}
		// Killed while the rebuilt one took its place, or that is damaged.
		_, missing := os.Stat(s.path(name))
		if !errors.Is(missing, fs.ErrNotExist) {
			s.setAside(ctx, name, err)
		}
		if err := os.Rename(replaced, s.path(name)); err != nil {
			if errors.Is(err, fs.ErrNotExist) || !errors.Is(missing, fs.ErrNotExist) {
				return nil // there is no other copy, or no place for it
			}
			return err
		}
		s.opt.Log.WarnContext(ctx, "put back a period that was being replaced", "period", name)
	}
}

// setAside moves a damaged folder out of the way, under a name of its own. One
// that only cannot be read, or is of another version, stays where it is.
func (s *Store) setAside(ctx context.Context, name string, cause error) {
	to := s.path(name)
	if errors.Is(cause, errDamaged) || errors.Is(cause, syscall.EIO) {
		aside := to + suffixDamaged + s.opt.Now().UTC().Format("20060102T150405Z")
		for n := 2; ; n++ {
			if _, err := os.Lstat(aside); err != nil {
				break
			}
			aside = fmt.Sprintf("%s%s%s-%d", to, suffixDamaged, s.opt.Now().UTC().Format("20060102T150405Z"), n)
		}
		if err := errors.Join(os.Rename(to, aside), syncPath(s.opt.Dir)); err != nil {
			cause = fmt.Errorf("%w (and cannot be moved aside: %w)", cause, err)
		} else {
			to = aside
		}
	}
	cause = fmt.Errorf("series: period %s is in %q: %w; put back a good copy from a backup as %q", name, to, cause, s.path(name))
	s.damaged = append(s.damaged, PeriodInfo{Name: name, Damaged: to})
	s.opt.Log.ErrorContext(ctx, "a sealed period cannot be read", "period", name, "err", cause)
	s.opt.OnDamaged(name, cause)
}

// lose sets aside a period in which something was found while it was read.
func (s *Store) lose(ctx context.Context, p *period, cause error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if i := slices.Index(s.periods, p); i >= 0 {
		s.periods = slices.Delete(s.periods, i, i+1)
		s.setAside(ctx, p.name, cause)
	}
}

// Periods lists what is on the disk, in order of time; those that cannot be read
// come last.
func (s *Store) Periods() []PeriodInfo {
	s.mu.RLock()
	defer s.mu.RUnlock()
	var all []PeriodInfo
	for _, p := range s.periods {
		info := PeriodInfo{Name: p.name, From: p.From, To: p.To, Probes: len(p.probes()), SealedAt: p.SealedAt}
		for _, part := range p.Parts {
			info.Readings += part.Rows
			for _, f := range part.Files {
				info.Bytes += f.Size
			}
		}
		all = append(all, info)
	}
	return append(all, s.damaged...)
}

// windowRows is how many readings of the ledger are held at once; one more is
// looked at, which makes whole pages of the ledger.
const windowRows = 4095

// Readings yields the readings of a probe with from <= At < to, sealed or not, in
// order of At, each once; among equal ones first the sealed, then in order of
// commit. An error ends it. What is committed meanwhile may or may not be among
// them. What was sealed in a period that turns out to be damaged is left out
// and told to OnDamaged.
//
// It holds some thousand readings of the ledger and one part at a time.
func (s *Store) Readings(ctx context.Context, probe reading.ProbeID, from, to time.Time) iter.Seq2[reading.Reading, error] {
	return func(yield func(reading.Reading, error) bool) {
		// Times between two microseconds are cut off, as in the ledger.
		from, to := micros(from), micros(to)
		for from.Before(to) {
			// First the ledger, then the sealed periods: what is dropped
			// from the ledger before the first look has been sealed before
			// the second.
			var unsealed []reading.Reading
			end := to
			for r, err := range s.opt.Ledger.Readings(ctx, probe, from, to) {
				if err != nil {
					yield(reading.Reading{}, err)
					return
				}
				if n := len(unsealed); n >= windowRows && r.At.After(unsealed[n-1].At) {
					end = r.At
					break
				}
				unsealed = append(unsealed, r)
			}
			all := s.sealed(ctx, probe, from, end)
			if len(unsealed) > 0 {
				all = merge(all, withoutError(slices.Values(unsealed)))
			}
			for r, err := range all {
				if !yield(r, err) || err != nil {
					return
				}
			}
			from = end
		}
	}
}

func withoutError[T any](seq iter.Seq[T]) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for v := range seq {
			if !yield(v, nil) {
				return
			}
		}
	}
}

// merge yields the readings of both, each in order of At, in order of At and the
// sealed ones first; an unsealed one that is sealed too is left out.
func merge(sealed, unsealed iter.Seq2[reading.Reading, error]) iter.Seq2[reading.Reading, error] {
	return func(yield func(reading.Reading, error) bool) {
		next, stop := iter.Pull2(unsealed)
		defer stop()
		u, err, more := next()
		// Values sealed at the time of u.
		same := make(map[float64]struct{})
		// pass yields those up to the time given, or all.
		pass := func(before func(time.Time) bool) bool {
			for more && (err != nil || before(u.At)) {
				if _, twice := same[u.Value]; !twice || err != nil {
					if !yield(u, err) || err != nil {
						return false
					}
				}
				at := u.At
				if u, err, more = next(); !u.At.Equal(at) {
					clear(same)
				}
			}
			return true
		}
		for r, errSealed := range sealed {
			if errSealed != nil {
				yield(r, errSealed)
				return
			}
			if !pass(r.At.After) {
				return
			}
			if more && u.At.Equal(r.At) {
				same[r.Value] = struct{}{}
			}
			if !yield(r, nil) {
				return
			}
		}
		pass(func(time.Time) bool { return true })
	}
}

// sealed yields the sealed readings of a probe with from <= At < to.
func (s *Store) sealed(ctx context.Context, probe reading.ProbeID, from, to time.Time) iter.Seq2[reading.Reading, error] {
	return func(yield func(reading.Reading, error) bool) {
		for {
			rows, last, err := s.nextPart(ctx, probe, from, to)
			if err != nil {
				yield(reading.Reading{}, err)
				return
			}
			if rows == nil {
				return
			}
			for r := range rows.all(from.UnixMicro()) {
				if !r.At.Before(to) {
					return
				}
				if !yield(r, nil) {
					return
				}
			}
			from = last.Add(time.Microsecond)
		}
	}
}

// nextPart reads the first part with readings of from <= At < to, nil if there
// is none, and the time of its last reading.
func (s *Store) nextPart(ctx context.Context, probe reading.ProbeID, from, to time.Time) (*sealedRows, time.Time, error) {
	select {
	case s.open <- struct{}{}:
		defer func() { <-s.open }()
	case <-ctx.Done():
		return nil, time.Time{}, ctx.Err()
	}
	for {
		if err := ctx.Err(); err != nil {
			return nil, time.Time{}, err
		}
		p, part, rows, err := s.readPart(probe, from, to)
		if err == nil {
			return rows, part.Last, nil
		}
		if !errors.Is(err, errDamaged) && !errors.Is(err, syscall.EIO) {
			return nil, time.Time{}, fmt.Errorf("series: read probe %q in period %s: %w", probe, p.name, err)
		}
		s.lose(ctx, p, err)
	}
}

func (s *Store) readPart(probe reading.ProbeID, from, to time.Time) (*period, part, *sealedRows, error) {
	// The folder stays where it is until it is open; from then on it may go.
	s.mu.RLock()
	p, part := s.find(probe, from, to)
	if p == nil {
		s.mu.RUnlock()
		return nil, part, nil, nil
	}
	st, err := openPart(s.path(p.name), part)
	s.mu.RUnlock()
	if err != nil {
		return p, part, nil, err
	}
	rows, err := readRows(st, p.From, part)
	return p, part, rows, err
}

// find returns the first part of a probe that has or may have readings of from
// <= At < to.
func (s *Store) find(probe reading.ProbeID, from, to time.Time) (*period, part) {
	for _, p := range s.periods {
		if !p.To.After(from) {
			continue
		}
		if !p.From.Before(to) {
			break
		}
		for _, part := range p.Parts {
			if part.Probe == probe && !part.Last.Before(from) && part.First.Before(to) {
				return p, part
			}
		}
	}
	return nil, part{}
}

// Bucket sums up the usable readings of From <= At < the next bucket's From.
type Bucket struct {
	From time.Time
	// Min, Mean (of the readings, however spaced) and Max are in the base
	// unit of the probe's quantity, and 0 if Count is; Last is the value of the
	// last of them.
	Min, Mean, Max, Last float64
	Count                int
	// LastAt is the time of the last of them, zero if Count is.
	LastAt time.Time
	// Longest is the longest time without a usable reading that ended with one
	// of them; that before the first of all counts from the start of the range.
	// 0 if Count is.
	Longest time.Duration
}

// Buckets divides from <= At < to into n buckets of equal length, to the
// microsecond, and sums up the readings of each for a plot. Readings that are not
// Usable are left out.
func (s *Store) Buckets(ctx context.Context, probe reading.ProbeID, from, to time.Time, n int) ([]Bucket, error) {
	from, to = micros(from), micros(to)
	if n < 1 || !from.Before(to) {
		return nil, fmt.Errorf("series: %d buckets from %s to %s: there must be one at least and the end after the start", n, from, to)
	}
	length := to.UnixMicro() - from.UnixMicro()
	edge := func(i int) time.Time {
		// length*i/n without overflow.
		whole, rest := length/int64(n), length%int64(n)
		return time.UnixMicro(from.UnixMicro() + whole*int64(i) + rest*int64(i)/int64(n)).UTC()
	}
	buckets := make([]Bucket, n)
	for i := range buckets {
		buckets[i].From = edge(i)
	}
	i, before := 0, from
	for r, err := range s.Readings(ctx, probe, from, to) {
		if err != nil {
			return nil, err
		}
		for i+1 < n && !r.At.Before(buckets[i+1].From) {
			i++
		}
		if !r.Usable() {
			continue
		}
		b := &buckets[i]
		if b.Count == 0 {
			b.Min, b.Max = math.Inf(1), math.Inf(-1)
		}
		b.Count++
		b.Min, b.Max = min(b.Min, r.Value), max(b.Max, r.Value)
		b.Mean += (r.Value - b.Mean) / float64(b.Count)
		b.Longest = max(b.Longest, r.At.Sub(before))
		b.Last, b.LastAt, before = r.Value, r.At, r.At
	}
	return buckets, nil
}
