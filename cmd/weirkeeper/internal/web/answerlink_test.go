package web_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/rules/act"
)

var asking = time.Date(2026, 11, 20, 2, 20, 0, 0, time.UTC)

// askedKeeper answers for the links: one trouble waits for kim's 4711, a drill for
// rowan's 0042, nothing for any other code.
type askedKeeper struct {
	err   error
	asked []any
}

func (k *askedKeeper) Asked(_ context.Context, person, code string) (*web.Asked, error) {
	a := &web.Asked{Person: person, Site: "Alder <Fork>", Now: asking, Zone: time.UTC}
	switch person + " " + code {
	case "kim 4711", "<script>alert(1)</script> 4711":
		a.Troubles = []web.AskedTrouble{{Trouble: "Trough 3 <b>: low flow", Detail: "11.2 L/min, setpoint 28 L/min", Left: "oxygen for 25 to 60 min", Since: asking.Add(-12 * time.Minute)}}
	case "rowan 0042":
		a.Drill = true
	}
	return a, nil
}

func (k *askedKeeper) AnswerCode(_ context.Context, c web.CodeAnswer) (string, error) {
	k.asked = append(k.asked, c)
	if k.err != nil {
		return "", k.err
	}
	return "Thank you, " + c.Person + ".\n", nil
}

// linkSide is the links with their counts.
type linkSide struct {
	http.Handler
	keeper *askedKeeper
	now    time.Time
	counts map[web.LinkOutcome]int
	log    strings.Builder
}

func answers(people ...string) *linkSide {
	s := &linkSide{keeper: &askedKeeper{}, now: asking, counts: map[web.LinkOutcome]int{}}
	s.Handler = web.NewAnswers(web.AnswerOptions{
		Keeper: s.keeper, Secret: linkSecret, People: append(people, "kim", "rowan", "lee"), Now: func() time.Time { return s.now },
		Log: slog.New(slog.NewTextHandler(&s.log, nil)), Count: func(o web.LinkOutcome) { s.counts[o]++ },
	}).Mount(http.NotFoundHandler())
	return s
}

// answerPath is the path of a person's link, good for ten minutes more.
func answerPath(person, code string) string {
	return strings.TrimPrefix(web.LinkURL("http://192.0.2.7:8370/", linkSecret, person, code, asking.Add(10*time.Minute)), "http://192.0.2.7:8370")
}

var comes = url.Values{"do": {"coming"}}

func TestAnswerPage(t *testing.T) {
	for _, tt := range []struct {
		name, path, from string
		status           int
		outcome          web.LinkOutcome
		has, hasNot      []string
	}{
		{
			"what waits", answerPath("kim", "4711"), phone, 200, web.LinkShown,
			[]string{
				"<h1>Alder &lt;Fork&gt;</h1>", "kim, this waits for an answer", "<strong>Trough 3 &lt;b&gt;: low flow</strong>: 11.2 L/min, setpoint 28 L/min, since 02:08. Oxygen for 25 to 60 min.",
				`value="coming">I am coming`, `value="pause">Call nobody for it for 30 minutes`, "wet hands", "never the sole life support",
			},
			[]string{"<b>", "<script", "drill"},
		},
		{"a drill", answerPath("rowan", "0042"), phone, 200, web.LinkShown, []string{"this is a drill: nothing is wrong", "Answer the drill"}, []string{`value="pause"`}},
		{"nothing waits any more", answerPath("kim", "1234"), phone, 200, web.LinkOver, []string{"somebody has answered, or it is over"}, []string{"<form"}},
		{"not from the local network", answerPath("kim", "4711"), "203.0.113.9:40000", 403, web.LinkFromOutside, []string{"own network only"}, []string{"Trough"}},
		{"from no address", answerPath("kim", "4711"), "@", 403, web.LinkFromOutside, nil, []string{"Trough"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := answers()
			w := scan(t, s, "GET", tt.path, tt.from, nil, nil)
			body := w.Body.String()
			if w.Code != tt.status {
				t.Errorf("status %d: %s", w.Code, body)
			}
			for _, has := range tt.has {
				if !strings.Contains(body, has) {
					t.Errorf("%q is not in:\n%s", has, body)
				}
			}
			for _, no := range tt.hasNot {
				if strings.Contains(body, no) {
					t.Errorf("%q is in:\n%s", no, body)
				}
			}
			if d := gocmp.Diff(map[web.LinkOutcome]int{tt.outcome: 1}, s.counts); d != "" {
				t.Errorf("counted (-want +got):\n%s", d)
			}
			if w.Header().Get("Referrer-Policy") != "no-referrer" || w.Header().Get("Cache-Control") != "no-store" {
				t.Errorf("the link is passed on or kept: %v", w.Header())
			}
		})
	}
}

