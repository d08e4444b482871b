package page

import (
	"context"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/cmd/weirkeeper/internal/calls"
	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

// aDay is a record of one night: a trough runs low, kim comes, and what was done.
type aDay struct {
	day    JournalDay
	site   *site.Site
	status *status.Status
	asked  [2]time.Time
}

func (d *aDay) Status() *status.Status { return d.status }

func (d *aDay) JournalDay(_ context.Context, from, to time.Time) (*JournalDay, error) {
	d.asked = [2]time.Time{from, to}
	return &d.day, nil
}

func (d *aDay) Water(context.Context, time.Time, time.Time) ([]Water, error) {
	return []Water{
		{Probe: &d.site.Probes[0], Min: 7.9, Mean: 8.04, Max: 8.3, Count: 900},
		{Probe: &d.site.Probes[1], Count: 0, Without: 15},
		{Probe: &site.Probe{Quantity: reading.Contact, At: "spring"}, Max: 1, Count: 3},
	}, nil
}

var journalNow = time.Date(2026, 11, 20, 15, 0, 0, 0, time.UTC)

func newDay(t *testing.T, said string) *aDay {
	t.Helper()
	k := newShop(t)
	at := func(hour, minute int) time.Time { return time.Date(2026, 11, 20, hour, minute, 0, 0, time.UTC) }
	raised := alarm.Transition{
		Key: "low_flow/trough 1", Occurrence: 3, To: alarm.Unacknowledged, At: at(2, 10), Since: at(2, 8), Priority: alarm.CallOut, Unit: "trough 1",
		Trouble: "Trough 1: low flow" + said, Detail: "11.2 L/min, setpoint 28 L/min", Left: "oxygen for 25 to 60 min",
	}
	answered, over := raised, raised
	answered.From, answered.To, answered.At, answered.By, answered.Via = alarm.Unacknowledged, alarm.Acknowledged, at(2, 14), "kim"+said, "text"
	over.From, over.To, over.At, over.Detail = alarm.Acknowledged, alarm.Normal, at(2, 40), "39 L/min"
	old := alarm.Transition{Key: "silent/deep 1", Occurrence: 1, To: alarm.Unacknowledged, At: at(0, 0).AddDate(0, 0, -3), Since: at(0, 0).AddDate(0, 0, -3), Trouble: "Deep 1: saturation silent"}
	d := &aDay{site: k.site, day: JournalDay{
		Transitions: []alarm.Transition{raised, answered, over}, Standing: []alarm.Transition{old},
		Acts: []act.Act{
			{Kind: act.CleaningStarted, At: at(9, 0), By: "lee", Unit: "trough 2", Until: at(9, 30)},
			{Kind: act.Shelved, At: at(9, 5), By: "lee", Alarm: "silent/deep 1", Until: at(20, 0), Why: "new probe ordered" + said},
		},
		Chores: []site.ChoreDone{{Chore: "cleaning", Unit: "trough 2", At: at(9, 20), By: "lee"}},
		Lots: []book.Line{
			{Entry: book.Entry{Seq: 7, Lot: "2026-A", Kind: book.Picked, Number: 130, At: at(8, 0), By: "lee", RecordedAt: at(8, 1)}, CorrectedBy: 8},
			{Entry: book.Entry{Seq: 8, Lot: "2026-A", Kind: book.Picked, Number: 31, At: at(8, 0), By: "lee", Corrects: 7, RecordedAt: at(8, 1).AddDate(0, 0, 1), Text: "tray 3" + said}},
		},
		Calls:    []calls.Line{{At: at(2, 10), Head: "call-out to kim by text message, +447700900123" + said, More: []string{"Trough 1: low flow"}}},
		Messages: 3, Missed: 1,
	}}
	d.status = &status.Status{Now: journalNow, Site: k.site, Lots: k.Lots(k.now), Probes: []rules.ProbeView{
		{Probe: &k.site.Probes[0], Heard: true, Last: rulestest.Reading(k.site.Probes[0].ID, journalNow, 8.1)},
		{Probe: &k.site.Probes[1], Heard: true, Silent: true},
		{Probe: &k.site.Probes[3]},
	}}
	return d
}

func (d *aDay) handler(role access.Role) http.Handler {
	return signedIn("kim", role, NewJournal(d, d.site, func() time.Time { return journalNow }).Mount(http.NotFoundHandler()))
}

func TestJournalPages(t *testing.T) {
	h := newDay(t, "").handler(access.Work)
	for name, path := range map[string]string{
		"journal.html": "/journal/2026-11-20", "journal-es.html": "/journal/2026-11-20?lang=es", "dayrecord.html": "/journal/2026-11-20/record", "round.html": "/round", "round-es.html": "/round?lang=es",
	} {
		code, body := ask(t, h, path)
		if code != http.StatusOK {
			t.Errorf("%s: status %d, %s", path, code, body)
			continue
		}
		golden(t, name, body)
		if m := regexp.MustCompile(`journal\.[a-z]+`).FindString(plainText(body)); m != "" {
			t.Errorf("%s shows the key %s", path, m)
		}
	}
}

func TestJournalDays(t *testing.T) {
	d := newDay(t, "")
	h := d.handler(access.Look)
	tests := []struct {
		path string
		code int
		to   string
	}{
		{"/journal", http.StatusSeeOther, "/journal/2026-11-20"},
		{"/journal?day=2026-10-01", http.StatusSeeOther, "/journal/2026-10-01"},
		{"/journal?day=//elsewhere.example", http.StatusSeeOther, "/journal/2026-11-20"},
		{"/journal/2026-11-31", http.StatusNotFound, ""},
		{"/journal/0001-01-01", http.StatusNotFound, ""},
		{"/journal/yesterday/record", http.StatusNotFound, ""},
	}
	for _, tt := range tests {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, tt.path, nil))
		if got := w.Header().Get("Location"); w.Code != tt.code || got != tt.to {
			t.Errorf("%s: status %d to %q, want %d to %q", tt.path, w.Code, got, tt.code, tt.to)
		}
	}
	// 1 November 2026 has 25 hours in Chicago (tz database), and is that day's own.
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	d.site.Location = zone
	if code, _ := ask(t, h, "/journal/2026-11-01"); code != http.StatusOK {
		t.Errorf("status %d", code)
	}
	want := [2]time.Time{time.Date(2026, 11, 1, 5, 0, 0, 0, time.UTC), time.Date(2026, 11, 2, 6, 0, 0, 0, time.UTC)}
	if !d.asked[0].Equal(want[0]) || !d.asked[1].Equal(want[1]) {
		t.Errorf("asked for %v, want %v", d.asked, want)
	}
}

