package config

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"log/slog"
	"strings"
)

// Secret says where a password is. It does not hold the password, so it can be
// printed and logged. The zero Secret is none.
type Secret struct {
	File string // path of the file whose content it is
	Env  string // name of the environment variable it is in
}

// IsZero reports whether there is no secret.
func (s Secret) IsZero() bool { return s == Secret{} }

// String says where the secret is.
func (s Secret) String() string {
	switch {
	case s.File != "":
		return "password in file " + s.File
	case s.Env != "":
		return "password in variable " + s.Env
	}
	return "no password"
}

// LogValue logs where the secret is.
func (s Secret) LogValue() slog.Value { return slog.StringValue(s.String()) }

// Resolve fetches the secret, "" for the zero Secret. A line end after it in a
// file is not part of it. A secret that is missing or empty is an error.
func (s Secret) Resolve(getenv func(string) string, readFile func(string) ([]byte, error)) (string, error) {
	switch {
	case s.File != "":
		b, err := readFile(s.File)
		if err != nil {
			return "", fmt.Errorf("config: %s: %w; make the file, with the password alone in it, readable for the daemon", s, err)
		}
		p := strings.TrimRight(string(b), "\r\n")
		if p == "" {
			return "", fmt.Errorf("config: %s: the file is empty; write the password into it", s)
		}
		return p, nil
	case s.Env != "":
		p := getenv(s.Env)
		if p == "" {
			return "", fmt.Errorf("config: %s: the variable is not set; set it where the daemon is started", s)
		}
		return p, nil
	}
	return "", nil
}

// TLS is what the daemon trusts and shows in a TLS connection to a broker. The
// zero TLS trusts the machine's certificate authorities and shows nothing.
type TLS struct {
	CAFile            string // PEM; trusted instead of the machine's authorities
	CertFile, KeyFile string // PEM; the daemon's own certificate
	ServerName        string // expected in the certificate instead of the host
}

// ClientConfig reads the files and builds the TLS configuration. Errors name the
// file.
func (t TLS) ClientConfig(readFile func(string) ([]byte, error)) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: t.ServerName}
	if t.CAFile != "" {
		pem, err := readFile(t.CAFile)
		if err != nil {
			return nil, fmt.Errorf("config: read ca_file: %w; copy the authority's certificate there", err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("config: ca_file %q holds no certificate; it must be in PEM form", t.CAFile)
		}
	}
	if t.CertFile != "" {
		cert, err := readFile(t.CertFile)
		if err != nil {
			return nil, fmt.Errorf("config: read cert_file: %w; copy the daemon's certificate there", err)
		}
		key, err := readFile(t.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("config: read key_file: %w; copy the daemon's key there", err)
		}
		pair, err := tls.X509KeyPair(cert, key)
		if err != nil {
			return nil, fmt.Errorf("config: cert_file %q with key_file %q: %w; both must be in PEM form and belong together", t.CertFile, t.KeyFile, err)
		}
		c.Certificates = []tls.Certificate{pair}
	}
	return c, nil
}
