package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/clock"
	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/config"
	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/series"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
)

const lotsSite = `
site "Lots" {
  timezone = "UTC"
}
unit "stack 1" {
  kind = "stack"
}
unit "stack 2" {
  kind = "stack"
}
probe "one" {
  quantity = "temperature"
  at       = "stack 1"
  topic    = "lots/one"
}
probe "two" {
  quantity = "temperature"
  at       = "stack 2"
  topic    = "lots/two"
}
web {
  listen = "127.0.0.1:0"
}
broker {
  listen = "127.0.0.1:0"
}
`

var lotsNow = time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC)

// lotsDaemon is a daemon that watches nothing yet, and its clock.
func lotsDaemon(t *testing.T) (*Daemon, *clock.Stepped) {
	t.Helper()
	c, diags := config.Parse(hclread.NewFiles(), "site.hcl", []byte(lotsSite), config.Options{Now: lotsNow})
	if diags.HasErrors() {
		t.Fatal(diags)
	}
	c.Paths.Data = t.TempDir()
	clk := clock.NewStepped(lotsNow)
	d, err := New(t.Context(), Options{
		Config: c, Program: &lang.Program{}, Clock: clk, Log: slog.New(slog.DiscardHandler), Getenv: os.Getenv, ReadFile: os.ReadFile,
		Synced: func() bool { return true },
	})
	if err != nil {
		t.Fatal(err)
	}
	return d, clk
}

// running runs it until the test ends.
func running(t *testing.T, d *Daemon) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

func opening(id, unit string) web.LotCommand {
	return web.LotCommand{EggTake: "2026-11-10 08:00", Entry: book.Entry{ID: "open " + id, Lot: id, Kind: book.Opened, Unit: unit, By: "kim", Open: &book.Opening{
		Species: "rainbow trout", Start: lot.Green, Count: book.Count{Method: book.Direct, Number: 1000},
	}}}
}

// An entry that cannot be stored is taken back: whoever wrote it is told so, it
// is not in the book, it holds up nothing that comes after it, and it can be
// written again.
func TestEntryThatCannotBeStored(t *testing.T) {
	d, clk := lotsDaemon(t)
	// Its number is taken behind the daemon's back.
	foreign := opening("other", "stack 2").Entry
	foreign.Seq, foreign.At, foreign.RecordedAt = 1, lotsNow, lotsNow
	if _, err := d.ledger.Commit(t.Context(), ledger.Batch{LotEntries: []book.Entry{foreign}}); err != nil {
		t.Fatal(err)
	}
	running(t, d)
	said, err := d.keeper.EnterLot(t.Context(), opening("2026-A", "stack 1"))
	if err == nil || !strings.HasPrefix(err.Error(), "not entered, ") || !errors.Is(err, ledger.ErrNumberTaken) {
		t.Fatalf("%q, %v", said, err)
	}
	if list, err := d.keeper.LotList(t.Context()); err != nil || strings.Contains(list, "2026-A") {
		t.Errorf("%s%v", list, err)
	}
	if err := clk.Advance(t.Context(), 2*time.Second); err != nil {
		t.Fatal(err)
	}
	if said, err = d.keeper.EnterLot(t.Context(), opening("2026-A", "stack 1")); err != nil || !strings.HasPrefix(said, "Entry 2: lot 2026-A, ") {
		t.Errorf("written again: %q, %v", said, err)
	}
	if said, err = d.keeper.EnterLot(t.Context(), opening("2026-A", "stack 1")); err != nil || !strings.HasPrefix(said, "Already in the record as entry 2: ") {
		t.Errorf("sent twice: %q, %v", said, err)
	}
	stored, err := d.ledger.LotEntries(t.Context())
	if err != nil || len(stored) != 2 || stored[1].Lot != "2026-A" {
		t.Errorf("stored %+v, %v", stored, err)
	}
}

// A keeper that has stopped answers whoever still waits.
func TestEntryAfterTheStop(t *testing.T) {
	d, _ := lotsDaemon(t)
	defer func() { _ = d.Close() }()
	k := d.keeper
	taken := make(chan struct{})
	go func() { // takes the command and dies before it comes to it
		<-k.commands
		close(k.closed)
		close(taken)
	}()
	if _, err := k.EnterLot(t.Context(), opening("2026-A", "stack 1")); !errors.Is(err, errStopping) {
		t.Errorf("%v", err)
	}
	<-taken
	if _, err := k.LotList(t.Context()); !errors.Is(err, errStopping) {
		t.Errorf("%v", err)
	}
}

// Spans are counted in bounded time, the rest at the next tick, and one that
// fails does not hold up the others.
func TestRecountGoesOn(t *testing.T) {
	d, _ := lotsDaemon(t)
	defer func() { _ = d.Close() }()
	k := d.keeper
	for i := range 5 {
		id, at := fmt.Sprint("lot ", i), lotsNow.AddDate(0, 0, -10-i)
		e := opening(id, "stack 1").Entry
		e.Seq, e.At, e.Open.EggTake = int64(2*i+1), at, at
		gone := book.Entry{Seq: int64(2*i + 2), ID: "gone " + id, Lot: id, Kind: book.Shipped, At: at.AddDate(0, 0, 3), Place: "Lower pond", By: "kim"}
		k.entries = append(k.entries, e, gone)
	}
	k.setBook()
	left := func() int { return len(k.engine.Sources()) }
	if n := left(); n != 5 {
		t.Fatalf("%d spans to be counted", n)
	}
	none, cancel := context.WithCancel(t.Context())
	cancel()
	if k.recount(none, 0); left() != 5 || len(k.uncounted) != 1 || !k.countSoon {
		t.Errorf("one failed: %d left, %d failed, soon %v", left(), len(k.uncounted), k.countSoon)
	}
	for want := 4; want >= 1; want-- {
		if k.recount(t.Context(), 0); left() != want || k.countSoon != (want > 1) {
			t.Errorf("%d left, want %d; soon %v", left(), want, k.countSoon)
		}
	}
	// The failed one waits a minute.
	if k.recount(t.Context(), time.Hour); left() != 1 {
		t.Error("tried again at once")
	}
	for span, at := range k.uncounted {
		k.uncounted[span] = at.Add(-recountEvery)
	}
	if k.recount(t.Context(), time.Hour); left() != 0 || k.countSoon {
		t.Errorf("%d left", left())
	}
}

