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
	ask := func(method, path string) *http.Response {
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
		return resp
	}
	body := func(resp *http.Response) string {
		b, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}

	resp := ask(http.MethodGet, "/")
	if got := body(resp); resp.StatusCode != http.StatusOK || !strings.Contains(got, "No water needs you now") || !strings.Contains(got, "at least 100.0 L/min") {
		t.Errorf("status %d, the page says %s", resp.StatusCode, got)
	}
	if got := resp.Header.Get("Content-Security-Policy"); !strings.HasPrefix(got, "default-src 'none'; script-src 'self'; style-src 'self'") {
		t.Errorf("policy %q", got)
	}
	for _, path := range []string{"/do/acknowledge", "/do/reset", "/do/clean", "/do/done", "/do/resume"} {
		if resp := ask(http.MethodPost, path); resp.StatusCode < 300 || resp.StatusCode == http.StatusNotFound || resp.StatusCode >= 500 {
			t.Errorf("%s without a name: status %d", path, resp.StatusCode)
		}
	}

	lines := bufio.NewScanner(ask(http.MethodGet, "/events").Body)
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
