package daemon

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/calendar"
	"weirkeeper/cmd/weirkeeper/internal/sheet"
	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/ingest/series"
	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
	"weirkeeper/rules/stock"
)

// openBook reads the lots' record. The site file's lots begin it; one that has
// vanished from there goes on if anything was written of it.
func (k *keeper) openBook(ctx context.Context) error {
	written, err := k.ledger.LotEntries(ctx)
	if err != nil {
		return fmt.Errorf("daemon: read the lots' record: %w", err)
	}
	withdrawn, err := k.ledger.WithdrawnLots(ctx)
	if err != nil {
		return fmt.Errorf("daemon: read the lots' record: %w", err)
	}
	begun := begunByEntry(written)
	for _, l := range k.site.Lots {
		if begun[l.ID] {
			k.log.Warn("a lot of the site file has the name of one that was opened by command: the record's counts and the block is left out; give one of them another name", "lot", l.ID)
			continue
		}
		k.entries = append(k.entries, book.FromSite(l)...)
	}
	for _, l := range withdrawn {
		if !begun[l.ID] && slices.ContainsFunc(written, func(e book.Entry) bool { return e.Lot == l.ID || e.Other == l.ID }) {
			k.entries = append(k.entries, book.FromSite(l)...)
		}
	}
	k.entries = append(k.entries, written...)
	for _, e := range written {
		k.lastEntry = max(k.lastEntry, e.Seq)
	}
	k.setBook()
	for _, l := range k.engine.Book().Lots() {
		for _, h := range l.Holdings {
			if _, ok := k.site.Unit(h.Unit); !ok {
				k.log.Warn("a lot lies in a unit that the site file no longer has: its units are counted from the spring's probe; give the unit its name back, or write when the lot was moved", "lot", l.ID, "unit", h.Unit)
			}
		}
	}
	for _, p := range k.engine.Book().Problems() {
		k.log.Warn("an entry in the lots' record does not fit and is left out: correct it, or the site file", "lot", p.Lot, "entry", p.Seq, "problem", p.Text)
	}
	return nil
}

// begunByEntry are the lots that an entry opened or split off, and no other took
// that back.
func begunByEntry(written []book.Entry) map[string]bool {
	struck := make(map[int64]bool)
	for _, e := range written {
		struck[e.Corrects] = struck[e.Corrects] || e.Kind == book.Struck
	}
	begun := make(map[string]bool)
	for _, e := range written {
		switch {
		case struck[e.Seq]:
		case e.Kind == book.Opened:
			begun[e.Lot] = true
		case e.Kind == book.Split:
			begun[e.Other] = true
		}
	}
	return begun
}

// setBook folds the entries anew. Forecasts in a unit that no lot lay in before
// want to know its water of last year.
func (k *keeper) setBook() {
	k.engine.SetBook(book.New(k.entries, k.engine.BookOptions()))
	if len(k.withoutYear()) > 0 {
		k.askYear()
	}
}

// withoutYear are the waters whose course of last year the engine was not given.
func (k *keeper) withoutYear() map[string]reading.ProbeID {
	units := k.engine.LotWaters()
	maps.DeleteFunc(units, func(unit string, _ reading.ProbeID) bool { return k.hasYear[unit] })
	return units
}

func (k *keeper) askYear() {
	select {
	case k.needYear <- struct{}{}:
	default:
	}
}

// withdraw takes back the entries of a batch that could not be stored: whoever
// wrote them is told, and writes them again.
func (k *keeper) withdraw() {
	if n := len(k.batch.LotEntries); n > 0 {
		k.entries = k.entries[:len(k.entries)-n]
		k.batch.LotEntries = nil
		k.countSoon = true
		k.setBook()
	}
}

// How long the keeper counts from the record at one tick, and before it watches;
// one span more may begin just before. What is left is counted at the next tick:
// until then its lots say so.
const (
	recountTime      = 100 * time.Millisecond
	firstRecountTime = 250 * time.Millisecond
)

