package ledger_test

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// The fixture of a version is written once, by that version, and kept for ever:
// it stands for the ledgers in the field.
var writeFixture = flag.Bool("write-fixture", false, "write the ledger of the newest schema version anew; only right until that is released")

const newest = 6

var (
	// fixtureBatch and fixtureLots are what each fixture holds, the lots' entries
	// only those from version 3 on, the acts and what is new in the transition and the chore
	// only those from version 4 on, what came in and what is new in the message and the
	// answer only those from version 5 on, and the accounts only those from version 6 on.
	fixtureBatch = ledger.Batch{
		Readings: []reading.Reading{
			{Probe: "spring-temp", At: at(0), DeviceAt: at(0), ArrivedAt: at(time.Second), Value: 6.25, Flags: reading.DeviceTimed, MID: 17},
			{Probe: "trough-3-flow", At: at(time.Second), ArrivedAt: at(time.Second), Value: 11.2},
			{Probe: "spring-temp", At: at(-time.Hour), DeviceAt: at(-time.Hour), ArrivedAt: at(2 * time.Second), Value: 6.5, Flags: reading.DeviceTimed | reading.Late | reading.OutOfOrder, MID: 18},
		},
		Transitions: []alarm.Transition{hidden(transition("trough flow/Trough 3", 2, alarm.Normal, alarm.Unacknowledged, time.Minute))},
		ChoresDone:  []site.ChoreDone{{Chore: "clear intake", By: "rowan", At: at(0), Via: "link"}},
		Messages:    []callout.Message{byText(message("m1", time.Minute))},
		Inbox:       []ledger.InboxEntry{{ID: "i1", At: at(0), Way: callout.SMS, Sender: "+447700900123", Person: "kim", Body: "0815", Outcome: "wrong code"}},
		Acts: []act.Act{
			{ID: "c1", Kind: act.CleaningStarted, At: at(-time.Minute), By: "kim", Via: "button", Unit: "Trough 3", Chore: "cleaning", Until: at(29 * time.Minute)},
			{ID: "c2", Kind: act.MarkedFalse, At: at(0), By: "rowan", Via: "command", Alarm: "trough flow/Trough 3", Occurrence: 1, Why: "probe out of the water"},
		},
		LotEntries: []book.Entry{
			{
				Seq: 1, ID: "a1", Lot: "BT-31-03", Kind: book.Opened, At: at(-40 * time.Hour), RecordedAt: at(-39 * time.Hour), By: "rowan", Unit: "Stack 4", Trays: "1 to 3",
				Open: &book.Opening{
					Species: "brook trout", Strain: "creek", Source: "own brood", EggTake: at(-41 * time.Hour), Start: lot.Green, StartUnits: 1.5, BaseC: 0.5,
					Count: book.Count{Method: book.ByVolume, SampleNumber: 412, SampleAmount: 50, TotalAmount: 3100.5},
				},
			},
			{Seq: 2, ID: "a2", Lot: "BT-31-03", Kind: book.Moved, At: at(-30 * time.Hour), RecordedAt: at(-30 * time.Hour), By: "kim", Unit: "Stack 4", To: "Stack 5", Number: 9000},
			{Seq: 3, ID: "a3", Lot: "BT-31-03", Kind: book.Split, At: at(-20 * time.Hour), RecordedAt: at(-19 * time.Hour), By: "kim", Unit: "Stack 5", Number: 400, Other: "BT-31-04"},
			{Seq: 4, ID: "a4", Lot: "BT-31-03", Kind: book.Hatched, Part: book.First, At: at(-10 * time.Hour), RecordedAt: at(-9 * time.Hour), By: "kim"},
			{Seq: 6, ID: "a6", Lot: "BT-31-03", Kind: book.Weighed, At: at(-8 * time.Hour), RecordedAt: at(-8 * time.Hour), By: "rowan", Sample: &book.Sample{Number: 50, WeightG: 41.7, LengthMM: 27.5}},
			{Seq: 7, ID: "a7", Lot: "BT-31-03", Kind: book.Counted, At: at(-7 * time.Hour), RecordedAt: at(-7 * time.Hour), By: "rowan", Count: &book.Count{Method: book.Direct, Number: 8800}},
			{Seq: 8, ID: "a8", Lot: "BT-31-03", Kind: book.Shipped, At: at(-6 * time.Hour), RecordedAt: at(-6 * time.Hour), By: "kim", Number: 100, Place: "Lower Fork"},
			{Seq: 9, ID: "a9", Lot: "BT-31-03", Kind: book.Struck, At: at(-6 * time.Hour), RecordedAt: at(0), By: "kim", Corrects: 4, Text: "another lot"},
		},
	}
	fixtureLots = []lot.Lot{{
		ID: "BT-31-02", Species: "brook trout", Strain: "creek", EggTake: at(-48 * time.Hour), Start: lot.Green, StartUnits: 1.5, Eggs: 30_000,
		Path: []lot.Stay{{Unit: "Stack 3", From: at(-47 * time.Hour)}}, BaseC: 0.5,
		Needs: map[lot.Stage]lot.Need{lot.Hatch: {Low: 430, High: 480, Source: "own lots"}},
	}}
)

var (
	fixtureAccount    = ledger.Account{Name: "kim", Role: "manage", Password: "$argon2id$v=19$m=64,t=1,p=1$c2FsdA$aGFzaA", Changed: at(0)}
	fixtureSession    = ledger.Session{Hash: ledger.TokenHash{1}, Name: "kim", Role: "work", Device: "a phone", Created: at(0), Used: at(time.Minute), Expires: at(time.Hour)}
	fixtureInvitation = ledger.Invitation{Hash: ledger.TokenHash{2}, Name: "kim", Role: "look", Created: at(0), Expires: at(time.Hour)}
	fixtureDone       = ledger.AccessDone{At: at(0), What: "given access", Name: "kim", By: "rowan", Via: "command"}
)

// byText sets what messages have had since version 5.
func byText(m callout.Message) callout.Message {
	m.Way, m.Address, m.Short, m.Code, m.Unless, m.NotBefore = callout.SMS, "+447700900123", "Trough 3: low flow", "4711", "m0", at(3*time.Minute)
	return m
}

// hidden sets what transitions have had since version 4, and version 5.
func hidden(t alarm.Transition) alarm.Transition {
	t.Hidden, t.Cause, t.Left, t.Via = "being cleaned by kim since 09:10", "spring flow/Spring", "oxygen for 25 to 60 min", "sms"
	return t
}

func TestOldVersionsKeepTheirRows(t *testing.T) {
	for version := 1; version <= newest; version++ {
		t.Run(fmt.Sprint(version), func(t *testing.T) {
			fixture := fmt.Sprintf("../../testdata/ledger/v%d/ledger.db", version)
			if *writeFixture && version == newest {
				ok(t, os.RemoveAll(fixture))
				l, err := ledger.Open(t.Context(), options(fixture))
				ok(t, err)
				// As the daemon leaves it after a period was sealed.
				gone := one("spring-temp", -1000*time.Hour, 5)
				commit(t, l, fixtureBatch)
				commit(t, l, ledger.Batch{Readings: []reading.Reading{gone}})
				_, err = l.DropPeriod(t.Context(), gone.At, at(-999*time.Hour), math.MaxInt64)
				ok(t, err)
				ok(t, l.PutLots(t.Context(), fixtureLots))
				ok(t, l.PutAccount(t.Context(), fixtureAccount, false, fixtureDone))
				ok(t, l.AddSession(t.Context(), fixtureSession, ledger.TokenHash{}, fixtureDone))
				ok(t, l.AddInvitation(t.Context(), fixtureInvitation, fixtureDone))
				ok(t, l.Close())
				ok(t, os.Chmod(fixture, 0o644))
			}
			b, err := os.ReadFile(fixture)
			ok(t, err)
			path := filepath.Join(t.TempDir(), "ledger.db")
			ok(t, os.WriteFile(path, b, 0o600))
			r, err := ledger.OpenReader(t.Context(), path)
			if old := version < newest; errors.Is(err, ledger.ErrOlder) != old || (err != nil) != old {
				t.Errorf("opened for reading: error %v", err)
			}
			if err == nil {
				ok(t, r.Close())
			}
			if after, err := os.ReadFile(path); err != nil || !bytes.Equal(b, after) {
				t.Errorf("opening for reading wrote to the file (%v)", err)
			}
			l := ledgertest.MustOpenAt(t, path)

			equal(t, "readings", collect(t, l.ReadingsByArrival(t.Context(), time.Time{})), fixtureBatch.Readings)
			equal(t, "readings of a probe", collect(t, l.Readings(t.Context(), "spring-temp", at(-time.Hour), at(time.Hour))),
				[]reading.Reading{fixtureBatch.Readings[2], fixtureBatch.Readings[0]})
			standing, err := l.Standing(t.Context())
			ok(t, err)
			transitions := slices.Clone(fixtureBatch.Transitions)
			if version < 4 {
				transitions[0].Hidden, transitions[0].Cause, transitions[0].Left = "", "", ""
			}
			if version < 5 {
				transitions[0].Via = ""
			}
			equal(t, "standing", standing, transitions)
			last, err := l.LastOccurrences(t.Context())
			ok(t, err)
			equal(t, "occurrences", last, map[alarm.Key]uint64{"trough flow/Trough 3": 2})
			chores, err := l.ChoresDone(t.Context(), at(0))
			ok(t, err)
			if want := slices.Clone(fixtureBatch.ChoresDone); version < 4 {
				want[0].Via = ""
				equal(t, "chores", chores, want)
			} else {
				equal(t, "chores", chores, want)
			}
			lots, err := l.Lots(t.Context())
			ok(t, err)
			equal(t, "lots", lots, fixtureLots)
			if version >= 3 {
				equal(t, "lot entries", lotEntries(t, l), fixtureBatch.LotEntries)
			} else {
				equal(t, "lot entries", lotEntries(t, l), nil)
			}
			if version >= 4 {
				equal(t, "acts", acts(t, l, time.Time{}), fixtureBatch.Acts)
			} else {
				equal(t, "acts", acts(t, l, time.Time{}), nil)
			}
			pending := ledger.MessageRecord{Message: fixtureBatch.Messages[0], State: ledger.Pending, NextAttempt: at(3 * time.Minute)}
			if version < 5 {
				pending.Message, pending.NextAttempt = message("m1", time.Minute), at(time.Minute)
			}
			equal(t, "messages", records(t, l, 0), []ledger.MessageRecord{pending})
			inbox, err := l.Inbox(t.Context(), time.Time{})
			ok(t, err)
			if version >= 5 {
				equal(t, "inbox", inbox, fixtureBatch.Inbox)
			} else {
				equal(t, "inbox", inbox, nil)
			}
			if version >= 6 {
				equal(t, "accounts", accounts(t, l), []ledger.Account{fixtureAccount})
				s, _, err := l.Session(t.Context(), fixtureSession.Hash)
				ok(t, err)
				equal(t, "session", s, fixtureSession)
				i, _, err := l.Invitation(t.Context(), fixtureInvitation.Hash)
				ok(t, err)
				equal(t, "invitation", i, fixtureInvitation)
				equal(t, "access", accessLog(t, l), []ledger.AccessDone{fixtureDone, fixtureDone, fixtureDone})
			} else {
				equal(t, "accounts", accounts(t, l), nil)
			}
			equal(t, "committed again", commit(t, l, fixtureBatch), ledger.Committed{Duplicates: 3})
			equal(t, "lot entries then", lotEntries(t, l), fixtureBatch.LotEntries)
			equal(t, "acts then", acts(t, l, time.Time{}), fixtureBatch.Acts)
			seq, err := l.Snapshot(t.Context())
			ok(t, err)
			equal(t, "snapshot", seq, map[int]int64{1: 3, 2: 4, 3: 4, 4: 4, 5: 4, 6: 4}[version])
		})
	}
}