// A unit that a lot comes to has its water of last year read at once.
func TestLastYearOfANewUnit(t *testing.T) {
	d, _ := lotsDaemon(t)
	var b ledger.Batch
	for h := range 60 * 24 {
		at := lotsNow.AddDate(-1, 0, -20).Add(time.Duration(h) * time.Hour)
		b.Readings = append(b.Readings, reading.Reading{Probe: "two", At: at, ArrivedAt: at, Value: 7})
	}
	for m := range 24 * 60 {
		at := lotsNow.AddDate(0, 0, -1).Add(time.Duration(m) * time.Minute)
		b.Readings = append(b.Readings, reading.Reading{Probe: "two", At: at, ArrivedAt: at, Value: 9})
	}
	if _, err := d.ledger.Commit(t.Context(), b); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = d.Close() }()
	k := d.keeper
	select {
	case <-k.needYear:
		t.Error("wanted without a lot")
	default:
	}
	e := opening("2026-A", "stack 2").Entry
	e.Seq, e.At, e.Open.EggTake = 1, lotsNow.AddDate(0, 0, -1), lotsNow.AddDate(0, 0, -1)
	k.entries = append(k.entries, e)
	k.setBook()
	select {
	case <-k.needYear:
	default:
		t.Fatal("not wanted")
	}
	k.recount(t.Context(), time.Hour)
	<-k.needYear // it still is
	asked := make(chan struct{})
	go func() { // the keeper's part
		defer close(asked)
		for range 2 {
			(<-k.commands)(lotsNow)
		}
	}()
	if err := d.lastYear(t.Context(), false); err != nil {
		t.Fatal(err)
	}
	<-asked
	if v := k.engine.Lots(lotsNow); !v[0].LastYear {
		t.Errorf("%+v", v)
	}
	k.setBook()
	select {
	case <-k.needYear:
		t.Error("wanted again")
	default:
	}
}

// The days that a forecast follows are local ones, over a leap day and when the
// clocks change. Denver puts them forward on the second Sunday of March and back
// on the first of November.
func TestLastYears(t *testing.T) {
	loc, err := time.LoadLocation("America/Denver")
	if err != nil {
		t.Fatal(err)
	}
	for now, want := range map[string]string{
		"2026-11-20 18:00": "2025-11-10 to 2026-09-16",
		"2026-03-15 00:30": "2025-03-05 to 2026-01-09",
		"2028-02-29 12:00": "2027-02-19 to 2027-12-26", // as 1 March, like Course.On
		"2029-03-01 12:00": "2028-02-20 to 2028-12-26",
	} {
		at, err := time.ParseInLocation("2006-01-02 15:04", now, loc)
		if err != nil {
			t.Fatal(err)
		}
		from, to := lastYears(at)
		if got := from.Format(time.DateOnly) + " to " + to.Format(time.DateOnly); got != want {
			t.Errorf("%s: %s, want %s", now, got, want)
		}
		for _, edge := range []time.Time{from, to} {
			if h, m, s := edge.Clock(); h+m+s != 0 {
				t.Errorf("%s: %v is no midnight", now, edge)
			}
		}
		// Every hour at the temperature of its day of the year.
		var hours []series.Bucket
		for h := from.UTC(); h.Before(to); h = h.Add(time.Hour) {
			hours = append(hours, series.Bucket{From: h, Mean: float64(h.In(loc).YearDay()), Count: 60})
		}
		days := dayMeans(hours, loc)
		if len(days) != yearBack+yearAhead {
			t.Errorf("%s: %d days", now, len(days))
		}
		for _, d := range days {
			if d.MeanC != measure.TempC(d.Date.YearDay()) {
				t.Errorf("%s: %v has %v", now, d.Date, d.MeanC)
			}
		}
		// A day's course is found under today's date a year on.
		c := lot.NewCourse(0, 0, days, at)
		if day := at.AddDate(0, 0, 30); c.On(day) != measure.TempC(day.AddDate(-1, 0, 0).YearDay())+c.ShiftC {
			t.Errorf("%s: %v in 30 days", now, c.On(day)-c.ShiftC)
		}
	}
	got := dayMeans([]series.Bucket{{From: lotsNow, Mean: 4, Count: 30}, {From: lotsNow.Add(time.Hour)}, {From: lotsNow.Add(2 * time.Hour), Mean: 8, Count: 10}}, time.UTC)
	if len(got) != 1 || got[0].MeanC != 5 || got[0].Date.Hour() != 0 {
		t.Errorf("means by number of readings: %+v", got)
	}
}
