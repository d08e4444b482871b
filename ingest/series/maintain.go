package series

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"os"
	"slices"
	"time"

	"weirkeeper/rules/reading"
)

// The points at which Hook is called, in the order of Maintain.
const (
	atBeforeClose  = "before close" // of each part
	atAfterClose   = "after close"
	atSynced       = "synced"
	atVerifying    = "verifying" // after the first reading was handed over
	atVerified     = "verified"
	atOldAside     = "old aside" // of a rebuild: no folder has the final name
	atRenamed      = "renamed"
	atOldRemoved   = "old removed"
	atBeforeDrop   = "before drop"
	atDropped      = "dropped"
	atRetired      = "retired" // renamed, not removed
	atRetiredFully = "retired fully"
)

// Report says what Maintain did.
type Report struct {
	Sealed, Rebuilt, Retired []string // names of periods; one retired at most
	Dropped                  int      // readings, from the ledger
}

// Maintain seals what is over for longer than the grace time, builds anew what
// got late readings, and retires the oldest period if it is older than
// Options.Keep. A month of 100 probes at a reading a minute takes 40 s on one core
// of a desktop machine and minutes on a small one, so call it once a day: late
// readings cost a whole period's building each time. Queries go on meanwhile.
//
// One period at most is retired by a call, and no reading leaves the ledger but
// for a sealed period. So a clock that is years ahead costs a month a day at most,
// and not the history. Readings that come too late to be kept are sealed like any
// other, and retired when it is their turn.
//
// What fails for one period is in the error, changes nothing of that period, and
// does not keep the others from their turn.
func (s *Store) Maintain(ctx context.Context, now time.Time) (Report, error) {
	s.busy.Lock()
	defer s.busy.Unlock()
	var rep Report
	err := s.retire(ctx, now, &rep)
	snapshot, errSnapshot := s.opt.Ledger.Snapshot(ctx)
	first, last, some, errSpan := s.opt.Ledger.Span(ctx)
	if errLedger := errors.Join(errSnapshot, errSpan); errLedger != nil || !some {
		return rep, errors.Join(err, errLedger)
	}
	for from := s.opt.Period.start(first); !from.After(last); from = s.opt.Period.next(from) {
		if ctx.Err() != nil {
			return rep, errors.Join(err, ctx.Err())
		}
		to := s.opt.Period.next(from)
		if to.Add(s.opt.Grace).After(now) {
			break
		}
		if errPeriod := s.maintain(ctx, from, to, snapshot, now, &rep); errPeriod != nil {
			err = errors.Join(err, fmt.Errorf("series: seal %s: %w", s.opt.Period.name(from), errPeriod))
		}
	}
	return rep, err
}

func (s *Store) maintain(ctx context.Context, from, to time.Time, snapshot int64, now time.Time, rep *Report) error {
	probes, err := s.opt.Ledger.PeriodProbes(ctx, from, to, snapshot)
	if err != nil || len(probes) == 0 {
		return err
	}
	if err := s.seal(ctx, from, to, probes, snapshot, now, rep); err != nil {
		return err
	}
	// Also where an earlier call was stopped between renaming and this.
	if err := syncPath(s.opt.Dir); err != nil {
		return err
	}
	s.opt.Hook(atBeforeDrop)
	n, err := s.opt.Ledger.DropPeriod(ctx, from, to, snapshot)
	rep.Dropped += n
	s.opt.Hook(atDropped)
	return err
}

var errLost = errors.New("it was found damaged meanwhile; what is in the ledger will be sealed next time")

// seal returns nil when all that the ledger holds of a period is sealed.
func (s *Store) seal(ctx context.Context, from, to time.Time, probes []reading.ProbeID, snapshot int64, now time.Time, rep *Report) error {
	name := s.opt.Period.name(from)
	old := s.named(name)
	if old != nil {
		// After a kill, or where something came twice, all may be sealed.
		news, err := s.news(ctx, old, probes, snapshot)
		if err != nil {
			return err
		}
		if s.named(name) != old {
			return errLost
		}
		if !news {
			return nil
		}
		probes = append(probes, old.probes()...)
		slices.Sort(probes)
		probes = slices.Compact(probes)
	} else if _, err := os.Lstat(s.path(name)); err == nil {
		return fmt.Errorf("%q cannot be read and is in the way; move it elsewhere", s.path(name))
	}

	// What belongs in it, read anew from the ledger each time it is asked for.
	want := func(probe reading.ProbeID) iter.Seq2[reading.Reading, error] {
		return merge(s.sealed(ctx, probe, from, to), s.opt.Ledger.PeriodReadings(ctx, probe, from, to, snapshot))
	}
	dir, err := os.MkdirTemp(s.opt.Dir, name+suffixBuilding)
	if err != nil {
		return err
	}
	m := manifest{Format: formatVersion, From: from, To: to, Snapshot: snapshot, SealedAt: now.UTC()}
	if err := s.build(ctx, dir, &m, probes, want); err != nil {
		return errors.Join(err, os.RemoveAll(dir))
	}
	if err := s.publish(dir, old, &period{name, m}); err != nil {
		return errors.Join(err, os.RemoveAll(dir))
	}
	if old == nil {
		rep.Sealed = append(rep.Sealed, name)
	} else {
		rep.Rebuilt = append(rep.Rebuilt, name)
	}
	s.opt.Log.InfoContext(ctx, "sealed a period", "period", name, "rebuilt", old != nil, "probes", len(probes))
	return nil
}

