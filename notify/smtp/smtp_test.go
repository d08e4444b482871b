package smtp_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"log/slog"
	"math/big"
	"net"
	netmail "net/mail"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"weirkeeper/notify"
	"weirkeeper/notify/notifytest"
	"weirkeeper/notify/smtp"
	"weirkeeper/notify/smtp/sink"
	"weirkeeper/rules/callout"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var night = time.Date(2026, 10, 15, 3, 12, 0, 0, time.UTC)

// certificate makes one for the loopback address, and the pool that trusts it.
func certificate(t *testing.T) (*tls.Config, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(cert)
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}, MinVersion: tls.VersionTLS12}, pool
}

// box keeps what a sink took.
type box struct {
	mu  sync.Mutex
	got []sink.Message
}

func (b *box) put(m sink.Message) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.got = append(b.got, m)
}

func (b *box) all() []sink.Message {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]sink.Message(nil), b.got...)
}

// serve runs a sink until the test ends, or until the stop it gives is called.
func serve(t *testing.T, opt sink.Options) (addr string, stop func()) {
	t.Helper()
	opt.Now = func() time.Time { return night }
	s, err := sink.Listen(t.Context(), opt)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("sink: %v", err)
		}
	})
	t.Cleanup(stop)
	return s.Addr(), stop
}

func options(t *testing.T, addr string) smtp.Options {
	t.Helper()
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		t.Fatal(err)
	}
	n, err := strconv.Atoi(port)
	if err != nil {
		t.Fatal(err)
	}
	return smtp.Options{
		Host: host, Port: n, Mode: smtp.StartTLS, User: "weir", Password: "s3cret",
		From: "Alder Fork <weir@alderfork.example>", Now: func() time.Time { return night },
	}
}

