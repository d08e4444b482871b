package ledger_test

import (
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/rules/alarm"
)

// A clock that was set back between a raise and its return does not turn them
// round.
func TestJournalSinceIsInOrderOfCommit(t *testing.T) {
	l := ledgertest.MustOpen(t)
	raise := alarm.Transition{Key: "k", Kind: alarm.LowFlow, Occurrence: 1, To: alarm.Unacknowledged, At: ledgertest.Start.Add(time.Hour), Since: ledgertest.Start, Priority: alarm.CallOut}
	back := raise
	back.From, back.To, back.At = alarm.Unacknowledged, alarm.Normal, ledgertest.Start.Add(30*time.Minute)
	for _, tr := range []alarm.Transition{raise, back} {
		if _, err := l.Commit(t.Context(), ledger.Batch{Transitions: []alarm.Transition{tr}}); err != nil {
			t.Fatal(err)
		}
	}
	got, err := l.JournalSince(t.Context(), ledgertest.Start)
	if err != nil || len(got) != 2 || got[0].To != alarm.Unacknowledged || got[1].To != alarm.Normal {
		t.Errorf("%+v, %v", got, err)
	}
	if got, err = l.JournalSince(t.Context(), ledgertest.Start.Add(45*time.Minute)); err != nil || len(got) != 1 {
		t.Errorf("since 45 min: %+v, %v", got, err)
	}
}
