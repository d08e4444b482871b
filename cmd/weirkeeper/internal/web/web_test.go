package web_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the zone of TestParseWhen

	gocmp "github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot/book"
)

// keeper answers with what it is told to, and notes what it was asked.
type keeper struct {
	err   error
	asked []any
}

var _ web.Keeper = (*keeper)(nil)

func (k *keeper) note(asked any, answer string) (string, error) {
	k.asked = append(k.asked, asked)
	if k.err != nil {
		return "", k.err
	}
	return answer, nil
}

func (k *keeper) Status() *status.Status { return nil }
func (k *keeper) Health() string         { return "" }

func (k *keeper) Acknowledge(_ context.Context, key alarm.Key, by string) (string, error) {
	return k.note([2]string{string(key), by}, "answered\n")
}

func (k *keeper) AnswerCode(_ context.Context, c web.CodeAnswer) (string, error) {
	return k.note(c, "answered\n")
}

func (k *keeper) Received(_ context.Context, c web.Received) (string, error) {
	return k.note(c, "taken\n")
}

func (k *keeper) ChoreDone(_ context.Context, chore, unit, by string) (string, error) {
	return k.note([3]string{chore, unit, by}, "done\n")
}

func (k *keeper) EnterLot(_ context.Context, c web.LotCommand) (string, error) {
	return k.note(c, "Written.\nWarning: tender.\n")
}
func (k *keeper) LotList(context.Context) (string, error) { return k.note("list", "board\n") }

func (k *keeper) LotSheet(_ context.Context, id, format string) (string, []byte, error) {
	types := map[string]string{"text": "text/plain; charset=utf-8", "html": "text/html; charset=utf-8", "days-csv": "text/csv; charset=utf-8", "events-csv": "text/csv; charset=utf-8"}
	s, err := k.note([2]string{id, format}, "sheet of "+id)
	return types[format], []byte(s), err
}
func (k *keeper) Stock(context.Context) (string, error) { return k.note("stock", "stock\n") }

func (k *keeper) Room(_ context.Context, q web.RoomQuestion) (string, error) {
	return k.note(q, "room\n")
}

func (k *keeper) Thermometer(_ context.Context, h web.HandReading) (string, error) {
	return k.note(h, "noted\n")
}

func (k *keeper) Calendar(context.Context) ([]byte, error) {
	s, err := k.note("calendar", "BEGIN:VCALENDAR\r\n")
	return []byte(s), err
}

// ask sends one request from this machine, with the header commands need.
func ask(t *testing.T, k *keeper, method, path, body string, change func(*http.Request)) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), method, path, strings.NewReader(body))
	r.RemoteAddr = "127.0.0.1:40000"
	r.Header.Set(web.LocalHeader, "1")
	if change != nil {
		change(r)
	}
	w := httptest.NewRecorder()
	web.Handler(k, http.NotFoundHandler(), slog.New(slog.DiscardHandler)).ServeHTTP(w, r)
	return w
}

const (
	entry   = `{"entry":{"id":"x1","lot":"2026-A","kind":"picked","by":"kim","number":42},"when":"08:30"}`
	reading = `{"unit":"stack 1","deg_c":8.2,"by":"kim"}`
)