// recount counts spans again from the record, as many as it can in a time: those
// of living lots first. One that fails is tried again with the next minute's.
func (k *keeper) recount(ctx context.Context, atMost time.Duration) {
	began := time.Now()
	counted, living := false, false
	k.countSoon = false
	maps.DeleteFunc(k.uncounted, func(_ rules.Span, failed time.Time) bool { return k.now().Sub(failed).Abs() >= recountEvery })
	for _, s := range k.engine.Sources() {
		if _, failed := k.uncounted[s.Span]; failed {
			continue
		}
		if counted && time.Since(began) >= atMost {
			k.countSoon = true
			break
		}
		to := s.To
		if to.IsZero() {
			to = k.now().Add(24 * time.Hour)
		}
		from := func(p reading.ProbeID) func(func(reading.Reading, error) bool) {
			if p == "" {
				return nil
			}
			return k.history.Readings(ctx, p, s.From, to)
		}
		if err := k.engine.Recount(s.Span, from(s.Main), from(s.StandIn), from(s.Hand)); err != nil {
			if len(k.uncounted) == 0 {
				k.log.Warn("thermal units not counted again", "unit", s.Span.Unit, "err", err)
			}
			k.uncounted[s.Span] = k.now()
		}
		counted, living = true, living || !s.Idle
	}
	if living || (counted && !k.countSoon) {
		k.setBook() // what is tender goes by the units
	}
}

// when reads a time as a keeper writes it; "" is what is meant otherwise.
func (k *keeper) when(text string, otherwise, now time.Time) (time.Time, error) {
	if strings.TrimSpace(text) == "" {
		return otherwise, nil
	}
	return web.ParseWhen(text, now, k.site.Location)
}

// EnterLot writes an entry into the lots' record and words what was written.
// Errors: *book.Refusal, *web.BadTimeError, or that it could not be stored.
func (k *keeper) EnterLot(ctx context.Context, c web.LotCommand) (string, error) {
	var b strings.Builder
	err := k.do(ctx, func(now time.Time) (err error) {
		b.Reset()
		e := c.Entry
		if i := slices.IndexFunc(k.entries, func(o book.Entry) bool { return o.ID == e.ID }); i >= 0 {
			fmt.Fprintf(&b, "Already in the record as entry %d: lot %s, %s.\n", k.entries[i].Seq, k.entries[i].Lot, k.entries[i].Words())
			return nil
		}
		otherwise, sinceTake := now, e.Corrects == 0
		if i := slices.IndexFunc(k.entries, func(o book.Entry) bool { return e.Corrects > 0 && o.Seq == e.Corrects }); i >= 0 {
			old := &k.entries[i]
			otherwise = old.At
			sinceTake = old.Open != nil && old.At.Equal(old.Open.EggTake)
			if e.Lot == "" {
				e.Lot = k.entries[i].Lot
			}
		}
		if e.Open != nil {
			open := *e.Open
			if open.EggTake, err = k.when(c.EggTake, now, now); err != nil {
				return err
			}
			if e.Open = &open; sinceTake && open.Start == lot.Green {
				otherwise = open.EggTake // green eggs are here since they were taken, if nothing else is said
			}
		}
		if e.At, err = k.when(c.When, otherwise, now); err != nil {
			return err
		}
		e.At, e.RecordedAt = e.At.UTC().Truncate(time.Second), now.UTC().Truncate(time.Second)
		e.Seq = k.lastEntry + 1
		warnings, err := k.engine.Book().Check(e, now)
		if err != nil {
			return err
		}
		k.lastEntry = e.Seq
		k.entries = append(k.entries, e)
		k.batch.LotEntries = append(k.batch.LotEntries, e)
		k.setBook()
		k.countSoon = true
		words := e.Words()
		if l, ok := k.engine.Book().Entry(e.Seq); ok {
			words = l.Words() // with what the entry left to the book filled in
		}
		fmt.Fprintf(&b, "Entry %d: lot %s, %s, %s.\n", e.Seq, e.Lot, words, e.At.In(k.site.Location).Format("2 Jan 2006 15:04"))
		for _, w := range warnings {
			fmt.Fprintf(&b, "Warning: %s\n", w)
		}
		for _, id := range []string{e.Lot, e.Other} {
			if l, ok := k.engine.Book().Lot(id); ok {
				fmt.Fprintf(&b, "Lot %s: %s.\n", l.ID, sheet.Where(l, k.site))
			}
		}
		return nil
	})
	var refused *book.Refusal
	var badTime *web.BadTimeError
	switch {
	case err == nil:
		return b.String(), nil
	case errors.As(err, &refused), errors.As(err, &badTime), errors.Is(err, errStopping):
	case ctx.Err() != nil:
		err = fmt.Errorf("no answer in time: look whether it is in the record before you write it again: %w", err)
	default:
		err = fmt.Errorf("not entered, for the record cannot be written: %w; write it again when it can", err)
	}
	return "", err
}

// ask runs a question in the keeper's goroutine. Errors: the question's, ctx's,
// or that the daemon is stopping.
func (k *keeper) ask(ctx context.Context, question func(now time.Time) error) error {
	result := make(chan error, 1)
	select {
	case k.commands <- func(now time.Time) { result <- question(now) }:
	case <-k.closed:
		return errStopping
	case <-ctx.Done():
		return ctx.Err()
	}
	return k.await(ctx, result)
}

