package page

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"weirkeeper/cmd/weirkeeper/internal/access"
)

// TestScriptInAccess: what people write about people and devices is text on the
// page, wherever it stands.
func TestScriptInAccess(t *testing.T) {
	const evil = `"><script>alert(1)</script><img src=x onerror=alert(1)>'{{.}}javascript:alert(1)`
	type session struct {
		ID, Role, Device, Created, Used string
		This                            bool
	}
	type person struct {
		Name, Role string
		Password   bool
		Sessions   []session
	}
	s := session{ID: evil, Role: "look", Device: evil, Created: evil, Used: evil, This: true}
	pages := map[string]any{
		"people": struct {
			People     []person
			Roles      []access.Role
			Said, Link string
			Wrong      bool
		}{[]person{{evil, "work", true, []session{s}}, {evil, "look", false, nil}}, access.Roles(), evil, evil, true},
		"signin": struct {
			Name, Next, Wrong string
			Seconds           int
			Nobody            bool
		}{evil, evil, "wrong", 3, true},
		"device":  struct{ Name, Role, Wrong string }{evil, "work", ""},
		"refused": struct{ Why string }{"role"},
	}
	for name, data := range pages {
		for _, language := range Languages() {
			r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/people?lang="+string(language), nil)
			r = r.WithContext(access.With(r.Context(), access.Who{Name: evil, Role: access.Manage, Proof: evil}))
			w := httptest.NewRecorder()
			Write(w, r, http.StatusOK, Page{Title: name + ".title", Name: name, Site: evil, Data: data})
			body := w.Body.String()
			if w.Code != http.StatusOK || strings.Contains(body, "<script>") || strings.Contains(body, "<img") || strings.Contains(body, `href="javascript:`) {
				t.Errorf("%s in %s: %d\n%s", name, language, w.Code, body)
			}
			if !strings.Contains(body, "&lt;script&gt;alert(1)") {
				t.Errorf("%s in %s does not show the name", name, language)
			}
			if strings.Contains(body, "%!") || strings.Contains(body, "%[1]") {
				t.Errorf("%s in %s: a place of a text is not filled:\n%s", name, language, body)
			}
		}
	}
	w := httptest.NewRecorder()
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/", nil)
	Write(w, r.WithContext(access.With(r.Context(), access.Who{Name: "kim", Role: access.Work})), http.StatusOK, Page{Title: "refused.title", Name: "refused", Data: pages["refused"]})
	if strings.Contains(w.Body.String(), `href="/people"`) {
		t.Error("who may not manage is led to the people")
	}
}
