package main

import (
	"bufio"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"
)

// A browser on this computer sees the first page, may not do anything without a
// name, and hears the end of the daemon from the daemon, which does not wait for it.
func TestPageOfDaemon(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": fmt.Sprintf(outageSite, "1"), "rules.hcl": outageRules})
	p := startInProcess(t, dir, time.Date(2026, 11, 20, 3, 0, 0, 0, time.UTC))
	p.advance(t, 3*time.Second)
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	defer client.CloseIdleConnections()
	ask := func(method, path string) (status int, header http.Header, body io.Reader) {
		r, err := http.NewRequestWithContext(t.Context(), method, "http://"+p.WebAddr()+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Accept", "text/html")
		resp, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = resp.Body.Close() })
		return resp.StatusCode, resp.Header, resp.Body
	}
	status, header, body := ask(http.MethodGet, "/")
	got, err := io.ReadAll(body)
	if err != nil {
		t.Fatal(err)
	}
	if status != http.StatusOK || !strings.Contains(string(got), "No water needs you now") || !strings.Contains(string(got), "at least 100.0 L/min") {
		t.Errorf("status %d, the page says %s", status, got)
	}
	if got := header.Get("Content-Security-Policy"); !strings.HasPrefix(got, "default-src 'none'; script-src 'self'; style-src 'self'") {
		t.Errorf("policy %q", got)
	}
	for _, path := range []string{"/do/acknowledge", "/do/reset", "/do/clean", "/do/done", "/do/resume", "/rules/what-if"} {
		if status, _, _ := ask(http.MethodPost, path); status < 300 || status == http.StatusNotFound || status >= 500 {
			t.Errorf("%s without a name: status %d", path, status)
		}
	}

	_, _, news := ask(http.MethodGet, "/events")
	lines := bufio.NewScanner(news)
	event := func() string {
		for lines.Scan() {
			if e, ok := strings.CutPrefix(lines.Text(), "event: "); ok {
				return e
			}
		}
		return "none"
	}
	if got := event(); got != "alive" {
		t.Errorf("the first news is %q", got)
	}
	p.stop()
	if got := event(); got != "bye" {
		t.Errorf("at the end the page hears %q", got)
	}
}