func mailer(t *testing.T, opt smtp.Options) *smtp.Mailer {
	t.Helper()
	m, err := smtp.New(opt)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func message(id, person string) callout.Message {
	return callout.Message{
		ID: id, Reason: callout.First, Person: person, Address: person + "@alderfork.example",
		Subject: "Trough 3: low flow — 11.2 L/min, setpoint 28 L/min", Text: "Trough 3: low flow\n\n.a line that begins with a dot\n18 °C\n",
		CreatedAt: night, ExpiresAt: night.Add(24 * time.Hour),
	}
}

func TestDeliver(t *testing.T) {
	server, pool := certificate(t)
	for _, mode := range []smtp.Mode{smtp.StartTLS, smtp.TLS, smtp.None} {
		t.Run(string(mode), func(t *testing.T) {
			var got box
			so := sink.Options{Handle: got.put, User: "weir", Password: "s3cret"}
			if mode != smtp.None {
				so.TLS, so.Implicit = server, mode == smtp.TLS
			}
			addr, _ := serve(t, so)
			opt := options(t, addr)
			opt.Mode, opt.RootCAs = mode, pool
			detail, err := mailer(t, opt).Deliver(t.Context(), message("20261015-7", "kim"))
			if err != nil {
				t.Fatal(err)
			}
			if !strings.Contains(detail, "queued") {
				t.Errorf("the server's answer is %q, want its words", detail)
			}
			all := got.all()
			if len(all) != 1 {
				t.Fatalf("%d mails taken, want 1", len(all))
			}
			want := sink.Message{
				From: "weir@alderfork.example", To: []string{"kim@alderfork.example"},
				Subject:   "Trough 3: low flow — 11.2 L/min, setpoint 28 L/min",
				MessageID: "<20261015-7@alderfork.example>",
				Body:      "Trough 3: low flow\n\n.a line that begins with a dot\n18 °C\n", ReceivedAt: night,
			}
			header := all[0].Header
			all[0].Header = nil
			all[0].Body = strings.TrimRight(all[0].Body, "\n") + "\n" // the protocol ends a text with a line end
			if diff := cmp.Diff(want, all[0]); diff != "" {
				t.Errorf("mail (-want +got):\n%s", diff)
			}
			for name, want := range map[string]string{
				"Auto-Submitted": "auto-generated", "Importance": "high", "X-Priority": "1", "Date": "Thu, 15 Oct 2026 03:12:00 +0000",
				"To": `"kim" <kim@alderfork.example>`, "From": `"Alder Fork" <weir@alderfork.example>`, "Content-Type": "text/plain; charset=UTF-8",
				"User-Agent": "", "X-Mailer": "",
			} {
				if got := header.Get(name); got != want {
					t.Errorf("header %s is %q, want %q", name, got, want)
				}
			}
		})
	}
}

func TestHeaderInjection(t *testing.T) {
	var got box
	addr, _ := serve(t, sink.Options{Handle: got.put})
	opt := options(t, addr)
	opt.Mode, opt.User = smtp.None, ""
	m := message("x\r\nBcc: a@pond.example", "kim")
	m.Reason = callout.Returned
	m.Person = "kim\r\nBcc: b@pond.example"
	m.Subject = "Trough 3\r\nBcc: c@pond.example\r\n\r\nbody " + strings.Repeat("ö", 300)
	if _, err := mailer(t, opt).Deliver(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	mail := got.all()[0]
	if len(mail.To) != 1 || mail.Header.Get("Bcc") != "" || !strings.HasPrefix(mail.Body, "Trough 3: low flow") {
		t.Errorf("to %v, Bcc %q, body %q: a header went in", mail.To, mail.Header.Get("Bcc"), mail.Body)
	}
	if want := "Trough 3  Bcc: c@pond.example    body " + strings.Repeat("ö", 300); mail.Subject != want {
		t.Errorf("subject %q, want %q", mail.Subject, want)
	}
	if want := "<x--Bcc--a-pond.example@alderfork.example>"; mail.MessageID != want {
		t.Errorf("Message-ID %s, want %s", mail.MessageID, want)
	}
	if got := mail.Header.Get("Importance"); got != "" {
		t.Errorf("importance of a back-to-normal message is %q, want none", got)
	}
	m.Address = "kim@alderfork.example>\r\nRCPT TO:<d@pond.example"
	if _, err := mailer(t, opt).Deliver(t.Context(), m); err == nil {
		t.Error("an address with a line break was taken")
	}
	parsed := netmail.Header(mail.Header)
	if _, err := parsed.AddressList("To"); err != nil {
		t.Errorf("To: %v", err)
	}
}

// What a failure means: permanent, or with an outcome that is not known.
func TestErrors(t *testing.T) {
	server, pool := certificate(t)
	at := func(stage sink.Stage, err error) func(sink.Stage, string) error {
		return func(s sink.Stage, _ string) error {
			if s == stage {
				return err
			}
			return nil
		}
	}
	tests := []struct {
		name               string
		sink               sink.Options
		change             func(*smtp.Options)
		permanent, unknown bool
		words              string // in the error
	}{
		{name: "recipient refused for now", sink: sink.Options{Fault: at(sink.Recipient, &sink.Refusal{Code: 451, Text: "later"})}, words: "451"},
		{name: "recipient refused", sink: sink.Options{Fault: at(sink.Recipient, &sink.Refusal{Code: 550, Text: "no kim@alderfork.example here"})}, permanent: true, words: "no …@alderfork.example here"},
		{name: "text refused for now", sink: sink.Options{Fault: at(sink.Taken, &sink.Refusal{Code: 452, Text: "full"})}, words: "452"},
		{name: "text refused", sink: sink.Options{Fault: at(sink.Taken, &sink.Refusal{Code: 554, Text: "no"})}, permanent: true, words: "554"},
		{name: "drop at the recipient", sink: sink.Options{Fault: at(sink.Recipient, sink.ErrDrop)}},
		{name: "drop in the text", sink: sink.Options{Fault: at(sink.Data, sink.ErrDrop)}, unknown: true},
		{name: "drop before the answer", sink: sink.Options{Fault: at(sink.Taken, sink.ErrDrop)}, unknown: true},
		{name: "wrong password", change: func(o *smtp.Options) { o.Password = "guess" }, words: "check the mail server"},
		{name: "certificate not trusted", change: func(o *smtp.Options) { o.RootCAs = x509.NewCertPool() }, words: "certificate"},
		{name: "TLS to a server in clear", change: func(o *smtp.Options) { o.Mode = smtp.TLS }},
		{name: "nobody there", change: func(o *smtp.Options) { o.Port = 1 }, words: "refused"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tt.sink.TLS, tt.sink.User, tt.sink.Password, tt.sink.Handle = server, "weir", "s3cret", func(sink.Message) {}
			addr, _ := serve(t, tt.sink)
			opt := options(t, addr)
			opt.RootCAs = pool
			if tt.change != nil {
				tt.change(&opt)
			}
			_, err := mailer(t, opt).Deliver(t.Context(), message("a", "kim"))
			var e *notify.DeliveryError
			if !errors.As(err, &e) {
				t.Fatalf("error %v, want a *notify.DeliveryError", err)
			}
			if e.Permanent != tt.permanent || e.Unknown != tt.unknown {
				t.Errorf("%v: permanent %t, unknown %t, want %t, %t", err, e.Permanent, e.Unknown, tt.permanent, tt.unknown)
			}
			if !strings.Contains(err.Error(), tt.words) {
				t.Errorf("error %q does not say %q", err, tt.words)
			}
			if strings.Contains(err.Error(), "kim@") || strings.Contains(err.Error(), "s3cret") {
				t.Errorf("error %q shows an address or a password", err)
			}
		})
	}
}

func TestStartTLSIsMandatory(t *testing.T) {
	var got box
	addr, _ := serve(t, sink.Options{Handle: got.put})
	opt := options(t, addr)
	if _, err := mailer(t, opt).Deliver(t.Context(), message("a", "kim")); err == nil || !strings.Contains(err.Error(), "STARTTLS") {
		t.Errorf("error %v, want one about STARTTLS", err)
	}
	if n := len(got.all()); n != 0 {
		t.Errorf("%d mails went in clear", n)
	}
}

// A server that does not answer holds a delivery no longer than its context.
func TestStall(t *testing.T) {
	reached, release := make(chan struct{}), make(chan struct{})
	addr, _ := serve(t, sink.Options{Handle: func(sink.Message) {}, Fault: func(sink.Stage, string) error {
		close(reached)
		<-release
		return sink.ErrDrop
	}})
	defer close(release)
	opt := options(t, addr)
	opt.Mode, opt.User = smtp.None, ""
	ctx, cancel := context.WithCancel(t.Context())
	go func() { <-reached; cancel() }()
	if _, err := mailer(t, opt).Deliver(ctx, message("a", "kim")); err == nil {
		t.Error("a stalled delivery gave no error")
	}
}

func TestNewChecks(t *testing.T) {
	good := smtp.Options{Host: "mail.alderfork.example", Port: 587, Mode: smtp.StartTLS, From: "weir@alderfork.example", Now: func() time.Time { return night }}
	if _, err := smtp.New(good); err != nil {
		t.Errorf("good options: %v", err)
	}
	for name, change := range map[string]func(*smtp.Options){
		"mode": func(o *smtp.Options) { o.Mode = "ssl" },
		"from": func(o *smtp.Options) { o.From = "weir" },
		"port": func(o *smtp.Options) { o.Port = 0 },
		"host": func(o *smtp.Options) { o.Host = "" },
	} {
		opt := good
		change(&opt)
		if _, err := smtp.New(opt); err == nil {
			t.Errorf("bad %s was taken", name)
		}
	}
}

// house is the sender on its real mailer, with a clock moved by hand.
type house struct {
	outbox *notifytest.Outbox
	mu     sync.Mutex
	now    time.Time
	wake   chan struct{}
}

func (h *house) clock() time.Time {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.now
}

func (h *house) later(d time.Duration) {
	h.mu.Lock()
	h.now = h.now.Add(d)
	h.mu.Unlock()
	h.wake <- struct{}{}
}

// start runs a Sender; the stop it gives may be called more than once.
func (h *house) start(t *testing.T, m *smtp.Mailer) (stop func()) {
	t.Helper()
	s := notify.NewSender(notify.SenderOptions{Outbox: h.outbox, Deliverers: map[callout.Way]notify.Deliverer{callout.Email: m}, Now: h.clock, Log: slog.New(slog.DiscardHandler), Timeouts: map[callout.Way]time.Duration{callout.Email: 20 * time.Second}})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, h.wake) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	})
	t.Cleanup(stop)
	return stop
}

