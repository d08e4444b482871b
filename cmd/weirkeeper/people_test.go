package main

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/act"
	"weirkeeper/rules/reading"
)

// certificate makes a certificate for a name, and its key.
func certificate(t *testing.T, dir, name string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(1), DNSNames: []string{name}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	k, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for file, block := range map[string]*pem.Block{"page.crt": {Type: "CERTIFICATE", Bytes: der}, "page.key": {Type: "PRIVATE KEY", Bytes: k}} {
		if err := os.WriteFile(dir+"/"+file, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// TestPeople gives kim access by the command, signs in by TLS as a browser does,
// does something, and is in the record with it.
func TestPeople(t *testing.T) {
	site := strings.Replace(answerSite, "web {", "web {\n  anonymous = \"nobody\"\n  tls {\n    cert_file = \"page.crt\"\n    key_file = \"page.key\"\n  }", 1)
	dir := writeFiles(t, map[string]string{"site.hcl": site, "rules.hcl": answerRules})
	certificate(t, dir, "hatchery.local")
	now := time.Date(2026, 11, 20, 8, 0, 0, 0, time.UTC)
	d := startInProcess(t, dir, now)
	d.advance(t, 2*time.Second)
	people := func(password string, args ...string) (int, string) {
		t.Helper()
		e, out, errs := testEnv()
		e.in = strings.NewReader(password)
		code := run(t.Context(), append([]string{"people", "--at", d.WebAddr(), "--by", "rowan"}, args...), e)
		return code, out.String() + errs.String()
	}
	const password = "heron over slow gravel"
	for _, tt := range []struct {
		password string
		args     []string
		code     int
		want     string
	}{
		{"", []string{"list"}, exitOK, "Nobody has access by the page yet"},
		{"", []string{"add", "kim", "--role", "work"}, exitFault, "one line on standard input"},
		{"short\n", []string{"add", "kim", "--role", "work"}, exitFault, "10 characters at least"},
		{password + "\n", []string{"add", "kim"}, exitFault, "say which role"},
		{password + "\n", []string{"add", "kim", "--role", "work"}, exitOK, "kim has access now, to work"},
		{"", []string{"list"}, exitOK, "kim  work  password  signed in on 0"},
		{"", []string{"invite", "lee", "--role", "look"}, exitOK, `"lee" is nobody in the site file`},
		{"", []string{"role", "lee", "--role", "work"}, exitOK, "lee may work now"},
		{"", []string{"remove", "lee"}, exitOK, "lee has no access any more"},
		{"", []string{"add"}, exitUsage, "people add takes one name"},
		{"", nil, exitUsage, "people takes a verb"},
	} {
		if code, said := people(tt.password, tt.args...); code != tt.code || !strings.Contains(said, tt.want) {
			t.Errorf("people %q: exit code %d, %s", tt.args, code, said)
		}
	}

	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	base := "https://" + d.WebAddr()
	client := &http.Client{Jar: jar, Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}}
	defer client.CloseIdleConnections()
	ask := func(method, path string, form url.Values) (int, string) {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), method, base+path, strings.NewReader(form.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Accept", "text/html")
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		resp, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = resp.Body.Close() }()
		b, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(b)
	}
	field := func(page, name string) string {
		m := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(page)
		if m == nil {
			return ""
		}
		return m[1]
	}
	status, page := ask(http.MethodGet, "/", nil)
	if status != http.StatusOK || !strings.Contains(page, `action="/sign-in"`) || strings.Contains(page, "Answer") {
		t.Fatalf("who has not signed in sees %d %s", status, page)
	}
	status, page = ask(http.MethodPost, "/sign-in", url.Values{"proof": {field(page, "proof")}, "name": {"kim"}, "password": {password}, "next": {field(page, "next")}})
	if status != http.StatusOK || !strings.Contains(page, "Signed in as kim") {
		t.Fatalf("signed in: %d %s", status, page)
	}
	proof := field(page, "proof")
	if proof == "" {
		t.Fatalf("no proof in a form of the page:\n%s", page)
	}
	d.advance(t, time.Second)
	do := url.Values{"proof": {proof}, "id": {"0123456789abcdef"}, "what": {"start"}, "unit": {"trough 1"}}
	if status, page = ask(http.MethodPost, "/do/clean", do); status != http.StatusOK || !strings.Contains(page, "being cleaned by kim") {
		t.Errorf("cleaning: %d %s", status, page)
	}
	acts, err := d.Ledger().Acts(t.Context(), now.Add(time.Hour), act.CleaningStarted)
	if err != nil || len(acts) != 1 || acts[0].By != "kim" || acts[0].Via != "page" {
		t.Errorf("acts in the record: %+v, %v", acts, err)
	}
	if status, page = ask(http.MethodGet, "/people", nil); status != http.StatusForbidden || strings.Contains(page, "lee") {
		t.Errorf("people, for kim who works: %d %s", status, page)
	}

	var past []reading.Reading // an hour, a flow of 120 L/min in its second half
	for at := now.Add(-time.Hour); at.Before(now); at = at.Add(time.Minute) {
		v := 200.0
		if now.Sub(at) <= 30*time.Minute {
			v = 120
		}
		past = append(past, reading.Reading{Probe: "spring flow", At: at, ArrivedAt: at, Value: v})
	}
	mustCommit(t, d.Ledger(), ledger.Batch{Readings: past})
	if status, page = ask(http.MethodGet, "/rules", nil); status != http.StatusOK || !strings.Contains(page, "/rules/what-if") {
		t.Errorf("rules: %d %s", status, page)
	}
	other := url.Values{"proof": {proof}, "kind": {"low_flow"}, "rule": {"spring"}, "setpoint": {"150"}, "weeks": {"4"}}
	if status, page = ask(http.MethodPost, "/rules/what-if", other); status != http.StatusOK || !strings.Contains(page, "Played from 20 Nov 2026 07:00") || !strings.Contains(page, "20 Nov 2026 07:3") {
		t.Errorf("what if: %d %s", status, page)
	}

	t.Run("path traversal", func(t *testing.T) {
		for _, path := range []string{
			"/static/../../../../etc/passwd", "/static/..%2f..%2fpage.go", "/static/%2e%2e/%2e%2e/etc/passwd", `/static/..\..\page.go`, "/static//etc/passwd",
			"/static/....//page.go", "/../site.hcl", "/%2e%2e/weirkeeper-data/ledger.db", "/static/style.css%00", "//static/../people", "/static/%252e%252e/page.go",
		} {
			c, err := tls.Dial("tcp", d.WebAddr(), &tls.Config{InsecureSkipVerify: true})
			if err != nil {
				t.Fatal(err)
			}
			// As it stands: no client makes it clean first.
			fmt.Fprintf(c, "GET %s HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n", path)
			resp, err := http.ReadResponse(bufio.NewReader(c), nil)
			if err != nil {
				t.Fatal(err)
			}
			body, err := io.ReadAll(resp.Body)
			if err != nil {
				t.Fatal(err)
			}
			if resp.StatusCode == http.StatusOK || strings.Contains(string(body), "root:") || strings.Contains(string(body), "package ") || strings.Contains(string(body), "SQLite") {
				t.Errorf("%s: %d %.200s", path, resp.StatusCode, body)
			}
			_ = resp.Body.Close()
			_ = c.Close()
		}
	})

	if code, said := people("", "end", "kim"); code != exitOK {
		t.Errorf("end: exit code %d, %s", code, said)
	}
	if _, page = ask(http.MethodGet, "/", nil); !strings.Contains(page, `action="/sign-in"`) {
		t.Errorf("after the sessions were ended: %s", page)
	}
}
