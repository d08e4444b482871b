package daemon

import (
	"crypto/tls"
	"fmt"
	"net/http"
	"os"
	"sync"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/access"
	pages "weirkeeper/cmd/weirkeeper/internal/page"
)

// guard puts the gate before the rest of the web side.
func (d *Daemon) guard(secret []byte, rest http.Handler) http.Handler {
	c := d.opt.Config
	anonymous := access.Nobody
	if c.Web.Anonymous {
		anonymous = access.Look
	}
	var hosts []string
	if name, err := os.Hostname(); err == nil {
		hosts = append(hosts, name)
	}
	g := access.New(access.Options{
		Ledger: d.ledger, Pages: accessPages{c.Site.Name}, Now: d.opt.Clock.Now, Log: d.opt.Log.With("component", "access"), Secret: secret,
		Anonymous: anonymous, TLS: !c.Web.TLS.IsZero(), URL: c.Web.URL, Hosts: hosts, People: peopleNames(c.People), Zone: c.Site.Location,
	})
	return g.Guard(rest)
}

// accessPages shows the pages of people and access. Who may not look does not
// read the site's name either.
type accessPages struct{ site string }

func (p accessPages) Show(w http.ResponseWriter, r *http.Request, status int, name string, data any) {
	shown := pages.Page{Title: name + ".title", Name: name, Data: data}
	if access.From(r.Context()).Role >= access.Look {
		shown.Site = p.site
	}
	pages.Write(w, r, status, shown)
}

func (accessPages) Back(w http.ResponseWriter, r *http.Request, to, said string) {
	pages.Back(w, r, to, said)
}

// certificateStays is how long a certificate is used before its files are read
// again: whatever renews it need not tell us.
const certificateStays = time.Hour

// pageTLS reads the page's certificate. One that is damaged later is not taken; the
// one before goes on.
func (d *Daemon) pageTLS() (*tls.Config, error) {
	files := d.opt.Config.Web.TLS
	read := func() (*tls.Certificate, error) {
		cert, err := d.opt.ReadFile(files.CertFile)
		if err != nil {
			return nil, fmt.Errorf("daemon: web.tls.cert_file: %w; put the certificate there, PEM, readable for the daemon", err)
		}
		key, err := d.opt.ReadFile(files.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("daemon: web.tls.key_file: %w; put the key there, PEM, readable for the daemon", err)
		}
		pair, err := tls.X509KeyPair(cert, key)
		if err != nil {
			return nil, fmt.Errorf("daemon: web.tls: %w; the files must be a certificate and its key, PEM", err)
		}
		return &pair, nil
	}
	cert, err := read()
	if err != nil {
		return nil, err
	}
	var mu sync.Mutex
	at := d.opt.Clock.Now()
	return &tls.Config{
		MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"},
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
			mu.Lock()
			defer mu.Unlock()
			if now := d.opt.Clock.Now(); now.Sub(at).Abs() >= certificateStays {
				at = now
				if fresh, err := read(); err == nil {
					cert = fresh
				} else {
					d.opt.Log.Error("the page's certificate cannot be read anew", "err", err)
				}
			}
			return cert, nil
		},
	}, nil
}
