package smtp_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/x509"
	"encoding/base64"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	netmail "net/mail"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"weirkeeper/notify"
	"weirkeeper/notify/notifytest"
	"weirkeeper/notify/smtp"
	"weirkeeper/rules/callout"
)

// postfix is Debian's mail server with all that it needs in one folder. It knows
// kim, whose mail it puts into a maildir, and refuses rowan for now.
type postfix struct {
	dir   string
	ports map[string]int
	pool  *x509.CertPool

	mu      sync.Mutex
	lines   []string
	changed chan struct{}
	ended   chan struct{} // the log, and with it the server
}

// The ports: what is spoken on each.
var postfixPorts = []struct{ name, options string }{
	{"starttls", "-o smtpd_tls_security_level=encrypt -o smtpd_sasl_auth_enable=yes -o smtpd_sasl_mechanism_filter=plain"},
	{"login", "-o smtpd_tls_security_level=encrypt -o smtpd_sasl_auth_enable=yes -o smtpd_sasl_mechanism_filter=login"},
	{"tls", "-o smtpd_tls_wrappermode=yes -o smtpd_sasl_auth_enable=yes"},
	{"cram", "-o smtpd_sasl_auth_enable=yes -o smtpd_sasl_mechanism_filter=cram-md5"},
	{"without TLS", "-o smtpd_tls_security_level=none"},
}

func newPostfix(t *testing.T) *postfix {
	t.Helper()
	skip := t.Skipf
	if os.Getenv("CI") == "true" {
		skip = t.Fatalf
	}
	if os.Getuid() != 0 {
		t.Skip("postfix starts as root only")
	}
	for _, program := range []string{"postfix", "saslpasswd2"} {
		if _, err := exec.LookPath(program); err != nil {
			skip("%s is not installed: apt-get install postfix sasl2-bin libsasl2-modules", program)
		}
	}
	tlsConfig, pool := certificate(t)
	p := &postfix{dir: t.TempDir(), ports: map[string]int{}, pool: pool}
	for _, dir := range []string{p.dir, filepath.Dir(p.dir)} { // its parts are several users
		if err := os.Chmod(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for dir, owner := range map[string]string{"conf/sasl": "root", "queue": "root", "data": "postfix", "mail": "nobody"} {
		p.own(t, dir, owner)
	}
	cert := tlsConfig.Certificates[0]
	key, err := x509.MarshalPKCS8PrivateKey(cert.PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	p.write(t, "conf/chain.pem", string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: key}))+
		string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: cert.Certificate[0]})))
	nobody, err := user.Lookup("nobody")
	if err != nil {
		t.Fatal(err)
	}
	p.write(t, "conf/main.cf", strings.NewReplacer("DIR", p.dir, "UID", nobody.Uid, "GID", nobody.Gid).Replace(`
compatibility_level = 3.6
maillog_file = /dev/stdout
queue_directory = DIR/queue
data_directory = DIR/data
multi_instance_enable = no
multi_instance_name =
myhostname = mail.alderfork.example
mydestination =
inet_interfaces = 127.0.0.1
inet_protocols = ipv4
alias_maps =
alias_database =
local_recipient_maps =
default_transport = error:nothing leaves this server
relayhost =
virtual_mailbox_domains = alderfork.example
virtual_mailbox_maps = inline:{kim@alderfork.example=kim/ rowan@alderfork.example=rowan/}
virtual_mailbox_base = DIR/mail
virtual_minimum_uid = 1
virtual_uid_maps = static:UID
virtual_gid_maps = static:GID
smtpd_tls_chain_files = DIR/conf/chain.pem
smtpd_peername_lookup = no
cyrus_sasl_config_path = DIR/conf
smtpd_relay_restrictions = permit_sasl_authenticated, reject_unauth_destination
smtpd_recipient_restrictions = check_recipient_access inline:{{rowan@alderfork.example=450 4.2.0 Come back later}}, permit_sasl_authenticated, reject_unauth_destination
smtpd_error_sleep_time = 0
message_size_limit = 100000
`))
	var master strings.Builder
	for _, port := range postfixPorts {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		addr, ok := l.Addr().(*net.TCPAddr)
		if !ok {
			t.Fatal("a TCP listener has no TCP address")
		}
		p.ports[port.name] = addr.Port
		_ = l.Close()
		fmt.Fprintf(&master, "127.0.0.1:%d inet n - n - - smtpd %s\n", p.ports[port.name], port.options)
	}
	master.WriteString(`
cleanup unix n - n - 0 cleanup
qmgr unix n - n 300 1 qmgr
tlsmgr unix - - n 1000? 1 tlsmgr
rewrite unix - - n - - trivial-rewrite
bounce unix - - n - 0 bounce
defer unix - - n - 0 bounce
trace unix - - n - 0 bounce
error unix - - n - - error
retry unix - - n - - error
virtual unix - n n - - virtual
anvil unix - - n - 1 anvil
proxymap unix - - n - - proxymap
postlog unix-dgram n - n - 1 postlogd
`)
	p.write(t, "conf/master.cf", master.String())
	// Debian's looks for it in a folder of this name.
	p.write(t, "conf/sasl/smtpd.conf", "pwcheck_method: auxprop\nauxprop_plugin: sasldb\nsasldb_path: "+p.dir+"/conf/sasldb\nmech_list: PLAIN LOGIN CRAM-MD5\n")
	add := exec.CommandContext(t.Context(), "saslpasswd2", "-p", "-c", "-f", p.dir+"/conf/sasldb", "-u", "mail.alderfork.example", "weir")
	add.Stdin = strings.NewReader("s3cret")
	if out, err := add.CombinedOutput(); err != nil {
		t.Fatalf("saslpasswd2: %v: %s", err, out)
	}
	p.own(t, "conf/sasldb", "postfix")
	p.start(t)
	t.Cleanup(func() {
		p.stop(t)
		if t.Failed() {
			t.Logf("the server said:\n%s", strings.Join(p.lines, "\n"))
		}
	})
	return p
}