func TestAnswerButtons(t *testing.T) {
	kim := web.CodeAnswer{Person: "kim", Code: "4711", Via: "link"}
	paused := kim
	paused.Pause = 30 * time.Minute
	for _, tt := range []struct {
		name    string
		form    url.Values
		err     error
		origin  string
		status  int
		says    string
		asked   []any
		outcome web.LinkOutcome
	}{
		{"coming", comes, nil, "", 200, "Thank you, kim.", []any{kim}, web.LinkObeyed},
		{"paused", url.Values{"do": {"pause"}}, nil, "", 200, "Thank you, kim.", []any{paused}, web.LinkObeyed},
		{"from our own page", comes, nil, "http://192.0.2.7:8370", 200, "Thank you", []any{kim}, web.LinkObeyed},
		{"from a page without a referrer", comes, nil, "null", 200, "Thank you", []any{kim}, web.LinkObeyed},
		{"answered already", comes, &act.Refusal{Reason: "nothing was done: <somebody> has answered"}, "", 409, "Nothing was done: &lt;somebody&gt; has answered.", []any{kim}, web.LinkOver},
		{"not stored", comes, errors.New("disk full"), "", 503, "Not done. It could not be recorded: disk full", []any{kim}, web.LinkFailed},
		{"another button", url.Values{"do": {"sleep"}}, nil, "", 400, "nothing was done", nil, web.LinkUnreadable},
		{"no button", url.Values{}, nil, "", 400, "nothing was done", nil, web.LinkUnreadable},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := answers()
			s.keeper.err = tt.err
			w := scan(t, s, "POST", answerPath("kim", "4711"), phone, tt.form, func(r *http.Request) { r.Header.Set("Origin", tt.origin) })
			if w.Code != tt.status || !strings.Contains(w.Body.String(), tt.says) {
				t.Errorf("status %d, %s", w.Code, w.Body)
			}
			if d := gocmp.Diff(tt.asked, s.keeper.asked); d != "" {
				t.Errorf("asked (-want +got):\n%s", d)
			}
			if d := gocmp.Diff(map[web.LinkOutcome]int{tt.outcome: 1}, s.counts); d != "" {
				t.Errorf("counted (-want +got):\n%s", d)
			}
		})
	}
}

// refused asserts that neither way of asking does anything or shows anything.
func refused(t *testing.T, s *linkSide, path string, status int, outcome web.LinkOutcome) {
	t.Helper()
	for _, method := range []string{"GET", "POST"} {
		clear(s.counts)
		w := scan(t, s, method, path, phone, comes, nil)
		if w.Code != status || strings.Contains(w.Body.String(), "Trough") || len(s.keeper.asked) > 0 {
			t.Errorf("%s: status %d, asked %v: %s", method, w.Code, s.keeper.asked, w.Body)
		}
		if d := gocmp.Diff(map[web.LinkOutcome]int{outcome: 1}, s.counts); d != "" {
			t.Errorf("%s: counted (-want +got):\n%s", method, d)
		}
	}
}

// Security: a GET never acts, whatever is in it: mail scanners open links.
func TestAnswerLinkGetNeverActs(t *testing.T) {
	s := answers()
	for _, method := range []string{"GET", "HEAD", "PUT", "DELETE", "OPTIONS"} {
		scan(t, s, method, answerPath("kim", "4711")+"?do=coming", phone, comes, nil)
	}
	if len(s.keeper.asked) > 0 {
		t.Errorf("asked %v", s.keeper.asked)
	}
}

// Security: an expired link.
func TestAnswerLinkExpires(t *testing.T) {
	s := answers()
	s.now = asking.Add(10*time.Minute - 1)
	if w := scan(t, s, "GET", answerPath("kim", "4711"), phone, nil, nil); w.Code != 200 {
		t.Errorf("just before: status %d", w.Code)
	}
	s.now = asking.Add(10 * time.Minute)
	refused(t, s, answerPath("kim", "4711"), 410, web.LinkExpired)
}

// Security: a forged link: any letter of it changed, another expiry, another
// secret, somebody who is nobody here.
func TestAnswerLinkForged(t *testing.T) {
	good := answerPath("kim", "4711")
	const letters = "abcdefghijklmnopqrstuvwxyz234567"
	var bad []string
	for i := len("/a/"); i < len(good); i++ {
		c := letters[(strings.IndexByte(letters, good[i])+1)%len(letters)]
		bad = append(bad, good[:i]+string(c)+good[i+1:])
	}
	bad = append(
		bad, good[:len(good)-1], good+"a", strings.ToUpper(good[3:]), "/a/"+strings.Repeat("a", 26), "/a/%00",
		"/a/"+web.AnswerToken([]byte("another secret, as long as it is"), "kim", "4711", asking.Add(time.Hour)),
		"/a/"+web.AnswerToken(linkSecret, "kay", "4711", asking.Add(time.Hour)),
	)
	for _, path := range bad {
		if !strings.HasPrefix(path, "/a/") {
			path = "/a/" + path
		}
		refused(t, answers(), path, 404, web.LinkForged)
	}
	if len(bad) < 30 {
		t.Errorf("only %d", len(bad))
	}
}

