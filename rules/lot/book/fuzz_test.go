package book_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"weirkeeper/rules/lot/book"
)

// FuzzBook folds whatever entries JSON can spell. Nothing may panic, what was
// counted must add up, what Check lets in must fit, and a fold must not depend
// on the order it is given its entries in.
func FuzzBook(f *testing.F) {
	f.Fuzz(func(t *testing.T, data []byte) {
		var entries []book.Entry
		if json.Unmarshal(data, &entries) != nil || len(entries) > 60 {
			t.Skip()
		}
		b := book.New(entries, options())
		invariants(t, b)
		for _, l := range b.Lots() {
			for _, line := range b.Lines(l.ID) {
				if line.Words() == "" && line.Kind != "" || line.Problem != "" && line.CorrectedBy != 0 {
					t.Errorf("%q, problem %q, corrected by %d", line.Words(), line.Problem, line.CorrectedBy)
				}
			}
			l.Seen()
		}
		if distinct(entries) {
			backwards := slices.Clone(entries)
			slices.Reverse(backwards)
			same(t, "backwards", b.Lots(), book.New(backwards, options()).Lots())
		}
		kept := book.New(nil, options())
		for i, e := range entries {
			e.Seq = int64(i + 1)
			if _, err := kept.Check(e, now); err == nil {
				kept = kept.With(e)
			}
		}
		if p := kept.Problems(); len(p) > 0 {
			t.Errorf("let in, and yet %v", p)
		}
		invariants(t, kept)
	})
}

// distinct reports whether no two entries have the same number or ID.
func distinct(entries []book.Entry) bool {
	seqs, ids := make(map[int64]bool), make(map[string]bool)
	for _, e := range entries {
		if seqs[e.Seq] || ids[e.ID] {
			return false
		}
		seqs[e.Seq], ids[e.ID] = true, true
	}
	return true
}

// A season of 20 lots: each is opened, moved in two parts, sees its stages and
// is picked again and again.
func season(n int) []book.Entry {
	var entries []book.Entry
	add := func(e book.Entry) {
		e.Seq = int64(len(entries) + 1)
		e.ID, e.By = fmt.Sprint(e.Seq), "kim"
		entries = append(entries, e)
	}
	for i := range 20 {
		id := fmt.Sprint("2026-", i)
		add(book.Entry{Lot: id, Kind: book.Opened, At: day(0), Unit: "stack 1", Open: opening(50000)})
		add(book.Entry{Lot: id, Kind: book.Eyed, At: day(30)})
		add(book.Entry{Lot: id, Kind: book.Moved, At: day(32), Number: 20000, To: "stack 2"})
		add(book.Entry{Lot: id, Kind: book.Hatched, At: day(60), Part: book.Half})
		for range n/20 - 4 {
			add(book.Entry{Lot: id, Kind: book.Picked, At: day(60).Add(time.Duration(len(entries)) * time.Minute), Unit: "stack 1", Number: 10})
		}
	}
	return entries
}

func BenchmarkNew(b *testing.B) {
	for _, n := range []int{100, 1000, 10000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			entries := season(n)
			b.ReportAllocs()
			for b.Loop() {
				book.New(entries, options())
			}
		})
	}
}

func BenchmarkCheck(b *testing.B) {
	full := book.New(season(1000), options())
	e := signed(book.Entry{Lot: "2026-7", Kind: book.Picked, At: day(90), Unit: "stack 1", Number: 10}, -1)
	for b.Loop() {
		if _, err := full.Check(e, now); err != nil {
			b.Fatal(err)
		}
	}
}
