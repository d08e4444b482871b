package hook_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"weirkeeper/notify"
	"weirkeeper/notify/hook"
	"weirkeeper/rules/callout"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var night = time.Date(2026, 10, 15, 3, 12, 0, 0, time.UTC)

func message() callout.Message {
	return callout.Message{
		ID: "20261015-7", Reason: callout.Repeat, Person: "kim", Way: callout.Hook, Address: "desk",
		Subject: "Trough 3: low flow", Text: "Trough 3: low flow\n\"quoted\" <18 °C>\n", Short: "Trough 3: low flow. Answer 4711.",
		Code: "4711", CreatedAt: night, Attempts: 2,
	}
}

// server answers as told and keeps what it was asked.
type server struct {
	*httptest.Server
	mu   sync.Mutex
	got  []*http.Request
	body []string
}

func serve(t *testing.T, answer http.HandlerFunc) *server {
	t.Helper()
	s := &server{}
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		s.mu.Lock()
		s.got, s.body = append(s.got, r), append(s.body, string(b))
		s.mu.Unlock()
		answer(w, r)
	}))
	t.Cleanup(s.Close)
	return s
}

func caller(t *testing.T, h hook.Hook) *hook.Caller {
	t.Helper()
	h.Name = "desk"
	zone := time.FixedZone("", -7*3600)
	c, err := hook.New(hook.Options{Hooks: []hook.Hook{h}, Site: "Alder Fork", Location: zone})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func ok(http.ResponseWriter, *http.Request) {}

func TestDeliver(t *testing.T) {
	const all = `{"subject":"Trough 3: low flow","text":"Trough 3: low flow\n\"quoted\" <18 °C>\n","short":"Trough 3: low flow. Answer 4711.","person":"kim","site":"Alder Fork","code":"4711","reason":"repeat","id":"20261015-7","attempt":2,"at":"2026-10-14T20:12:00-07:00"}`
	tests := []struct {
		name               string
		hook               hook.Hook
		method, kind, body string
		authorization      string
	}{
		{"as it comes", hook.Hook{}, "POST", "application/json", all, ""},
		{"own words", hook.Hook{
			Method: "PUT", ContentType: "text/plain; charset=utf-8", Token: "t0ken",
			Body: `{{.Person}} at {{.Site}}, {{.At.Format "15:04"}}, {{.Reason}} {{.Attempt}}: {{.Short}}`,
		}, "PUT", "text/plain; charset=utf-8", "kim at Alder Fork, 20:12, repeat 2: Trough 3: low flow. Answer 4711.", "Bearer t0ken"},
		{"own JSON", hook.Hook{Body: `{"say": {{json .Text}}, "n": {{.Attempt}}}`}, "POST", "application/json", `{"say": "Trough 3: low flow\n\"quoted\" <18 °C>\n", "n": 2}`, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := serve(t, func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusAccepted) })
			tt.hook.URL = s.URL + "/calls?to=desk"
			said, err := caller(t, tt.hook).Deliver(t.Context(), message())
			if err != nil || said != "202 Accepted" {
				t.Fatalf("said %q, %v", said, err)
			}
			r := s.got[0]
			got := []string{r.Method, r.URL.String(), r.Header.Get("Content-Type"), r.Header.Get("Authorization"), r.Header.Get("Idempotency-Key"), s.body[0]}
			want := []string{tt.method, "/calls?to=desk", tt.kind, tt.authorization, `"20261015-7"`, tt.body}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("request (-want +got):\n%s", diff)
			}
		})
	}
}

