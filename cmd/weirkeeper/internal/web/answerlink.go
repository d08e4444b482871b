package web

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	_ "embed" // the page
	"encoding/base32"
	"encoding/binary"
	"errors"
	"html/template"
	"log/slog"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/rules/act"
	"weirkeeper/rules/measure"
)

// A mail carries a link, /a/TOKEN, by which the one person it was sent to answers
// what that person's code stands for. The token is good for that alone and until
// it runs out, and it is taken from the local network only. Opening the page does
// nothing: mail programs and scanners open links unasked.

// answerMAC is the length of a token's seal, bytes: 80 bits, which nobody guesses
// over a network.
const answerMAC = 10

// AnswerToken is the token by which a person answers what has that code, until it
// expires, to the minute and not earlier.
func AnswerToken(secret []byte, person, code string, expires time.Time) string {
	n, err := strconv.ParseUint(code, 10, 16)
	if err != nil {
		n = 0
	}
	open := binary.BigEndian.AppendUint32(nil, uint32(max(0, expires.Add(time.Minute-1).Unix()/60)))
	open = binary.BigEndian.AppendUint16(open, uint16(n))
	return strings.ToLower(answerText.EncodeToString(append(open, seal(secret, open, person)...)))
}

var answerText = base32.StdEncoding.WithPadding(base32.NoPadding)

// seal is over what a token is for, so that one of another page is none here.
func seal(secret, open []byte, person string) []byte {
	m := hmac.New(sha256.New, secret)
	m.Write([]byte("answer\x00"))
	m.Write(open)
	m.Write([]byte(person))
	return m.Sum(nil)[:answerMAC]
}

// LinkURL is the link with the token of AnswerToken; base is where people reach
// the page.
func LinkURL(base string, secret []byte, person, code string, expires time.Time) string {
	return strings.TrimSuffix(base, "/") + "/a/" + AnswerToken(secret, person, code, expires)
}

// CodeAnswer is what a person says to what has a code.
type CodeAnswer struct {
	Person, Code string
	Via          string
	// Pause holds the call-outs back for that long; 0 says that the person comes.
	Pause time.Duration
}

// Asked is what the page of a link shows.
type Asked struct {
	Person   string
	Site     string
	Troubles []AskedTrouble // that wait for the answer
	Drill    bool           // a drill waits for it
	Now      time.Time
	Zone     *time.Location
}

// AskedTrouble is one alarm.
type AskedTrouble struct {
	Trouble, Detail, Left string
	Since                 time.Time
	Hidden                string // why nobody is called for it now
}

// Open reports whether anything waits for an answer.
func (a *Asked) Open() bool { return a.Drill || len(a.Troubles) > 0 }

// AnswerKeeper is what the links need of the daemon.
type AnswerKeeper interface {
	// Asked tells what a person's code stands for now, nothing of a code that is
	// not the person's.
	Asked(ctx context.Context, person, code string) (*Asked, error)
	// AnswerCode carries out an answer and words what came of it. Errors:
	// *act.Refusal when nothing waits for it, or that it could not be stored.
	AnswerCode(ctx context.Context, c CodeAnswer) (string, error)
}

// LinkOutcome is what became of a request for a link.
type LinkOutcome string

// The outcomes.
const (
	LinkShown       LinkOutcome = "shown"
	LinkObeyed      LinkOutcome = "obeyed"
	LinkOver        LinkOutcome = "over"           // answered or over already
	LinkExpired     LinkOutcome = "expired"        // it has run out
	LinkForged      LinkOutcome = "forged"         // none that was made here
	LinkTooMany     LinkOutcome = "too many"       // beyond the rate
	LinkFromOutside LinkOutcome = "from outside"   // not from the local network
	LinkOtherPage   LinkOutcome = "another page's" // sent by a page elsewhere
	LinkUnreadable  LinkOutcome = "unreadable"     // no form of ours
	LinkFailed      LinkOutcome = "failed"         // not stored, or no answer in time
)

// LinkOutcomes lists them.
func LinkOutcomes() []LinkOutcome {
	return []LinkOutcome{LinkShown, LinkObeyed, LinkOver, LinkExpired, LinkForged, LinkTooMany, LinkFromOutside, LinkOtherPage, LinkUnreadable, LinkFailed}
}

// forgedPerMinute is how many tokens that are none are looked at from all
// addresses together (common practice, no source). Those that are some are never
// held up by it.
const forgedPerMinute = 100

// PausedByLink is for how long the button holds call-outs back.
const PausedByLink = 30 * time.Minute

// AnswerOptions are what Answers work with; all are needed.
type AnswerOptions struct {
	Keeper AnswerKeeper
	Secret []byte
	People []string // who may have a link
	Now    func() time.Time
	Log    *slog.Logger
	// Count is called once for each request.
	Count func(LinkOutcome)
}

// Answers serves GET and POST /a/{token}.
type Answers struct {
	opt    AnswerOptions
	rate   rate
	forged rate
}

// NewAnswers makes the pages of the links.
func NewAnswers(opt AnswerOptions) *Answers {
	return &Answers{opt: opt, rate: rate{now: opt.Now}, forged: rate{now: opt.Now, most: forgedPerMinute}}
}

// Mount serves the links beside the rest of the web side.
func (a *Answers) Mount(rest http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/", rest)
	mux.Handle("GET /a/{token}", a)
	mux.Handle("POST /a/{token}", a)
	return mux
}

// open reads a token. Of one that is none, person is "".
func (a *Answers) open(token string) (person, code string, expires time.Time) {
	b, err := answerText.DecodeString(strings.ToUpper(token))
	if err != nil || len(b) != 6+answerMAC || strings.ToLower(answerText.EncodeToString(b)) != token {
		return "", "", time.Time{}
	}
	for _, p := range a.opt.People { // one and all, so that the time tells nothing
		if hmac.Equal(b[6:], seal(a.opt.Secret, b[:6], p)) {
			person = p
		}
	}
	n := strconv.Itoa(int(binary.BigEndian.Uint16(b[4:])))
	return person, strings.Repeat("0", max(0, 4-len(n))) + n, time.Unix(int64(binary.BigEndian.Uint32(b))*60, 0)
}

func (a *Answers) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	outcome := a.serve(w, r)
	a.opt.Count(outcome)
	if outcome != LinkShown && outcome != LinkObeyed && outcome != LinkTooMany && outcome != LinkForged { // which could fill the log
		a.opt.Log.Warn("link to answer not carried out", "why", string(outcome), "remote", r.RemoteAddr)
	}
}

func (a *Answers) serve(w http.ResponseWriter, r *http.Request) LinkOutcome {
	w.Header().Set("Referrer-Policy", "no-referrer") // the link itself is the key
	w.Header().Set("Cache-Control", "no-store")
	refuse := func(o LinkOutcome, status int, words string) LinkOutcome {
		http.Error(w, words, status)
		return o
	}
	tooMany := func() LinkOutcome {
		w.Header().Set("Retry-After", "60")
		return refuse(LinkTooMany, http.StatusTooManyRequests, "too many requests; wait a minute, or answer by text message")
	}
	ip, ok := access.Address(r)
	if !ok {
		return refuse(LinkFromOutside, http.StatusForbidden, "this works from the hatchery's own network only; answer by text message")
	}
	if !a.rate.allow(ip) {
		return tooMany()
	}
	person, code, expires := a.open(r.PathValue("token"))
	switch {
	case person == "" && !a.forged.allow(netip.IPv6Unspecified()): // all addresses together
		return tooMany()
	case person == "":
		return refuse(LinkForged, http.StatusNotFound, "this link is not known here: open the one in the newest message, all of it, or answer by text message")
	case !a.opt.Now().Before(expires):
		return refuse(LinkExpired, http.StatusGone, "this link has run out: nothing was done. What stands now is in the newest message")
	}
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	if r.Method != http.MethodPost {
		return a.show(ctx, w, person, code, "", nil)
	}
	if !sameOrigin(r) {
		return refuse(LinkOtherPage, http.StatusForbidden, "this came from another page: nothing was done. Open the link in the message")
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	if err := r.ParseForm(); err != nil {
		return refuse(LinkUnreadable, http.StatusBadRequest, "the form cannot be read: nothing was done. Open the link in the message again")
	}
	c := CodeAnswer{Person: person, Code: code, Via: "link"}
	switch r.PostForm.Get("do") {
	case "coming":
	case "pause":
		c.Pause = PausedByLink
	default:
		return refuse(LinkUnreadable, http.StatusBadRequest, "nothing of that name is done here: nothing was done. Open the link in the message again")
	}
	said, err := a.opt.Keeper.AnswerCode(ctx, c)
	return a.show(ctx, w, person, code, said, err)
}

//go:embed answer.tmpl
var answerFile string

var answerPage = template.Must(template.New("answer").Parse(answerFile))

// show writes the page: after an answer said is what came of it, or err.
func (a *Answers) show(ctx context.Context, w http.ResponseWriter, person, code, said string, err error) LinkOutcome {
	outcome, status := LinkShown, http.StatusOK
	var unfit *act.Refusal
	switch {
	case errors.As(err, &unfit):
		outcome, status, said = LinkOver, http.StatusConflict, measure.Capital(err.Error())+"."
	case err != nil:
		outcome, status = LinkFailed, http.StatusServiceUnavailable
		said = "It could not be recorded: " + err.Error() + ". Open the link again, or answer by text message."
	case said != "":
		outcome = LinkObeyed
	}
	asked, askErr := a.opt.Keeper.Asked(ctx, person, code)
	if askErr != nil {
		if outcome == LinkObeyed { // it is done all the same
			answer(w, plain, said)
			return outcome
		}
		fail(w, askErr, http.StatusServiceUnavailable)
		return LinkFailed
	}
	if outcome == LinkShown && !asked.Open() {
		outcome = LinkOver
	}
	clock := func(t time.Time) string { return act.Clock(t, asked.Now, asked.Zone) }
	v := struct {
		*Asked
		Said         string
		Wrong, Again bool // Again: it was just answered
		Clock        func(time.Time) string
		Capital      func(string) string
		Minutes      int
	}{asked, strings.TrimSpace(said), outcome == LinkFailed, outcome == LinkObeyed, clock, measure.Capital, int(PausedByLink.Minutes())}
	var b strings.Builder
	if err := answerPage.Execute(&b, v); err != nil {
		a.opt.Log.Error("page of a link", "err", err)
		http.Error(w, "the page cannot be shown", http.StatusInternalServerError)
		return LinkFailed
	}
	head(w, "text/html; charset=utf-8")
	w.Header().Set("Content-Security-Policy", formPolicy)
	w.WriteHeader(status)
	_, _ = w.Write([]byte(b.String())) // the asker is gone: nothing to do
	return outcome
}

// sameOrigin reports whether a form was sent by a page of ours, as far as the
// browser says; "null" is what it says of a page without a referrer.
func sameOrigin(r *http.Request) bool {
	o := r.Header.Get("Origin")
	if o == "" || o == "null" {
		return true
	}
	u, err := url.Parse(o)
	return err == nil && u.Host == r.Host
}
