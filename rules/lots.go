package rules

import (
	"errors"
	"iter"
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// lotCount counts one lot's thermal units.
type lotCount struct {
	lot     lot.Lot
	main    *site.Probe // nil: no temperature probe anywhere
	spring  bool
	standIn *site.Probe // nil: none
	count   *lot.Integrator
	behind  bool // an older reading came: count again from the record
}

func (e *Engine) addLot(l lot.Lot) {
	lc := &lotCount{lot: l}
	e.lots = append(e.lots, lc)
	main, ok := e.temperatureFor(l.Unit())
	if !ok {
		lc.count = lot.NewIntegrator(l, lot.DefaultGaps(time.Minute))
		return
	}
	lc.main, lc.spring = main, main.At != l.Unit()
	lc.count = lot.NewIntegrator(l, lot.DefaultGaps(main.Every))
	p := e.probe(main.ID)
	p.main = append(p.main, lc)
	if main.StandIn != "" {
		if s := e.probe(main.StandIn); s != nil {
			lc.standIn = s.def
			s.standIn = append(s.standIn, lc)
		}
	}
}

// counts reports whether a reading may enter a lot's units: its value and its
// time are believed. What the broker kept and carries no time of its own may be
// days old.
func counts(r *reading.Reading) bool {
	return r.Usable() && (!r.Flags.Has(reading.Retained) || r.Flags.Has(reading.DeviceTimed))
}

func (l *lotCount) add(r *reading.Reading) {
	if errors.Is(l.count.Add(r.At, measure.TempC(r.Value)), lot.ErrOutOfOrder) {
		l.behind = true
	}
}

func (l *lotCount) addStandIn(r *reading.Reading) {
	// One that comes late may lie in a gap that was closed without it.
	if r.Flags&(reading.OutOfOrder|reading.Late) != 0 && !r.At.Before(l.lot.Path[0].From) {
		l.behind = true
	}
	if l.count.InClosedGap(r.At) {
		l.behind = true
	}
	if r.Flags.Has(reading.OutOfOrder) {
		return
	}
	l.count.AddStandIn(r.At, measure.TempC(r.Value))
}

// LotSource says which readings a lot's units are counted from.
type LotSource struct {
	LotID string
	Main  reading.ProbeID
	// StandIn is "" when there is none.
	StandIn reading.ProbeID
	// From is a little before the lot's first stay, so that the temperature
	// at its start is known.
	From time.Time
}

// LotSources lists every lot that can be counted, for a rebuild at start;
// with onlyBehind, those that an older reading has come for.
func (e *Engine) LotSources(onlyBehind bool) []LotSource {
	var out []LotSource
	for _, l := range e.lots {
		if l.main == nil || (onlyBehind && !l.behind) {
			continue
		}
		s := LotSource{LotID: l.lot.ID, Main: l.main.ID, From: l.lot.Path[0].From.Add(-lot.DefaultGaps(l.main.Every).Short)}
		if l.standIn != nil {
			s.StandIn = l.standIn.ID
		}
		out = append(out, s)
	}
	return out
}

// RebuildLot counts a lot's units again from the record: main and standIn are
// the readings of its LotSource in order of their time (standIn may be nil).
// Errors: those of the sequences; the lot then keeps its old count.
func (e *Engine) RebuildLot(id string, main, standIn iter.Seq2[reading.Reading, error]) error {
	for _, l := range e.lots {
		if l.lot.ID != id || l.main == nil {
			continue
		}
		fresh := lot.NewIntegrator(l.lot, lot.DefaultGaps(l.main.Every))
		if err := feed(fresh, main, standIn); err != nil {
			return err
		}
		l.count, l.behind = fresh, false
	}
	return nil
}

// feed merges the two sequences by time into the integrator.
func feed(in *lot.Integrator, main, standIn iter.Seq2[reading.Reading, error]) error {
	next, stop := func() (reading.Reading, error, bool) { return reading.Reading{}, nil, false }, func() {}
	if standIn != nil {
		next, stop = iter.Pull2(standIn)
	}
	defer stop()
	s, err, more := next()
	for m, merr := range main {
		if merr != nil {
			return merr
		}
		for more && s.At.Before(m.At) {
			if err != nil {
				return err
			}
			if counts(&s) {
				in.AddStandIn(s.At, measure.TempC(s.Value))
			}
			s, err, more = next()
		}
		if counts(&m) {
			if err := in.Add(m.At, measure.TempC(m.Value)); err != nil {
				return err
			}
		}
	}
	for more {
		if err != nil {
			return err
		}
		if counts(&s) {
			in.AddStandIn(s.At, measure.TempC(s.Value))
		}
		s, err, more = next()
	}
	return nil
}

// Lots is every lot with its units up to now and what they foretell.
func (e *Engine) Lots(now time.Time) []LotCount {
	out := make([]LotCount, len(e.lots))
	for i, l := range e.lots {
		v := LotCount{Lot: l.lot, Units: l.count.UnitsAt(now), Spring: l.spring}
		if l.main != nil {
			v.Source = l.main.ID
		}
		v.MeanC, v.HaveMean = l.count.RecentMean()
		v.Forecast = lot.Predict(l.lot, v.Units, v.MeanC, v.HaveMean, now)
		out[i] = v
	}
	return out
}
