package page

import (
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/cmd/weirkeeper/internal/page/pagetest"
	"weirkeeper/ingest/ledger/ledgertest"
)

type gatePages struct{}

func (gatePages) Show(w http.ResponseWriter, r *http.Request, status int, name string, data any) {
	Write(w, r, status, Page{Title: name + ".title", Name: name, Site: "Alder Fork", Data: data})
}

func (gatePages) Back(w http.ResponseWriter, r *http.Request, to, said string) { Back(w, r, to, said) }

// Rowan signs in with a password, makes a link for kim, whose telephone comes in
// by it, and ends its session.
func TestAccessInBrowser(t *testing.T) {
	for _, size := range pagetest.Sizes() {
		t.Run(size.Name, func(t *testing.T) {
			t.Parallel() // most of it is waiting
			gate := access.New(access.Options{
				Ledger: ledgertest.MustOpen(t), Pages: gatePages{}, Now: func() time.Time { return ledgertest.Start }, Log: slog.New(slog.DiscardHandler),
				Secret: []byte("the secret of the tests"), Anonymous: access.Nobody, Zone: time.UTC, Cost: access.Cost{Passes: 1, MemoryKiB: 64, Lanes: 1},
			})
			mux := http.NewServeMux()
			mux.Handle("GET /static/", Static())
			mux.HandleFunc("GET /", func(w http.ResponseWriter, r *http.Request) {
				Write(w, r, http.StatusOK, Page{Title: "refused.title", Name: "refused", Data: struct{ Why string }{"role"}})
			})
			s := httptest.NewServer(gate.Guard(mux))
			defer s.Close()
			req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, s.URL+"/people", strings.NewReader(`{"do":"add","name":"rowan","role":"manage","password":"heron over slow gravel","by":"lee"}`))
			if err != nil {
				t.Fatal(err)
			}
			req.Header.Set(access.LocalHeader, "1")
			resp, err := http.DefaultClient.Do(req)
			if err != nil {
				t.Fatal(err)
			}
			said, _ := io.ReadAll(resp.Body)
			_ = resp.Body.Close()
			if resp.StatusCode != http.StatusOK {
				t.Fatalf("rowan: %s", said)
			}

			tab := pagetest.Open(t, size)
			tab.Goto(s.URL + "/people") // leads to the sign-in, and back
			tab.Number(`document.querySelector("#name").value = "rowan", document.querySelector("#password").value = "a wrong one", 1`)
			tab.Click("main button.first")
			tab.Await(`document.readyState === "complete" && document.querySelector("[role=alert].said") !== null`)
			tab.Fits()
			tab.Axe()
			tab.Shoot("signin-" + size.Name)
			tab.Number(`document.querySelector("#password").value = "heron over slow gravel", 1`)
			tab.Click("main button.first")
			tab.Await(`document.readyState === "complete" && document.querySelector("#newname") !== null`)
			tab.Number(`document.querySelector("#newname").value = "kim", document.querySelector("#newrole").value = "work", 1`)
			tab.Click(`form[action="/people/invite"] button.first`)
			tab.Await(`document.readyState === "complete" && document.querySelector("#link") !== null`)
			tab.Number(`document.querySelectorAll("details").forEach(d => d.open = true), 1`)
			tab.Fits()
			tab.Axe()
			tab.Shoot("people-" + size.Name)

			tab.Number(`window.name = document.querySelector("#link").value, 1`)
			tab.Number(`location.assign(window.name), 1`)
			tab.Await(`document.readyState === "complete" && location.pathname.startsWith("/device/")`)
			tab.Fits()
			tab.Axe()
			tab.Shoot("device-" + size.Name)
			tab.Click("main button.first")
			tab.Await(`document.readyState === "complete" && document.querySelector("footer").textContent.includes("Signed in as kim")`)
			tab.Click(`footer form button`)
			tab.Await(`document.readyState === "complete" && location.pathname === "/sign-in"`)
		})
	}
}