func TestRoutes(t *testing.T) {
	tests := []struct {
		method, path, body string
		status             int
		contentType, says  string
		asked              any // nil: nothing
	}{
		{"GET", "/lots", "", 200, "text/plain; charset=utf-8", "board\n", "list"},
		{"GET", "/lots/2026-A", "", 200, "text/plain; charset=utf-8", "sheet of 2026-A", [2]string{"2026-A", "text"}},
		{"GET", "/lots/2026-A?format=text", "", 200, "text/plain; charset=utf-8", "sheet of 2026-A", [2]string{"2026-A", "text"}},
		{"GET", "/lots/2026-A?format=html", "", 200, "text/html; charset=utf-8", "sheet of 2026-A", [2]string{"2026-A", "html"}},
		{"GET", "/lots/2026-A?format=days-csv", "", 200, "text/csv; charset=utf-8", "sheet of 2026-A", [2]string{"2026-A", "days-csv"}},
		{"GET", "/lots/2026-A?format=events-csv", "", 200, "text/csv; charset=utf-8", "sheet of 2026-A", [2]string{"2026-A", "events-csv"}},
		{"GET", "/lots/2026-A?format=pdf", "", 400, "text/plain; charset=utf-8", "there is no format \"pdf\"; there are text, html, days-csv, events-csv\n", nil},
		{"GET", "/lots/entries", "", 200, "text/plain; charset=utf-8", "sheet of entries", [2]string{"entries", "text"}},
		{"GET", "/stock", "", 200, "text/plain; charset=utf-8", "stock\n", "stock"},
		{"GET", "/room?number=5000&weight_g=2.5", "", 200, "text/plain; charset=utf-8", "room\n", web.RoomQuestion{Number: 5000, WeightG: 2.5}},
		{"GET", "/room?number=5000&weight_g=2.5&length_mm=60&species=brook+trout", "", 200, "text/plain; charset=utf-8", "room\n", web.RoomQuestion{Number: 5000, WeightG: 2.5, LengthMM: 60, Species: "brook trout"}},
		{"GET", "/room", "", 400, "text/plain; charset=utf-8", "number is how many fish are to find room: a whole number from 1, such as number=5000\n", nil},
		{"GET", "/room?number=0&weight_g=2", "", 400, "text/plain; charset=utf-8", "number is how many fish are to find room: a whole number from 1, such as number=5000\n", nil},
		{"GET", "/room?number=5&weight_g=NaN", "", 400, "text/plain; charset=utf-8", "weight_g is the mean weight of one in grams, above 0, such as weight_g=2.5\n", nil},
		{"GET", "/room?number=5&weight_g=Inf", "", 400, "text/plain; charset=utf-8", "weight_g is the mean weight of one in grams, above 0, such as weight_g=2.5\n", nil},
		{"GET", "/room?number=5&weight_g=2&length_mm=-1", "", 400, "text/plain; charset=utf-8", "length_mm is the mean length of one in millimetres, above 0, such as length_mm=60\n", nil},
		{"GET", "/calendar.ics", "", 200, "text/calendar; charset=utf-8", "BEGIN:VCALENDAR\r\n", "calendar"},
		{"POST", "/lots/entries", entry, 200, "text/plain; charset=utf-8", "Written.\nWarning: tender.\n", web.LotCommand{Entry: book.Entry{ID: "x1", Lot: "2026-A", Kind: book.Picked, By: "kim", Number: 42}, When: "08:30"}},
		{"POST", "/thermometer", reading, 200, "text/plain; charset=utf-8", "noted\n", web.HandReading{Unit: "stack 1", TempC: 8.2, By: "kim"}},
		{"POST", "/lots", entry, 405, "text/plain; charset=utf-8", "Method Not Allowed\n", nil},
		{"PUT", "/lots/entries", entry, 405, "text/plain; charset=utf-8", "Method Not Allowed\n", nil},
		{"DELETE", "/lots/2026-A", "", 405, "text/plain; charset=utf-8", "Method Not Allowed\n", nil},
		{"GET", "/thermometer", "", 405, "text/plain; charset=utf-8", "Method Not Allowed\n", nil},
		{"GET", "/lots/", "", 404, "text/plain; charset=utf-8", "404 page not found\n", nil},
	}
	for _, tt := range tests {
		t.Run(tt.method+" "+tt.path, func(t *testing.T) {
			k := &keeper{}
			resp := ask(t, k, tt.method, tt.path, tt.body, nil)
			if resp.Code != tt.status || resp.Header().Get("Content-Type") != tt.contentType {
				t.Errorf("status %d, %s; want %d, %s", resp.Code, resp.Header().Get("Content-Type"), tt.status, tt.contentType)
			}
			if got := resp.Body.String(); got != tt.says {
				t.Errorf("it says %q, want %q", got, tt.says)
			}
			var want []any
			if tt.asked != nil {
				want = []any{tt.asked}
			}
			if diff := gocmp.Diff(want, k.asked); diff != "" {
				t.Errorf("the keeper was asked (-want +got):\n%s", diff)
			}
			if tt.status != 200 {
				return
			}
			for name, want := range map[string]string{
				"X-Content-Type-Options": "nosniff", "Cache-Control": "no-store",
				"Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; img-src data:",
			} {
				if got := resp.Header().Get(name); got != want {
					t.Errorf("%s is %q, want %q", name, got, want)
				}
			}
		})
	}
}

