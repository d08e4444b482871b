package ledger_test

import (
	"errors"
	"fmt"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// fullEntry has every field set, which no entry in a hatchery would.
func fullEntry(seq int64) book.Entry {
	return book.Entry{
		Seq: seq, ID: fmt.Sprintf("e%d", seq), Lot: "BT-31-02", Kind: book.Split, At: at(-time.Duration(seq)*time.Minute + time.Microsecond), RecordedAt: at(1234567 * time.Microsecond),
		By: "rowan", Corrects: seq + 7, Unit: "Stack 3", To: "Trough \"1\"", Trays: "2 – 5", Number: 12_345, Other: "BT-31-03", Place: "Lower Fork",
		Part: book.Half, Text: "line one\nline <two> & \\three",
		Count:  &book.Count{Method: book.ByVolume, Number: 3, SampleNumber: 412, SampleAmount: 0.1, TotalAmount: 1.0 / 3},
		Sample: &book.Sample{Number: 50, WeightG: 41.7, LengthMM: 27.3},
		Open: &book.Opening{
			Species: "brook trout", Strain: "creek", Source: "own brood", EggTake: at(-48 * time.Hour), Start: lot.Eyed, StartUnits: 231.4, BaseC: -0.5,
			Count: book.Count{Method: book.ByWeight, Number: 1, SampleNumber: 100, SampleAmount: 9.25, TotalAmount: 2772.5},
		},
	}
}

// unset names the fields of v, and of what it points to, that are zero.
func unset(v reflect.Value, name string) []string {
	if v.Kind() == reflect.Pointer && !v.IsNil() {
		v = v.Elem()
	}
	if v.IsZero() {
		return []string{name}
	}
	var all []string
	if v.Kind() == reflect.Struct && v.Type() != reflect.TypeFor[time.Time]() {
		for i := range v.NumField() {
			all = append(all, unset(v.Field(i), name+"."+v.Type().Field(i).Name)...)
		}
	}
	return all
}

func lotEntries(tb testing.TB, l *ledger.Ledger) []book.Entry {
	tb.Helper()
	all, err := l.LotEntries(tb.Context())
	if err != nil {
		tb.Fatal(err)
	}
	return all
}

func TestLotEntryKeepsEveryField(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := ledgertest.MustOpenAt(t, path)
	if zero := unset(reflect.ValueOf(fullEntry(1)), "entry"); zero != nil {
		t.Fatalf("not tried: %v", zero)
	}
	want := []book.Entry{fullEntry(1)}
	for i, kind := range book.Kinds() { // as bare as can be
		want = append(want, book.Entry{Seq: int64(i) + 2, ID: string(kind), Kind: kind, At: at(0)})
	}
	commit(t, l, ledger.Batch{LotEntries: want[:5]})
	commit(t, l, ledger.Batch{LotEntries: want[5:]})
	equal(t, "entries", lotEntries(t, l), want)
	ok(t, l.Close())
	l = ledgertest.MustOpenAt(t, path)
	equal(t, "entries when opened again", lotEntries(t, l), want)
}

func TestLotEntryTimesAreCutToMicroseconds(t *testing.T) {
	l := ledgertest.MustOpen(t)
	e, want := fullEntry(1), fullEntry(1)
	for _, at := range []*time.Time{&e.At, &e.RecordedAt, &e.Open.EggTake} {
		*at = at.Add(999).In(time.FixedZone("", -7*3600))
	}
	given := e.Open.EggTake
	commit(t, l, ledger.Batch{LotEntries: []book.Entry{e}})
	got := lotEntries(t, l)
	equal(t, "entries", got, []book.Entry{want})
	if got[0].At.Location() != time.UTC || got[0].Open.EggTake.Location() != time.UTC {
		t.Errorf("%v and %v are not in UTC", got[0].At, got[0].Open.EggTake)
	}
	if e.Open.EggTake != given {
		t.Error("the caller's entry was changed")
	}
}

func TestLotEntryNumbers(t *testing.T) {
	l := ledgertest.MustOpen(t)
	last := func(want int64) {
		t.Helper()
		got, err := l.LastLotSeq(t.Context())
		ok(t, err)
		equal(t, "last number", got, want)
	}
	last(0)
	first := []book.Entry{fullEntry(1), fullEntry(2)}
	commit(t, l, ledger.Batch{LotEntries: first})
	last(2)
	again := fullEntry(9)
	again.ID, again.Text = "e2", "sent twice"
	commit(t, l, ledger.Batch{LotEntries: []book.Entry{first[0], again}})
	equal(t, "after the same entries again", lotEntries(t, l), first)
	last(2)

	taken, unnumbered, unnamed, untimed := fullEntry(2), fullEntry(0), fullEntry(3), fullEntry(3)
	taken.ID, unnamed.ID, untimed.At = "another", "", time.Time{}
	for _, tt := range []struct {
		name  string
		entry book.Entry
		want  error // nil: any
	}{{"number taken", taken, ledger.ErrNumberTaken}, {"no number", unnumbered, nil}, {"no ID", unnamed, nil}, {"no time", untimed, nil}} {
		good := fullEntry(5)
		_, err := l.Commit(t.Context(), ledger.Batch{Readings: []reading.Reading{one("p", 0, 1)}, LotEntries: []book.Entry{good, tt.entry}})
		if err == nil || tt.want != nil && !errors.Is(err, tt.want) || !strings.Contains(err.Error(), `lot "BT-31-02"`) {
			t.Errorf("%s: error %v, want %v, naming the lot", tt.name, err, tt.want)
		}
	}
	equal(t, "after what was refused", lotEntries(t, l), first)
	equal(t, "readings", collect(t, l.ReadingsByArrival(t.Context(), time.Time{})), nil)
	commit(t, l, ledger.Batch{LotEntries: []book.Entry{fullEntry(6), fullEntry(4)}}) // gaps and any order will do
	equal(t, "by number", lotEntries(t, l), []book.Entry{first[0], first[1], fullEntry(4), fullEntry(6)})
	last(6)
}

// Nobody changes or removes an entry, not even by hand.
func TestLotEntriesOnlyGrow(t *testing.T) {
	l := ledgertest.MustOpen(t)
	want := []book.Entry{fullEntry(1)}
	commit(t, l, ledger.Batch{LotEntries: want})
	for _, q := range []string{`UPDATE lot_entries SET at = 0`, `UPDATE lot_entries SET body = '{}' WHERE seq = 1`, `DELETE FROM lot_entries`} {
		if err := l.Exec(t.Context(), q); err == nil || !strings.Contains(err.Error(), "with another entry") {
			t.Errorf("%s: error %v", q, err)
		}
	}
	equal(t, "entries", lotEntries(t, l), want)
}

// An entry that says more than this program understands is not read as if it
// did not.
func TestLotEntryOfAnotherVersion(t *testing.T) {
	for name, body := range map[string]string{"a field too many": `{"seq":7,"id":"x","pond":4}`, "cut off": `{"seq":7,"id"`} {
		l := ledgertest.MustOpen(t)
		ok(t, l.Exec(t.Context(), `INSERT INTO lot_entries (seq, id, body, lot, kind, at, by_whom) VALUES (7, 'x', '`+body+`', '', '', 0, '')`))
		if got, err := l.LotEntries(t.Context()); err == nil || !strings.Contains(err.Error(), "entry 7") {
			t.Errorf("%s: read %+v, error %v", name, got, err)
		}
	}
}

// A thermometer read by hand is a probe that no site file knows.
func TestReadingsByHand(t *testing.T) {
	l := ledgertest.MustOpen(t)
	hand := one(site.HandProbe("stack 1"), 0, 7.5)
	hand.DeviceAt, hand.ArrivedAt, hand.Flags = hand.At, at(time.Hour), reading.DeviceTimed|reading.Late
	wire := one("stack-1", time.Second, 7.4)
	wire.MID = 3
	commit(t, l, ledger.Batch{Readings: []reading.Reading{wire, hand}, LotEntries: []book.Entry{fullEntry(1)}})
	equal(t, "again", commit(t, l, ledger.Batch{Readings: []reading.Reading{hand}}), ledger.Committed{Duplicates: 1})
	equal(t, "by time", collect(t, l.Readings(t.Context(), "by hand: stack 1", at(0), at(time.Hour))), []reading.Reading{hand})
	equal(t, "by arrival", collect(t, l.ReadingsByArrival(t.Context(), at(0))), []reading.Reading{wire, hand})
	inFlight, err := l.InFlight(t.Context(), 10)
	ok(t, err)
	equal(t, "in flight", inFlight, []reading.Reading{wire})
}