func (p *postfix) write(t *testing.T, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(p.dir, name), []byte(text), 0o644); err != nil { //nolint:gosec // read by the server's users
		t.Fatal(err)
	}
}

// own makes a folder if there is nothing, and gives it to a user.
func (p *postfix) own(t *testing.T, name, owner string) {
	t.Helper()
	path := filepath.Join(p.dir, name)
	if _, err := os.Stat(path); err != nil {
		if err := os.MkdirAll(path, 0o755); err != nil { //nolint:gosec // read by the server's users
			t.Fatal(err)
		}
	}
	u, err := user.Lookup(owner)
	if err != nil {
		t.Fatal(err)
	}
	uid, err := strconv.Atoi(u.Uid)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chown(path, uid, -1); err != nil {
		t.Fatal(err)
	}
}

func (p *postfix) start(t *testing.T) {
	t.Helper()
	cmd := exec.CommandContext(context.WithoutCancel(t.Context()), "postfix", "-c", p.dir+"/conf", "start-fg")
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stdout, cmd.Stderr = w, w
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	_ = w.Close()
	p.mu.Lock()
	p.lines, p.changed, p.ended = nil, make(chan struct{}), make(chan struct{})
	p.mu.Unlock()
	go func() {
		defer close(p.ended)
		for s := bufio.NewScanner(r); s.Scan(); {
			p.mu.Lock()
			p.lines = append(p.lines, s.Text())
			close(p.changed)
			p.changed = make(chan struct{})
			p.mu.Unlock()
		}
		_ = r.Close()
		_ = cmd.Wait() // it was told to end
	}()
	p.await(t, "daemon started")
}

// await waits for a line of the log with all the words, and gives it.
func (p *postfix) await(t *testing.T, words ...string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), time.Minute)
	defer cancel()
	for {
		p.mu.Lock()
		lines, changed := p.lines, p.changed
		p.mu.Unlock()
	line:
		for _, l := range lines {
			for _, w := range words {
				if !strings.Contains(l, w) {
					continue line
				}
			}
			return l
		}
		select {
		case <-changed:
		case <-p.ended:
			t.Fatalf("the server ended; it said:\n%s", strings.Join(lines, "\n"))
		case <-ctx.Done():
			t.Fatalf("the server does not say %q; it said:\n%s", words, strings.Join(lines, "\n"))
		}
	}
}

func (p *postfix) stop(t *testing.T) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(p.dir, "queue/pid/master.pid"))
	if err != nil {
		t.Fatal(err)
	}
	pid, err := strconv.Atoi(strings.TrimSpace(string(b)))
	if err != nil {
		t.Fatal(err)
	}
	if err := syscall.Kill(pid, syscall.SIGTERM); err != nil {
		t.Error(err)
	}
	<-p.ended
}