// await is what a command that the keeper has taken came to.
func (k *keeper) await(ctx context.Context, result <-chan error) error {
	select {
	case err := <-result:
		return err
	case <-ctx.Done():
		return ctx.Err()
	case <-k.closed:
	}
	select {
	case err := <-result: // the last thing it did
		return err
	default:
		return errStopping
	}
}

// LotList is the board of lots, as text.
func (k *keeper) LotList(ctx context.Context) (string, error) {
	var lots []rules.LotView
	var at time.Time
	if err := k.ask(ctx, func(now time.Time) error {
		lots, at = k.engine.Lots(now), now
		return nil
	}); err != nil {
		return "", err
	}
	var b strings.Builder
	err := sheet.List(&b, k.site, lots, at)
	return b.String(), err
}

// LotSheet is a lot's record sheet in a format: text, html, days-csv or
// events-csv. Errors: *web.UnknownLotError.
func (k *keeper) LotSheet(ctx context.Context, id, format string) (contentType string, body []byte, err error) {
	var s *rules.LotSheet
	var at time.Time
	if err := k.ask(ctx, func(now time.Time) error {
		var ok bool
		if s, ok = k.engine.Sheet(id, now); !ok {
			var ids []string
			for _, l := range k.engine.Book().Lots() {
				ids = append(ids, l.ID)
			}
			return &web.UnknownLotError{Lot: id, Nearest: measure.Suggest(id, ids)}
		}
		at = now
		return nil
	}); err != nil {
		return "", nil, err
	}
	var b bytes.Buffer
	switch format {
	case "", "text":
		contentType, err = "text/plain; charset=utf-8", sheet.Text(&b, s, k.site, at)
	case "html":
		contentType, err = "text/html; charset=utf-8", sheet.HTML(&b, s, k.site, at)
	case "days-csv":
		contentType, err = "text/csv; charset=utf-8", sheet.DaysCSV(&b, s, k.site)
	case "events-csv":
		contentType, err = "text/csv; charset=utf-8", sheet.EventsCSV(&b, s, k.site)
	default:
		return "", nil, fmt.Errorf("daemon: no format %q", format)
	}
	return contentType, b.Bytes(), err
}

// Stock is the stock arithmetic by unit, as text.
func (k *keeper) Stock(ctx context.Context) (string, error) {
	var units []rules.UnitStock
	if err := k.ask(ctx, func(now time.Time) error {
		units = k.engine.Stock(now)
		return nil
	}); err != nil {
		return "", err
	}
	var b strings.Builder
	err := sheet.Stock(&b, k.site, units)
	return b.String(), err
}

// Room says where there is room for a number of fish, as text.
func (k *keeper) Room(ctx context.Context, q web.RoomQuestion) (string, error) {
	next := stock.Fish{Number: q.Number, MeanWeightG: q.WeightG, LengthMM: q.LengthMM}
	var rooms []stock.Room
	if err := k.ask(ctx, func(now time.Time) error {
		rooms = k.engine.Room(now, next, q.Species)
		return nil
	}); err != nil {
		return "", err
	}
	var b strings.Builder
	err := sheet.Room(&b, next, rooms)
	return b.String(), err
}

// Thermometer records a temperature read by hand in a unit.
// Errors: *web.BadTimeError, why it is refused, or that it could not be stored.
func (k *keeper) Thermometer(ctx context.Context, h web.HandReading) (string, error) {
	var said string
	err := k.do(ctx, func(now time.Time) error {
		at, err := k.when(h.When, now, now)
		if err != nil {
			return err
		}
		u, ok := k.site.Unit(h.Unit)
		show := k.site.Show.Temperature
		switch low, high := measure.TempC(-2), measure.TempC(35); {
		case !ok:
			var names []string
			for _, u := range k.site.Units {
				names = append(names, u.Name)
			}
			reason := fmt.Sprintf("there is no unit %q in the site file", h.Unit)
			if s := measure.Suggest(h.Unit, names); s != "" {
				reason += fmt.Sprintf("; did you mean %q?", s)
			}
			return errors.New(reason)
		case at.After(now.Add(time.Minute)):
			return errors.New("the time lies ahead of the clock: " + at.In(k.site.Location).Format("2 Jan 2006 15:04"))
		case !(h.TempC >= low && h.TempC <= high):
			return fmt.Errorf("%s is no temperature of hatchery water: write one between %s and %s", show.Format(float64(h.TempC)), show.Format(float64(low)), show.Format(float64(high)))
		}
		r := reading.Reading{Probe: site.HandProbe(u.Name), At: at.UTC(), DeviceAt: at.UTC(), ArrivedAt: now.UTC(), Value: float64(h.TempC), Flags: reading.DeviceTimed}
		k.batch.Readings = append(k.batch.Readings, r)
		k.observe(k.engine.Reading(now, &r))
		k.countSoon = true
		said = fmt.Sprintf("Recorded: %s in %s by hand thermometer, %s. It counts where the probe there was silent for long.\n",
			k.site.Show.Temperature.Format(float64(h.TempC)), u.Name, at.In(k.site.Location).Format("2 Jan 2006 15:04"))
		return nil
	})
	if err != nil {
		return "", err // said may still be written
	}
	return said, nil
}

