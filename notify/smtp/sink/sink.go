// Package sink is a mail server that keeps nothing: it takes every mail on a
// local address and hands it to a function. The demo prints what it gets; tests
// make it fail in all the ways a mail server can. It is not a mail server for
// use, and sends nothing on.
package sink

import (
	"context"
	"crypto/tls"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"strings"
	"sync"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
)

// Message is one mail taken.
type Message struct {
	From       string   // of the envelope
	To         []string // of the envelope
	Subject    string   // decoded
	MessageID  string   // with its angle brackets
	Header     mail.Header
	Body       string // the text, decoded, lines end in \n
	Files      []File // what came with it
	ReceivedAt time.Time
}

// File is a part of a mail other than its text.
type File struct {
	Name, ContentType string
	Inline            bool
	Data              []byte
}

// Stage is a point at which a Fault is asked for.
type Stage string

// The stages of a mail.
const (
	// Recipient: the recipient was named.
	Recipient Stage = "recipient"
	// Data: the text begins to come.
	Data Stage = "data"
	// Taken: the text is there and Handle has had it; the answer is not
	// given yet.
	Taken Stage = "taken"
)

// ErrDrop, given by Options.Fault, breaks the connection without an answer.
var ErrDrop = errors.New("sink: drop the connection")

// Refusal, given by Options.Fault, is the answer to the client.
type Refusal struct {
	Code int // 4xx or 5xx
	Text string
}

func (r *Refusal) Error() string { return fmt.Sprintf("sink: %d %s", r.Code, r.Text) }

// Options of a Server. Now and Handle are needed.
type Options struct {
	// Addr is where to listen; "" is any free port of the loopback address.
	Addr string
	// TLS offers STARTTLS; with Implicit it is TLS from the first byte.
	TLS      *tls.Config
	Implicit bool
	// User and Password must be given by clients, by PLAIN; User "" asks
	// for none.
	User, Password string
	Now            func() time.Time
	// Handle gets each mail, from several goroutines at once.
	Handle func(Message)
	// Fault is asked at each stage of a mail to a recipient, from several
	// goroutines at once. It answers nil, ErrDrop or a *Refusal, and stalls
	// the client while it does not return. nil has no faults.
	Fault func(s Stage, to string) error
	// Log gets the server's own troubles; nil discards them.
	Log *slog.Logger
}

// Server is the sink.
type Server struct {
	opt      Options
	listener *tracker
	server   *smtp.Server
}

// Listen opens the address. Run serves it and closes it.
func Listen(ctx context.Context, opt Options) (*Server, error) {
	if opt.Addr == "" {
		opt.Addr = "127.0.0.1:0"
	}
	if opt.Fault == nil {
		opt.Fault = func(Stage, string) error { return nil }
	}
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", opt.Addr)
	if err != nil {
		return nil, fmt.Errorf("sink: listen on %s: %w", opt.Addr, err)
	}
	s := &Server{opt: opt, listener: &tracker{Listener: l, conns: map[*tracked]struct{}{}}}
	s.server = smtp.NewServer(smtp.BackendFunc(func(c *smtp.Conn) (smtp.Session, error) {
		return &session{server: s, conn: c, ok: opt.User == ""}, nil
	}))
	s.server.Domain = "sink.example"
	s.server.MaxMessageBytes = 1 << 20
	s.server.ReadTimeout, s.server.WriteTimeout = time.Minute, time.Minute
	s.server.ErrorLog = logger{opt.Log}
	s.server.AllowInsecureAuth = opt.TLS == nil
	if !opt.Implicit {
		s.server.TLSConfig = opt.TLS
	}
	return s, nil
}

// Addr is the address listened on, host and port.
func (s *Server) Addr() string { return s.listener.Addr().String() }

// Run serves until ctx ends, then breaks all connections and waits for their
// ends.
func (s *Server) Run(ctx context.Context) error {
	var l net.Listener = s.listener
	if s.opt.Implicit {
		l = tls.NewListener(l, s.opt.TLS)
	}
	served := make(chan error, 1)
	go func() { served <- s.server.Serve(l) }()
	var err error
	select {
	case err = <-served:
		s.listener.breakAll()
	case <-ctx.Done():
		s.listener.breakAll()
		<-served //nolint:errcheck // the closed listener's error
	}
	// Shutdown waits for the ends of the connections, which are broken; its
	// only error is that the listener is closed already.
	_ = s.server.Shutdown(context.WithoutCancel(ctx))
	if err != nil {
		return fmt.Errorf("sink: serve %s: %w", s.Addr(), err)
	}
	return nil
}

// session is one client's connection.
type session struct {
	server *Server
	conn   *smtp.Conn
	ok     bool // logged in, or need not
	from   string
	to     []string
}

func (s *session) AuthMechanisms() []string {
	if s.server.opt.User == "" {
		return nil
	}
	return []string{sasl.Plain}
}

func (s *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user != s.server.opt.User || password != s.server.opt.Password {
			return smtp.ErrAuthFailed
		}
		s.ok = true
		return nil
	}), nil
}