// What an answer means (RFC 9110 for the codes, from memory).
func TestAnswers(t *testing.T) {
	tests := []struct {
		code               int
		header, said       string
		permanent, unknown bool
		words              string
	}{
		{400, "", "no such\r\nfield", true, false, "400 Bad Request: no such field"},
		{401, "", "", true, false, "401 Unauthorized"},
		{408, "", "", false, false, "408"},
		{409, "", "", false, false, "409"},
		{422, "", "", true, true, "422"},
		{425, "", "", false, false, "425"},
		{429, "Retry-After: 120", "slow down", false, false, "429 Too Many Requests (asks to wait, Retry-After: 120): slow down"},
		{500, "", "", false, true, "500"},
		{502, "", "", false, true, "502"},
		{503, "Retry-After: 5", "", false, false, "Retry-After: 5"},
		{302, "Location: http://other.example/x", "", true, false, "write the new address into the site file"},
		{307, "Location: http://other.example/x", "", true, false, "leads elsewhere"},
		{400, "", strings.Repeat("long ", 2000), true, false, "long …"},
		{401, "", "Bearer t0ken is not known at /s3cret?key=k3y", true, false, "Bearer … is not known at …"},
	}
	for _, tt := range tests {
		t.Run(fmt.Sprint(tt.code, tt.header), func(t *testing.T) {
			s := serve(t, func(w http.ResponseWriter, _ *http.Request) {
				if k, v, ok := strings.Cut(tt.header, ": "); ok {
					w.Header().Set(k, v)
				}
				w.WriteHeader(tt.code)
				_, _ = io.WriteString(w, tt.said)
			})
			_, err := caller(t, hook.Hook{URL: s.URL + "/s3cret?key=k3y", Token: "t0ken"}).Deliver(t.Context(), message())
			var e *notify.DeliveryError
			if !errors.As(err, &e) {
				t.Fatalf("error %v, want a DeliveryError", err)
			}
			if e.Permanent != tt.permanent || e.Unknown != tt.unknown {
				t.Errorf("permanent %v, unknown %v, want %v, %v: %v", e.Permanent, e.Unknown, tt.permanent, tt.unknown, e)
			}
			if !strings.Contains(e.Error(), tt.words) || len(e.Error()) > 400 || strings.ContainsAny(e.Error(), "\r\n") {
				t.Errorf("error %q, want one line with %q", e, tt.words)
			}
			secretless(t, e)
		})
	}
}

func secretless(t *testing.T, err error) {
	t.Helper()
	for _, secret := range []string{"t0ken", "s3cret", "k3y"} {
		if strings.Contains(err.Error(), secret) {
			t.Errorf("error %q shows %q", err, secret)
		}
	}
}

func TestRedirectToTheSameHost(t *testing.T) {
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/old" {
			http.Redirect(w, r, "/new", http.StatusTemporaryRedirect)
		}
	})
	if _, err := caller(t, hook.Hook{URL: s.URL + "/old", Token: "t0ken"}).Deliver(t.Context(), message()); err != nil {
		t.Fatal(err)
	}
	if len(s.got) != 2 || s.got[1].Method != "POST" || s.body[1] != s.body[0] || s.got[1].Header.Get("Authorization") != "Bearer t0ken" {
		t.Errorf("the redirect got %v, want the same request again", s.body)
	}
	round := serve(t, func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, "/", http.StatusTemporaryRedirect) })
	if _, err := caller(t, hook.Hook{URL: round.URL}).Deliver(t.Context(), message()); err == nil || len(round.got) > 4 {
		t.Errorf("redirects in a round: %v after %d requests, want an error after 4", err, len(round.got))
	}
}

// A redirect to another host gets neither message nor token.
func TestRedirectToAnotherHost(t *testing.T) {
	other := serve(t, ok)
	for _, code := range []int{301, 302, 303, 307, 308} {
		s := serve(t, func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, other.URL, code) })
		var e *notify.DeliveryError
		_, err := caller(t, hook.Hook{URL: s.URL, Token: "t0ken"}).Deliver(t.Context(), message())
		if !errors.As(err, &e) || !e.Permanent {
			t.Errorf("%d: %v, want a permanent error", code, err)
		}
	}
	if len(other.got) != 0 {
		t.Errorf("the other host got %d requests", len(other.got))
	}
}

