package page

import (
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// TestCatalogue: each text is there in every language with the same places to
// fill, each is used, and each that is used is there.
func TestCatalogue(t *testing.T) {
	var code strings.Builder
	used := make(map[string]bool)
	for _, glob := range []string{"*.go", "*.tmpl"} {
		names, err := filepath.Glob(glob)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			if strings.HasSuffix(name, "_words.go") || strings.HasSuffix(name, "_test.go") {
				continue
			}
			b, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			code.Write(b)
			if strings.HasSuffix(name, ".tmpl") {
				for _, m := range regexp.MustCompile(`\bt "([^"]+)"`).FindAllStringSubmatch(string(b), -1) {
					used[m[1]] = true
				}
			}
		}
	}
	for key := range used {
		if _, ok := catalogue[key]; !ok {
			t.Errorf("a template uses %q, which is not in the catalogue", key)
		}
	}
	// A key that is put together, such as "nav." + name, is used where its first
	// part is.
	for key, texts := range catalogue {
		first := key[:strings.LastIndex(key, ".")+1]
		if !strings.Contains(code.String(), `"`+key+`"`) && !strings.Contains(code.String(), `"`+first+`"`) {
			t.Errorf("nothing uses %q", key)
		}
		places := regexp.MustCompile(`%\[\d+\]\w|%.`)
		var found [2][]string
		for i, text := range texts {
			if strings.TrimSpace(text) == "" {
				t.Errorf("%q has no text in %s", key, Languages()[i].Name())
			}
			found[i] = places.FindAllString(text, -1)
			slices.Sort(found[i])
		}
		if !slices.Equal(slices.Compact(found[0]), slices.Compact(found[1])) {
			t.Errorf("%q has other places to fill in each language: %q, %q", key, found[0], found[1])
		}
	}
}

func TestLanguage(t *testing.T) {
	tests := []struct {
		query, cookie, accept string
		want                  Language
		remembered            bool
	}{
		{"", "", "", English, false},
		{"", "", "es-MX,es;q=0.9,en;q=0.5", Spanish, false},
		{"", "", "de, en;q=0.3", English, false},
		{"", "", "fi", English, false},
		{"", "", strings.Repeat("es,", 100), English, false},
		{"", "es", "en", Spanish, false},
		{"?lang=en", "es", "es", English, true},
		{"?lang=xx", "es", "en", Spanish, false},
		{"", "xx", "es", Spanish, false},
	}
	for _, tt := range tests {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/"+tt.query, nil)
		r.Header.Set("Accept-Language", tt.accept)
		if tt.cookie != "" {
			r.AddCookie(&http.Cookie{Name: languageCookie, Value: tt.cookie})
		}
		w := httptest.NewRecorder()
		if got := languageOf(w, r); got != tt.want {
			t.Errorf("%q, cookie %q, accepts %q: %s, want %s", tt.query, tt.cookie, tt.accept, got, tt.want)
		}
		if got := w.Header().Get("Set-Cookie") != ""; got != tt.remembered {
			t.Errorf("%q: remembered %v, want %v", tt.query, got, tt.remembered)
		}
	}
}

// TestStatic: what is embedded is served under its name with the hash, and
// nothing else is.
func TestStatic(t *testing.T) {
	get := func(path string) *http.Response {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/", nil)
		r.URL.Path = path // as it is, not cleaned
		w := httptest.NewRecorder()
		Static().ServeHTTP(w, r)
		return w.Result()
	}
	for name := range files {
		resp := get(asset(name))
		if resp.StatusCode != http.StatusOK || resp.Header.Get("Cache-Control") != "public, max-age=31536000, immutable" {
			t.Errorf("%s: status %d, %q", name, resp.StatusCode, resp.Header.Get("Cache-Control"))
		}
		_ = resp.Body.Close()
	}
	for _, path := range []string{"/static/style.css", "/static/", "/static/../page.go", "/static/..%2fpage.go", "/static/%2e%2e/page.go", `/static/..\page.go`, "/static//etc/passwd", "/static/style.css\x00"} {
		resp := get(path)
		if resp.StatusCode != http.StatusNotFound {
			t.Errorf("%q: status %d", path, resp.StatusCode)
		}
		_ = resp.Body.Close()
	}
}

// TestSaid: what a form brought about is shown once, as text, and does not leave
// our pages.
func TestSaid(t *testing.T) {
	w := httptest.NewRecorder()
	Back(w, httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/do/done", nil), "//elsewhere.example/x", "Done <b>é\r\nSet-Cookie: x=y")
	resp := w.Result()
	defer func() { _ = resp.Body.Close() }()
	if got := resp.Header.Get("Location"); resp.StatusCode != http.StatusSeeOther || got != "/" {
		t.Errorf("status %d to %q", resp.StatusCode, got)
	}
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/", nil)
	if len(resp.Cookies()) != 1 {
		t.Fatalf("cookies %v", resp.Cookies())
	}
	r.AddCookie(resp.Cookies()[0])
	w = httptest.NewRecorder()
	if got, want := takeSaid(w, r), "Done <b>é\r\nSet-Cookie: x=y"; got != want {
		t.Errorf("said %q, want %q", got, want)
	}
	if got := w.Header().Get("Set-Cookie"); !strings.Contains(got, saidCookie+"=;") || !strings.Contains(got, "Max-Age=0") {
		t.Errorf("it is not forgotten: %q", got)
	}
}

func TestOurs(t *testing.T) {
	for to, want := range map[string]string{
		"/": "/", "/lots/2026-A?day=2026-11-20": "/lots/2026-A?day=2026-11-20", "/lots/%2E%2E": "/lots/%2E%2E",
		"": "/", "lots": "/", "//elsewhere.example": "/", `/\elsewhere.example`: "/", "https://elsewhere.example/": "/", "javascript:alert(1)": "/", "/a\r\nX: y": "/",
	} {
		if got := ours(to); got != want {
			t.Errorf("%q: %q, want %q", to, got, want)
		}
	}
}

func TestSendCompressed(t *testing.T) {
	body := strings.Repeat("water ", 1000)
	for accept, encoding := range map[string]string{"": "", "br, gzip": "gzip"} {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/", nil)
		r.Header.Set("Accept-Encoding", accept)
		w := httptest.NewRecorder()
		send(w, r, http.StatusOK, []byte(body))
		if got := w.Header().Get("Content-Encoding"); got != encoding {
			t.Errorf("accepts %q: encoding %q, want %q", accept, got, encoding)
		}
		var got io.Reader = w.Body
		if encoding == "gzip" {
			z, err := gzip.NewReader(w.Body)
			if err != nil {
				t.Fatal(err)
			}
			got = z
		}
		if b, err := io.ReadAll(got); err != nil || string(b) != body {
			t.Errorf("accepts %q: %d bytes, %v", accept, len(b), err)
		}
	}
}