// mail waits until the server has delivered a message and reads it.
func (p *postfix) mail(t *testing.T, messageID string) (header netmail.Header, body string, picture []byte) {
	t.Helper()
	taken := p.await(t, "postfix/cleanup", "message-id=<"+messageID+">")
	_, rest, _ := strings.Cut(taken, "]: ")
	queueID, _, _ := strings.Cut(rest, ":")
	p.await(t, "postfix/virtual", queueID+": ", "status=sent (delivered to maildir)")
	files, err := filepath.Glob(filepath.Join(p.dir, "mail/kim/new/*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range files {
		f, err := os.Open(name) //nolint:gosec // a name that Glob gave
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		m, err := netmail.ReadMessage(f)
		if err != nil {
			t.Fatal(err)
		}
		if m.Header.Get("Message-Id") != "<"+messageID+">" {
			continue
		}
		read := func(r io.Reader) string {
			b, err := io.ReadAll(r)
			if err != nil {
				t.Fatal(err)
			}
			return string(b)
		}
		kind, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(kind, "multipart/") {
			return m.Header, read(quotedprintable.NewReader(m.Body)), nil
		}
		parts := multipart.NewReader(m.Body, params["boundary"])
		for {
			part, err := parts.NextPart() // decodes quoted-printable
			if errors.Is(err, io.EOF) {
				return m.Header, body, picture
			}
			if err != nil {
				t.Fatal(err)
			}
			if body == "" {
				body = read(part)
			} else {
				picture = []byte(read(part))
			}
		}
	}
	t.Fatalf("no mail %s among %d", messageID, len(files))
	return nil, "", nil
}

func (p *postfix) options(port string, mode smtp.Mode) smtp.Options {
	return smtp.Options{
		Host: "127.0.0.1", Port: p.ports[port], Mode: mode, User: "weir", Password: "s3cret", RootCAs: p.pool,
		From: "Alder Fork <weir@alderfork.example>", Now: func() time.Time { return night },
	}
}

// TestPostfix hands mails to Debian's postfix and reads them from the maildir it
// puts them into.
func TestPostfix(t *testing.T) {
	p := newPostfix(t)
	for i, tt := range []struct {
		port string
		mode smtp.Mode
		user string
		said string // of the log-in, in the server's log
	}{
		{"starttls", smtp.StartTLS, "weir", "sasl_method=PLAIN, sasl_username=weir"},
		{"login", smtp.StartTLS, "weir", "sasl_method=LOGIN, sasl_username=weir"},
		{"tls", smtp.TLS, "weir", "sasl_method=PLAIN, sasl_username=weir"},
		{"cram", smtp.None, "weir", "sasl_method=CRAM-MD5, sasl_username=weir"},
		{"without TLS", smtp.None, "", "client="},
	} {
		t.Run(tt.port, func(t *testing.T) {
			opt := p.options(tt.port, tt.mode)
			opt.User = tt.user
			m := message(fmt.Sprint("mail-", i), "kim")
			m.Text = "Trough 3: low flow\n\n.a line that begins with a dot\nFrom here on: 18 °C\n" + strings.Repeat("very ", 400) + "long\n"
			said, err := mailer(t, opt).Deliver(t.Context(), m)
			if err != nil {
				t.Fatal(err)
			}
			header, body, _ := p.mail(t, m.ID+"@alderfork.example")
			queueID := said[strings.LastIndexByte(said, ' ')+1:]
			p.await(t, "postfix/smtpd", queueID+": client=", tt.said)
			if got := strings.ReplaceAll(body, "\r\n", "\n"); strings.TrimRight(got, "\n")+"\n" != m.Text {
				t.Errorf("the text arrived as %q, want %q", got, m.Text)
			}
			subject, err := (&mime.WordDecoder{}).DecodeHeader(header.Get("Subject"))
			if err != nil || subject != m.Subject {
				t.Errorf("subject %q, %v, want %q", subject, err, m.Subject)
			}
			// The words are those of RFC 3848: S with TLS, A with a log-in; UTF8SMTP
			// in their stead would be a demand on every server further on.
			if secured := strings.Contains(header.Get("Received"), "with ESMTPS"); secured != (tt.mode != smtp.None) {
				t.Errorf("plain mail with TLS %v for mode %s, by the server's word: %s", secured, tt.mode, header.Get("Received"))
			}
		})
	}
	t.Run("picture", func(t *testing.T) {
		opt := p.options("tls", smtp.TLS)
		want := []byte(strings.Repeat("PNG\r\n.\r\n\x00\xff", 2000))
		opt.Attach = func(context.Context, callout.Message) []smtp.Attachment {
			return []smtp.Attachment{{Name: "flow.png", ContentType: "image/png", Data: want}}
		}
		m := message("picture", "kim")
		if _, err := mailer(t, opt).Deliver(t.Context(), m); err != nil {
			t.Fatal(err)
		}
		_, body, encoded := p.mail(t, "picture@alderfork.example")
		if !strings.Contains(strings.ReplaceAll(body, "\r\n", "\n"), strings.TrimSpace(m.Text)) {
			t.Errorf("the first part is %q, want the text", body)
		}
		got, err := io.ReadAll(base64.NewDecoder(base64.StdEncoding, bytes.NewReader(encoded)))
		if err != nil || !bytes.Equal(want, got) {
			t.Errorf("%d bytes of picture arrived otherwise than the %d sent", len(got), len(want))
		}
	})
	refusals := []struct {
		name               string
		port               string
		change             func(*smtp.Options, *callout.Message)
		permanent, unknown bool
		words              string
	}{
		{"wrong password", "starttls", func(o *smtp.Options, _ *callout.Message) { o.Password = "w0rse" }, false, false, "535"},
		{"nobody of that name", "starttls", func(_ *smtp.Options, m *callout.Message) { m.Address = "lee@alderfork.example" }, true, false, "550"},
		{"another domain", "starttls", func(_ *smtp.Options, m *callout.Message) { m.Address = "lee@pond.example" }, true, false, "nothing leaves this server"},
		{"come back later", "starttls", func(_ *smtp.Options, m *callout.Message) { m.Address = "rowan@alderfork.example" }, false, false, "450"},
		{"too large", "starttls", func(_ *smtp.Options, m *callout.Message) { m.Text = strings.Repeat("very long\n", 20000) }, true, false, "552"},
		{"unknown authority", "starttls", func(o *smtp.Options, _ *callout.Message) { o.RootCAs = x509.NewCertPool() }, false, false, "unknown authority"},
		{"no TLS there", "without TLS", func(*smtp.Options, *callout.Message) {}, false, false, "STARTTLS"},
	}
	for _, tt := range refusals {
		t.Run(tt.name, func(t *testing.T) {
			opt, m := p.options(tt.port, smtp.StartTLS), message("refused", "kim")
			tt.change(&opt, &m)
			_, err := mailer(t, opt).Deliver(t.Context(), m)
			var e *notify.DeliveryError
			if !errors.As(err, &e) || e.Permanent != tt.permanent || e.Unknown != tt.unknown || !strings.Contains(e.Error(), tt.words) {
				t.Errorf("%+v, want %q with permanent %v, unknown %v", err, tt.words, tt.permanent, tt.unknown)
			}
			if e != nil && (strings.Contains(e.Error(), opt.Password) || strings.Contains(e.Error(), m.Address)) {
				t.Errorf("the error shows a password or an address: %v", e)
			}
		})
	}
	t.Run("gone and back", func(t *testing.T) { postfixGone(t, p) })
}

// A server that goes and comes back gets what waited, in order, once.
func postfixGone(t *testing.T, p *postfix) {
	t.Helper()
	before, _ := filepath.Glob(filepath.Join(p.dir, "mail/kim/new/*"))
	p.stop(t)
	h := &house{outbox: notifytest.NewOutbox(message("a", "kim"), message("b", "kim")), now: night, wake: make(chan struct{})}
	h.start(t, mailer(t, p.options("starttls", smtp.StartTLS)))
	h.outbox.Await(t, "a", h.failed(1))
	p.start(t)
	h.later(6 * time.Minute)
	h.outbox.Await(t, "b", sent)
	for _, id := range []string{"a", "b"} {
		if _, body, _ := p.mail(t, id+"@alderfork.example"); strings.Contains(body, notify.AlreadyNote) {
			t.Errorf("%s carries the note, though nothing had left", id)
		}
	}
	if files, _ := filepath.Glob(filepath.Join(p.dir, "mail/kim/new/*")); len(files)-len(before) != 2 {
		t.Errorf("%d mails arrived, want 2", len(files)-len(before))
	}
}