func sent(r notifytest.Row) bool { return r.State == "sent" }

// failed waits for attempt n to be put off, and not only begun.
func (h *house) failed(n int) func(notifytest.Row) bool {
	now := h.clock()
	return func(r notifytest.Row) bool { return r.Message.Attempts == n && r.Next.After(now) }
}

// From the outbox over STARTTLS and log-in to a server that fails once.
func TestSenderOverSMTP(t *testing.T) {
	server, pool := certificate(t)
	tests := []struct {
		name  string
		stage sink.Stage
		fault error
		want  []bool // the copies taken; whether they carry the note
	}{
		{"all is well", "", nil, []bool{false}},
		{"refused for now", sink.Recipient, &sink.Refusal{Code: 451, Text: "later"}, []bool{false}},
		{"refused, then put right", sink.Recipient, &sink.Refusal{Code: 550, Text: "who"}, []bool{false}},
		{"dropped in the text", sink.Data, sink.ErrDrop, []bool{true}},
		{"taken, but dropped before the answer", sink.Taken, sink.ErrDrop, []bool{false, true}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got box
			var once sync.Once
			addr, _ := serve(t, sink.Options{TLS: server, User: "weir", Password: "s3cret", Handle: got.put, Fault: func(s sink.Stage, _ string) (err error) {
				if s == tt.stage {
					once.Do(func() { err = tt.fault })
				}
				return err
			}})
			opt := options(t, addr)
			opt.RootCAs = pool
			h := &house{outbox: notifytest.NewOutbox(message("a", "kim")), now: night, wake: make(chan struct{})}
			h.start(t, mailer(t, opt))
			if tt.fault != nil {
				h.outbox.Await(t, "a", h.failed(1))
				h.later(6 * time.Minute)
			}
			h.outbox.Await(t, "a", sent)
			var notes []bool
			for _, m := range got.all() {
				notes = append(notes, strings.HasPrefix(m.Body, notify.AlreadyNote))
				if m.MessageID != "<a@alderfork.example>" {
					t.Errorf("Message-ID %s, want <a@alderfork.example> on every copy", m.MessageID)
				}
			}
			if diff := cmp.Diff(tt.want, notes); diff != "" {
				t.Errorf("copies and their notes (-want +got):\n%s", diff)
			}
		})
	}
}