func (s *session) Mail(from string, _ *smtp.MailOptions) error {
	if !s.ok {
		return smtp.ErrAuthRequired
	}
	s.from = from
	return nil
}

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	if err := s.fault(Recipient, to); err != nil {
		return err
	}
	s.to = append(s.to, to)
	return nil
}

func (s *session) Data(r io.Reader) error {
	if err := s.fault(Data, s.to[0]); err != nil {
		return err
	}
	m, err := parse(r)
	if err != nil {
		return &smtp.SMTPError{Code: 554, EnhancedCode: smtp.EnhancedCode{5, 6, 0}, Message: err.Error()}
	}
	m.From, m.To, m.ReceivedAt = s.from, s.to, s.server.opt.Now()
	s.server.opt.Handle(m)
	return s.fault(Taken, s.to[0])
}

func (s *session) fault(at Stage, to string) error {
	err := s.server.opt.Fault(at, to)
	var refusal *Refusal
	switch {
	case errors.Is(err, ErrDrop):
		_ = s.conn.Conn().Close()
	case errors.As(err, &refusal):
		return &smtp.SMTPError{Code: refusal.Code, EnhancedCode: smtp.EnhancedCode{refusal.Code / 100, 0, 0}, Message: refusal.Text}
	}
	return err
}

func (s *session) Reset()        { s.from, s.to = "", nil }
func (s *session) Logout() error { return nil }

func parse(r io.Reader) (Message, error) {
	raw, err := mail.ReadMessage(r)
	if err != nil {
		return Message{}, fmt.Errorf("sink: read mail: %w", err)
	}
	subject, err := (&mime.WordDecoder{}).DecodeHeader(raw.Header.Get("Subject"))
	if err != nil {
		return Message{}, fmt.Errorf("sink: decode subject: %w", err)
	}
	m := Message{Subject: subject, MessageID: raw.Header.Get("Message-Id"), Header: raw.Header}
	kind, params, err := mime.ParseMediaType(raw.Header.Get("Content-Type"))
	if err != nil || !strings.HasPrefix(kind, "multipart/") {
		m.Body, err = text(raw.Body, raw.Header.Get("Content-Transfer-Encoding"))
		return m, err
	}
	parts := multipart.NewReader(raw.Body, params["boundary"])
	for n := 0; ; n++ {
		p, err := parts.NextRawPart()
		if errors.Is(err, io.EOF) {
			return m, nil
		}
		if err != nil {
			return m, fmt.Errorf("sink: read part %d: %w", n+1, err)
		}
		encoding := p.Header.Get("Content-Transfer-Encoding")
		if n == 0 {
			if m.Body, err = text(p, encoding); err != nil {
				return m, err
			}
			continue
		}
		f := File{Name: p.FileName()}
		f.ContentType, _, _ = mime.ParseMediaType(p.Header.Get("Content-Type"))
		disposition, _, _ := mime.ParseMediaType(p.Header.Get("Content-Disposition"))
		f.Inline = disposition == "inline"
		if f.Data, err = io.ReadAll(decoded(p, encoding)); err != nil {
			return m, fmt.Errorf("sink: read part %d: %w", n+1, err)
		}
		m.Files = append(m.Files, f)
	}
}

func decoded(r io.Reader, encoding string) io.Reader {
	switch strings.ToLower(encoding) {
	case "quoted-printable":
		return quotedprintable.NewReader(r)
	case "base64":
		return base64.NewDecoder(base64.StdEncoding, r)
	}
	return r
}

func text(r io.Reader, encoding string) (string, error) {
	b, err := io.ReadAll(decoded(r, encoding))
	if err != nil {
		return "", fmt.Errorf("sink: read body: %w", err)
	}
	return strings.ReplaceAll(string(b), "\r\n", "\n"), nil
}

// tracker knows the open connections, so that they can be broken.
type tracker struct {
	net.Listener
	mu     sync.Mutex
	conns  map[*tracked]struct{}
	broken bool
}

type tracked struct {
	net.Conn
	of *tracker
}

func (t *tracker) Accept() (net.Conn, error) {
	c, err := t.Listener.Accept()
	if err != nil {
		return nil, err
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.broken {
		_ = c.Close()
	}
	tc := &tracked{c, t}
	t.conns[tc] = struct{}{}
	return tc, nil
}

func (c *tracked) Close() error {
	c.of.mu.Lock()
	delete(c.of.conns, c)
	c.of.mu.Unlock()
	return c.Conn.Close()
}

func (t *tracker) breakAll() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.broken = true
	_ = t.Close()
	for c := range t.conns {
		_ = c.Conn.Close()
	}
}

// logger is the server library's idea of a log.
type logger struct{ log *slog.Logger }

func (l logger) Printf(format string, v ...any) {
	l.log.Debug("mail sink", "component", "sink", "err", fmt.Sprintf(format, v...))
}
func (l logger) Println(v ...any) { l.Printf("%s", fmt.Sprint(v...)) }
