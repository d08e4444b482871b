package main

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/api"
	"weirkeeper/cmd/weirkeeper/internal/api/apitest"
	"weirkeeper/cmd/weirkeeper/internal/web"
)

// TestDocumentOfDaemon: all that the document describes is answered by the daemon,
// as it says; its examples of commands can be read, and are taken only from a
// program on this computer with the header.
func TestDocumentOfDaemon(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": fmt.Sprintf(outageSite, "1"), "rules.hcl": outageRules})
	p := startInProcess(t, dir, time.Date(2026, 11, 20, 3, 0, 0, 0, time.UTC))
	p.advance(t, 3*time.Second)
	d := apitest.Read(t, api.Document())
	ask := func(o apitest.Operation, header map[string]string) *http.Response {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), strings.ToUpper(o.Method), "http://"+p.WebAddr()+o.Path, bytes.NewReader(o.Example))
		if err != nil {
			t.Fatal(err)
		}
		r.Close = true
		for k, v := range header {
			r.Header.Set(k, v)
		}
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		return resp
	}
	local := map[string]string{web.LocalHeader: "1"}
	for _, o := range d.Operations() {
		resp := ask(o, local)
		var body []byte
		if o.Path != "/events" { // which does not end
			var err error
			if body, err = io.ReadAll(resp.Body); err != nil {
				t.Fatal(err)
			}
		}
		_ = resp.Body.Close()
		d.Answer(t, o.Method, o.Path, resp.StatusCode, resp.Header.Get("Content-Type"), body)
		if o.Example == nil {
			if resp.StatusCode != http.StatusOK {
				t.Errorf("%s %s: status %d: %.200s", o.Method, o.Path, resp.StatusCode, body)
			}
			continue
		}
		d.Body(t, o.Method, o.Path, o.Example)
		if resp.StatusCode != http.StatusOK && resp.StatusCode != http.StatusConflict {
			t.Errorf("%s %s %s: status %d: %.200s", o.Method, o.Path, o.Example, resp.StatusCode, body)
		}
		for _, header := range []map[string]string{nil, {web.LocalHeader: "1", "Origin": "https://alderfork.example"}} {
			resp := ask(o, header)
			_ = resp.Body.Close()
			if resp.StatusCode != http.StatusForbidden {
				t.Errorf("%s %s with %v: status %d", o.Method, o.Path, header, resp.StatusCode)
			}
		}
	}

	resp := ask(apitest.Operation{Method: "get", Path: "/metrics"}, map[string]string{web.LocalHeader: "1", "Accept": "application/openmetrics-text; version=1.0.0"})
	defer func() { _ = resp.Body.Close() }()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	if got := resp.Header.Get("Content-Type"); !strings.HasPrefix(got, "application/openmetrics-text") || !strings.HasSuffix(string(text), "# EOF\n") {
		t.Errorf("content type %q, ends with %q", got, text[max(0, len(text)-40):])
	}
}
