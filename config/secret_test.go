package config_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math/big"
	"net"
	"strings"
	"testing"
	"time"

	"weirkeeper/config"
)

func TestSecretResolve(t *testing.T) {
	env := map[string]string{"GOOD": "open sesame"}
	files := map[string]string{"good": "open sesame\r\n", "bare": "open sesame", "blank": "\n"}
	readFile := func(name string) ([]byte, error) {
		s, ok := files[name]
		if !ok {
			return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
		}
		return []byte(s), nil
	}
	tests := []struct {
		name   string
		secret config.Secret
		want   string
		err    string // part of the error, "" for none
	}{
		{"none", config.Secret{}, "", ""},
		{"file", config.Secret{File: "good"}, "open sesame", ""},
		{"file without a line end", config.Secret{File: "bare"}, "open sesame", ""},
		{"variable", config.Secret{Env: "GOOD"}, "open sesame", ""},
		{"empty file", config.Secret{File: "blank"}, "", "file blank: the file is empty; write the password into it"},
		{"missing file", config.Secret{File: "gone"}, "", "file gone: open gone: file does not exist; make the file"},
		{"missing variable", config.Secret{Env: "GONE"}, "", "variable GONE: the variable is not set; set it"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := tt.secret.Resolve(func(k string) string { return env[k] }, readFile)
			if got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
			if (err == nil) != (tt.err == "") || err != nil && !strings.Contains(err.Error(), tt.err) {
				t.Errorf("error %v, want %q", err, tt.err)
			}
			if tt.name == "missing file" && !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("%v does not wrap the cause", err)
			}
			var log bytes.Buffer
			slog.New(slog.NewTextHandler(&log, nil)).Info("x", "secret", tt.secret)
			if out := log.String() + fmt.Sprintf("%v %+v", tt.secret, tt.secret); strings.Contains(out, "sesame") {
				t.Errorf("printed: %s", out)
			}
		})
	}
}

var certTime = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)

// selfSigned makes a certificate for broker.alderfork.example and its key, PEM.
func selfSigned(t *testing.T) (cert, key []byte) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(1), DNSNames: []string{"broker.alderfork.example"},
		NotBefore: certTime.Add(-time.Hour), NotAfter: certTime.Add(time.Hour),
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &k.PublicKey, k)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER})
}

// A real handshake: the client trusts the authority of ca_file, shows its own
// certificate and minds server_name.
func TestTLSHandshake(t *testing.T) {
	cert, key := selfSigned(t)
	readFile := func(name string) ([]byte, error) {
		return map[string][]byte{"cert.pem": cert, "key.pem": key}[name], nil
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name string
		tls  config.TLS
		ok   bool
	}{
		{"right name", config.TLS{CAFile: "cert.pem", CertFile: "cert.pem", KeyFile: "key.pem", ServerName: "broker.alderfork.example"}, true},
		{"wrong name", config.TLS{CAFile: "cert.pem", CertFile: "cert.pem", KeyFile: "key.pem", ServerName: "other.example"}, false},
		{"no authority", config.TLS{CertFile: "cert.pem", KeyFile: "key.pem", ServerName: "broker.alderfork.example"}, false},
		{"no certificate of its own", config.TLS{CAFile: "cert.pem", ServerName: "broker.alderfork.example"}, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c, err := tt.tls.ClientConfig(readFile)
			if err != nil {
				t.Fatal(err)
			}
			c.Time = func() time.Time { return certTime }
			plain, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			l := tls.NewListener(plain, &tls.Config{Certificates: []tls.Certificate{pair}, ClientAuth: tls.RequireAnyClientCert, Time: c.Time})
			defer func() { _ = l.Close() }()
			done := make(chan error, 1)
			go func() {
				conn, err := l.Accept()
				if err == nil {
					err = conn.(*tls.Conn).HandshakeContext(t.Context())
					_ = conn.Close()
				}
				done <- err
			}()
			conn, clientErr := (&tls.Dialer{Config: c}).DialContext(t.Context(), "tcp", l.Addr().String())
			serverErr := <-done
			if clientErr == nil {
				_ = conn.Close()
			}
			if got := clientErr == nil && serverErr == nil; got != tt.ok {
				t.Errorf("handshake ok is %v, want %v: client %v, server %v", got, tt.ok, clientErr, serverErr)
			}
		})
	}
}

func TestTLSFaultyFiles(t *testing.T) {
	cert, key := selfSigned(t)
	files := map[string][]byte{"cert.pem": cert, "key.pem": key, "junk.pem": []byte("junk")}
	readFile := func(name string) ([]byte, error) {
		if b, ok := files[name]; ok {
			return b, nil
		}
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	for _, tt := range []struct {
		tls  config.TLS
		want string
	}{
		{config.TLS{CAFile: "gone.pem"}, "read ca_file: open gone.pem"},
		{config.TLS{CAFile: "junk.pem"}, `ca_file "junk.pem" holds no certificate`},
		{config.TLS{CertFile: "gone.pem", KeyFile: "key.pem"}, "read cert_file: open gone.pem"},
		{config.TLS{CertFile: "cert.pem", KeyFile: "gone.pem"}, "read key_file: open gone.pem"},
		{config.TLS{CertFile: "cert.pem", KeyFile: "junk.pem"}, `cert_file "cert.pem" with key_file "junk.pem"`},
	} {
		if _, err := tt.tls.ClientConfig(readFile); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%+v: got %v, want %q", tt.tls, err, tt.want)
		}
	}
}
