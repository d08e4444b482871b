package daemon

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"weirkeeper/config"
	"weirkeeper/ingest/ledger"
	"weirkeeper/notify"
	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/site"
)

func TestNumber(t *testing.T) {
	for in, want := range map[string]string{
		"+447700900123":               "+447700900123",
		"+44 (7700) 900-123":          "+447700900123",
		"00447700900123":              "+447700900123",
		"447700900123":                "+447700900123",
		"07700 900123":                "+07700900123", // nobody's: no country begins with 0
		"+00447700900123":             "+00447700900123",
		"INFO":                        "INFO",
		"":                            "",
		"+44770090012x":               "+44770090012x",
		"+٤٤7700900123":               "+٤٤7700900123",
		"\xff\xfe1":                   "1",
		strings.Repeat("1", 100):      strings.Repeat("1", 40),
		strings.Repeat("ü", 40):       strings.Repeat("ü", 20),
		"a" + strings.Repeat("ü", 40): "a" + strings.Repeat("ü", 19),
	} {
		if got := number(in); got != want {
			t.Errorf("%q is %q, want %q", in, got, want)
		}
	}
	for in, want := range map[string]string{"+447700900123": "+44…23", "INFO": "…", "": "…", "+4477": "…"} {
		if got := masked(in); got != want {
			t.Errorf("%q is logged as %q, want %q", in, got, want)
		}
	}
}

// Some networks give a number without its country.
func TestKnownNumber(t *testing.T) {
	a := newAnswers([]config.Person{{Name: "kim", Mobile: "+447700900123"}, {Name: "rowan", Mobile: "+447700900456"}, {Name: "lee", Mobile: "+12025550123"}, {Name: "ash", Mobile: "+332025550123"}})
	for in, want := range map[string]string{
		"+447700900123": "+447700900123",
		"07700 900123":  "+447700900123",
		"7700900456":    "+447700900456",
		"0123":          "+0123",       // too short to tell
		"2025550123":    "+2025550123", // two end so
		"07700900789":   "+07700900789",
		"INFO":          "INFO",
	} {
		if got := a.known(number(in)); got != want {
			t.Errorf("%q is %q, want %q", in, got, want)
		}
	}
}

// A text that comes again before the first was stored counts once; one that
// cannot be looked up counts as new; of two who share a telephone it is the one
// whose code it is.
func TestTextsBeforeTheyAreStored(t *testing.T) {
	now := time.Date(2026, 11, 20, 2, 0, 0, 0, time.UTC)
	l, err := ledger.Open(t.Context(), ledger.Options{Path: t.TempDir() + "/l.db", Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	people := []notify.Person{
		{Name: "kim", Reach: []callout.Reach{{Way: callout.SMS, Address: "+447700900123"}}},
		{Name: "rowan", Reach: []callout.Reach{{Way: callout.SMS, Address: "+447700900123"}}},
	}
	s := &site.Site{Name: "Alder Fork", Location: time.UTC}
	codes := []string{"4711", "0042"}
	router := notify.NewRouter(notify.Policy{}, people, notify.Source{ID: newMessageID, Code: func(time.Time) string {
		c := codes[0]
		codes = append(codes[1:], c)
		return c
	}})
	var log strings.Builder
	k := &keeper{
		site: s, engine: rules.New(s, &lang.Program{}), router: router, ledger: l, log: slog.New(slog.NewTextHandler(&log, nil)), metrics: newMetrics(prometheus.NewRegistry()),
		answers: newAnswers([]config.Person{{Name: "kim", Mobile: "+44 7700 900123"}, {Name: "rowan", Mobile: "+447700900123"}, {Name: "lee"}}),
	}
	router.Observe(alarm.Transition{
		Key: "a", Kind: alarm.LowFlow, Occurrence: 1, To: alarm.Unacknowledged, At: now, Since: now, Priority: alarm.CallOut, Rule: "r", Trouble: "Trough 3: low flow",
	})
	if msgs := router.Due(now, notify.Look{}); len(msgs) != 2 || msgs[1].Person != "rowan" || msgs[1].Code != "0042" {
		t.Fatalf("told %+v", msgs)
	}
	in := AnswerIn{ID: "t1", From: "447700900123", Text: "0042 coming"}
	if said, o := k.textIn(t.Context(), now, in); o != Over || k.batch.Inbox[0].Person != "rowan" { // the engine knows of no such alarm
		t.Errorf("%s: %q, written down %+v", o, said, k.batch.Inbox)
	}
	if _, o := k.textIn(t.Context(), now, in); o != Double {
		t.Errorf("again: %s", o)
	}
	in.ID, in.Text = "t2", "9999"
	if _, o := k.textIn(t.Context(), now, in); o != WrongCode {
		t.Errorf("a wrong code: %s", o)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	in.ID, in.Text = "t3", strings.Repeat("status ", 1000)
	if said, o := k.textIn(t.Context(), now, in); o != StatusAsked || !strings.Contains(said, "Trough 3: low flow") {
		t.Errorf("without a record: %s, %q", o, said)
	}
	if n := len(k.batch.Inbox); n != 3 || len(k.batch.Inbox[2].Body) != bodyBytes {
		t.Errorf("%d written down", n)
	}
	if s := log.String(); strings.Contains(s, "7700900123") || !strings.Contains(s, "+44…23") {
		t.Errorf("the log has %s", s)
	}
}
