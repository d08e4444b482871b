package ledger_test

import (
	"bytes"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/ingest/ledger/ledgertest"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// The fixture of a version is written once, by that version, and kept for ever:
// it stands for the ledgers in the field.
var writeFixture = flag.Bool("write-fixture", false, "write the ledger of schema version 1 anew; only right while that is the newest")

const version1 = "../../testdata/ledger/v1/ledger.db"

var (
	v1Batch = ledger.Batch{
		Readings: []reading.Reading{
			{Probe: "spring-temp", At: at(0), DeviceAt: at(0), ArrivedAt: at(time.Second), Value: 6.25, Flags: reading.DeviceTimed, MID: 17},
			{Probe: "trough-3-flow", At: at(time.Second), ArrivedAt: at(time.Second), Value: 11.2},
			{Probe: "spring-temp", At: at(-time.Hour), DeviceAt: at(-time.Hour), ArrivedAt: at(2 * time.Second), Value: 6.5, Flags: reading.DeviceTimed | reading.Late | reading.OutOfOrder, MID: 18},
		},
		Transitions: []alarm.Transition{transition("trough flow/Trough 3", 2, alarm.Normal, alarm.Unacknowledged, time.Minute)},
		ChoresDone:  []site.ChoreDone{{Chore: "clear intake", By: "rowan", At: at(0)}},
		Messages:    []callout.Message{message("m1", time.Minute)},
	}
	v1Lots = []lot.Lot{{
		ID: "BT-31-02", Species: "brook trout", Strain: "creek", EggTake: at(-48 * time.Hour), Start: lot.Green, StartUnits: 1.5, Eggs: 30_000,
		Path: []lot.Stay{{Unit: "Stack 3", From: at(-47 * time.Hour)}}, BaseC: 0.5,
		Needs: map[lot.Stage]lot.Need{lot.Hatch: {Low: 430, High: 480, Source: "own lots"}},
	}}
)

func TestVersion1KeepsItsRows(t *testing.T) {
	if *writeFixture {
		ok(t, os.RemoveAll(version1))
		l, err := ledger.Open(t.Context(), options(version1))
		ok(t, err)
		commit(t, l, v1Batch)
		ok(t, l.PutLots(t.Context(), v1Lots))
		ok(t, l.Close())
		ok(t, os.Chmod(version1, 0o644))
	}
	b, err := os.ReadFile(version1)
	ok(t, err)
	path := filepath.Join(t.TempDir(), "ledger.db")
	ok(t, os.WriteFile(path, b, 0o600))
	l := ledgertest.MustOpenAt(t, path)

	equal(t, "readings", collect(t, l.ReadingsByArrival(t.Context(), time.Time{})), v1Batch.Readings)
	equal(t, "readings of a probe", collect(t, l.Readings(t.Context(), "spring-temp", at(-time.Hour), at(time.Hour))),
		[]reading.Reading{v1Batch.Readings[2], v1Batch.Readings[0]})
	standing, err := l.Standing(t.Context())
	ok(t, err)
	equal(t, "standing", standing, v1Batch.Transitions)
	last, err := l.LastOccurrences(t.Context())
	ok(t, err)
	equal(t, "occurrences", last, map[alarm.Key]uint64{"trough flow/Trough 3": 2})
	chores, err := l.ChoresDone(t.Context(), at(0))
	ok(t, err)
	equal(t, "chores", chores, v1Batch.ChoresDone)
	lots, err := l.Lots(t.Context())
	ok(t, err)
	equal(t, "lots", lots, v1Lots)
	equal(t, "messages", records(t, l, 0), []ledger.MessageRecord{{Message: v1Batch.Messages[0], State: ledger.Pending, NextAttempt: at(time.Minute)}})
	equal(t, "committed again", commit(t, l, v1Batch), ledger.Committed{Duplicates: 3})
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
	commit(t, l, v1Batch)
	if err := l.Apply(t.Context(), "0002_bad.sql", `CREATE TABLE extra (n INTEGER); DELETE FROM outbox; INSERT INTO nowhere VALUES (1);`); err == nil {
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
