package daemon

import (
	"fmt"
	"log/slog"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

// A text means what its writer can have read of when it was sent: a text of last
// night that the network delivers tonight answers nothing that was told since, and
// what has not gone out to anybody's telephone is not answered unread. A time that
// cannot be right says nothing.
func TestWhatATextCanMean(t *testing.T) {
	evening := time.Date(2026, 11, 20, 20, 0, 0, 0, time.UTC)
	l, err := ledger.Open(t.Context(), ledger.Options{Path: t.TempDir() + "/l.db", Now: func() time.Time { return evening }, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	k := &keeper{ledger: l, log: slog.New(slog.DiscardHandler)}
	tell := func(code string, after time.Duration, went bool, keys ...alarm.Key) {
		t.Helper()
		at := evening.Add(after)
		m := callout.Message{
			ID: fmt.Sprint(code, after), Reason: callout.Repeat, Person: "kim", Way: callout.SMS, Address: "+447700900123",
			Code: code, Alarms: keys, CreatedAt: at, ExpiresAt: at.Add(24 * time.Hour),
		}
		if _, err := l.Commit(t.Context(), ledger.Batch{Messages: []callout.Message{m}}); err != nil {
			t.Fatal(err)
		}
		if went {
			if _, err := l.BeginAttempt(t.Context(), m.ID, at); err != nil {
				t.Fatal(err)
			}
		}
	}
	tell("4711", 0, true, "a")
	tell("4711", 15*time.Minute, true, "a", "b")
	tell("4711", 4*time.Hour, true, "a", "b", "c")
	tell("4711", 4*time.Hour+15*time.Minute, false, "a", "b", "c", "d")
	tell("0815", 0, false, "a")
	k.batch.Messages = []callout.Message{{ID: "new", Person: "kim", Code: "4711", Alarms: []alarm.Key{"a", "e"}, CreatedAt: evening.Add(4*time.Hour + 20*time.Minute)}}
	for _, tt := range []struct {
		name, code string
		sent       time.Duration // -1 for not known
		now        time.Duration
		keys, want []alarm.Key
		fits       bool
	}{
		{"at once", "4711", 16 * time.Minute, 16 * time.Minute, []alarm.Key{"a", "b"}, []alarm.Key{"a", "b"}, true},
		{"sent before the second was told", "4711", 5 * time.Minute, 16 * time.Minute, []alarm.Key{"a", "b"}, []alarm.Key{"a"}, true},
		{"and the first is over", "4711", 5 * time.Minute, 16 * time.Minute, []alarm.Key{"b"}, nil, true},
		{"clocks differ by a little", "4711", 14 * time.Minute, 16 * time.Minute, []alarm.Key{"a", "b"}, []alarm.Key{"a", "b"}, true},
		{"hours later", "4711", 16 * time.Minute, 4 * time.Hour, []alarm.Key{"a", "b", "c"}, nil, false},
		{"not sent out yet", "4711", 4*time.Hour + 16*time.Minute, 4*time.Hour + 16*time.Minute, []alarm.Key{"a", "c", "d"}, []alarm.Key{"a", "c"}, true},
		{"not stored yet", "4711", -1, 4*time.Hour + 20*time.Minute, []alarm.Key{"a", "e"}, []alarm.Key{"a"}, true},
		{"no time", "4711", -1, 4 * time.Hour, []alarm.Key{"a", "b", "c"}, []alarm.Key{"a", "b", "c"}, true},
		{"a time before the code was made", "4711", -time.Hour, 16 * time.Minute, []alarm.Key{"a", "b"}, []alarm.Key{"a", "b"}, true},
		{"a time to come", "4711", 3 * time.Hour, 16 * time.Minute, []alarm.Key{"a", "b"}, []alarm.Key{"a", "b"}, true},
		{"an attempt is not known, and still the code is", "0815", time.Minute, time.Minute, []alarm.Key{"a"}, []alarm.Key{"a"}, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var sent time.Time
			if tt.sent != -1 {
				sent = evening.Add(tt.sent)
			}
			got, fits := k.meant(t.Context(), evening.Add(tt.now), "kim", tt.code, sent, tt.keys)
			if diff := cmp.Diff(tt.want, got); diff != "" || fits != tt.fits {
				t.Errorf("fits: %v; alarms (-want +got):\n%s", fits, diff)
			}
		})
	}
}
