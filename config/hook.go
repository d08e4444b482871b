package config

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"text/template"
	"text/template/parse"
	"time"

	"weirkeeper/rules/callout"
	"weirkeeper/rules/hclread"
)

// webAddress reads an http or https address. secret tells whether a secret goes
// there.
func (p *parser) webAddress(b *hclread.Block, example string, secret bool) string {
	s, ok := filled(b, "url")
	if !ok {
		return ""
	}
	u, err := url.Parse(s)
	if err != nil || u.Hostname() == "" || u.Scheme != "http" && u.Scheme != "https" {
		b.Fault(b.Rng("url"), "Not a web address", fmt.Sprintf("Write the whole address, such as url = %q.", example))
		return ""
	}
	if u.User != nil {
		p.files.Hide(b.Rng("url"))
		b.Fault(b.Rng("url"), "Password in the site file", "The site file is copied and shown, so no password stands in it. Write the address without it.")
		return ""
	}
	if ip := net.ParseIP(u.Hostname()); u.Scheme == "http" && !loopback(u.Hostname()) && (ip == nil || !ip.IsPrivate() && !ip.IsLinkLocalUnicast()) {
		what := "what is sent"
		if secret {
			what = "what is sent, and the token"
		}
		b.Warn(b.Rng("url"), "In the clear", fmt.Sprintf("Anybody on the way can read %s. Write https:// if the server can do it.", what))
	}
	return s
}

// hooks reads the HTTP requests that are made for messages.
func (p *parser) hooks() {
	for _, b := range p.file.Named("hook") {
		h := Hook{Name: b.Name(), Method: http.MethodPost, ContentType: "application/json"}
		h.Token = p.hidden(b, "token", "hook.token", "WEIRKEEPER_HOOK_TOKEN")
		b.Need("url", `"https://alderfork.example/messages"`)
		h.URL = p.webAddress(b, "https://alderfork.example/messages", !h.Token.IsZero())
		if m, ok := b.Choice("method", []string{http.MethodPost, http.MethodPut}); ok {
			h.Method = m
		}
		if ct, ok := filled(b, "content_type"); ok {
			if _, _, err := mime.ParseMediaType(ct); err != nil || !strings.Contains(ct, "/") || strings.ContainsAny(ct, "\r\n") {
				b.Fault(b.Rng("content_type"), "Not a content type", `Write a media type, such as content_type = "text/plain; charset=utf-8".`)
			} else {
				h.ContentType = ct
			}
		}
		if body, ok := filled(b, "body"); ok {
			if wrong := tryBody(body, h.ContentType); wrong != "" {
				b.Fault(b.Rng("body"), "Template that does not work", wrong)
			} else {
				h.Body = body
			}
		}
		h.Timeout = span(b, "timeout", 15*time.Second, time.Second, 5*time.Minute)
		b.Done()
		p.c.Hooks = append(p.c.Hooks, h)
	}
}

// hookFields is what a template sees; notify/hook says what each is.
type hookFields struct {
	Subject, Text, Short, Person, Site, Code, Reason, ID string
	Attempt                                              int
	At                                                   time.Time
}

// fields lists what a template can use.
const fields = ".Subject, .Text, .Short, .Person, .Site, .Code, .Reason, .ID, .Attempt or .At"

// hookSample upsets a body in which text is pasted together.
var hookSample = hookFields{
	Subject: `Trough 3: low flow`, Text: "Trough 3: low flow\n11.2 L/min, \"setpoint\" 28 L/min\n", Short: "Trough 3: low flow\n\"4711\"",
	Person: `kim "k"`, Site: `Alder "Fork"`, Code: "4711", Reason: string(callout.First), ID: "20261015-7", Attempt: 1,
	At: time.Date(2026, 10, 15, 3, 12, 0, 0, time.UTC),
}

// inTemplate finds the place that text/template names, and what it says.
var inTemplate = regexp.MustCompile(`^template: body:(\d+)(?::\d+)?: (?:executing "body" at )?(.*)$`)

// tryBody parses a template and runs it. It says where that does not work and what
// would, in sentences, or "".
func tryBody(text, contentType string) string {
	toJSON := func(v any) (string, error) {
		b, err := json.Marshal(v)
		return string(b), err
	}
	t, err := template.New("body").Funcs(template.FuncMap{"json": toJSON}).Parse(text)
	if err == nil {
		err = plainTemplate(t)
	}
	media, _, _ := mime.ParseMediaType(contentType)
	isJSON := media == "application/json" || strings.HasSuffix(media, "+json")
	for _, code := range []string{hookSample.Code, ""} {
		var out bytes.Buffer
		sample := hookSample
		sample.Code = code
		if err == nil {
			err = t.Execute(&out, sample)
		}
		if err == nil && isJSON && !json.Valid(out.Bytes()) {
			without := ""
			if code == "" {
				without = " in a message without a code"
			}
			return fmt.Sprintf(`What comes out%s is not JSON; texts hold quotes and line breaks. Write each value with json and without quotes around it: {"text": {{json .Short}}}.`, without)
		}
	}
	if err == nil {
		return ""
	}
	why := strings.ReplaceAll(err.Error(), "\n", " ")
	if m := inTemplate.FindStringSubmatch(why); m != nil {
		why = fmt.Sprintf("Line %s of the body: %s", m[1], strings.TrimSuffix(m[2], " in type config.hookFields"))
	}
	return fmt.Sprintf(`%s. Write a template of Go's text/template with %s, such as {"text": {{json .Short}}}.`, why, fields)
}

// plainTemplate refuses what a body has no use for and what may never end: loops
// and templates within templates.
func plainTemplate(t *template.Template) error {
	refuse := func(n parse.Node, word string) error {
		where, _ := t.ErrorContext(n)
		return fmt.Errorf("template: %s: %s has no use here", where, word)
	}
	var walk func(l *parse.ListNode) error
	walk = func(l *parse.ListNode) error {
		if l == nil {
			return nil
		}
		for _, n := range l.Nodes {
			var err error
			switch n := n.(type) {
			case *parse.RangeNode:
				err = refuse(n, "range")
			case *parse.TemplateNode:
				err = refuse(n, "template")
			case *parse.IfNode:
				err = errors.Join(walk(n.List), walk(n.ElseList))
			case *parse.WithNode:
				err = errors.Join(walk(n.List), walk(n.ElseList))
			}
			if err != nil {
				return err
			}
		}
		return nil
	}
	if t.Tree == nil {
		return nil // only definitions
	}
	return walk(t.Root)
}
