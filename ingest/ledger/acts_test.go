package ledger_test

import (
	"fmt"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
)

// fullAct has every field set, which no act in a hatchery would.
func fullAct(id string, d time.Duration) act.Act {
	return act.Act{
		ID: id, Kind: act.Shelved, At: at(d), By: "kim", Via: "link", Alarm: "low_flow/all/trough \"3\"", Occurrence: 7, Unit: "trough 3", Chore: "cleaning",
		Until: at(d + time.Hour), Why: "line one\nline <two> & \\three",
	}
}

func acts(tb testing.TB, l *ledger.Ledger, since time.Time, always ...act.Kind) []act.Act {
	tb.Helper()
	all, err := l.Acts(tb.Context(), since, always...)
	if err != nil {
		tb.Fatal(err)
	}
	return all
}

func TestActKeepsEveryField(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := ledgertest.MustOpenAt(t, path)
	if zero := unset(reflect.ValueOf(fullAct("a", 0)), "act"); zero != nil {
		t.Fatalf("not tried: %v", zero)
	}
	want := []act.Act{fullAct("a", 0)}
	for i, k := range act.Kinds() { // as bare as can be, and not in order of time
		want = append(want, act.Act{ID: string(k), Kind: k, At: at(-time.Duration(i) * time.Hour)})
	}
	commit(t, l, ledger.Batch{Acts: want[:4]})
	again := fullAct("a", time.Hour)
	commit(t, l, ledger.Batch{Acts: append([]act.Act{again}, want[4:]...)})
	equal(t, "acts", acts(t, l, time.Time{}), want)
	equal(t, "acts of the last hour", acts(t, l, at(-time.Hour)), want[:3])
	equal(t, "and those out of service", acts(t, l, at(-time.Hour), act.OutOfService, act.InService), append(want[:3:3], want[5], want[6]))
	ok(t, l.Close())
	l = ledgertest.MustOpenAt(t, path)
	equal(t, "acts when opened again", acts(t, l, time.Time{}), want)
}

func TestActTimesAreCutToMicroseconds(t *testing.T) {
	l := ledgertest.MustOpen(t)
	a, want := fullAct("a", 0), fullAct("a", 0)
	for _, at := range []*time.Time{&a.At, &a.Until} {
		*at = at.Add(999).In(time.FixedZone("", -7*3600))
	}
	commit(t, l, ledger.Batch{Acts: []act.Act{a}})
	got := acts(t, l, time.Time{})
	equal(t, "acts", got, []act.Act{want})
	if got[0].At.Location() != time.UTC || got[0].Until.Location() != time.UTC {
		t.Errorf("%v and %v are not in UTC", got[0].At, got[0].Until)
	}
}

func TestActRefused(t *testing.T) {
	l := ledgertest.MustOpen(t)
	unnamed, untimed := fullAct("", 0), fullAct("b", 0)
	untimed.At = time.Time{}
	for name, a := range map[string]act.Act{"no ID": unnamed, "no time": untimed} {
		_, err := l.Commit(t.Context(), ledger.Batch{Readings: []reading.Reading{one("p", 0, 1)}, Acts: []act.Act{fullAct("a", 0), a}})
		if err == nil || !strings.Contains(err.Error(), fmt.Sprintf("act %q", a.ID)) {
			t.Errorf("%s: error %v", name, err)
		}
	}
	equal(t, "acts", acts(t, l, time.Time{}), nil)
	equal(t, "readings", collect(t, l.ReadingsByArrival(t.Context(), time.Time{})), nil)
}

// Nobody changes or removes an act, not even by hand.
func TestActsOnlyGrow(t *testing.T) {
	l := ledgertest.MustOpen(t)
	want := []act.Act{fullAct("a", 0)}
	commit(t, l, ledger.Batch{Acts: want})
	for _, q := range []string{`UPDATE acts SET at = 0`, `UPDATE acts SET body = '{}' WHERE seq = 1`, `DELETE FROM acts`} {
		if err := l.Exec(t.Context(), q); err == nil || !strings.Contains(err.Error(), "another act ends it") {
			t.Errorf("%s: error %v", q, err)
		}
	}
	equal(t, "acts", acts(t, l, time.Time{}), want)
}

// An act that says more than this program understands is not read as if it did
// not.
func TestActOfAnotherVersion(t *testing.T) {
	for name, body := range map[string]string{"a field too many": `{"id":"x","pond":4}`, "cut off": `{"id"`} {
		l := ledgertest.MustOpen(t)
		ok(t, l.Exec(t.Context(), `INSERT INTO acts (seq, id, body, kind, at, by_whom, alarm, unit) VALUES (7, 'x', '`+body+`', '', 0, '', '', '')`))
		if got, err := l.Acts(t.Context(), time.Time{}); err == nil || !strings.Contains(err.Error(), "act 7") {
			t.Errorf("%s: read %+v, error %v", name, got, err)
		}
	}
}

func TestTransitionKeepsWhatHidesItAndItsCause(t *testing.T) {
	l := ledgertest.MustOpen(t)
	want := []alarm.Transition{
		hidden(transition("a", 1, alarm.Normal, alarm.Unacknowledged, 0)),
		transition("a", 1, alarm.Unacknowledged, alarm.Unacknowledged, time.Minute),
	}
	want[0].By = "kim"
	if zero := unset(reflect.ValueOf(want[0]), "transition"); len(zero) != 1 { // From is normal
		t.Fatalf("not tried: %v", zero)
	}
	commit(t, l, ledger.Batch{Transitions: want})
	journal, err := l.Journal(t.Context(), at(-time.Hour), at(time.Hour))
	ok(t, err)
	equal(t, "journal", journal, want)
	standing, err := l.Standing(t.Context())
	ok(t, err)
	equal(t, "standing", standing, want[1:])
}