// reopen opens the ledger anew and returns its error and whether the file
// stayed as it was.
func reopen(t *testing.T, path string) (err error, untouched bool) {
	t.Helper()
	before, rerr := os.ReadFile(path)
	ok(t, rerr)
	l, err := ledger.Open(t.Context(), options(path))
	if err == nil {
		ok(t, l.Close())
	}
	after, rerr := os.ReadFile(path)
	ok(t, rerr)
	return err, bytes.Equal(before, after)
}

func TestOpenOtherSchemas(t *testing.T) {
	tests := []struct {
		name, change string
		want         error  // nil: any
		mention      string // "" means that it opens
	}{
		{"up to date", `SELECT 1`, nil, ""},
		{"newer", `INSERT INTO migrations (name, checksum, applied_at) VALUES ('9999_later.sql', '', 0)`, ledger.ErrNewer, "9999_later.sql"},
		{"another text under the same name", `UPDATE migrations SET checksum = 'x' WHERE name = '0001_first.sql'`, nil, "0001_first.sql"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "ledger.db")
			l, err := ledger.Open(t.Context(), options(path))
			ok(t, err)
			ok(t, l.Exec(t.Context(), tt.change))
			ok(t, l.Close())
			err, untouched := reopen(t, path)
			switch {
			case tt.mention == "" && err != nil:
				t.Errorf("error %v", err)
			case tt.mention != "" && (err == nil || !strings.Contains(err.Error(), tt.mention) || !strings.Contains(err.Error(), path)):
				t.Errorf("error %v, want one that mentions %s and the file", err, tt.mention)
			case tt.want != nil && !errors.Is(err, tt.want):
				t.Errorf("error %v, want %v", err, tt.want)
			}
			if !untouched {
				t.Error("opening wrote to the file")
			}
		})
	}
}

func TestMigrationIsAllOrNothing(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := ledgertest.MustOpenAt(t, path)
	commit(t, l, fixtureBatch)
	if err := l.Apply(t.Context(), "9000_bad.sql", `CREATE TABLE extra (n INTEGER); DELETE FROM outbox; INSERT INTO nowhere VALUES (1);`); err == nil {
		t.Fatal("a migration with a fault was applied")
	}
	if err := l.Exec(t.Context(), `SELECT n FROM extra`); err == nil {
		t.Error("half of the migration was kept")
	}
	equal(t, "messages", len(records(t, l, 0)), 1)
	ok(t, l.Close())
	if err, _ := reopen(t, path); err != nil {
		t.Errorf("afterwards: %v", err)
	}
}