// Whether the message may have arrived, when no answer comes.
func TestNoAnswer(t *testing.T) {
	drop := serve(t, func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) })
	stopped := make(chan struct{})
	stall := serve(t, func(_ http.ResponseWriter, r *http.Request) { <-stopped })
	defer close(stopped)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	big := serve(t, func(w http.ResponseWriter, _ *http.Request) { w.Header().Set("Long", strings.Repeat("x", 1<<20)) })
	const soon, never = time.Second, time.Minute // never: something else ends it
	for name, tt := range map[string]struct {
		url     string
		unknown bool
		timeout time.Duration
	}{
		"dropped": {drop.URL, true, never}, "nobody there": {"http://127.0.0.1:1", false, never}, "stalled": {stall.URL, true, soon}, "endless headers": {big.URL, true, never},
		"no TLS there": {"https://" + strings.TrimPrefix(drop.URL, "http://"), false, never},
		"no handshake": {"https://" + l.Addr().String(), false, soon},
	} {
		t.Run(name, func(t *testing.T) {
			var e *notify.DeliveryError
			_, err := caller(t, hook.Hook{URL: tt.url + "/s3cret?key=k3y", Token: "t0ken", Timeout: tt.timeout}).Deliver(t.Context(), message())
			if !errors.As(err, &e) || e.Permanent || e.Unknown != tt.unknown {
				t.Fatalf("%v, want a temporary DeliveryError with unknown %v", err, tt.unknown)
			}
			secretless(t, e)
		})
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := caller(t, hook.Hook{URL: stall.URL}).Deliver(ctx, message()); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v, want %v", err, context.Canceled)
	}
}

func TestUnknownHookAndLongBody(t *testing.T) {
	s := serve(t, ok)
	c := caller(t, hook.Hook{URL: s.URL})
	for name, m := range map[string]callout.Message{
		"no such hook": {ID: "a", Address: "office"},
		"long":         {ID: "a", Address: "desk", Text: strings.Repeat("x", 1<<20)},
	} {
		var e *notify.DeliveryError
		if _, err := c.Deliver(t.Context(), m); !errors.As(err, &e) || !e.Permanent || e.Unknown {
			t.Errorf("%s: %v, want a permanent error", name, err)
		}
	}
	if len(s.got) != 0 {
		t.Errorf("%d requests made", len(s.got))
	}
}

func TestNewRefuses(t *testing.T) {
	for name, tt := range map[string]struct {
		hook  hook.Hook
		words string
	}{
		"url":          {hook.Hook{URL: "desk.alderfork.example"}, "web address"},
		"method":       {hook.Hook{Method: "GET"}, "POST or PUT"},
		"content type": {hook.Hook{ContentType: "json\r\nX: y"}, "application/json"},
		"token":        {hook.Hook{Token: "t0ken\n"}, "alone into its file"},
		"template":     {hook.Hook{Body: "{{.Text"}, "body:1"},
		"field":        {hook.Hook{Body: "\n{{.Colour}}"}, "Colour"},
		"quotes":       {hook.Hook{Body: `{"text": "{{.Text}}"}`}, "{{json .Short}}"},
	} {
		if tt.hook.URL == "" {
			tt.hook.URL = "https://desk.alderfork.example/"
		}
		_, err := hook.New(hook.Options{Hooks: []hook.Hook{tt.hook}})
		if err == nil || !strings.Contains(err.Error(), tt.words) {
			t.Errorf("%s: %v, want words %q", name, err, tt.words)
		} else {
			secretless(t, err)
		}
	}
}

// Whatever a message says, a body made with json is JSON and says the same.
func FuzzJSON(f *testing.F) {
	f.Add("a\"b\\\n\u2028</script>", "\x00\xff")
	f.Fuzz(func(t *testing.T, text, id string) {
		var got struct{ Text string }
		s := serve(t, ok)
		m := callout.Message{ID: id, Address: "desk", Text: text}
		if _, err := caller(t, hook.Hook{URL: s.URL, Body: `{"text": {{json .Text}}}`}).Deliver(t.Context(), m); err != nil {
			if len(text) > 8<<10 {
				t.Skip("too long")
			}
			t.Fatal(err)
		}
		if err := json.Unmarshal([]byte(s.body[0]), &got); err != nil || got.Text != strings.ToValidUTF8(text, "\ufffd") && strings.ToValidUTF8(text, "") == text {
			t.Errorf("%q became %q, %v", text, s.body[0], err)
		}
	})
}
