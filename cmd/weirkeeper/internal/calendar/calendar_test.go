package calendar_test

import (
	"bytes"
	"errors"
	"flag"
	"io"
	"os"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // for the days on which clocks are changed
	"unicode/utf8"

	"github.com/emersion/go-ical"
	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/calendar"
	"weirkeeper/rules"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
	"weirkeeper/rules/thermal"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// now is the evening four days before clocks go back.
var now = time.Date(2026, 10, 21, 20, 15, 0, 0, time.UTC)

func berlin(t *testing.T) *site.Site {
	t.Helper()
	s := rulestest.Site()
	loc, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	s.Location = loc
	return s
}

func eggs(id string) rules.LotView {
	return rules.LotView{
		Lot: &book.Lot{
			ID: id, Opening: book.Opening{Species: "brook trout"}, Stage: lot.Green,
			Holdings: []book.Holding{{Unit: "stack 1", Number: 12000}, {Unit: "stack 2", Number: 400}},
		},
		Units:   thermal.Units{DegreeDays: 241.34, Measured: 700 * time.Hour, StandIn: 20 * time.Hour},
		Sources: []rules.LotProbe{{Unit: "stack 1", Probe: "stack 1 temperature"}, {Unit: "stack 2", Probe: "spring temperature", Spring: true}},
		Tender:  lot.TenderState{Tender: true, Why: "leave them still"},
		Forecast: []lot.Forecast{
			{Stage: lot.Eyed, Need: lot.Need{Low: 220, High: 240, Source: "invented"}, Earliest: now, Latest: now, Overdue: true},
			{
				// To 23:30 UTC, which is the 10th in Berlin.
				Stage: lot.Hatch, Need: lot.Need{Low: 440, High: 672, Source: "Piper 1982 (from memory)"},
				Earliest: time.Date(2026, 12, 3, 9, 0, 0, 0, time.UTC), Latest: time.Date(2026, 12, 9, 23, 30, 0, 0, time.UTC),
			},
			{Stage: lot.SwimUp, Earliest: time.Date(2026, 12, 31, 9, 0, 0, 0, time.UTC), Latest: time.Date(2026, 12, 31, 21, 0, 0, 0, time.UTC)},
		},
	}
}

func write(t *testing.T, s *site.Site, now time.Time, lots ...rules.LotView) string {
	t.Helper()
	var b bytes.Buffer
	if err := calendar.Write(&b, s, lots, now); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// read reads a feed with another library, has that write it again, as it judges
// what must be there only then, and gives the events by their summary.
func read(t *testing.T, feed string) map[string]ical.Event {
	t.Helper()
	t.Helper()
	d := ical.NewDecoder(strings.NewReader(feed))
	c, err := d.Decode()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.Decode(); !errors.Is(err, io.EOF) {
		t.Fatalf("more than one calendar: %v", err)
	}
	if err := ical.NewEncoder(io.Discard).Encode(c); err != nil {
		t.Errorf("not whole: %v", err)
	}
	out := make(map[string]ical.Event)
	uids := make(map[string]bool)
	for _, e := range c.Events() {
		uid := text(t, e, ical.PropUID)
		if uids[uid] {
			t.Errorf("UID %s twice", uid)
		}
		uids[uid] = true
		name := text(t, e, ical.PropSummary)
		if e.Props.Get(ical.PropDateTimeStart).ValueType() != ical.ValueDate {
			name += " on " + e.Props.Get(ical.PropDateTimeStart).Value[:8]
		}
		if _, ok := out[name]; ok {
			t.Errorf("%s twice", name)
		}
		out[name] = e
	}
	return out
}

func text(t *testing.T, e ical.Event, prop string) string {
	t.Helper()
	s, err := e.Props.Text(prop)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestFeed(t *testing.T) {
	feed := write(t, berlin(t), now, eggs("2026-A"))
	if *update {
		if err := os.WriteFile("testdata/feed.ics", []byte(feed), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("testdata/feed.ics")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), feed); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}

	for _, line := range []string{
		"PRODID:-//weirkeeper//lots and chores//EN\r\n", "NAME:Alder Fork\\, lots and chores\r\n", "REFRESH-INTERVAL;VALUE=DURATION:PT6H\r\n",
	} {
		if strings.Count(feed, line) != 1 {
			t.Errorf("not once in it: %q", line)
		}
	}
	events := read(t, feed)
	for _, tt := range []struct{ summary, start, end string }{
		{"2026-A brook trout: eyed due, go and look", "20261021", "20261022"},
		{"2026-A brook trout: hatch expected", "20261203", "20261211"},
		{"2026-A brook trout: swim-up expected, first feed", "20261231", "20270101"},
	} {
		e, ok := events[tt.summary]
		if !ok {
			t.Fatalf("no %q", tt.summary)
		}
		start, end := e.Props.Get(ical.PropDateTimeStart), e.Props.Get(ical.PropDateTimeEnd)
		if start.Value != tt.start || end.Value != tt.end || start.ValueType() != ical.ValueDate || end.ValueType() != ical.ValueDate {
			t.Errorf("%s: from %v to %v, want %s to %s", tt.summary, start, end, tt.start, tt.end)
		}
		if got := e.Props.Get(ical.PropDateTimeStamp).Value; got != "20261021T201500Z" {
			t.Errorf("%s: stamped %s", tt.summary, got)
		}
	}
	if diff := cmp.Diff(`Expected 3 to 10 Dec 2026. An estimate, not a promise.
Gathered: 241.3 of 440 to 672 degree-days (434.4 of 792 to 1,210 TU).
Requirement: Piper 1982 (from memory).
How known: stack 2 has no temperature probe of its own: the spring's is used (spring temperature).
How known: 720.0 h in all: 700.0 h measured, 20.0 h by the stand-in probe.
TENDER: neither move nor shock.`, text(t, events["2026-A brook trout: hatch expected"], ical.PropDescription)); diff != "" {
		t.Errorf("description (-want +got):\n%s", diff)
	}
	// 14 days of cleaning at one hour and intake clearing at two.
	if n := len(events); n != 3+14*3 {
		t.Errorf("%d events, want %d", n, 3+14*3)
	}
	// Clocks go back on 25 October 2026.
	for name, at := range map[string]string{
		"cleaning by 10:00 on 20261024":        "20261024T080000Z",
		"cleaning by 10:00 on 20261025":        "20261025T090000Z",
		"cleaning by 10:00 on 20261103":        "20261103T090000Z",
		"intake clearing by 17:00 on 20261024": "20261024T150000Z",
		"intake clearing by 17:00 on 20261025": "20261025T160000Z",
	} {
		e, ok := events[name]
		if !ok {
			t.Fatalf("no %s", name)
		}
		if got := e.Props.Get(ical.PropDateTimeStart).Value; got != at {
			t.Errorf("%s: at %s, want %s", name, got, at)
		}
	}
	if got := text(t, events["cleaning by 10:00 on 20261024"], ical.PropLocation); got != "trough 1, trough 2" {
		t.Errorf("cleaning is at %q", got)
	}
}

// An event keeps its UID when it moves, and no two have the same.
func TestUIDs(t *testing.T) {
	first := read(t, write(t, berlin(t), now, eggs("2026-A"), eggs("2026-B")))
	moved := eggs("2026-A")
	moved.Forecast[1].Earliest = moved.Forecast[1].Earliest.AddDate(0, 0, 3)
	next := read(t, write(t, berlin(t), now.AddDate(0, 0, 1), moved))
	for _, name := range []string{"2026-A brook trout: hatch expected", "cleaning by 10:00 on 20261026"} {
		if a, b := text(t, first[name], ical.PropUID), text(t, next[name], ical.PropUID); a != b {
			t.Errorf("%s: first %s, then %s", name, a, b)
		}
	}
	other := berlin(t)
	other.Name = "Fern Brook"
	elsewhere := read(t, write(t, other, now, eggs("2026-A")))
	if name := "2026-A brook trout: hatch expected"; text(t, first[name], ical.PropUID) == text(t, elsewhere[name], ical.PropUID) {
		t.Error("two sites have the same UID")
	}
}

// Names of any kind come back as they were; no line is too long and no letter
// is cut (RFC 5545, sections 3.1 and 3.3.11).
func TestNames(t *testing.T) {
	const odd = "stack 1, upper; \"new\" \\n \\\\, höchste Säule "
	s := rulestest.Site()
	s.Name = odd
	s.Chores = []site.Chore{{Name: "räumen: " + strings.Repeat("ß,", 60), By: []int{8 * 60}, Units: []string{odd, "two\r\nlines\x07"}}}
	v := eggs(strings.Repeat("é", 100) + ";x")
	v.Lot.Holdings = []book.Holding{{Unit: odd}}
	feed := write(t, s, now, v)
	for _, line := range strings.SplitAfter(feed, "\n") {
		switch {
		case line == "":
		case !strings.HasSuffix(line, "\r\n") || strings.Count(line, "\r") != 1:
			t.Errorf("does not end in CRLF: %q", line)
		case len(line) > 77:
			t.Errorf("%d octets: %q", len(line)-2, line)
		case !utf8.ValidString(line):
			t.Errorf("a letter is cut: %q", line)
		}
	}
	events := read(t, feed)
	if got := text(t, events[v.Lot.ID+" brook trout: hatch expected"], ical.PropLocation); got != odd {
		t.Errorf("the place reads %q, want %q", got, odd)
	}
	e, ok := events[s.Chores[0].Name+" by 08:00 on 20261022"]
	if !ok {
		t.Fatal("the chore does not read back")
	}
	if got, want := text(t, e, ical.PropDescription), "To be done by then at: "+odd+", two\nlines."; got != want {
		t.Errorf("the description reads %q, want %q", got, want)
	}
}

// With nothing to come the calendar is still one.
func TestEmpty(t *testing.T) {
	s := rulestest.Site()
	s.Chores = nil
	done := eggs("2025-A")
	done.Lot.Finished = now
	open := eggs("2026-A")
	open.Forecast = []lot.Forecast{{Stage: lot.Eyed, Why: "no temperature reading yet"}}
	if events := read(t, write(t, s, now, done, open)); len(events) != 0 {
		t.Errorf("got %d events", len(events))
	}
}

// What cannot be written is said.
func TestFailingWriter(t *testing.T) {
	errFull := errors.New("full")
	if err := calendar.Write(failing{errFull}, rulestest.Site(), nil, now); !errors.Is(err, errFull) {
		t.Errorf("got %v", err)
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }
