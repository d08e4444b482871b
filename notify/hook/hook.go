// Package hook hands messages over by HTTP: one request for each message. It
// knows no outbox and does not retry: package notify does.
//
// The body is a template of Go's text/template with these fields:
//
//	.Subject .Text .Short   the message: a line, all of it, and what a text message says
//	.Person .Site           who it is for, and whose hatchery calls
//	.Code                   what this person answers with, "" for nothing
//	.Reason                 first, repeat, returned, morning, answered, all well, drill, reply
//	.ID .Attempt            the same ID at each attempt; attempts from 1
//	.At                     when it was written, in the site's time zone: {{.At.Format "15:04"}}
//
// and the function json, which writes a value as JSON: {"text": {{json .Short}}}.
// Inside a JSON body every field goes through it; the sample run of ParseBody
// and New finds where one does not.
//
// The ID goes as Idempotency-Key too, a quoted string (IETF
// draft-ietf-httpapi-idempotency-key-header, from memory), so that a server
// that knows it takes a message once. A further attempt that may be a copy says
// so in .Text and so has another body; a server that refuses that with 422 has
// the first one.
package hook

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/http/httptrace"
	"net/url"
	"strings"
	"sync/atomic"
	"text/template"
	"time"
	"unicode"

	"weirkeeper/notify"
	"weirkeeper/rules/callout"
)

// Hook is one place that messages go to.
type Hook struct {
	// Name is what a person's Reach names as its address.
	Name, URL   string
	Method      string // POST or PUT; "" is POST
	ContentType string // "" is application/json
	// Body is a template, see the package comment; "" is a JSON object of all
	// fields.
	Body string
	// Token goes as "Authorization: Bearer ..."; "" sends none.
	Token string
	// Timeout bounds one request, in real time; 0 means 15 s.
	Timeout time.Duration
}

// Options are the hooks and what their templates say of the site.
type Options struct {
	Hooks []Hook
	Site  string
	// Location is the zone of .At; nil is UTC.
	Location *time.Location
}

// Fields is what a body's template sees.
type Fields struct {
	Subject string    `json:"subject"`
	Text    string    `json:"text"`
	Short   string    `json:"short"`
	Person  string    `json:"person"`
	Site    string    `json:"site"`
	Code    string    `json:"code,omitempty"`
	Reason  string    `json:"reason"`
	ID      string    `json:"id"`
	Attempt int       `json:"attempt"`
	At      time.Time `json:"at"`
}

// DefaultBody is the body where none is written.
const DefaultBody = `{{json .}}`

const (
	// longestBody bounds a request's body, in bytes.
	longestBody = 64 << 10
	// longestAnswer bounds what is read of an answer, in bytes; longestWords
	// what is told of it.
	longestAnswer, longestWords = 4 << 10, 200
	mostRedirects               = 3
)

// sample has what upsets a body that was pasted together.
var sample = Fields{
	Subject: `Trough 3: low flow`, Text: "Trough 3: low flow\n11.2 L/min, \"setpoint\" 28 L/min\\\n", Short: "Trough 3: low flow\n\"4711\"",
	Person: `kim "k"`, Site: `Alder "Fork"`, Code: "4711", Reason: string(callout.First), ID: "20261015-7", Attempt: 1,
	At: time.Date(2026, 10, 15, 3, 12, 0, 0, time.UTC),
}

// ParseBody reads a body's template and runs it with a sample. The errors name
// the line and the field.
func ParseBody(text string) (*template.Template, error) {
	t, err := template.New("body").Funcs(template.FuncMap{"json": toJSON}).Parse(cmp.Or(text, DefaultBody))
	if err == nil {
		_, err = render(t, sample)
	}
	if err != nil {
		return nil, fmt.Errorf("hook: %w; write it like {\"text\": {{json .Short}}}", err)
	}
	return t, nil
}

func toJSON(v any) (string, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	err := e.Encode(v)
	return strings.TrimSuffix(b.String(), "\n"), err
}

var errTooLong = fmt.Errorf("the body is longer than %d kB", longestBody>>10)

// bounded is a buffer that takes longestBody bytes.
type bounded struct{ bytes.Buffer }

func (b *bounded) Write(p []byte) (int, error) {
	if b.Len()+len(p) > longestBody {
		return 0, errTooLong
	}
	return b.Buffer.Write(p)
}

func render(t *template.Template, f Fields) ([]byte, error) {
	var b bounded
	err := t.Execute(&b, f)
	return b.Bytes(), err
}

// Caller makes the requests. It is a notify.Deliverer.
type Caller struct {
	opt    Options
	hooks  map[string]*target
	client *http.Client
}

type target struct {
	Hook
	url  *url.URL
	body *template.Template
}

// New checks the hooks. It connects to nothing.
func New(opt Options) (*Caller, error) {
	if opt.Location == nil {
		opt.Location = time.UTC
	}
	transport := http.DefaultTransport.(*http.Transport).Clone() // it is that by its documentation
	// A connection kept open has mostly died by the next call-out.
	transport.DisableKeepAlives = true
	transport.MaxResponseHeaderBytes = 64 << 10
	c := &Caller{opt: opt, hooks: map[string]*target{}, client: &http.Client{Transport: transport, CheckRedirect: sameHost}}
	for _, h := range opt.Hooks {
		t, err := newTarget(h)
		if err != nil {
			return nil, fmt.Errorf("hook %q: %w", h.Name, err)
		}
		c.hooks[h.Name] = t
	}
	return c, nil
}

func newTarget(h Hook) (*target, error) {
	h.Method, h.ContentType, h.Timeout = cmp.Or(h.Method, http.MethodPost), cmp.Or(h.ContentType, "application/json"), cmp.Or(h.Timeout, 15*time.Second)
	u, err := url.Parse(h.URL)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, errors.New(`its url is no web address; write it like "https://desk.alderfork.example/calls"`)
	}
	if h.Method != http.MethodPost && h.Method != http.MethodPut {
		return nil, fmt.Errorf("its method is %q; use POST or PUT", h.Method)
	}
	kind, _, err := mime.ParseMediaType(h.ContentType)
	if err != nil || strings.ContainsFunc(h.ContentType, unicode.IsControl) {
		return nil, fmt.Errorf(`its content type is %q; write it like "application/json"`, h.ContentType)
	}
	if strings.ContainsFunc(h.Token, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return nil, errors.New("its token has spaces, line ends or signs beyond ASCII in it; put it alone into its file")
	}
	body, err := ParseBody(h.Body)
	if err != nil {
		return nil, err
	}
	if kind == "application/json" || strings.HasSuffix(kind, "+json") {
		b, err := render(body, sample)
		if err != nil {
			return nil, err
		}
		var v any
		if err := json.Unmarshal(b, &v); err != nil {
			return nil, fmt.Errorf("its body is not JSON once it is filled in: %w; write fields like {{json .Short}}, without quotes around them", err)
		}
	}
	return &target{h, u, body}, nil
}

// sameHost follows a redirect only with the same request, to the same host, and
// never from TLS into the clear. Anything else is given back as the answer.
func sameHost(req *http.Request, via []*http.Request) error {
	first := via[0]
	if len(via) > mostRedirects || req.Method != first.Method || req.URL.Host != first.URL.Host || req.URL.Scheme != first.URL.Scheme && req.URL.Scheme != "https" {
		return http.ErrUseLastResponse
	}
	return nil
}

// Deliver makes the request of the hook that m.Address names, and gives the
// answer's status. 2xx is handed over. Errors are *notify.DeliveryError:
// temporary for no answer, 408, 409, 425, 429 and 5xx; permanent for the others.
// The outcome is unknown when the request was under way and no answer came, and
// when a gateway or a failing server answered. No error shows the address or the
// token.
func (c *Caller) Deliver(ctx context.Context, m callout.Message) (string, error) {
	t := c.hooks[m.Address]
	if t == nil {
		return "", &notify.DeliveryError{Err: fmt.Errorf("hook: there is no hook %q; correct it in the site file", m.Address), Permanent: true}
	}
	body, err := render(t.body, Fields{
		Subject: m.Subject, Text: m.Text, Short: m.Short, Person: m.Person, Site: c.opt.Site, Code: m.Code,
		Reason: string(m.Reason), ID: m.ID, Attempt: m.Attempts, At: m.CreatedAt.In(c.opt.Location),
	})
	if err != nil {
		return "", &notify.DeliveryError{Err: fmt.Errorf("hook %q: %w; correct it in the site file", t.Name, err), Permanent: true}
	}
	ctx, cancel := context.WithTimeout(ctx, t.Timeout)
	defer cancel()
	var sent atomic.Bool
	req, err := http.NewRequestWithContext(httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{WroteHeaders: func() { sent.Store(true) }}), t.Method, t.URL, bytes.NewReader(body))
	if err != nil {
		return "", &notify.DeliveryError{Err: fmt.Errorf("hook %q: its url cannot be used", t.Name), Permanent: true}
	}
	req.Header.Set("Content-Type", t.ContentType)
	req.Header.Set("User-Agent", "weirkeeper")
	req.Header.Set("Idempotency-Key", quoted(m.ID))
	if t.Token != "" {
		req.Header.Set("Authorization", "Bearer "+t.Token)
	}
	resp, err := c.client.Do(req)
	if err != nil {
		var wrapped *url.Error // shows the whole address
		if errors.As(err, &wrapped) {
			err = wrapped.Err
		}
		return "", &notify.DeliveryError{Err: fmt.Errorf("hook %q: no answer from %s: %w", t.Name, t.url.Host, err), Unknown: sent.Load()}
	}
	defer func() { _ = resp.Body.Close() }()
	if resp.StatusCode/100 == 2 {
		return resp.Status, nil
	}
	return "", t.refused(resp)
}

func (t *target) refused(resp *http.Response) error {
	words := t.words(resp.Status)
	switch wait := t.words(resp.Header.Get("Retry-After")); {
	case resp.StatusCode/100 == 3:
		words += ", which leads elsewhere or changes the request; write the new address into the site file"
	case wait != "":
		words += " (asks to wait, Retry-After: " + wait + ")"
	}
	// Whatever ends the reading early leaves the words that came.
	answer, _ := io.ReadAll(io.LimitReader(resp.Body, longestAnswer))
	if said := t.words(string(answer)); said != "" {
		words += ": " + said
	}
	e := &notify.DeliveryError{Err: fmt.Errorf("hook %q: %s answered %s", t.Name, t.url.Host, words)}
	switch code := resp.StatusCode; code {
	case http.StatusRequestTimeout, http.StatusConflict, http.StatusTooEarly, http.StatusTooManyRequests, http.StatusServiceUnavailable:
	case http.StatusUnprocessableEntity:
		e.Permanent, e.Unknown = true, true
	default:
		e.Permanent, e.Unknown = code < 500, code >= 500
	}
	return e
}

// words is what a server said, on one line, not too long, and without what is
// secret of the request.
func (t *target) words(s string) string {
	for _, secret := range []string{t.Token, t.url.RequestURI(), t.url.RawQuery, t.url.Path} {
		if len(secret) > 1 {
			s = strings.ReplaceAll(s, secret, "…")
		}
	}
	s = strings.Join(strings.FieldsFunc(strings.ToValidUTF8(s, "?"), func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) }), " ")
	if len(s) > longestWords {
		s = strings.ToValidUTF8(s[:longestWords], "") + "…"
	}
	return s
}

// quoted is a String of structured fields (RFC 8941).
func quoted(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r >= ' ' && r <= '~':
			b.WriteRune(r)
		default:
			b.WriteByte('-')
		}
	}
	b.WriteByte('"')
	return b.String()
}