// Security: a token of a printed code, and one of an answer there.
func TestAnswerLinkOfAnotherPurpose(t *testing.T) {
	for _, unit := range []string{"", "trough 1", "kim"} {
		refused(t, answers(), "/a/"+web.Token(linkSecret, unit), 404, web.LinkForged)
	}
	w := scan(t, codes(&keeper{}, nil), "POST", "/c/"+web.AnswerToken(linkSecret, "kim", "4711", asking.Add(time.Hour)), phone, url.Values{"do": {"start"}, "by": {"kim"}, "id": {"0123456789"}}, nil)
	if w.Code != 404 {
		t.Errorf("at /c/: status %d", w.Code)
	}
}

// Security: thousands of guesses. One address is held up after a few, all
// together after a few more, each is counted, and whoever has a good link is
// served all the same.
func TestAnswerLinkGuessing(t *testing.T) {
	s := answers()
	codes := map[int]int{}
	guess := func(from string, n int) int {
		return scan(t, s, "POST", "/a/"+web.AnswerToken([]byte("a guess"), "kim", fmt.Sprintf("%04d", n%10000), asking.Add(time.Hour)), from, comes, nil).Code
	}
	for n := range 2000 {
		codes[guess(phone, n)]++
	}
	if d := gocmp.Diff(map[int]int{404: 30, 429: 1970}, codes); d != "" {
		t.Errorf("one address (-want +got):\n%s", d)
	}
	for n := range 3000 {
		codes[guess(fmt.Sprintf("10.0.%d.%d:1", n/250, n%250), n)]++
	}
	if d := gocmp.Diff(map[int]int{404: 100, 429: 4900}, codes); d != "" {
		t.Errorf("with many addresses (-want +got):\n%s", d)
	}
	if d := gocmp.Diff(map[web.LinkOutcome]int{web.LinkForged: 100, web.LinkTooMany: 4900}, s.counts); d != "" {
		t.Errorf("counted (-want +got):\n%s", d)
	}
	if w := scan(t, s, "POST", answerPath("kim", "4711"), "192.168.1.99:1", comes, nil); w.Code != 200 || len(s.keeper.asked) != 1 {
		t.Errorf("a good link in the middle of it: status %d, asked %v", w.Code, s.keeper.asked)
	}
	if n := strings.Count(s.log.String(), "\n"); n > 10 {
		t.Errorf("%d lines of log", n)
	}
	s.now = s.now.Add(time.Minute)
	if got := guess(phone, 0); got != 404 {
		t.Errorf("a minute later: status %d", got)
	}
}

// Security: a form sent by a page elsewhere.
func TestAnswerLinkCrossOrigin(t *testing.T) {
	for _, origin := range []string{"http://elsewhere.example", "https://192.0.2.7:8370.elsewhere.example", "http://192.0.2.7:80", "://"} {
		s := answers()
		w := scan(t, s, "POST", answerPath("kim", "4711"), phone, comes, func(r *http.Request) { r.Header.Set("Origin", origin) })
		if w.Code != 403 || len(s.keeper.asked) > 0 || !maps.Equal(s.counts, map[web.LinkOutcome]int{web.LinkOtherPage: 1}) {
			t.Errorf("%s: status %d, asked %v, counted %v", origin, w.Code, s.keeper.asked, s.counts)
		}
	}
}

// Security: an oversized body.
func TestAnswerLinkOversized(t *testing.T) {
	s := answers()
	w := scan(t, s, "POST", answerPath("kim", "4711"), phone, url.Values{"do": {"coming"}, "more": {strings.Repeat("x", 9000)}}, nil)
	if w.Code != 400 || len(s.keeper.asked) > 0 || s.counts[web.LinkUnreadable] != 1 {
		t.Errorf("status %d, asked %v, counted %v", w.Code, s.keeper.asked, s.counts)
	}
}

// Security: script in a name, and no page may run any.
func TestAnswerLinkScriptInNames(t *testing.T) {
	const name = "<script>alert(1)</script>"
	s := answers(name)
	for _, method := range []string{"GET", "POST"} {
		w := scan(t, s, method, answerPath(name, "4711"), phone, comes, nil)
		if body := w.Body.String(); w.Code != 200 || strings.Contains(body, "<script") || !strings.Contains(body, "&lt;script&gt;") {
			t.Errorf("%s: status %d\n%s", method, w.Code, body)
		}
		if p := w.Header().Get("Content-Security-Policy"); !strings.Contains(p, "default-src 'none'") || strings.Contains(p, "script-src") {
			t.Errorf("%s: policy %q", method, p)
		}
	}
}

// A link is for one person's one code.
func TestAnswerLinkSinglePurpose(t *testing.T) {
	seen := map[string]bool{}
	for _, person := range []string{"kim", "rowan"} {
		for _, code := range []string{"4711", "0042", "0000", "9999"} {
			s := answers()
			path := answerPath(person, code)
			scan(t, s, "POST", path, phone, comes, nil)
			if d := gocmp.Diff([]any{web.CodeAnswer{Person: person, Code: code, Via: "link"}}, s.keeper.asked); d != "" || seen[path] {
				t.Errorf("%s %s: seen %v (-want +got):\n%s", person, code, seen[path], d)
			}
			seen[path] = true
		}
	}
}