func TestServerDownThenUp(t *testing.T) {
	var got box
	so := sink.Options{Handle: got.put}
	addr, stop := serve(t, so)
	stop()
	opt := options(t, addr)
	opt.Mode, opt.User = smtp.None, ""
	h := &house{outbox: notifytest.NewOutbox(message("a", "kim"), message("b", "kim")), now: night, wake: make(chan struct{})}
	h.start(t, mailer(t, opt))
	h.outbox.Await(t, "a", h.failed(1))
	h.later(6 * time.Minute)
	h.outbox.Await(t, "a", h.failed(2))
	so.Addr = addr
	serve(t, so)
	h.later(6 * time.Minute)
	h.outbox.Await(t, "b", sent)
	var ids []string
	for _, m := range got.all() {
		ids = append(ids, m.MessageID)
		if strings.Contains(m.Body, notify.AlreadyNote) {
			t.Errorf("%s carries the note, though nothing had left", m.MessageID)
		}
	}
	if diff := cmp.Diff([]string{"<a@alderfork.example>", "<b@alderfork.example>"}, ids); diff != "" {
		t.Errorf("mails in order (-want +got):\n%s", diff)
	}
}

// The process dies when the server has the text and the record is not made.
func TestCrashAfterData(t *testing.T) {
	var got box
	addr, _ := serve(t, sink.Options{Handle: got.put})
	opt := options(t, addr)
	opt.Mode, opt.User = smtp.None, ""
	m := mailer(t, opt)
	h := &house{outbox: notifytest.NewOutbox(message("a", "kim")), now: night, wake: make(chan struct{})}
	gone := make(chan struct{}, 1)
	h.outbox.Fail(func(op, _ string) error {
		if op != "MarkSent" {
			return nil
		}
		gone <- struct{}{}
		return errors.New("the process is gone")
	})
	stop := h.start(t, m)
	<-gone
	stop()
	h.outbox.Fail(nil)
	h.start(t, m)
	h.outbox.Await(t, "a", sent)
	all := got.all()
	if len(all) != 2 || all[0].MessageID != all[1].MessageID {
		t.Fatalf("mails %+v, want two with one Message-ID", all)
	}
	if strings.Contains(all[0].Body, notify.AlreadyNote) || !strings.HasPrefix(all[1].Body, notify.AlreadyNote) {
		t.Errorf("bodies %q, %q: want the note on the second only", all[0].Body, all[1].Body)
	}
}

// One person's server stalls; the other's mail goes out.
func TestStuckRecipientOverSMTP(t *testing.T) {
	release := make(chan struct{})
	var got box
	addr, _ := serve(t, sink.Options{Handle: got.put, Fault: func(s sink.Stage, to string) error {
		if s == sink.Recipient && strings.HasPrefix(to, "kim@") {
			<-release
		}
		return nil
	}})
	opt := options(t, addr)
	opt.Mode, opt.User = smtp.None, ""
	h := &house{outbox: notifytest.NewOutbox(message("a", "kim"), message("b", "rowan")), now: night, wake: make(chan struct{})}
	h.start(t, mailer(t, opt))
	h.outbox.Await(t, "b", sent)
	if r := h.outbox.Row("a"); r.State != "pending" {
		t.Errorf("kim's message is %s, want it under way", r.State)
	}
	close(release)
	h.outbox.Await(t, "a", sent)
}