// TestLotPath asks over a real connection, as clients and servers each have
// their own way with odd paths.
func TestLotPath(t *testing.T) {
	k := &keeper{}
	s := httptest.NewServer(web.Handler(k, http.NotFoundHandler(), slog.New(slog.DiscardHandler)))
	defer s.Close()
	for _, id := range []string{"2026-A", "spring lot 3", "2026/A/2", "a//b", ".", "..", "../stock", "a/../b", "50%2F", "what?#now", "æ ü", `"<b>&`, "a+b", "entries"} {
		k.asked = nil
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, s.URL+web.LotPath(id)+"?format=html", nil)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := s.Client().Do(req)
		if err != nil {
			t.Fatal(err)
		}
		if err := resp.Body.Close(); err != nil {
			t.Error(err)
		}
		if diff := gocmp.Diff([]any{[2]string{id, "html"}}, k.asked); diff != "" || resp.StatusCode != http.StatusOK {
			t.Errorf("%q: status %d (-want +got):\n%s", id, resp.StatusCode, diff)
		}
	}
}

func TestGuards(t *testing.T) {
	long := func(n int) string {
		return `{"entry":{"id":"x1","lot":"2026-A","kind":"note","by":"kim","text":"` + strings.Repeat("k", n) + `"}}`
	}
	from := func(addr string) func(*http.Request) { return func(r *http.Request) { r.RemoteAddr = addr } }
	header := func(name, value string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set(name, value) }
	}
	tests := []struct {
		name, path, body string
		change           func(*http.Request)
		status           int
		says             string
	}{
		{"from the network", "/lots/entries", entry, from("192.0.2.7:40000"), 403, "the hatchery computer itself only"},
		{"from the network", "/thermometer", reading, from("[2001:db8::7]:40000"), 403, "the hatchery computer itself only"},
		{"from nowhere", "/thermometer", reading, from("@"), 403, "the hatchery computer itself only"},
		{"over IPv6", "/thermometer", reading, from("[::1]:40000"), 200, ""},
		{"no header", "/lots/entries", entry, header(web.LocalHeader, ""), 403, "the hatchery computer itself only"},
		{"no header", "/thermometer", reading, header(web.LocalHeader, "0"), 403, "the hatchery computer itself only"},
		{"from a web page", "/lots/entries", entry, header("Origin", "http://elsewhere.example"), 403, "the hatchery computer itself only"},
		{"from a web page", "/thermometer", reading, header("Origin", "null"), 403, "the hatchery computer itself only"},
		{"nobody", "/lots/entries", `{"entry":{"id":"x1","lot":"2026-A","kind":"eyed","by":" "}}`, nil, 400, "say who you are"},
		{"nobody", "/thermometer", `{"unit":"stack 1","deg_c":8.2}`, nil, 400, "say who you are"},
		{"no command", "/lots/entries", `{`, nil, 400, "cannot be read"},
		{"unknown word", "/lots/entries", `{"entry":{"id":"x1","by":"kim","wipe":true}}`, nil, 400, `unknown field "wipe"`},
		{"unknown word", "/thermometer", `{"unit":"stack 1","deg_f":47,"by":"kim"}`, nil, 400, `unknown field "deg_f"`},
		{"no id", "/lots/entries", `{"entry":{"lot":"2026-A","kind":"eyed","by":"kim"}}`, nil, 400, "the entry has no id"},
		{"its own number", "/lots/entries", `{"entry":{"id":"x1","seq":7,"lot":"2026-A","kind":"eyed","by":"kim"}}`, nil, 400, "not the sender's to choose"},
		{"its own time", "/lots/entries", `{"entry":{"id":"x1","at":"2026-11-20T08:30:00Z","lot":"2026-A","kind":"eyed","by":"kim"}}`, nil, 400, "not the sender's to choose"},
		{"its own time of writing", "/lots/entries", `{"entry":{"id":"x1","recorded_at":"2026-11-20T08:30:00Z","lot":"2026-A","kind":"eyed","by":"kim"}}`, nil, 400, "not the sender's to choose"},
		{"a long note", "/lots/entries", long(24_000), nil, 200, ""},
		{"too long", "/lots/entries", long(33_000), nil, 400, "too large"},
		{"too long", "/thermometer", `{"unit":"` + strings.Repeat("k", 5000) + `"}`, nil, 400, "too large"},
		{"ack: too long", "/acknowledge", `{"by":"` + strings.Repeat("k", 5000) + `"}`, nil, 400, "too large"},
		{"done: from the network", "/done", `{"by":"kim"}`, from("192.0.2.7:40000"), 403, "the hatchery computer itself only"},
	}
	for _, tt := range tests {
		t.Run(tt.name+" "+tt.path, func(t *testing.T) {
			k := &keeper{}
			resp := ask(t, k, http.MethodPost, tt.path, tt.body, tt.change)
			if got := resp.Body.String(); resp.Code != tt.status || !strings.Contains(got, tt.says) {
				t.Errorf("status %d: %s", resp.Code, got)
			}
			if asked := len(k.asked) > 0; asked != (tt.status == 200) {
				t.Errorf("the keeper was asked %v", k.asked)
			}
		})
	}
}