// Calendar is the predicted dates and chores as iCalendar.
func (k *keeper) Calendar(ctx context.Context) ([]byte, error) {
	var lots []rules.LotView
	var at time.Time
	if err := k.ask(ctx, func(now time.Time) error {
		lots, at = k.engine.Lots(now), now
		return nil
	}); err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err := calendar.Write(&b, k.site, lots, at)
	return b.Bytes(), err
}

// A forecast follows last year's water from a little before today's date, to
// know how far this year's is from it, and for as long as a stage may take.
const (
	yearBack  = 10 // days
	yearAhead = 300
)

// lotsReachBack reports whether an unfinished lot is counted from before a time.
func (d *Daemon) lotsReachBack(ctx context.Context, oldest time.Time) bool {
	needed := true // when it cannot be asked, nothing is dropped
	_ = d.keeper.ask(ctx, func(time.Time) error {
		needed = false
		for _, l := range d.keeper.engine.Book().Lots() {
			needed = needed || (l.Finished.IsZero() && !l.Placed.IsZero() && l.Placed.Before(oldest))
		}
		return nil
	})
	return needed
}

// lastYear hands the engine last year's daily means for the units that lots lie
// in, all or those it has none of yet, where the record reaches back so far.
func (d *Daemon) lastYear(ctx context.Context, all bool) error {
	k := d.keeper
	var units map[string]reading.ProbeID
	if err := k.ask(ctx, func(time.Time) error {
		if units = k.withoutYear(); all {
			units = k.engine.LotWaters()
		}
		return nil
	}); err != nil {
		return err
	}
	from, to := lastYears(k.now().In(d.opt.Config.Site.Location))
	var errs []error
	for unit, probe := range units {
		// By the hour: local days are not all of one length.
		hours, err := d.history.Buckets(ctx, probe, from, to, int(to.Sub(from)/time.Hour))
		if err == nil {
			err = k.ask(ctx, func(time.Time) error {
				k.hasYear[unit] = true
				k.engine.SetLastYear(unit, dayMeans(hours, from.Location()))
				return nil
			})
		}
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// lastYears are the days of last year that a forecast follows, from one local
// midnight to another.
func lastYears(now time.Time) (from, to time.Time) {
	y, m, d := now.AddDate(-1, 0, 0).Date()
	at := func(days int) time.Time { return time.Date(y, m, d+days, 0, 0, 0, 0, now.Location()) }
	return at(-yearBack), at(yearAhead)
}

// dayMeans are the means by local day of readings summed up in shorter buckets.
func dayMeans(buckets []series.Bucket, loc *time.Location) []lot.DayMean {
	var days []lot.DayMean
	n := 0
	for _, b := range buckets {
		if b.Count == 0 {
			continue
		}
		y, m, d := b.From.In(loc).Date()
		date := time.Date(y, m, d, 0, 0, 0, 0, loc)
		if len(days) == 0 || !days[len(days)-1].Date.Equal(date) {
			days, n = append(days, lot.DayMean{Date: date}), 0
		}
		n += b.Count
		mean := &days[len(days)-1].MeanC
		*mean += (measure.TempC(b.Mean) - *mean) * measure.TempC(b.Count) / measure.TempC(n)
	}
	return days
}

var _ web.LotKeeper = page{}

// page is what the web side sees of the daemon.
type page struct {
	*Daemon
	*keeper
}

// Acknowledge and ChoreDone are the daemon's, which says more.
func (p page) Acknowledge(ctx context.Context, key alarm.Key, by string) (string, error) {
	return p.Daemon.Acknowledge(ctx, key, by)
}

// ChoreDone records a chore done.
func (p page) ChoreDone(ctx context.Context, chore, unit, by string) (string, error) {
	return p.keeper.ChoreDone(ctx, chore, unit, by)
}