// TestJournalNumbers: whoever only looks is not shown people's numbers, and what was
// said to them; the printed record, which hangs on a wall, shows them to nobody.
func TestJournalNumbers(t *testing.T) {
	d := newDay(t, "")
	for role, shown := range map[access.Role]bool{access.Look: false, access.Work: true} {
		_, body := ask(t, d.handler(role), "/journal/2026-11-20")
		if got := strings.Contains(body, "447700900123"); got != shown {
			t.Errorf("role %d: a number is shown: %v, want %v", role, got, shown)
		}
		if !strings.Contains(body, "3 messages to people, 1 of them never handed over") {
			t.Errorf("role %d is not told how many messages went", role)
		}
	}
	if _, body := ask(t, d.handler(access.Work), "/journal/2026-11-20/record"); strings.Contains(body, "447700900123") {
		t.Error("the printed record shows a number")
	}
}

func TestJournalScript(t *testing.T) {
	d := newDay(t, `"><script>alert(1)</script>`)
	h := d.handler(access.Work)
	for _, path := range []string{"/journal/2026-11-20", "/journal/2026-11-20/record", "/round"} {
		_, body := ask(t, h, path)
		if strings.Contains(body, "<script>") || !strings.Contains(body, "&lt;script&gt;") {
			t.Errorf("%s lets script through, or shows nothing of it", path)
		}
	}
}

// TestAlarmRows: an occurrence is one row, told apart from the next of the same
// alarm.
func TestAlarmRows(t *testing.T) {
	at := func(minute int) time.Time { return time.Date(2026, 11, 20, 2, minute, 0, 0, time.UTC) }
	step := func(n uint64, from, to alarm.State, minute int, by string) alarm.Transition {
		return alarm.Transition{Key: "k", Occurrence: n, From: from, To: to, At: at(minute), Since: at(0), Trouble: "T", By: by}
	}
	got := alarmRows(&JournalDay{
		Standing: []alarm.Transition{step(1, alarm.Normal, alarm.Unacknowledged, 0, "")},
		Transitions: []alarm.Transition{
			step(1, alarm.Unacknowledged, alarm.Acknowledged, 5, "kim"),
			step(1, alarm.Acknowledged, alarm.Acknowledged, 6, "lee"),
			step(1, alarm.Acknowledged, alarm.Normal, 9, ""),
			step(2, alarm.Normal, alarm.Unacknowledged, 20, ""),
			step(2, alarm.Unacknowledged, alarm.ReturnedUnacknowledged, 25, ""),
			step(2, alarm.ReturnedUnacknowledged, alarm.Normal, 30, "kim"),
			{Key: "n", Kind: alarm.LotDue, Occurrence: 1, To: alarm.Unacknowledged, Trouble: "Lot 2026-A: may hatch"}, // no alarm
		},
	}, time.UTC)
	want := []alarmRow{
		{Trouble: "T", Since: at(0), Answered: at(5), By: "kim", Ended: at(9)},
		{Trouble: "T", Since: at(0), Answered: at(30), By: "kim", Ended: at(25)},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// TestStep: what a transition is called in the journal.
func TestStep(t *testing.T) {
	tests := []struct {
		kind     alarm.Kind
		from, to alarm.State
		by, want string
	}{
		{alarm.LowFlow, alarm.Normal, alarm.Unacknowledged, "", "raised"},
		{alarm.LowFlow, alarm.ReturnedUnacknowledged, alarm.Unacknowledged, "", "raised"},
		{alarm.LowFlow, alarm.Unacknowledged, alarm.Acknowledged, "kim", "answered"},
		{alarm.LowFlow, alarm.ReturnedUnacknowledged, alarm.Normal, "kim", "answered"},
		{alarm.LowFlow, alarm.LatchedAcknowledged, alarm.Normal, "kim", "reset"},
		{alarm.LowFlow, alarm.Acknowledged, alarm.Normal, "", "over"},
		{alarm.LowFlow, alarm.Unacknowledged, alarm.LatchedUnacknowledged, "", "over"},
		{alarm.LowFlow, alarm.Unacknowledged, alarm.Unacknowledged, "", "still"},
		{alarm.LotDue, alarm.Normal, alarm.Unacknowledged, "", "coming"},
		{alarm.LotDue, alarm.Unacknowledged, alarm.Acknowledged, "kim", "answered"},
		{alarm.LotDue, alarm.Acknowledged, alarm.Normal, "", "past"},
	}
	for _, tt := range tests {
		if got := step(alarm.Transition{Kind: tt.kind, From: tt.from, To: tt.to, By: tt.by}).Key; got != tt.want {
			t.Errorf("%s from %s to %s by %q: %s, want %s", tt.kind, tt.from, tt.to, tt.by, got, tt.want)
		}
	}
}