func TestErrors(t *testing.T) {
	routes := []struct{ method, path, body string }{
		{"GET", "/lots", ""},
		{"GET", "/lots/2026-A", ""},
		{"GET", "/stock", ""},
		{"GET", "/room?number=5&weight_g=2", ""},
		{"GET", "/calendar.ics", ""},
		{"POST", "/lots/entries", entry},
		{"POST", "/thermometer", reading},
		{"POST", "/acknowledge", `{"by":"kim"}`},
		{"POST", "/done", `{"chore":"cleaning","by":"kim"}`},
	}
	tests := []struct {
		err       error
		get, post int
		says      string // "" is the error's own words
	}{
		{&web.UnknownLotError{Lot: "2026-X"}, 404, 404, `there is no lot "2026-X"; weirkeeper lot list names them all`},
		{&web.UnknownLotError{Lot: "2026-X", Nearest: "2026-A"}, 404, 404, `there is no lot "2026-X"; did you mean "2026-A"?`},
		{fmt.Errorf("lots: %w", &web.BadTimeError{Text: "half past"}), 400, 400, ""},
		{&book.Refusal{Reason: "8,000 are more than the 7,400 there are in stack 1"}, 409, 409, "8,000 are more than the 7,400 there are in stack 1"},
		{fmt.Errorf("keeper: %w", context.DeadlineExceeded), 503, 503, "the daemon was too busy to answer in time; a command may have been carried out all the same: look before you give it again"},
		{errors.New("no alarm waits for an answer"), 500, 409, "no alarm waits for an answer"},
	}
	for _, tt := range tests {
		for _, r := range routes {
			resp := ask(t, &keeper{err: tt.err}, r.method, r.path, r.body, nil)
			want := tt.get
			if r.method == http.MethodPost {
				want = tt.post
			}
			if got, says := resp.Body.String(), cmp.Or(tt.says, tt.err.Error())+"\n"; resp.Code != want || got != says {
				t.Errorf("%s %s: status %d, %q; want %d, %q", r.method, r.path, resp.Code, got, want, says)
			}
		}
	}
}

