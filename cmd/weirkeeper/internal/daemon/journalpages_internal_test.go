package daemon

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/lotform"
	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// TestJournalDay: a day has what came about on it, what stood when it began, and
// nothing of the days beside it.
func TestJournalDay(t *testing.T) {
	d, _ := lotsDaemon(t)
	day := time.Date(2026, 11, 19, 0, 0, 0, 0, time.UTC)
	step := func(key alarm.Key, n uint64, from, to alarm.State, at time.Time) alarm.Transition {
		return alarm.Transition{Key: key, Kind: alarm.LowFlow, Occurrence: n, From: from, To: to, At: at, Since: at, Priority: alarm.CallOut, Rule: "r", Trouble: string(key)}
	}
	chore := func(at time.Time) site.ChoreDone { return site.ChoreDone{Chore: "cleaning", At: at, By: "lee"} }
	does := func(id string, at time.Time) act.Act {
		return act.Act{ID: id, Kind: act.MarkedFalse, At: at, By: "lee"}
	}
	message := func(id string, at time.Time) callout.Message {
		return callout.Message{ID: id, Reason: callout.First, Person: "kim", Way: callout.Email, Address: "kim@alderfork.example", Subject: "s", Text: "t", CreatedAt: at, ExpiresAt: at.Add(time.Hour)}
	}
	last := day.AddDate(0, 0, 1)
	if _, err := d.ledger.Commit(t.Context(), ledger.Batch{
		Transitions: []alarm.Transition{
			step("gone before", 1, alarm.Normal, alarm.Unacknowledged, day.Add(-9*time.Hour)),
			step("gone before", 1, alarm.Unacknowledged, alarm.Normal, day.Add(-8*time.Hour)),
			step("stood", 1, alarm.Normal, alarm.Unacknowledged, day.Add(-time.Second)),
			step("on the day", 1, alarm.Normal, alarm.Unacknowledged, day),
			step("after", 1, alarm.Normal, alarm.Unacknowledged, last),
		},
		ChoresDone: []site.ChoreDone{chore(day.Add(-time.Second)), chore(day), chore(last)},
		Acts:       []act.Act{does("a", day.Add(-time.Second)), does("b", last.Add(-time.Second)), does("c", last)},
		Messages:   []callout.Message{message("m1", day.Add(-time.Second)), message("m2", day.Add(time.Hour)), message("m3", last)},
	}); err != nil {
		t.Fatal(err)
	}
	running(t, d)
	for id, when := range map[string]string{"2026-A": "2026-11-19 00:00", "2026-B": "2026-11-20 00:00"} {
		c := opening(id, "stack 1")
		c.When = when
		if _, err := d.keeper.EnterLot(t.Context(), c); err != nil {
			t.Fatal(err)
		}
	}
	j, err := d.keeper.JournalDay(t.Context(), day, last)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, x := range j.Transitions {
		got = append(got, "step "+string(x.Key))
	}
	for _, x := range j.Standing {
		got = append(got, "standing "+string(x.Key))
	}
	for _, x := range j.Chores {
		got = append(got, "chore "+x.At.Format(time.DateTime))
	}
	for _, x := range j.Acts {
		got = append(got, "act "+x.ID)
	}
	for _, x := range j.Lots {
		got = append(got, "lot "+x.Lot)
	}
	for _, x := range j.Calls {
		got = append(got, x.At.Format(time.DateTime)+" "+strings.Fields(x.Head)[0])
	}
	want := []string{"step on the day", "standing stood", "chore 2026-11-19 00:00:00", "act b", "lot 2026-A", "2026-11-19 01:00:00 call-out"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if j.Messages != 1 || j.Missed != 0 {
		t.Errorf("%d messages, %d missed", j.Messages, j.Missed)
	}
}

// TestWater: the least, the mean by reading, the most, and the hours that had none.
func TestWater(t *testing.T) {
	d, _ := lotsDaemon(t)
	day := time.Date(2026, 11, 19, 0, 0, 0, 0, time.UTC)
	at := func(hour, minute int, v float64, flags reading.Flags) reading.Reading {
		when := day.Add(time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute)
		return reading.Reading{Probe: "one", At: when, ArrivedAt: when, Value: v, Flags: flags}
	}
	if _, err := d.ledger.Commit(t.Context(), ledger.Batch{Readings: []reading.Reading{
		at(-1, 59, 1, 0), at(0, 0, 8, 0), at(0, 30, 9, 0), at(5, 0, 13, 0), at(6, 0, -127, reading.OutOfRange), at(24, 0, 30, 0),
	}}); err != nil {
		t.Fatal(err)
	}
	all, err := d.keeper.Water(t.Context(), day, day.AddDate(0, 0, 1))
	if err != nil || len(all) != 2 {
		t.Fatalf("%d probes, %v", len(all), err)
	}
	if w := all[0]; w.Probe.ID != "one" || w.Min != 8 || w.Max != 13 || w.Mean != 10 || w.Count != 3 || w.Without != 22 {
		t.Errorf("%+v", w)
	}
	if w := all[1]; w.Count != 0 || w.Without != 24 {
		t.Errorf("a silent probe: %+v", w)
	}
}

// TestEnterWritten: what a form says is written as the command's words are, with
// the time as a browser's own field gives it, and is refused alike.
func TestEnterWritten(t *testing.T) {
	d, _ := lotsDaemon(t)
	running(t, d)
	if _, err := d.keeper.EnterLot(t.Context(), opening("2026-A", "stack 1")); err != nil {
		t.Fatal(err)
	}
	form := map[string]string{"dead": "1,2", "when": "2026-11-19T08:30:05"}
	c, err := lotform.Read(book.Picked, func(name string) string { return form[name] })
	if err == nil {
		t.Errorf("%q is read as a number", form["dead"])
	}
	form["dead"] = "12"
	if c, err = lotform.Read(book.Picked, func(name string) string { return form[name] }); err != nil {
		t.Fatal(err)
	}
	c.Entry.ID, c.Entry.Lot, c.Entry.By = "form-1", "2026-A", "kim"
	for i, want := range []string{"Entry 2: lot 2026-A, 12 dead picked out of stack 1, 19 Nov 2026 08:30.", "Already in the record as entry 2: "} {
		said, err := d.keeper.EnterWritten(t.Context(), c)
		if err != nil || !strings.HasPrefix(said, want) {
			t.Errorf("given %d times: %q, %v", i+1, said, err)
		}
	}
	c.Entry.ID, c.Entry.Number = "form-2", 5000
	_, asForm := d.keeper.EnterWritten(t.Context(), c)
	e := c.Entry
	_, asCommand := d.keeper.EnterLot(t.Context(), web.LotCommand{Entry: e, When: c.When})
	if asForm == nil || asCommand == nil || asForm.Error() != asCommand.Error() {
		t.Errorf("the form is refused by %v, the command by %v", asForm, asCommand)
	}
	if s, _, err := d.keeper.LotView(t.Context(), "2026-A"); err != nil || s == nil || s.Lot.Dead != 12 {
		t.Errorf("%+v, %v", s, err)
	}
	if s, _, err := d.keeper.LotView(t.Context(), "2026-X"); err != nil || s != nil {
		t.Errorf("a lot that is not there: %+v, %v", s, err)
	}
}
