package book_test

import (
	"errors"
	"testing"
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/rulestest"
)

// day is 08:30 on a day after the egg take of the tests' lots.
func day(n int) time.Time { return time.Date(2026, 10, 1+n, 8, 30, 0, 0, time.UTC) }

var now = day(200)

func opening(number int) *book.Opening {
	return &book.Opening{Species: "brook trout", EggTake: day(0), Start: lot.Green, Count: book.Count{Method: book.Direct, Number: number}}
}

// options are those of the small site, where eggs are tender from the third to
// the thirtieth day.
func options() book.Options {
	return book.Options{
		Units: rulestest.Site().Units,
		Tender: func(l *book.Lot, at time.Time) lot.TenderState {
			age := at.Sub(l.EggTake)
			return lot.TenderState{Tender: age > 48*time.Hour && age < 30*24*time.Hour, Why: "48 h to 30 d after egg take"}
		},
	}
}

// writer keeps a record as the daemon does: what Check lets in gets the next
// number.
type writer struct {
	t       *testing.T
	b       *book.Book
	entries []book.Entry
}

func write(t *testing.T, entries ...book.Entry) *writer {
	t.Helper()
	w := &writer{t: t, b: book.New(nil, options())}
	for _, e := range entries {
		w.add(e)
	}
	return w
}

// add writes one entry, which must be let in.
func (w *writer) add(e book.Entry) []string {
	w.t.Helper()
	warnings, err := w.try(e)
	if err != nil {
		w.t.Fatalf("%s refused: %v", e.Words(), err)
	}
	return warnings
}

func (w *writer) try(e book.Entry) ([]string, error) {
	e = signed(e, len(w.entries)+1)
	warnings, err := w.b.Check(e, now)
	if err != nil {
		var r *book.Refusal
		if !errors.As(err, &r) || r.Reason == "" {
			w.t.Errorf("%v is no refusal with a reason", err)
		}
		return nil, err
	}
	e.Seq = int64(len(w.entries) + 1)
	w.entries = append(w.entries, e)
	w.b = w.b.With(e)
	if p := w.b.Problems(); len(p) > 0 {
		w.t.Errorf("let in, and yet a problem: %v", p)
	}
	return warnings, nil
}

// signed fills in what every entry has.
func signed(e book.Entry, n int) book.Entry {
	if e.ID == "" {
		e.ID = time.Duration(n).String()
	}
	if e.By == "" {
		e.By = "kim"
	}
	if e.Lot == "" {
		e.Lot = "2026-A"
	}
	return e
}

func (w *writer) lot(id string) *book.Lot {
	w.t.Helper()
	l, ok := w.b.Lot(id)
	if !ok {
		w.t.Fatalf("no lot %s", id)
	}
	return l
}

func TestLife(t *testing.T) {
	w := write(t,
		book.Entry{Kind: book.Opened, At: day(0), Unit: "stack 1", Trays: "1-4", Open: opening(24000)},
		book.Entry{Kind: book.Picked, At: day(10), Number: 400},
		book.Entry{Kind: book.Eyed, At: day(35)},
		book.Entry{Kind: book.Shocked, At: day(36), Number: 600},
		book.Entry{Kind: book.Moved, At: day(40), Number: 8000, To: "stack 2", Trays: "1-2"},
		book.Entry{Kind: book.Hatched, At: day(60), Part: book.First},
		book.Entry{Kind: book.Hatched, At: day(63), Part: book.Half},
		book.Entry{Kind: book.Hatched, At: day(66), Part: book.Last},
		book.Entry{Kind: book.Moved, At: day(70), Unit: "stack 2", To: "trough 1"},
	)
	_ = w
}