func TestQuestionPath(t *testing.T) {
	for _, q := range []web.RoomQuestion{
		{Number: 5000, WeightG: 2},
		{Number: 1, WeightG: 0.015, LengthMM: 24.5, Species: "brook trout & char"},
		{Number: 100_000_000, WeightG: 1.0 / 3, LengthMM: 1e-6},
	} {
		k := &keeper{}
		if resp := ask(t, k, http.MethodGet, q.Path(), "", nil); resp.Code != http.StatusOK {
			t.Errorf("%s: status %d", q.Path(), resp.Code)
		}
		if diff := gocmp.Diff([]any{q}, k.asked); diff != "" {
			t.Errorf("%s (-want +got):\n%s", q.Path(), diff)
		}
	}
}

func TestParseWhen(t *testing.T) {
	// Clocks in Stockholm went forward at 2026-03-29 02:00 and back at
	// 2026-10-25 03:00 (IANA time zone database).
	zone, err := time.LoadLocation("Europe/Stockholm")
	if err != nil {
		t.Fatal(err)
	}
	// 23:30 UTC is the next day already in the hatchery.
	now := time.Date(2026, 11, 19, 23, 30, 0, 0, time.UTC)
	const no = `; write "2026-11-20 08:30", "08:30" for today, or 2026-11-20T08:30:00Z`
	const skipped = ": the clocks went forward over that hour"
	tests := []struct{ text, want, err string }{
		{"2026-11-20 08:30", "2026-11-20T07:30:00Z", ""},
		{" 2026-11-20 08:30 ", "2026-11-20T07:30:00Z", ""},
		{"2026-11-20T08:30", "2026-11-20T07:30:00Z", ""},
		{"2026-11-20T08:30:05", "2026-11-20T07:30:05Z", ""},
		{"2026-11-20 08:30:15", "2026-11-20T07:30:15Z", ""},
		{"2026-07-01 08:30", "2026-07-01T06:30:00Z", ""},
		{"00:10", "2026-11-19T23:10:00Z", ""},
		{"8:30", "2026-11-20T07:30:00Z", ""},
		{"2026-11-20T08:30:00Z", "2026-11-20T08:30:00Z", ""},
		{"2026-11-20T08:30:00.5-05:00", "2026-11-20T13:30:00.5Z", ""},
		{"2026-03-29 02:30", "", `there was no "2026-03-29 02:30"` + skipped},
		{"2026-03-29 03:00", "2026-03-29T01:00:00Z", ""},
		{"2026-10-25T02:30:00+01:00", "2026-10-25T01:30:00Z", ""},
		{"", "", `"" is no time` + no},
		{"2026-11-20", "", `"2026-11-20" is no time` + no},
		{"2026-02-30 08:30", "", `"2026-02-30 08:30" is no time` + no},
		{"24:00", "", `"24:00" is no time` + no},
		{"yesterday", "", `"yesterday" is no time` + no},
		{"11/20/2026 08:30", "", `"11/20/2026 08:30" is no time` + no},
	}
	for _, tt := range tests {
		got, err := web.ParseWhen(tt.text, now, zone)
		var bad *web.BadTimeError
		switch {
		case tt.err != "":
			if err == nil || err.Error() != tt.err || !errors.As(err, &bad) {
				t.Errorf("%q: %v, want %s", tt.text, err, tt.err)
			}
		case err != nil || got.Format(time.RFC3339Nano) != tt.want:
			t.Errorf("%q is %v, %v; want %s", tt.text, got, err, tt.want)
		}
	}
}

func (k *keeper) Act(_ context.Context, c web.ActCommand) (string, error) { return k.note(c, "done\n") }

func (*keeper) Reload(context.Context) (string, error) { return "read anew\n", nil }

func (*keeper) Reset(_ context.Context, key alarm.Key, by string) (string, error) {
	return "Reset: " + string(key) + " by " + by + "\n", nil
}