// news reports whether the ledger holds a reading that is not sealed in p.
func (s *Store) news(ctx context.Context, p *period, probes []reading.ProbeID, snapshot int64) (bool, error) {
	for _, probe := range probes {
		n := 0
		for _, err := range merge(s.sealed(ctx, probe, p.From, p.To), s.opt.Ledger.PeriodReadings(ctx, probe, p.From, p.To, snapshot)) {
			if err != nil {
				return false, err
			}
			n++
		}
		if n != p.rows(probe) {
			return true, nil
		}
	}
	return false, nil
}

// build writes a whole period into dir, flushes it to the disk and has it
// verified.
func (s *Store) build(ctx context.Context, dir string, m *manifest, probes []reading.ProbeID, want func(reading.ProbeID) iter.Seq2[reading.Reading, error]) error {
	for _, probe := range probes {
		if err := s.buildProbe(dir, m, probe, want(probe)); err != nil {
			return fmt.Errorf("write probe %q: %w", probe, err)
		}
	}
	if err := errors.Join(writeManifest(dir, *m), syncTree(dir)); err != nil {
		return err
	}
	s.opt.Hook(atSynced)
	err := s.opt.Verify(ctx, dir, func(yield func(reading.Reading, error) bool) {
		first := true
		for _, probe := range probes {
			for r, err := range want(probe) {
				if !yield(r, err) || err != nil {
					return
				}
				if first {
					s.opt.Hook(atVerifying)
				}
				first = false
			}
		}
	})
	s.opt.Hook(atVerified)
	return err
}

func (s *Store) buildProbe(dir string, m *manifest, probe reading.ProbeID, rows iter.Seq2[reading.Reading, error]) (err error) {
	var w *partWriter
	finish := func() error {
		if w == nil {
			return nil
		}
		s.opt.Hook(atBeforeClose)
		p, err := w.close()
		w = nil
		s.opt.Hook(atAfterClose)
		m.Parts = append(m.Parts, p)
		return err
	}
	defer func() { err = errors.Join(err, finish()) }()
	for r, err := range rows {
		if err != nil {
			return err
		}
		if w != nil && w.full(r.At) {
			if err := finish(); err != nil {
				return err
			}
		}
		if w == nil {
			if w, err = newPart(dir, fmt.Sprintf("%04d", len(m.Parts)), probe, m.From); err != nil {
				return err
			}
		}
		if err := w.add(r); err != nil {
			return err
		}
	}
	return nil
}

// publish renames a verified folder into its place, and what was there out of it.
// At every point Open finds exactly one of the two.
func (s *Store) publish(dir string, old, p *period) error {
	path := s.path(p.name)
	if err := s.swap(dir, path, old, p); err != nil {
		return err
	}
	s.opt.Hook(atRenamed)
	if old == nil {
		return nil
	}
	err := os.RemoveAll(path + suffixReplaced)
	s.opt.Hook(atOldRemoved)
	return err
}

func (s *Store) swap(dir, path string, old, p *period) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	i := slices.Index(s.periods, old)
	if old != nil {
		if i < 0 {
			return errLost
		}
		if err := errors.Join(os.RemoveAll(path+suffixReplaced), os.Rename(path, path+suffixReplaced)); err != nil {
			return err
		}
		s.opt.Hook(atOldAside)
	}
	if err := os.Rename(dir, path); err != nil {
		if old != nil {
			err = errors.Join(err, os.Rename(path+suffixReplaced, path))
		}
		return err
	}
	if old != nil {
		s.periods[i] = p
	} else {
		s.periods = append(s.periods, p)
		slices.SortFunc(s.periods, func(a, b *period) int { return a.From.Compare(b.From) })
	}
	return syncPath(s.opt.Dir)
}

func (s *Store) named(name string) *period {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if i := slices.IndexFunc(s.periods, func(p *period) bool { return p.name == name }); i >= 0 {
		return s.periods[i]
	}
	return nil
}

// retire removes the oldest period if it is older than Options.Keep.
func (s *Store) retire(ctx context.Context, now time.Time, rep *Report) error {
	p := s.oldest()
	if s.opt.Keep == 0 || p == nil || p.To.Add(s.opt.Keep).After(now) {
		return nil
	}
	if err := s.remove(ctx, p); err != nil {
		return fmt.Errorf("series: retire %s: %w", p.name, err)
	}
	rep.Retired = append(rep.Retired, p.name)
	return nil
}

func (s *Store) oldest() *period {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if len(s.periods) == 0 {
		return nil
	}
	return s.periods[0]
}

// DropOldest removes the oldest sealed period, to make room on a full disk, and
// returns its name; empty if there is none. It is the first of Periods that is
// not damaged, whose Bytes say how much room that makes.
func (s *Store) DropOldest(ctx context.Context) (string, error) {
	s.busy.Lock()
	defer s.busy.Unlock()
	oldest := s.oldest()
	if oldest == nil {
		return "", nil
	}
	if err := s.remove(ctx, oldest); err != nil {
		return "", fmt.Errorf("series: drop %s: %w", oldest.name, err)
	}
	return oldest.name, nil
}

// remove renames before it removes, lest a kill leave half a period.
func (s *Store) remove(ctx context.Context, p *period) error {
	retired := s.path(p.name) + suffixRetired
	s.mu.Lock()
	i := slices.Index(s.periods, p)
	var err error
	if i >= 0 {
		if err = errors.Join(os.Rename(s.path(p.name), retired), syncPath(s.opt.Dir)); err == nil {
			s.periods = slices.Delete(s.periods, i, i+1)
		}
	}
	s.mu.Unlock()
	if err != nil {
		return err
	}
	s.opt.Hook(atRetired)
	err = os.RemoveAll(retired)
	s.opt.Hook(atRetiredFully)
	s.opt.Log.InfoContext(ctx, "removed a sealed period", "period", p.name)
	return err
}
